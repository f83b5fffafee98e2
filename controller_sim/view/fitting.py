"""How large a table can be on a page, and where its lines break. Lengths are points, 72 to the inch; type is Helvetica or as wide."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from controller_sim.view.sheet import Cell, Drawing, Table, words

# The advance widths of the characters from the space to ~, in thousandths of the size: the metrics of the standard PDF font Helvetica.
_REGULAR = (
    "278 278 355 556 556 889 667 191 333 333 389 584 278 333 278 278 556 556 556 556 556 556 556 556 556 556 278 278 584 584 584 556 "
    "1015 667 667 722 722 667 611 778 722 278 500 667 556 833 722 778 667 778 722 667 611 722 667 944 667 667 611 278 278 278 469 556 "
    "333 556 556 500 556 556 278 556 556 222 222 500 222 833 556 556 556 556 333 500 278 556 500 722 500 500 500 334 260 334 584"
)
_BOLD = (
    "278 333 474 556 556 889 722 238 333 333 389 584 278 333 278 278 556 556 556 556 556 556 556 556 556 556 333 333 584 584 584 611 "
    "975 722 722 722 722 667 611 778 722 278 556 722 611 833 722 778 667 778 722 667 611 722 667 944 667 667 611 333 278 333 584 556 "
    "333 556 611 556 611 556 333 611 611 278 278 556 278 889 611 611 611 611 389 556 333 611 556 778 556 556 500 389 280 389 584"
)
_WIDTHS = tuple(tuple(map(int, widths.split())) for widths in (_REGULAR, _BOLD))
_OTHER, _WIDE = 667, 1000
"""For characters beyond: letters, and those that take a square."""

A4 = (595.28, 841.89)
"""Width and height, upright."""
MARGIN = 34.0
LEADING = 1.18
PADDING = 0.45
"""At the sides of the text of a cell, as a share of the size."""
ABOVE, ABOVE_LARGE = 0.18, 0.45
"""Above and below it."""
GAP = 0.25
"""Between the lines of a cell, as a share of the size."""
_SIZES_LARGE = tuple(range(36, 11, -1))
_SIZES_SPREAD = (14, 13, 12, 11, 10, 9, 8, 7, 6)
_SIZES = (10, 9, 8, 7, 6)
_TRIES = 24
_LEAST_SCALE, _MOST_SCALE = 0.5, 2.0


@dataclass(frozen=True, slots=True)
class Word:
    text: str
    bold: bool


Row = tuple[tuple[Word, ...], ...]
"""The words of each line of a cell as it is set."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A table as it is set: the size of its type, the widths of its columns, and the pages with the numbers of their rows."""

    size: float
    above: float
    """Between a rule and the text below it."""
    widths: tuple[float, ...]
    header: tuple[Row, ...]
    rows: tuple[tuple[Row, ...], ...]
    heights: tuple[float, ...]
    """Of the header, then of each row."""
    pages: tuple[tuple[int, ...], ...]


def width_of(text: str, size: float, bold: bool = False) -> float:
    """How wide a text is."""
    return _thousandths(text, bold) * size / 1000


@lru_cache(maxsize=4096)
def _thousandths(text: str, bold: bool) -> int:
    return sum(_advance(character, _WIDTHS[bold]) for character in text)


def _advance(character: str, widths: Sequence[int]) -> int:
    if " " <= character <= "~":
        return widths[ord(character) - 32]
    base = unicodedata.normalize("NFD", character)[0]
    if " " <= base <= "~":
        return widths[ord(base) - 32]
    return _WIDE if unicodedata.east_asian_width(character) in "WF" else _OTHER


def fit(table: Table, width: float, height: float) -> Fitted:
    """Set a table on pages of that size.

    A large one is set on one page as large as it can be, or over several pages at a size to be read standing.
    """
    if table.large:
        for size in _SIZES_LARGE:
            fitted = _set(table, size, width, height)
            if fitted is not None and len(fitted.pages) == 1:
                return fitted
    for size in _SIZES_SPREAD if table.large else _SIZES:
        fitted = _set(table, size, width, height)
        if fitted is not None:
            return fitted
    smallest = _set(table, _SIZES[-1], width, height, broken=True)
    assert smallest is not None
    return smallest


def scale_of(drawing: Drawing, width: float, height: float) -> float | None:
    """How much larger a drawing is on a page of that size; None: its words could not be read there, and there is a table for it."""
    scale = min(width / drawing.width, height / drawing.height, _MOST_SCALE)
    return None if scale < _LEAST_SCALE and drawing.table is not None else scale


def _set(table: Table, size: float, width: float, height: float, broken: bool = False) -> Fitted | None:
    """None: some word is wider than its column can be, or some row higher than the page, and words may not be `broken`."""
    grid = (tuple(map(words, table.header)), *table.rows)
    least = _least(grid, len(table.header), table.heads, size)
    spare = width - sum(least)
    if spare < 0 and not broken:
        return None
    if spare < 0:
        least, spare = [each * width / sum(least) for each in least], 0.0
    widths = _widths(grid, least, spare, table.heads, size)
    rows = [_wrapped(row, widths, table.heads if number else len(row), size) for number, row in enumerate(grid)]
    above = size * (ABOVE_LARGE if table.large else ABOVE)
    heights = [max((_height(cell, size) for cell in row), default=0.0) + 2 * above for row in rows]
    pages = list(_pages(heights, height))
    if not broken and max(heights[1:], default=0.0) + heights[0] > height:
        return None
    return Fitted(size, above, tuple(widths), rows[0], tuple(rows[1:]), tuple(heights), tuple(pages))


def _cell_lines(cell: Cell, bold: bool) -> Iterator[list[Word]]:
    for line in cell.lines:
        label = [Word(word, True) for word in (f"{line.label}:" if line.label and line.text else line.label).split()]
        yield label + [Word(word, bold) for word in line.text.split()]


def _least(grid: Sequence[Sequence[Cell]], columns: int, heads: int, size: float) -> list[float]:
    """Each column's longest word; what a wide cell needs beyond its columns' is shared among them."""
    least = [2 * PADDING * size] * columns
    for number, row in enumerate(grid):
        at = 0
        for cell in row:
            bold = number == 0 or at < heads
            longest = max((width_of(word.text, size, word.bold) for line in _cell_lines(cell, bold) for word in line), default=0.0)
            needed = (longest + 2 * PADDING * size) / cell.span
            for column in range(at, at + cell.span):
                least[column] = max(least[column], needed)
            at += cell.span
    return least


def _widths(grid: Sequence[Sequence[Cell]], least: list[float], spare: float, heads: int, size: float) -> list[float]:
    """Give the spare width, bit by bit, to the columns whose broken lines make their rows high, and what is left to the last one."""
    widths = list(least)
    step = spare / _TRIES
    for done in range(_TRIES):
        gains = [0.0] * len(widths)
        for number, row in enumerate(grid):
            set_row = _wrapped(row, widths, heads if number else len(row), size)
            heights = [_height(cell, size) for cell in set_row]
            highest, at = max(heights, default=0.0), 0
            for cell, lines, height in zip(row, set_row, heights, strict=True):
                # A cell that is nearly as high as its row counts, those far below it hardly do.
                more = sum(map(bool, lines)) - len(cell.lines)
                for column in range(at, at + cell.span):
                    gains[column] += more * (height / highest) ** 8 / cell.span if highest else 0.0
                at += cell.span
        best = max(range(len(widths)), key=lambda column: (gains[column] / widths[column], column))
        if not gains[best]:
            widths[-1] += step * (_TRIES - done)
            break
        widths[best] += step
    return widths


def _wrapped(row: Sequence[Cell], widths: Sequence[float], heads: int, size: float) -> tuple[Row, ...]:
    cells, at = [], 0
    for cell in row:
        room = sum(widths[at : at + cell.span]) - 2 * PADDING * size
        lines: list[tuple[Word, ...]] = []
        for number, line in enumerate(_cell_lines(cell, at < heads)):
            if number:
                lines.append(())
            lines += _broken(line, room, size)
        cells.append(tuple(lines))
        at += cell.span
    return tuple(cells)


def _broken(line_words: Sequence[Word], room: float, size: float) -> Iterator[tuple[Word, ...]]:
    line: list[Word] = []
    used = 0.0
    for word in line_words:
        wide = width_of(word.text, size, word.bold)
        space = width_of(" ", size) if line else 0.0
        if line and used + space + wide > room + 0.01:
            yield tuple(line)
            line, used, space = [], 0.0, 0.0
        line.append(word)
        used += space + wide
    yield tuple(line)


def line_heights(cell: Row, size: float) -> Iterator[float]:
    """How much each line of a cell takes; an empty one is the gap between two gestures."""
    for line in cell:
        yield size * (LEADING if line else GAP)


def _height(cell: Row, size: float) -> float:
    return sum(line_heights(cell, size))


def _pages(heights: Sequence[float], height: float) -> Iterator[tuple[int, ...]]:
    """Rows in order, as many a page as fit below the header."""
    page: list[int] = []
    used = heights[0]
    for number, each in enumerate(heights[1:]):
        if page and used + each > height:
            yield tuple(page)
            page, used = [], heights[0]
        page.append(number)
        used += each
    yield tuple(page)
