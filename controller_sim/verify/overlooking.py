"""All watchers of the state for the runs of one design."""

from __future__ import annotations

from collections.abc import Callable

from controller_sim.design import program
from controller_sim.design.form import SERIAL, Design
from controller_sim.design.storage import keeps
from controller_sim.verify.facts import uses
from controller_sim.verify.remembered import remembered
from controller_sim.verify.sent import AGREED, BURST, QUEUE, TAPPED, Agreed, Bursts, Limits, Queue, Tapped, sends, taps, toggles
from controller_sim.verify.watchers import (
    CANCELLED,
    RANGES,
    SHOWN,
    STEADY,
    STORED,
    Cancelled,
    InRange,
    Shown,
    Steady,
    Stored,
    without_cancel,
)
from controller_sim.verify.watching import Watcher


class Overlooking:
    """Worked out once for a design; watchers are made anew for each run."""

    def __init__(self, design: Design) -> None:
        self.makers: dict[str, Callable[[], Watcher]] = {RANGES: lambda: InRange(design), SHOWN: lambda: Shown(design)}
        if keeps(design):
            self.makers[STORED] = lambda: Stored(design)
        if without_cancel(design) is None:
            self.makers[CANCELLED] = lambda: Cancelled(design)
        if uses(design, program.ClockRun):
            self.makers[STEADY] = lambda: Steady(design)
        if without_bursts(design) is None:
            limits = Limits(design)
            self.makers[BURST] = lambda: Bursts(design, limits)
        if without_queue(design) is None:
            self.makers[QUEUE] = lambda: Queue(design)
        switched = toggles(design)
        if switched:
            self.makers[AGREED] = lambda: Agreed(design, switched)
        tapping = taps(design)
        if tapping:
            self.makers[TAPPED] = lambda: Tapped(design, tapping)

    def watchers(self) -> dict[str, Watcher]:
        """New watchers for one run, by the property that each decides; those that could never say anything are left out."""
        return {name: make() for name, make in self.makers.items()}


@remembered
def overlooking(design: Design) -> Overlooking:
    """What makes the watchers for the runs of a design."""
    return Overlooking(design)


def without_bursts(design: Design) -> str | None:
    """Why the serial line is not watched, or None."""
    if any(thru.ports & SERIAL for thru in design.thru):
        return "what arrives goes on to the serial line"
    return None if any(each.ports & SERIAL for each in sends(design)) else "nothing is sent to the serial line"


def without_queue(design: Design) -> str | None:
    """Why no transmit buffer is watched, or None."""
    return "its budget states no buffer" if design.budget.buffer_bytes is None else None


def without_toggles(design: Design) -> str | None:
    """Why no toggle is held to what is sent of it, or None."""
    return None if toggles(design) else "no action turns a cell over and tells it, which nothing else tells later"
