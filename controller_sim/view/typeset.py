"""Tables as marks on a page: words where they stand, and the rules between them. Lengths are points."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from controller_sim.view.fitting import LEADING, PADDING, Fitted, Row, line_heights, width_of
from controller_sim.view.sheet import HAIR, LINE, STRONG, Label, Mark, Stroke, Table

TITLE, NOTE, NOTE_LARGE = 16.0, 9.0, 12.0
"""Sizes of type: of a title, and of the notes below a table."""
TITLE_HEIGHT = TITLE * 1.6
"""From where a title begins to what it stands above."""
NOTE_LEADING = 1.4


def title_mark(text: str, left: float, top: float) -> Label:
    """A title whose line begins at `top`."""
    return Label(left, top + TITLE, text, TITLE, bold=True)


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


def note_marks(lines: Sequence[str], size: float, left: float, top: float) -> list[Label]:
    """Lines of notes below one another."""
    return [Label(left, top + size * NOTE_LEADING * (number + 1), line, size) for number, line in enumerate(lines)]


def rows_marks(table: Table, fitted: Fitted, rows: Sequence[int], left: float, top: float) -> tuple[list[Mark], float]:
    """The header and some rows with their rules, and where they end."""
    right = left + sum(fitted.widths)
    y = top + fitted.heights[0]
    marks: list[Mark] = list(_row(fitted, fitted.header, [1] * len(fitted.header), left, top))
    marks.append(Stroke(((left, y), (right, y)), width=STRONG))
    for number in rows:
        spans = [cell.span for cell in table.rows[number]]
        above, y = y, y + fitted.heights[number + 1]
        marks += _row(fitted, fitted.rows[number], spans, left, above)
        x, at = left, 0
        for span in spans[:-1]:
            x += sum(fitted.widths[at : at + span])
            at += span
            marks.append(Stroke(((x, above), (x, y)), width=HAIR))
        # Rows that go on with a group have no rule above them.
        if number == rows[-1] or table.rows[number + 1][0].lines:
            marks.append(Stroke(((left, y), (right, y)), width=LINE if number == rows[-1] or table.large else HAIR))
    return marks, y


def _row(fitted: Fitted, row: Sequence[Row], spans: Sequence[int], left: float, top: float) -> Iterator[Label]:
    size, at, x = fitted.size, 0, left
    for cell, span in zip(row, spans, strict=True):
        y = top + fitted.above
        for line, taken in zip(cell, line_heights(cell, size), strict=True):
            place = x + PADDING * size
            for word in line:
                yield Label(place, y + size * (LEADING + 0.72) / 2, word.text, size, word.bold)
                place += width_of(word.text, size, word.bold) + width_of(" ", size)
            y += taken
        x += sum(fitted.widths[at : at + span])
        at += span
