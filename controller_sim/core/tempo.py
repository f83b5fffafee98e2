"""Tempo, tap tempo and MIDI clock, in integers that never drift.

A quarter note lasts `quarter` / `quarter_parts` microseconds, exactly. Tick n of the clock lies at
`clock_origin` + n * quarter / (24 * quarter_parts), rounded to the nearest microsecond.
"""

from .deadlines import Deadlines
from .kinds import (
    CLOCK_FIRST_TICK_US,
    CLOCK_MESSAGE,
    MINUTE_US,
    NEVER,
    TAP_BOUNCE_US,
    TAP_PAUSE_US,
    TICKS_PER_QUARTER,
    message_item,
)

INTERVALS = 4


class Tempo(Deadlines):
    __slots__ = (
        "clock_item",
        "clock_origin",
        "clock_running",
        "clock_slot",
        "clock_ticks",
        "last_tick_us",
        "quarter",
        "quarter_parts",
        "tap_intervals",
        "tap_outlier",
        "tap_pause_us",
        "tapped_at",
        "tempo_high",
        "tempo_low",
    )

    def __init__(self, tables):
        Deadlines.__init__(self, tables)
        self.clock_slot = tables.clock_slot
        self.clock_item = message_item(tables.clock_ports, (CLOCK_MESSAGE,))
        self.tempo_low = tables.tempo_low
        self.tempo_high = tables.tempo_high
        self.quarter = MINUTE_US
        self.quarter_parts = tables.tempo_start
        self.clock_running = 0
        self.clock_origin = 0
        self.last_tick_us = NEVER
        self.clock_ticks = 0
        self.tapped_at = NEVER
        self.tap_pause_us = max(TAP_PAUSE_US, MINUTE_US // tables.tempo_low)
        self.tap_intervals = []
        self.tap_outlier = 0

    @property
    def tempo(self):
        """Beats a minute, rounded half up."""
        beats = (2 * MINUTE_US * self.quarter_parts + self.quarter) // (2 * self.quarter)
        return min(max(beats, self.tempo_low), self.tempo_high)

    def set_tempo(self, beats, now_us):
        """Set beats a minute, clamped to the design's range."""
        self._set_quarter(MINUTE_US, min(max(beats, self.tempo_low), self.tempo_high), now_us)

    def _set_quarter(self, quarter, parts, now_us):
        if quarter * self.quarter_parts == self.quarter * parts:
            return
        self.quarter = quarter
        self.quarter_parts = parts
        if self.clock_running and self.last_tick_us != NEVER:
            self.clock_origin = self.last_tick_us
            self.clock_ticks = 1
            if self._tick_at(1) <= now_us:
                self.clock_origin = now_us + 1
                self.clock_ticks = 0
            self._set(self.clock_slot, self._tick_at(self.clock_ticks))

    def run_clock(self, running, now_us):
        """Start or stop the clock; nothing happens when it is so already."""
        if running == self.clock_running:
            return
        self.clock_running = running
        if running:
            self.clock_origin = now_us + CLOCK_FIRST_TICK_US
            self.clock_ticks = 0
            self.last_tick_us = NEVER
            self._set(self.clock_slot, self.clock_origin)
        else:
            self.due[self.clock_slot] = NEVER

    def _tick_at(self, n):
        parts = TICKS_PER_QUARTER * self.quarter_parts
        return self.clock_origin + (2 * n * self.quarter + parts) // (2 * parts)

    def tick(self, now_us):
        """A tick of the MIDI clock is due."""
        self.packed += (now_us, self.clock_item)
        self.last_tick_us = now_us
        self.clock_ticks += 1
        if self.clock_ticks > TICKS_PER_QUARTER * self.quarter_parts:
            # That many ticks last a whole number of microseconds: counting afresh is exact and keeps the state finite.
            self.clock_ticks = 1
            self.clock_origin += self.quarter
        self._set(self.clock_slot, self._tick_at(self.clock_ticks))

    def tap_tempo(self, now_us):
        """One tap, at the physical press of the key whose gesture runs now (`gesture_at`)."""
        time_us = self.gesture_at
        if self.tapped_at == NEVER:
            self.tapped_at = time_us
            return
        interval = time_us - self.tapped_at
        if interval < TAP_BOUNCE_US:
            return
        self.tapped_at = time_us
        if interval > self.tap_pause_us:
            self.tap_intervals = []
            self.tap_outlier = 0
            return
        intervals = self.tap_intervals
        if intervals and abs(interval * len(intervals) - sum(intervals)) * 4 > sum(intervals):
            if not self.tap_outlier:
                self.tap_outlier = 1
                return
            intervals = []
        self.tap_outlier = 0
        self.tap_intervals = intervals = (intervals + [interval])[-INTERVALS:]
        self._set_mean(sum(intervals), len(intervals), now_us)

    def _set_mean(self, total_us, quarters, now_us):
        """Set the tempo at which so many quarters take so long, clamped to the design's range."""
        if total_us * self.tempo_high < MINUTE_US * quarters:
            self.set_tempo(self.tempo_high, now_us)
        elif total_us * self.tempo_low > MINUTE_US * quarters:
            self.set_tempo(self.tempo_low, now_us)
        else:
            self._set_quarter(total_us, quarters, now_us)
