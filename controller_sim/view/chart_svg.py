"""Parts of a chart as one SVG: black on white, in pixels, so that any program may make it as large as it likes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from controller_sim.view.fitting import A4, MARGIN, fit, width_of
from controller_sim.view.sheet import Box, Dot, Drawing, Label, Mark, Stroke, Table, head_of
from controller_sim.view.typeset import NOTE, NOTE_LARGE, NOTE_LEADING, TITLE, TITLE_HEIGHT, note_lines, note_marks, rows_marks, title_mark

FONT = 'Helvetica, Arial, "Liberation Sans", sans-serif'
_EDGE = 16.0
"""Around tables; a drawing brings its own."""


def svg(parts: Sequence[Table | Drawing]) -> str:
    """Parts below one another, as large as they are on paper; a drawing that stands alone has no title."""
    marks: list[Mark] = []
    width = y = 0.0
    for part in parts:
        if isinstance(part, Table):
            placed, wide, y = _table(part, y)
        else:
            placed, wide, y = _drawing(part, y, titled=len(parts) > 1)
        marks += placed
        width = max(width, wide)
    size = f"{number(width)} {number(y)}"
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size}" width="{number(width)}" height="{number(y)}" '
        f"preserveAspectRatio=\"xMinYMin\" font-family='{FONT}'>",
        f"<title>{escape(parts[0].title)}</title>",
        f'<rect width="{number(width)}" height="{number(y)}" fill="white"/>',
    ]
    for mark in marks:
        lines += _element(mark)
    return "\n".join([*lines, "</svg>"]) + "\n"


def _table(table: Table, top: float) -> tuple[list[Mark], float, float]:
    """Its marks, how wide it is, and where it ends: set as for paper, with all of its pages joined."""
    across, upright = A4[1] - 2 * MARGIN, A4[0] - 2 * MARGIN
    room, note = (across, NOTE_LARGE) if table.large else (upright, NOTE)
    notes = list(note_lines(table.notes, room, note))
    taken = TITLE_HEIGHT + len(notes) * note * NOTE_LEADING
    fitted = fit(table, room, (upright if table.large else across) - taken)
    body, y = rows_marks(table, fitted, range(len(table.rows)), _EDGE, top + _EDGE + TITLE_HEIGHT)
    marks = [title_mark(table.title, _EDGE, top + _EDGE), *body, *note_marks(notes, note, _EDGE, y)]
    return marks, sum(fitted.widths) + 2 * _EDGE, y + len(notes) * note * NOTE_LEADING + _EDGE


def _drawing(drawing: Drawing, top: float, titled: bool) -> tuple[list[Mark], float, float]:
    down = top + (_EDGE + TITLE if titled else 0.0)
    marks: list[Mark] = [title_mark(drawing.title, _EDGE, top + _EDGE)] if titled else []
    return [*marks, *(mark.moved(0.0, down) for mark in drawing.marks)], drawing.width, down + drawing.height


def _element(mark: Mark) -> Iterator[str]:
    match mark:
        case Stroke(points=points, arrow=arrow, width=wide):
            yield f'<polyline points="{_points(points)}" fill="none" stroke="black" stroke-width="{number(wide)}"/>'
            if arrow:
                yield f'<polygon points="{_points(head_of(points))}"/>'
        case Box(x=x, y=y, width=width, height=height, strong=strong):
            place = f'x="{number(x)}" y="{number(y)}" width="{number(width)}" height="{number(height)}"'
            yield f'<rect {place} fill="none" stroke="black" stroke-width="{2 if strong else 1}"/>'
        case Dot(x=x, y=y):
            yield f'<circle cx="{number(x)}" cy="{number(y)}" r="2.6"/>'
        case Label(x=x, y=y, text=text, size=size, bold=bold) if text:
            weight = ' font-weight="bold"' if bold else ""
            # Where another font stands in, its letters are squeezed into the place that there is.
            length = f' textLength="{number(width_of(text, size, bold))}" lengthAdjust="spacingAndGlyphs"'
            yield f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}"{weight}{length}>{escape(text)}</text>'


def _points(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{number(x)},{number(y)}" for x, y in points)


def number(value: float) -> str:
    """Hundredths of a pixel at most."""
    return f"{value:.2f}".rstrip("0").rstrip(".")
