"""Make a history in which something is seen as short and as round as it can be while it is still seen.

It makes no difference where a history comes from: random feet, hypothesis, a press script. So it is what was done that is shrunk,
contacts, arrivals and power, and not the numbers that it was drawn from.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from controller_sim.simulator import History, Input
from controller_sim.simulator.history import is_possible, moved
from controller_sim.verify.accounts import Wrong
from controller_sim.verify.searching import ACCIDENT, Finding, Judge

MOST_TRIES = 3_000
KEYS = ("0", "1", "2")
"""What the checks of two runs draw with on a smaller history, besides what they drew when it was found."""
USUAL_US = 100_000
"""A time that nobody stumbles over, where it does not matter: a tap, and when press scripts begin."""
ROUND_US = (1_000_000, 100_000, 10_000, 1_000, 100, 10)


def shrink_finding(judge: Judge, finding: Finding) -> Finding:
    """The smallest finding of the same property that was come to; the same one if it does not show again.

    `judge` must be for the same design and engine.
    """
    best = finding
    keys = (f"{finding.seed}.{finding.session}", *KEYS)

    def shows(history: History) -> bool:
        nonlocal best
        wrong = _judged(judge, finding.name, history, keys)
        if wrong is not None:
            best = replace(finding, wrong=wrong, history=history)
        return wrong is not None

    if shows(finding.history):
        shrink(finding.history, shows)
    return best


def _judged(judge: Judge, name: str, history: History, keys: tuple[str, ...]) -> Wrong | None:
    try:
        last = judge.last_session(history)
        return next((wrong for key in keys if (wrong := judge.check(name, last, key)) is not None), None)
    except Exception as error:  # as in a search: whatever a broken engine raises
        return Wrong(ACCIDENT, history.end_us, f"the engine falls over: {type(error).__name__}: {error}") if name == ACCIDENT else None


def as_it_is(history: History) -> History:
    return history


def shrink(
    history: History, seen: Callable[[History], bool], normal: Callable[[History], History] = as_it_is, most_tries: int = MOST_TRIES
) -> History:
    """The smallest history found in which `seen` still holds, as it does in `history`: fewest inputs, then roundest times.

    All that it tries are histories as `normal` gives them, which must give its own results back unchanged.
    """
    shrinker = _Shrinker(history, seen, normal, most_tries)
    shrinker.run()
    return shrinker.best


class _Shrinker:
    def __init__(self, history: History, seen: Callable[[History], bool], normal: Callable[[History], History], most_tries: int) -> None:
        self.best = history
        self._seen = seen
        self._normal = normal
        self._tries_left = most_tries
        self._tried = {history}

    def run(self) -> None:
        before = None
        while before != self.best:
            before = self.best
            self._begin_later()
            self._remove_inputs()
            self._lift_switches()
            self._leave_out_strokes()
            self._thin_arrivals()
            self._round_gaps()

    def _try(self, inputs: tuple[Input, ...], end_us: int | None = None) -> bool:
        candidate = History(inputs, self.best.end_us if end_us is None else end_us)
        if self._tries_left <= 0 or not is_possible(candidate):
            return False
        candidate = self._normal(candidate)
        if candidate in self._tried:
            return False
        self._tried.add(candidate)
        self._tries_left -= 1
        if self._seen(candidate):
            self.best = candidate
            return True
        return False

    def _begin_later(self) -> None:
        """Begin where the power comes on: the last time, or else an earlier one."""
        for place in range(len(self.best.inputs) - 1, -1, -1):
            entry = self.best.inputs[place]
            if entry.kind == "on":
                held = (Input(0, "contacts", entry.contacts),) if entry.contacts else ()
                later = tuple(moved(each, -entry.time_us) for each in self.best.inputs[place + 1 :])
                if self._try(held + later, self.best.end_us - entry.time_us):
                    return

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
        """Make the time before each input, and that before the end, simpler; all that follows comes as much earlier or later."""
        for place in range(len(self.best.inputs) + 1):
            for gap_us in simpler(self._gap_us(place)):
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


def simpler(gap_us: int) -> Iterator[int]:
    """Gaps that are simpler than a gap, the simplest first."""
    candidates = {0, USUAL_US, *ROUND_US[:4]}
    for unit_us in ROUND_US:
        candidates |= {gap_us // unit_us * unit_us, -(-gap_us // unit_us) * unit_us, -(-gap_us // unit_us // 2) * unit_us}
    yield from sorted((each for each in candidates if _rank(each) < _rank(gap_us)), key=_rank)


def _rank(gap_us: int) -> tuple[int, int, int]:
    """The usual time, then none at all, then by the digits that it takes, those nearest to the usual time first."""
    if gap_us in (USUAL_US, 0):
        return 0, USUAL_US - gap_us, 0
    return len(str(gap_us).rstrip("0")), abs(gap_us - USUAL_US), gap_us
