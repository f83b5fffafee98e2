"""Make a history in which something is seen as short and as round as it can be while it is still seen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from controller_sim.design.form import Design
from controller_sim.port.history import History, is_possible, moved, seen_by_polling
from controller_sim.simulator import Input

MOST_TRIES = 1500
ROUND_US = (1_000_000, 100_000, 10_000, 1_000)


def shrink(design: Design, history: History, seen: Callable[[History], bool], most_tries: int = MOST_TRIES) -> History:
    """The smallest history found in which `seen` still holds, as it does in `history`: fewest inputs, then roundest times.

    All that it tries are histories as `seen_by_polling` gives them.
    """
    shrinker = _Shrinker(design, history, seen, most_tries)
    shrinker.run()
    return shrinker.best


class _Shrinker:
    def __init__(self, design: Design, history: History, seen: Callable[[History], bool], most_tries: int) -> None:
        self._design = design
        self.best = history
        self._seen = seen
        self._tries_left = most_tries
        self._tried = {history}

    def run(self) -> None:
        before = None
        while before != self.best:
            before = self.best
            self._remove_inputs()
            self._lift_switches()
            self._leave_out_strokes()
            self._thin_arrivals()
            self._round_gaps()

    def _try(self, inputs: tuple[Input, ...], end_us: int | None = None) -> bool:
        candidate = History(inputs, self.best.end_us if end_us is None else end_us)
        if self._tries_left <= 0 or not is_possible(candidate):
            return False
        candidate = seen_by_polling(self._design, candidate)
        if candidate in self._tried:
            return False
        self._tried.add(candidate)
        self._tries_left -= 1
        if self._seen(candidate):
            self.best = candidate
            return True
        return False

    def _remove_inputs(self) -> None:
        """Ever smaller pieces, the last ones first."""
        size = len(self.best.inputs)
        while size:
            place = len(self.best.inputs) - size
            while place > -size:
                inputs = self.best.inputs
                if place < len(inputs):
                    self._try(inputs[: max(place, 0)] + inputs[place + size :])
                place -= size
            size //= 2

    def _lift_switches(self) -> None:
        """Leave out all that a switch does."""
        for switch in range(max((entry.contacts for entry in self.best.inputs), default=0).bit_length()):
            kept = ~(1 << switch)
            self._try(tuple(replace(entry, contacts=entry.contacts & kept) for entry in self.best.inputs))

    def _leave_out_strokes(self) -> None:
        """Let a switch stay as it was from one change of it to the next."""
        for place in range(len(self.best.inputs) - 1, -1, -1):
            for switch in range((_word(self.best, place - 1) | _word(self.best, place)).bit_length()):
                bit = 1 << switch
                inputs = self.best.inputs
                if place < len(inputs) and (_word(self.best, place) ^ _word(self.best, place - 1)) & bit:
                    end = place
                    while end < len(inputs) and not (inputs[end].contacts ^ inputs[place].contacts) & bit:
                        end += 1
                    without = tuple(replace(entry, contacts=entry.contacts ^ bit) for entry in inputs[place:end])
                    self._try(inputs[:place] + without + inputs[end:])

    def _thin_arrivals(self) -> None:
        """Leave out single readings and bytes."""
        for place in range(len(self.best.inputs) - 1, -1, -1):
            for which in range(len(self._arrived(place)) - 1, -1, -1):
                inputs, arrived = self.best.inputs, self._arrived(place)
                if which < len(arrived):
                    thinner = replace(inputs[place], arrived=arrived[:which] + arrived[which + 1 :])
                    self._try((*inputs[:place], thinner, *inputs[place + 1 :]))

    def _arrived(self, place: int) -> tuple[int, ...]:
        return self.best.inputs[place].arrived if place < len(self.best.inputs) else ()

    def _round_gaps(self) -> None:
        """Make the time before each input, and that before the end, rounder or shorter; all that follows comes as much earlier or later."""
        for place in range(len(self.best.inputs) + 1):
            for gap_us in _rounder(self._gap_us(place)):
                inputs = self.best.inputs
                by_us = gap_us - self._gap_us(place)
                later = tuple(moved(entry, by_us) for entry in inputs[place:])
                if self._try(inputs[:place] + later, self.best.end_us + by_us):
                    break

    def _gap_us(self, place: int) -> int:
        inputs = self.best.inputs
        if place > len(inputs):
            return 0
        before_us = inputs[place - 1].time_us if place else 0
        return (inputs[place].time_us if place < len(inputs) else self.best.end_us) - before_us


def _word(history: History, place: int) -> int:
    """The contacts from the input at a place on."""
    return history.inputs[place].contacts if 0 <= place < len(history.inputs) else 0


def _rounder(gap_us: int) -> Iterator[int]:
    """Gaps that are simpler than a gap, the simplest first."""
    candidates = {0, *ROUND_US}
    for unit_us in ROUND_US:
        candidates |= {gap_us // unit_us * unit_us, -(-gap_us // unit_us) * unit_us}
    yield from sorted((each for each in candidates if _simplicity(each) < _simplicity(gap_us)), key=_simplicity)


def _simplicity(gap_us: int) -> tuple[int, int]:
    return len(str(gap_us).rstrip("0")), gap_us
