"""Play the same histories on the reference and on everything that must agree with it, and shrink what differs."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from controller_sim.design.form import Design
from controller_sim.port.errors import PortError
from controller_sim.port.polling import seen_by_polling
from controller_sim.port.targets import EngineTarget, Target
from controller_sim.port.trace import Difference, Trace, first_difference
from controller_sim.script.recorder import record_history
from controller_sim.simulator import History, SimulatorError
from controller_sim.verify.shrinking import shrink


@dataclass(frozen=True, slots=True)
class Case:
    """A history and what it is called in a report."""

    name: str
    history: History


@dataclass(frozen=True, slots=True)
class Finding:
    """The first case in which a target differs, made as short as it can be."""

    case: str
    difference: Difference
    history: History
    script: str
    """A press script of it; it expects what the reference does."""


@dataclass(frozen=True, slots=True)
class Result:
    """How a target has done."""

    target: str
    played: int = 0
    different: int = 0
    finding: Finding | None = None
    missing: str | None = None
    """Why it could not be tested."""


Progress = Callable[[str], None]


def conform(design: Design, source: str, cases: Sequence[Case], targets: Sequence[Target], progress: Progress) -> Iterator[Result]:
    """Compare each target with the reference in all cases; `source` is the text of the design's file.

    MIDI bytes, display, LEDs and stored image are compared, each with its times. What is told to `progress` is short.
    """
    comparison = _Comparison(design, source, cases)
    for target in targets:
        missing = target.available()
        if missing is None:
            try:
                yield comparison.result(target, progress)
                continue
            except PortError as error:
                missing = str(error)
        yield Result(target.name, missing=missing)


class _Comparison:
    """What the reference does in each case is found out once, when it is first needed."""

    def __init__(self, design: Design, source: str, cases: Sequence[Case]) -> None:
        self._design = design
        self._source = source
        self._cases = cases
        self._oracle = EngineTarget("reference")
        self._expected: list[Trace] = []

    def result(self, target: Target, progress: Progress) -> Result:
        """How a target does in all cases, up to one in which it hangs."""
        different: list[tuple[Case, Difference]] = []
        played = 0
        hung = False
        for case, came in zip(self._cases, target.play(self._design, self._source, [case.history for case in self._cases]), strict=False):
            difference = first_difference(came.expected or self._expectation(played), came)
            if difference is not None:
                different.append((case, difference))
            played += 1
            progress(f"{target.name}: {played} of {len(self._cases)}")
            hung = came.hung
            if hung:
                break
        if not different:
            return Result(target.name, played)
        progress(f"{target.name}: looking for the shortest history that differs")
        return Result(target.name, played, len(different), self._finding(*different[0], target, hung and len(different) == 1))

    def _expectation(self, number: int) -> Trace:
        for case in self._cases[len(self._expected) : number + 1]:
            self._expected += self._oracle.play(self._design, self._source, [case.history])
        return self._expected[number]

    def _finding(self, case: Case, difference: Difference, target: Target, hung: bool) -> Finding:
        """The case made short; as it is where the target hangs in it."""
        known = {case.history: difference}

        def differs(history: History) -> bool:
            nonlocal hung
            if hung:
                return False
            try:
                came, expected = (next(iter(each.play(self._design, self._source, [history]))) for each in (target, self._oracle))
            except SimulatorError:
                return False
            hung = came.hung
            found = first_difference(came.expected or expected, came)
            if found is not None:
                known[history] = found
            return found is not None

        history = shrink(case.history, differs, partial(seen_by_polling, self._design), target.most_tries)
        return Finding(case.name, known[history], history, record_history(self._design, history, self._oracle.name))
