"""Tempo, tap tempo and the MIDI clock (semantics, sections 7 and 9), in exact fractions."""

from __future__ import annotations

from fractions import Fraction
from math import floor

from controller_sim.design.form import Tempo

MINUTE_US = 60_000_000
TICKS_A_QUARTER = 24
FIRST_TICK_US = 1_000
SHORTEST_TAP_US = 100_000
LONGEST_TAP_US = 2_000_000
INTERVALS_KEPT = 4
TOLERANCE = Fraction(1, 4)


def rounded(value: Fraction) -> int:
    """The nearest integer, halves up: unlike Python's own rounding it is the same after a shift of time."""
    return floor(value + Fraction(1, 2))


def clamped_quarter(quarter_us: Fraction, limits: Tempo) -> Fraction:
    """Microseconds a quarter note, brought into the design's range of beats a minute."""
    return min(max(quarter_us, Fraction(MINUTE_US, limits.high)), Fraction(MINUTE_US, limits.low))


def clamped_beats(beats: int, limits: Tempo) -> int:
    return min(max(beats, limits.low), limits.high)


class TapSeries:
    """The taps that belong together, and the intervals between them."""

    def __init__(self, limits: Tempo) -> None:
        self.limits = limits
        self.longest_us = max(Fraction(LONGEST_TAP_US), Fraction(MINUTE_US, limits.low))
        self.last_us: int | None = None
        self.intervals_us: list[int] = []
        self.one_left_out = False

    def tap(self, pressed_us: int) -> Fraction | None:
        """Count a tap by its physical press; the new tempo in microseconds a quarter note, or None if it sets none."""
        if self.last_us is None:
            self.last_us = pressed_us
            return None
        interval_us = pressed_us - self.last_us
        if interval_us < SHORTEST_TAP_US:
            return None
        self.last_us = pressed_us
        if interval_us > self.longest_us:
            self.intervals_us, self.one_left_out = [], False
            return None
        if self.intervals_us and abs(interval_us - self.mean_us) > self.mean_us * TOLERANCE:
            if not self.one_left_out:
                self.one_left_out = True
                return None
            self.intervals_us = []
        self.one_left_out = False
        self.intervals_us = [*self.intervals_us, interval_us][-INTERVALS_KEPT:]
        return clamped_quarter(self.mean_us, self.limits)

    @property
    def mean_us(self) -> Fraction:
        return Fraction(sum(self.intervals_us), len(self.intervals_us))


class Clock:
    """The MIDI clock: tick number n since the anchor lies at the anchor plus n times a 24th of a quarter note."""

    def __init__(self, limits: Tempo) -> None:
        self.limits = limits
        self.quarter_us = Fraction(MINUTE_US, limits.start)
        self.running = False
        self.anchor_us = 0
        self.ticks = 0
        self.last_tick_us: int | None = None

    @property
    def beats(self) -> int:
        """Beats a minute, rounded half up."""
        return clamped_beats(rounded(MINUTE_US / self.quarter_us), self.limits)

    @property
    def due_us(self) -> int | None:
        if not self.running:
            return None
        return self.anchor_us + rounded(self.ticks * self.quarter_us / TICKS_A_QUARTER)

    def run(self, running: bool, now_us: int) -> None:
        if running and not self.running:
            self.anchor_us, self.ticks, self.last_tick_us = now_us + FIRST_TICK_US, 0, None
        self.running = running

    def tick(self, now_us: int) -> None:
        """Note that the tick due now has been sent."""
        self.last_tick_us = now_us
        self.ticks += 1

    def set_beats(self, beats: int, now_us: int) -> None:
        self.set_quarter(Fraction(MINUTE_US, clamped_beats(beats, self.limits)), now_us)

    def set_quarter(self, quarter_us: Fraction, now_us: int) -> None:
        """Change the tempo; the last tick stays where it was sent and the next one follows it at the new interval."""
        if quarter_us == self.quarter_us:
            return
        self.quarter_us = quarter_us
        if self.last_tick_us is None:
            return
        self.anchor_us, self.ticks = self.last_tick_us, 1
        if self.anchor_us + rounded(quarter_us / TICKS_A_QUARTER) <= now_us:
            self.anchor_us, self.ticks = now_us + 1, 0
