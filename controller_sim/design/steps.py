"""The statements and expressions of an action, what of them can be seen, and how many statements it can run, through loops and calls."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

from controller_sim.design.errors import DesignError
from controller_sim.design.form import Action, Binding, Design, Place, Procedure, Repeat, Timer
from controller_sim.design.program import (
    Call,
    CellValue,
    Changed,
    ClockRun,
    Expression,
    FactoryValues,
    For,
    If,
    SetCell,
    SetTempo,
    Statement,
    TapTempo,
)

MAX_STATEMENTS = 100_000


def actions_without_gesture(design: Design) -> Iterator[Action]:
    """What runs though no gesture asked for it: on entering and leaving modes, by timers, at power-on; not what answers what arrives."""
    for mode in design.modes:
        yield from (action for action in (mode.enter, mode.leave) if action is not None)
        yield from (timer.action for timer in mode.timers)
    yield from (binding.action for binding in design.power_on)
    if design.every_power_on is not None:
        yield design.every_power_on


def statements_in(body: Sequence[Statement]) -> Iterator[Statement]:
    """Every statement of a body, also inside loops and branches; not those of the procedures that it calls."""
    for statement in body:
        yield statement
        match statement:
            case If(_, then, otherwise):
                yield from statements_in(then)
                yield from statements_in(otherwise)
            case For(body=inner):
                yield from statements_in(inner)


def run_by(design: Design, procedure: int) -> Iterator[Statement]:
    """All statements that a procedure may run, and those that it calls."""
    waiting = [procedure]
    while waiting:
        for statement in statements_in(design.procedures[waiting.pop()].body):
            yield statement
            if isinstance(statement, Call):
                waiting.append(statement.procedure)


def expressions_in(things: Iterable[Any]) -> Iterator[Expression]:
    """Every expression inside some things of the intermediate form, and inside those."""
    for thing in things:
        if isinstance(thing, Expression):
            yield thing
        if isinstance(thing, tuple | list):
            yield from expressions_in(thing)
        elif is_dataclass(thing) and not isinstance(thing, Place | type):
            yield from expressions_in([getattr(thing, each.name) for each in fields(thing)])


def shown_in(design: Design) -> Iterator[Expression]:
    """Every expression that some display or LED reads."""
    for mode in design.modes:
        yield from expressions_in([mode.views, mode.leds])


def seen_cells(design: Design) -> frozenset[int]:
    """The cells that displays and LEDs read, or of which they read whether they have changed."""
    drafted = {cell for mode in design.modes for cell in mode.draft}
    found: set[int] = set()
    for each in shown_in(design):
        if isinstance(each, CellValue | Changed):
            found |= drafted if each.cell is None else {each.cell}
    return frozenset(found)


def shows_change(body: Sequence[Statement], seen: Collection[int]) -> bool:
    """Whether a body may change what displays and LEDs show, which read the cells `seen`; a mode change always looks again by itself."""
    return any(
        (isinstance(each, SetCell) and each.cell in seen)
        or (isinstance(each, FactoryValues) and any(cell in seen for cell in each.cells))
        or isinstance(each, SetTempo | TapTempo | ClockRun)
        for each in statements_in(body)
    )


def check_statements(procedures: Sequence[Procedure]) -> list[int]:
    """The most statements that each procedure, callees first, can run. Raises DesignError at one that can run more than MAX_STATEMENTS."""
    most: list[int] = []
    for procedure in procedures:
        statements = _most(procedure.body, most)
        if statements > MAX_STATEMENTS:
            raise DesignError(
                f"{procedure.name} can run {statements:,} statements, through its loops and calls; at most {MAX_STATEMENTS:,} are allowed"
                + _heaviest_call(procedure.body, most, procedures),
                procedure.place,
            )
        most.append(statements)
    return most


def check_periods(most: Sequence[int], repeat: Repeat, bindings: Iterable[Binding], timers: Iterable[tuple[Timer, Place]]) -> None:
    """Refuse actions that come again and again and can run more statements than their period has microseconds. Raises DesignError."""
    shortest_us = min([repeat.last_us, *(period_us for period_us, _ in repeat.steps)])
    again = [(timer.action.procedure, timer.period_us, "the timer comes", place) for timer, place in timers]
    again += [(each.action.procedure, shortest_us, "the repeat can come", each.place) for each in bindings if each.gesture == "repeat"]
    for procedure, period_us, what, place in again:
        if most[procedure] > period_us:
            raise DesignError(
                f"{what} every {period_us:,} microseconds, but its action can run {most[procedure]:,} statements, "
                "more than one a microsecond: make the period longer, or the action shorter",
                place,
            )


def _most(body: Sequence[Statement], callees: Sequence[int]) -> int:
    total = 0
    for statement in body:
        total += 1
        match statement:
            case If(_, then, otherwise):
                total += max(_most(then, callees), _most(otherwise, callees))
            case For(_, start, stop, step, inner):
                total += len(range(start, stop, step)) * _most(inner, callees)
            case Call(procedure, _):
                total += callees[procedure]
    return total


def _heaviest_call(body: Sequence[Statement], callees: Sequence[int], procedures: Sequence[Procedure]) -> str:
    """Which procedure's calls cost most, in words; empty where there are no calls."""
    times: dict[int, int] = {}
    _count_calls(body, 1, times)
    if not times:
        return ""
    worst = max(times, key=lambda procedure: times[procedure] * callees[procedure])
    calls = f"{times[worst]:,} times" if times[worst] > 1 else "once"
    return f"; it calls {procedures[worst].name} {calls}, which can run {callees[worst]:,} statements"


def _count_calls(body: Sequence[Statement], factor: int, times: dict[int, int]) -> None:
    for statement in body:
        match statement:
            case If(_, then, otherwise):
                _count_calls(then, factor, times)
                _count_calls(otherwise, factor, times)
            case For(_, start, stop, step, inner):
                _count_calls(inner, factor * len(range(start, stop, step)), times)
            case Call(procedure, _):
                times[procedure] = times.get(procedure, 0) + factor
