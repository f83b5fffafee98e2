"""What a chart is made of before it is Markdown, HTML, PDF or SVG: tables, and drawings of straight lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

STRONG, LINE, HAIR = 1.6, 0.9, 0.3
"""How wide rules are, in points."""
_HEAD = 7.0
"""Of an arrow."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a cell: a word that stands out, then the rest."""

    label: str = ""
    text: str = ""

    @property
    def plain(self) -> str:
        return f"{self.label}: {self.text}" if self.label and self.text else self.label or self.text


@dataclass(frozen=True, slots=True)
class Cell:
    """`span` columns wide."""

    lines: tuple[Line, ...] = ()
    span: int = 1


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells below a header; the first `heads` columns are headings too."""

    title: str
    header: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    notes: tuple[str, ...] = ()
    heads: int = 1
    large: bool = False
    """To be read standing: as large as the page allows."""


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through points, with an arrow's head at its end if asked for."""

    points: tuple[tuple[float, float], ...]
    arrow: bool = False
    width: float = LINE

    def moved(self, right: float, down: float) -> Stroke:
        return replace(self, points=tuple((x + right, y + down) for x, y in self.points))


@dataclass(frozen=True, slots=True)
class Box:
    x: float
    y: float
    width: float
    height: float
    strong: bool = False

    def moved(self, right: float, down: float) -> Box:
        return replace(self, x=self.x + right, y=self.y + down)


@dataclass(frozen=True, slots=True)
class Dot:
    x: float
    y: float

    def moved(self, right: float, down: float) -> Dot:
        return replace(self, x=self.x + right, y=self.y + down)


@dataclass(frozen=True, slots=True)
class Label:
    """Text from `x` to the right, standing on `y`."""

    x: float
    y: float
    text: str
    size: float
    bold: bool = False

    def moved(self, right: float, down: float) -> Label:
        return replace(self, x=self.x + right, y=self.y + down)


Mark = Stroke | Box | Dot | Label


def head_of(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The corners of the head of an arrow whose last piece is level."""
    (x1, _), (x, y) = points[-2:]
    back = _HEAD if x1 > x else -_HEAD
    return [(x, y), (x + back, y - _HEAD / 2), (x + back, y + _HEAD / 2)]


@dataclass(frozen=True, slots=True)
class Drawing:
    """Marks on a field of `width` by `height` points, y downwards.

    `source` is the same as a diagram in Mermaid's language, `table` the same in words, for a page that it is too large for.
    """

    title: str
    width: float
    height: float
    marks: tuple[Mark, ...]
    source: str = ""
    table: Table | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole chart: its parts in order, each begins a page."""

    title: str
    parts: tuple[Table | Drawing, ...]


def words(text: str) -> Cell:
    """A cell of one plain text."""
    return Cell((Line(text=text),)) if text else Cell()
