"""Pedals (semantics, section 9): from a raw reading to a position, and when a change of it is a move."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from controller_sim.design.form import Pedal
from controller_sim.reference.tempo import rounded


class PedalInput:
    """One pedal. `position` is where it stands; `fire` is called for each of its moves."""

    def __init__(self, pedal: Pedal, now_us: int, fire: Callable[[], None]) -> None:
        self.pedal = pedal
        self.position = pedal.points[0]
        self._fire = fire
        self._counted: int | None = None
        """The last reading that counted, inside heel..toe."""
        self._told: int | None = None
        """The position at the last move, or one that was taken up without a move."""
        self._free_us = now_us
        """From here on it may move."""

    def read(self, raw: int, now_us: int, *, quiet: bool) -> None:
        """Take a reading; `quiet` while there is no mode yet."""
        first = self._counted is None
        if self._counts(raw):
            self._counted = self._inside(raw)
            self.position = self._on_the_curve(self._counted)
            if (first or quiet) and not self.pedal.moves_first:
                self._told = self.position
        if not quiet and self._free_us <= now_us:
            self.move_if_it_has(now_us)

    def _inside(self, raw: int) -> int:
        ends = (self.pedal.heel, self.pedal.toe)
        return min(max(raw, min(ends)), max(ends))

    def _counts(self, raw: int) -> bool:
        value = self._inside(raw)
        return self._counted is None or value in (self.pedal.heel, self.pedal.toe) or abs(value - self._counted) > self.pedal.hysteresis

    def _on_the_curve(self, value: int) -> int:
        """What the curve gives at a reading, rounded half up."""
        points = self.pedal.points
        way = Fraction(value - self.pedal.heel, self.pedal.toe - self.pedal.heel) * (len(points) - 1)
        before = min(int(way), len(points) - 2)
        return rounded(points[before] + (points[before + 1] - points[before]) * (way - before))

    @property
    def due_us(self) -> int | None:
        """When a change that had to wait becomes a move; None if there is none."""
        return self._free_us if self._has_moved else None

    @property
    def _has_moved(self) -> bool:
        return self._counted is not None and self.position != self._told

    def move_if_it_has(self, now_us: int) -> None:
        if self._has_moved:
            self._told = self.position
            self._free_us = now_us + self.pedal.every_us
            self._fire()
