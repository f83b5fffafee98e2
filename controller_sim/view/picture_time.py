"""Where an instant stands in a picture: time runs evenly to the right but for silences that are cut, from row to row."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller_sim.view.picture_scene import Scene

AFTER_PX = 120
"""Kept of a silence after something happened: room for its label."""
BEFORE_PX = 24
CUT_PX = 54
"""How wide the place of a silence is that was cut."""
NATURAL_PX = 420
"""Pixels a second where a run takes more than one row: a chord window of 45 ms can be seen."""
LEAST_PX = 250
"""The same where that puts the whole run into one row."""
MOST_PX = 1_000_000
"""Pixels a second at most: a microsecond is a pixel."""
MOST_ROWS = 24
MOST_SHOWN = 8
"""Changes of display and LEDs in a row that are all told, while no foot moves and nothing is sent."""
TICK_PX = 64
"""At least this far from number to number on the axis."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of time and its place in a row, in pixels from the row's beginning."""

    start_us: int
    end_us: int
    x: float
    width: float
    cut: bool

    def place(self, time_us: int) -> float:
        return self.x + self.width * (time_us - self.start_us) / max(self.end_us - self.start_us, 1)


def _start_us(stretch: Piece | Row) -> int:
    return stretch.start_us


@dataclass(frozen=True, slots=True)
class Row:
    pieces: tuple[Piece, ...]

    @property
    def start_us(self) -> int:
        return self.pieces[0].start_us

    @property
    def end_us(self) -> int:
        return self.pieces[-1].end_us

    @property
    def width(self) -> float:
        return self.pieces[-1].x + self.pieces[-1].width

    def place(self, time_us: int) -> float:
        """Pixels from the row's beginning; what lies outside is at the nearer end."""
        time_us = min(max(time_us, self.start_us), self.end_us)
        return self.pieces[max(bisect_right(self.pieces, time_us, key=_start_us) - 1, 0)].place(time_us)


@dataclass(frozen=True, slots=True)
class Ruler:
    """All rows of a picture. An instant at which one row ends and the next begins belongs to the next."""

    rows: tuple[Row, ...]
    px_per_s: float

    def row_of(self, time_us: int) -> int:
        return min(max(bisect_right(self.rows, time_us, key=_start_us) - 1, 0), len(self.rows) - 1)

    def place(self, time_us: int) -> tuple[int, float]:
        """The row of an instant and its place in it."""
        row = self.row_of(time_us)
        return row, self.rows[row].place(time_us)


def ruler_of(scene: Scene, width: float) -> Ruler:
    """Rows at most `width` wide: one that is as wide as can be if all fits in, else as many as needed at NATURAL_PX."""
    busy = _busy_times(scene)

    def length(px_per_s: float) -> float:
        return sum(piece.width for piece in _pieces(scene, busy, px_per_s))

    if length(LEAST_PX) > width:
        # A little closer together is worth it where that saves a row.
        tries = [Ruler(tuple(_rows(_pieces(scene, busy, NATURAL_PX * part), width)), NATURAL_PX * part) for part in (1.0, 0.9, 0.8)]
        ruler = min(tries, key=lambda one: len(one.rows))
        while len(ruler.rows) > MOST_ROWS:
            px_per_s = ruler.px_per_s * 0.8
            ruler = Ruler(tuple(_rows(_pieces(scene, busy, px_per_s), width)), px_per_s)
        return ruler
    low, high = float(LEAST_PX), float(MOST_PX)
    for _ in range(40):
        middle = (low * high) ** 0.5
        low, high = (middle, high) if length(middle) <= width else (low, middle)
    return Ruler(tuple(_rows(_pieces(scene, busy, low), width)), low)


def _busy_times(scene: Scene) -> list[int]:
    """Instants that must not be cut out: all but clock ticks, and what stands in the middle of a long row of changes that only show."""
    loud = {scene.start_us, scene.end_us}
    shown: set[int] = set()
    for lane in scene.lanes:
        loud |= {time_us for time_us, _ in lane.steps}
        for item in lane.items:
            if item.kind in ("display", "led", "timer"):
                shown |= {item.time_us, item.until_us}
            elif item.kind != "tick" and item.series != "clock":
                loud |= {item.time_us, item.until_us}
                if item.kind == "message":
                    loud.add(item.due_us)
    inside = sorted(time_us for time_us in loud if scene.start_us <= time_us <= scene.end_us)
    return sorted({*inside, *_kept(inside, sorted(shown - loud))})


def _kept(loud: Sequence[int], shown: Sequence[int]) -> Iterator[int]:
    """Of the changes between two loud instants all, or if they are many the first two and the last two: a countdown is no event."""
    for before_us, after_us in pairwise(loud):
        row = shown[bisect_right(shown, before_us) : bisect_left(shown, after_us)]
        yield from row if len(row) <= MOST_SHOWN else (*row[:2], *row[-2:])


def silences(scene: Scene, px_per_s: float) -> list[tuple[int, int]]:
    """The stretches of time that are cut, longer ones only: (start, end)."""
    return list(_silences(_busy_times(scene), px_per_s))


def _silences(busy: Sequence[int], px_per_s: float) -> Iterator[tuple[int, int]]:
    for before_us, after_us in pairwise(busy):
        if (after_us - before_us) * px_per_s / 1e6 > AFTER_PX + BEFORE_PX + 2 * CUT_PX:
            yield before_us + round(AFTER_PX * 1e6 / px_per_s), after_us - round(BEFORE_PX * 1e6 / px_per_s)


def _pieces(scene: Scene, busy: Sequence[int], px_per_s: float) -> Iterator[Piece]:
    """The whole run in one line."""
    x, time_us = 0.0, scene.start_us
    for start_us, end_us in _silences(busy, px_per_s):
        width = (start_us - time_us) * px_per_s / 1e6
        yield Piece(time_us, start_us, x, width, False)
        yield Piece(start_us, end_us, x + width, CUT_PX, True)
        x, time_us = x + width + CUT_PX, end_us
    yield Piece(time_us, scene.end_us, x, max((scene.end_us - time_us) * px_per_s / 1e6, 1), False)


def _rows(pieces: Iterator[Piece], width: float) -> Iterator[Row]:
    """Break the line where a silence was cut if that leaves no row too empty, else where the row is full."""
    row: list[Piece] = []
    x = 0.0
    for piece in pieces:
        if row and row[-1].cut and x + piece.width > width and x > width * 0.55:
            yield Row(tuple(row))
            row, x = [], 0.0
        rest = piece
        while x + rest.width > width + 0.5:
            if rest.cut or width - x < 40:
                yield Row(tuple(row))
                row, x = [], 0.0
                continue
            middle_us = rest.start_us + round((rest.end_us - rest.start_us) * (width - x) / rest.width)
            part = width - x
            yield Row((*row, Piece(rest.start_us, middle_us, x, part, False)))
            rest = Piece(middle_us, rest.end_us, 0.0, rest.width - part, False)
            row, x = [], 0.0
        row.append(Piece(rest.start_us, rest.end_us, x, rest.width, rest.cut))
        x += rest.width
    if row:
        yield Row(tuple(row))


def ticks(row: Row, px_per_s: float) -> Iterator[tuple[int, str, bool]]:
    """Round instants of a row: (time, number in seconds, whether it is numbered). Every stretch between cuts gets at least one."""
    step_us = _step_us(TICK_PX * 1e6 / px_per_s)
    minor_us = step_us // 5 or 1
    digits = max(0, 6 - (len(str(step_us)) - 1))
    for piece in row.pieces:
        if piece.cut:
            continue
        found = range(-(-piece.start_us // step_us) * step_us, piece.end_us + 1, step_us)
        for time_us in range(-(-piece.start_us // minor_us) * minor_us, piece.end_us + 1, minor_us):
            yield time_us, _seconds(time_us, digits), time_us in found
        if not found and piece.width > TICK_PX:
            first_us = -(-piece.start_us // minor_us) * minor_us
            if first_us <= piece.end_us:
                yield first_us, _seconds(first_us, digits + 1), True


def _step_us(least_us: float) -> int:
    """The smallest of 1, 2, 5, 10, 20, 50 ... microseconds that is at least `least_us`."""
    step_us = 1
    while True:
        for factor in (1, 2, 5):
            if step_us * factor >= least_us:
                return step_us * factor
        step_us *= 10


def _seconds(time_us: int, digits: int) -> str:
    whole, rest = divmod(time_us, 1_000_000)
    return f"{whole}.{rest:06}"[: len(str(whole)) + 1 + digits] if digits else str(whole)
