"""A chart as a PDF to print on A4: black on white, in the fonts that every PDF reader has. Needs the library fpdf2."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from controller_sim.view.fitting import LEADING, PADDING, Fitted, Row, fit, line_heights, scale_of, width_of
from controller_sim.view.sheet import Box, Dot, Drawing, Label, Sheet, Stroke, Table

if TYPE_CHECKING:
    from fpdf import FPDF

A4 = (595.28, 841.89)
MARGIN = 34.0
_TITLE, _NOTE, _NOTE_LARGE = 16.0, 9.0, 12.0
_STRONG, _LINE, _HAIR = 1.6, 0.9, 0.3
_HEAD = 7.0
"""Of an arrow."""
ENCODING = "cp1252"
"""The letters that the built-in fonts have."""


def pdf(sheet: Sheet) -> bytes:
    """The file's bytes; the same sheet gives the same bytes.

    A letter that the built-in fonts lack is shown as `?`. Raises ImportError without fpdf2.
    """
    from fpdf import FPDF

    document = FPDF(unit="pt", format="A4")
    document.core_fonts_encoding = ENCODING
    document.set_auto_page_break(False)
    document.set_margin(0)
    document.set_title(_letters(sheet.title))
    document.set_creator("controller-sim")
    # A date would make two files of one design differ.
    document.set_creation_date(datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC))
    free_y: float | None = None
    for part in sheet.parts:
        free_y = _table(document, part, free_y) if isinstance(part, Table) else _drawing(document, part, free_y)
    return bytes(document.output())


def unprintable(sheet: Sheet) -> set[str]:
    """The letters of a sheet that the built-in fonts lack."""
    texts = [sheet.title]
    for part in sheet.parts:
        texts += [part.title, *part.notes]
        if isinstance(part, Table):
            texts += [*part.header, *(line.plain for row in part.rows for cell in row for line in cell.lines)]
        else:
            texts += [mark.text for mark in part.marks if isinstance(mark, Label)]
    return {letter for letter in "".join(texts) if _letters(letter) != letter}


def _letters(text: str) -> str:
    return text.encode(ENCODING, "replace").decode(ENCODING)


def _page(document: FPDF, landscape: bool) -> None:
    document.add_page(orientation="landscape" if landscape else "portrait")


def _title(document: FPDF, top: float, title: str) -> float:
    """Write a title; gives where what it stands above begins."""
    _write(document, MARGIN, top + _TITLE, title, _TITLE, bold=True)
    return top + _TITLE * 1.6


def _write(document: FPDF, x: float, y: float, text: str, size: float, bold: bool = False) -> None:
    document.set_font("helvetica", "B" if bold else "", size)
    document.text(x, y, _letters(text))


def _rule(document: FPDF, x1: float, y1: float, x2: float, y2: float, wide: float) -> None:
    document.set_line_width(wide)
    document.line(x1, y1, x2, y2)


def note_lines(notes: Sequence[str], width: float, size: float) -> Iterator[str]:
    """Notes broken to a width."""
    for note in notes:
        line = ""
        for word in note.split(" "):
            longer = f"{line} {word}" if line else word
            if line and width_of(longer, size) > width:
                yield line
                longer = word
            line = longer
        yield line


def _table(document: FPDF, table: Table, free_y: float | None) -> float | None:
    """Set a table on pages of its own, or below what stands on this one if it is small; gives where the page is free again."""
    width, height = reversed(A4) if table.large else A4
    size = _NOTE_LARGE if table.large else _NOTE
    notes = list(note_lines(table.notes, width - 2 * MARGIN, size))
    below = len(notes) * size * 1.4
    fitted = fit(table, width - 2 * MARGIN, height - 2 * MARGIN - _TITLE * 1.6 - below)
    needed = _TITLE * 1.6 + sum(fitted.heights) + below
    fresh = free_y is None or table.large or free_y + needed > height - MARGIN
    y = MARGIN if fresh or free_y is None else free_y
    for number, rows in enumerate(fitted.pages):
        if fresh or number:
            _page(document, table.large)
            y = MARGIN
        y = _title(document, y, table.title + (f" ({number + 1} of {len(fitted.pages)})" if len(fitted.pages) > 1 else ""))
        y = _rows(document, table, fitted, rows, y)
    for line in notes:
        y += size * 1.4
        _write(document, MARGIN, y, line, size)
    return None if table.large else y + 2 * _TITLE


def _rows(document: FPDF, table: Table, fitted: Fitted, rows: Sequence[int], y: float) -> float:
    """The header and some rows with their rules; gives where they end."""
    right = MARGIN + sum(fitted.widths)
    y = _row(document, fitted, fitted.header, [1] * len(fitted.header), y, fitted.heights[0])
    _rule(document, MARGIN, y, right, y, _STRONG)
    for number in rows:
        spans = [cell.span for cell in table.rows[number]]
        top = y
        y = _row(document, fitted, fitted.rows[number], spans, y, fitted.heights[number + 1])
        x, at = MARGIN, 0
        for span in spans[:-1]:
            x += sum(fitted.widths[at : at + span])
            at += span
            _rule(document, x, top, x, y, _HAIR)
        # Rows that go on with a group have no rule above them.
        if number == rows[-1] or table.rows[number + 1][0].lines:
            _rule(document, MARGIN, y, right, y, _LINE if number == rows[-1] or table.large else _HAIR)
    return y


def _row(document: FPDF, fitted: Fitted, row: Sequence[Row], spans: Sequence[int], top: float, height: float) -> float:
    size, at, x = fitted.size, 0, MARGIN
    for cell, span in zip(row, spans, strict=True):
        y = top + fitted.above
        for line, taken in zip(cell, line_heights(cell, size), strict=True):
            place = x + PADDING * size
            for word in line:
                _write(document, place, y + size * (LEADING + 0.72) / 2, word.text, size, word.bold)
                place += width_of(word.text, size, word.bold) + width_of(" ", size)
            y += taken
        x += sum(fitted.widths[at : at + span])
        at += span
    return top + height


def page_of(drawing: Drawing) -> tuple[bool, float | None]:
    """Whether a drawing's page lies across, and its scale there; None: the table in its place is easier to read."""
    landscape = drawing.width > drawing.height * 0.8
    width, height = reversed(A4) if landscape else A4
    return landscape, scale_of(drawing, width - 2 * MARGIN, height - 2 * MARGIN - 1.6 * _TITLE)


def _drawing(document: FPDF, drawing: Drawing, free_y: float | None) -> float | None:
    """A page of its own, as large as it can be."""
    landscape, scale = page_of(drawing)
    if scale is None:
        assert drawing.table is not None
        return _table(document, drawing.table, free_y)
    _page(document, landscape)
    left, top = MARGIN, _title(document, MARGIN, drawing.title)
    _marks(document, drawing, left, top, scale)
    return None


def _marks(document: FPDF, drawing: Drawing, left: float, top: float, scale: float) -> None:
    def at(x: float, y: float) -> tuple[float, float]:
        return left + x * scale, top + y * scale

    for mark in drawing.marks:
        match mark:
            case Stroke(points=points, arrow=arrow):
                document.set_line_width(_LINE * scale)
                for (x1, y1), (x2, y2) in pairwise(points):
                    document.line(*at(x1, y1), *at(x2, y2))
                if arrow:
                    document.set_fill_color(0)
                    document.polygon([at(*corner) for corner in head_of(points)], style="F")
            case Box(x=x, y=y, width=wide, height=high, strong=strong):
                document.set_line_width((_STRONG if strong else _LINE) * scale)
                document.rect(*at(x, y), wide * scale, high * scale)
            case Dot(x=x, y=y):
                document.set_fill_color(0)
                document.circle(*at(x, y), 2.6 * scale, style="F")
            case Label(x=x, y=y, text=text, size=size, bold=bold):
                _write(document, *at(x, y), text, size * scale, bold)


def head_of(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The corners of the head of an arrow whose last piece is level."""
    (x1, _), (x, y) = points[-2:]
    back = _HEAD if x1 > x else -_HEAD
    return [(x, y), (x + back, y - _HEAD / 2), (x + back, y + _HEAD / 2)]
