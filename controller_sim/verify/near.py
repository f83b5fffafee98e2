"""Boundary classes: how often an edge fell on a threshold of the design, one microsecond before it or one after it."""

from __future__ import annotations

from controller_sim.design.form import Design
from controller_sim.verify.thresholds import chord_us, double_us, holds

OFF = (-1, 0, 1)


class Near:
    """Tables from a distance between two edges to the number of a boundary class; `names` has their names."""

    def __init__(self, design: Design) -> None:
        self.names: list[str] = []
        self.lengths: dict[int, int] = {}
        """From a switch's going down to its going up."""
        self.skews: dict[int, int] = {}
        """From one switch's going down to the next one's."""
        self.gaps: dict[int, int] = {}
        """From a switch's going up to its going down."""
        for hold_us in holds(design):
            self._add(self.lengths, "down for", hold_us)
        window_us, gap_us = chord_us(design), double_us(design)
        if window_us is not None:
            self._add(self.skews, "next press after a chord window of", window_us)
        if gap_us is not None:
            self._add(self.gaps, "second press after a gap of", gap_us)

    def _add(self, table: dict[int, int], what: str, time_us: int) -> None:
        for off in OFF:
            if time_us + off not in table:
                table[time_us + off] = len(self.names)
                self.names.append(f"{what} {time_us} us{f' {off:+d} us' if off else ''}")
