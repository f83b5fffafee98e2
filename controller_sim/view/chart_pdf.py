"""A chart as a PDF to print on A4: black on white, in the fonts that every PDF reader has. Needs the library fpdf2."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from controller_sim.view.fitting import A4, MARGIN, fit, scale_of
from controller_sim.view.sheet import LINE, STRONG, Box, Dot, Drawing, Label, Mark, Sheet, Stroke, Table, head_of
from controller_sim.view.typeset import NOTE, NOTE_LARGE, NOTE_LEADING, TITLE, TITLE_HEIGHT, note_lines, note_marks, rows_marks, title_mark

if TYPE_CHECKING:
    from fpdf import FPDF

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


def _write(document: FPDF, x: float, y: float, text: str, size: float, bold: bool = False) -> None:
    document.set_font("helvetica", "B" if bold else "", size)
    document.text(x, y, _letters(text))


def _table(document: FPDF, table: Table, free_y: float | None) -> float | None:
    """Set a table on pages of its own, or below what stands on this one if it is small; gives where the page is free again."""
    width, height = reversed(A4) if table.large else A4
    size = NOTE_LARGE if table.large else NOTE
    notes = list(note_lines(table.notes, width - 2 * MARGIN, size))
    below = len(notes) * size * NOTE_LEADING
    fitted = fit(table, width - 2 * MARGIN, height - 2 * MARGIN - TITLE_HEIGHT - below)
    needed = TITLE_HEIGHT + sum(fitted.heights) + below
    fresh = free_y is None or table.large or free_y + needed > height - MARGIN
    y = MARGIN if fresh or free_y is None else free_y
    for number, rows in enumerate(fitted.pages):
        if fresh or number:
            _page(document, table.large)
            y = MARGIN
        title = table.title + (f" ({number + 1} of {len(fitted.pages)})" if len(fitted.pages) > 1 else "")
        marks, end = rows_marks(table, fitted, rows, MARGIN, y + TITLE_HEIGHT)
        _draw(document, [title_mark(title, MARGIN, y), *marks])
        y = end
    _draw(document, note_marks(notes, size, MARGIN, y))
    return None if table.large else y + below + 2 * TITLE


def page_of(drawing: Drawing) -> tuple[bool, float | None]:
    """Whether a drawing's page lies across, and its scale there; None: the table in its place is easier to read."""
    landscape = drawing.width > drawing.height * 0.8
    width, height = reversed(A4) if landscape else A4
    return landscape, scale_of(drawing, width - 2 * MARGIN, height - 2 * MARGIN - TITLE_HEIGHT)


def _drawing(document: FPDF, drawing: Drawing, free_y: float | None) -> float | None:
    """A page of its own, as large as it can be."""
    landscape, scale = page_of(drawing)
    if scale is None:
        assert drawing.table is not None
        return _table(document, drawing.table, free_y)
    _page(document, landscape)
    _draw(document, [title_mark(drawing.title, MARGIN, MARGIN)])
    _draw(document, drawing.marks, MARGIN, MARGIN + TITLE_HEIGHT, scale)
    return None


def _draw(document: FPDF, marks: Sequence[Mark], left: float = 0.0, top: float = 0.0, scale: float = 1.0) -> None:
    def at(x: float, y: float) -> tuple[float, float]:
        return left + x * scale, top + y * scale

    for mark in marks:
        match mark:
            case Stroke(points=points, arrow=arrow, width=wide):
                document.set_line_width(wide * scale)
                for (x1, y1), (x2, y2) in pairwise(points):
                    document.line(*at(x1, y1), *at(x2, y2))
                if arrow:
                    document.set_fill_color(0)
                    document.polygon([at(*corner) for corner in head_of(points)], style="F")
            case Box(x=x, y=y, width=wide, height=high, strong=strong):
                document.set_line_width((STRONG if strong else LINE) * scale)
                document.rect(*at(x, y), wide * scale, high * scale)
            case Dot(x=x, y=y):
                document.set_fill_color(0)
                document.circle(*at(x, y), 2.6 * scale, style="F")
            case Label(x=x, y=y, text=text, size=size, bold=bold):
                _write(document, *at(x, y), text, size * scale, bold)
