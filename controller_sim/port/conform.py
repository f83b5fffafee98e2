"""Play the same histories on the reference and on everything that must agree with it, and shrink what differs."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from controller_sim.design.form import Design
from controller_sim.port.errors import PortError
from controller_sim.port.history import History, as_script
from controller_sim.port.shrink import shrink
from controller_sim.port.targets import EngineTarget, Target
from controller_sim.port.trace import Difference, Trace, first_difference
from controller_sim.simulator import SimulatorError


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
    oracle = EngineTarget("reference")
    histories = [case.history for case in cases]
    expected: list[Trace] = []
    for target in targets:
        missing = target.available()
        if missing is not None:
            yield Result(target.name, missing=missing)
            continue
        different: list[int] = []
        try:
            for number, came in enumerate(target.play(design, source, histories)):
                progress(f"{target.name}: {number + 1} of {len(cases)}")
                if number == len(expected):
                    expected += oracle.play(design, source, [histories[number]])
                if first_difference(expected[number], came) is not None:
                    different.append(number)
        except PortError as error:
            yield Result(target.name, missing=str(error))
            continue
        finding = None
        if different:
            progress(f"{target.name}: looking for the shortest history that differs")
            finding = _finding(design, source, cases[different[0]], oracle, target)
        yield Result(target.name, len(cases), len(different), finding)


def _finding(design: Design, source: str, case: Case, oracle: Target, target: Target) -> Finding:
    def difference_in(history: History) -> Difference | None:
        try:
            expected, came = (next(iter(each.play(design, source, [history]))) for each in (oracle, target))
        except SimulatorError:
            return None
        return first_difference(expected, came)

    found = shrink(design, case.history, lambda history: difference_in(history) is not None)
    difference = difference_in(found)
    assert difference is not None, f"{target.name} does not do the same each time"
    return Finding(case.name, difference, found, as_script(design, found, oracle.name))
