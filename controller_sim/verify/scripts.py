"""A finding as a press script: what the feet did, in the script language, and what should have come of it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace

from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import PORT_NAMES, Design
from controller_sim.reference import ReferenceEngine
from controller_sim.script import ScriptError, parse_script, play
from controller_sim.script.printer import print_script
from controller_sim.script.recorder import record_script
from controller_sim.script.syntax import READY_US, Change, ExpectMemory, Move, PowerOff, PowerOn, Receive, Script, Step, Wait, When
from controller_sim.simulator import SimulatorError
from controller_sim.simulator.simulator import cell_offset
from controller_sim.verify.properties import BY_NAME
from controller_sim.verify.searching import ACCIDENT, Finding, Judge
from controller_sim.verify.watching import Session

OFF_US = 1_000_000
"""How long the power is off between two sessions."""


def shows_on_reference(judge: Judge, finding: Finding) -> bool:
    """Whether the readable engine breaks the same property on the same sessions: then it is the design that does."""
    readable = Judge(judge.design, ReferenceEngine, judge.promises)
    try:
        wrong = readable.check(finding.name, finding.history[-1], f"{finding.seed}.{finding.session}")
    except Exception:  # as in a search: whatever a broken engine raises
        return finding.name == ACCIDENT
    return wrong is not None


def script_of(design: Design, finding: Finding, on_reference: bool, line: str | None = None) -> str:
    """The text of a press script, with what is wrong as a comment at its head.

    Where only the engine that was tried is wrong, the script demands what the readable engine does; where the design itself is,
    there is nothing else to demand, and the script only shows it. `line` says what the property is, if it is not a built-in one.
    """
    text = print_script(Script(tuple(steps_of(design, finding.history))))
    if not on_reference:
        # What a script cannot say, such as a pedal beyond what it reads, is shown without expectations.
        with suppress(ScriptError, SimulatorError):
            run = play(design, parse_script(text, design), engine="reference")
            text = print_script(Script(tuple(step for step in record_script(run).steps if not _as_ever(design, step))))
    return "".join(f"# {comment}\n" for comment in comments(finding, on_reference, line)) + text


def comments(finding: Finding, on_reference: bool, line: str | None = None) -> list[str]:
    """What is wrong, in lines for people."""
    if on_reference:
        told = "The readable engine does the same: it is the design that asks for it."
    else:
        told = "The readable engine does not: what follows demands what it does."
    if line is None:
        line = BY_NAME[finding.name].line if finding.name in BY_NAME else "A promise of this design."
    return [
        f"{finding.name}: {line}",
        f"Here: {finding.wrong.text}.",
        told,
        f"Found with seed {finding.seed} in session {finding.session}, then made smaller.",
    ]


def steps_of(design: Design, history: Sequence[Session]) -> list[Step]:
    """What the feet did, step after step; times count from the step before, or from the script's start where that is not ready."""
    steps: list[Step] = []
    base_us = 0
    word = 0
    for number, session in enumerate(history):
        offset_us = base_us - session.times_us[0]
        first = session.words[0]
        if number:
            steps.append(PowerOff())
            steps += _changes(design, When(OFF_US, False), word, word & first)
            steps.append(PowerOn(when=When(base_us, True), holding=_names(design, first & ~word)))
        else:
            steps += _changes(design, When(0, True), 0, first)
        word = first
        clock_us = base_us if first and not number else base_us + READY_US
        for time_us, word_then, arrived in session.instants():
            at_us = time_us + offset_us
            when = When(at_us - clock_us, False) if at_us >= clock_us else When(at_us, True)
            made = [*_changes(design, when, word, word_then), *_arrivals(design, when, arrived)]
            if made and at_us > base_us:
                clock_us = at_us
                steps += _at_once(made)
            word = word_then
        end_us = session.times_us[-1] + offset_us
        if end_us > clock_us:
            steps.append(Wait(duration_us=end_us - clock_us))
        base_us = max(end_us, clock_us) + OFF_US
    return steps


def _as_ever(design: Design, step: Step) -> bool:
    """Whether a step only says that a cell is as it was on the first day."""
    if not isinstance(step, ExpectMemory):
        return False
    cell, place = cell_offset(design, step.cell, step.indices)
    return cell.start_values[place - cell.offset] == step.value


def _at_once(steps: list[Step]) -> list[Step]:
    """Steps of one instant: only the first says how long after the one before it comes; no time at all is not said."""
    first, *rest = steps
    if first.when is not None and first.when == When(0, False):
        first = replace(first, when=None)
    return [first, *(replace(step, when=None) for step in rest)]


def _names(design: Design, mask: int) -> tuple[str, ...]:
    return tuple(name for s, name in enumerate(design.switches) if mask >> s & 1)


def _changes(design: Design, when: When, before: int, after: int) -> list[Step]:
    steps: list[Step] = []
    for down, mask in ((False, before & ~after), (True, after & ~before)):
        if mask:
            steps.append(Change(when=when, switches=_names(design, mask), down=down))
    return steps


def _arrivals(design: Design, when: When, arrived: tuple[int, ...]) -> list[Step]:
    steps: list[Step] = []
    for arrival in unpack(arrived):
        if isinstance(arrival, PedalReading):
            steps.append(Move(when=when, pedal=design.pedals[arrival.pedal].name, to=arrival.value))
        else:
            port = next(name for name, bit in PORT_NAMES.items() if bit == arrival.port)
            steps.append(Receive(when=when, port=port, data=bytes([arrival.byte])))
    return steps
