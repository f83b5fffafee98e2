"""What the actions of a design can do, and which modes and procedures it can ever come to."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from controller_sim.design.form import Design, Mode, Place
from controller_sim.design.intervals import Interval, State, clip, hull, inside, walk
from controller_sim.design.program import (
    Call,
    CellValue,
    Changed,
    Enter,
    Expression,
    FactoryValues,
    Field,
    For,
    If,
    Notice,
    Restart,
    Send,
    SetCell,
    SetLocal,
    SetTempo,
    Statement,
    Text,
)
from controller_sim.design.steps import statements_in


@dataclass(frozen=True, slots=True)
class Run:
    """Something that runs a procedure. `mode` is None for what power-on runs."""

    mode: int | None
    what: str
    """binding, response, timer, enter, leave or power_on."""
    number: int
    """Of the binding or response in the design, of the timer in its mode; else 0."""
    procedure: int
    place: Place


def texts_in(text: Text) -> Iterator[Expression]:
    """The expressions that a text shows."""
    return (part.expression for part in text.parts if isinstance(part, Field))


def operands(statement: Statement) -> tuple[Expression, ...]:
    """The expressions that a statement itself evaluates, not those of the statements in it."""
    match statement:
        case SetCell(index=index, value=value):
            return (value,) if index is None else (index, value)
        case SetLocal(value=value) | SetTempo(value=value):
            return (value,)
        case If(condition=condition):
            return (condition,)
        case Call(arguments=arguments):
            return arguments
        case Send(data=data):
            return data
        case Notice(text=text):
            return tuple(texts_in(text))
    return ()


def cells_in(expressions: Sequence[Expression]) -> set[int | None]:
    """The cells that expressions read; None: all that the mode drafts."""
    return {part.cell for each in expressions for part in walk(each) if isinstance(part, CellValue | Changed)}


class Reach:
    """Derived from a design once; nothing in it changes."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self._closed: dict[int, tuple[Statement, ...]] = {}

    def statements(self, procedure: int) -> tuple[Statement, ...]:
        """Every statement that a procedure can run, those of the procedures that it calls included, each once."""
        if procedure not in self._closed:
            found = list(statements_in(self.design.procedures[procedure].body))
            for callee in dict.fromkeys(each.procedure for each in found if isinstance(each, Call)):
                found.extend(self.statements(callee))
            self._closed[procedure] = tuple({id(each): each for each in found}.values())
        return self._closed[procedure]

    def enters(self, procedure: int) -> tuple[int, ...]:
        """The modes that a procedure may ask for."""
        return tuple(dict.fromkeys(each.mode for each in self.statements(procedure) if isinstance(each, Enter)))

    def may(self, procedure: int, kind: type[Statement]) -> bool:
        """Whether a procedure may come to a statement of a kind."""
        return any(isinstance(each, kind) for each in self.statements(procedure))

    def always_leaves(self, procedure: int) -> bool:
        """Whether every way through a procedure asks for a mode or restarts."""
        return self.always(procedure, lambda statement: isinstance(statement, Enter | Restart))

    def always(self, procedure: int, wanted: Callable[[Statement], bool]) -> bool:
        """Whether every way through a procedure comes to a wanted statement."""
        return self._always(self.design.procedures[procedure].body, wanted)

    def _always(self, body: Sequence[Statement], wanted: Callable[[Statement], bool]) -> bool:
        for statement in body:
            if wanted(statement):
                return True
            match statement:
                case If(_, then, otherwise) if self._always(then, wanted) and self._always(otherwise, wanted):
                    return True
                case For(_, start, stop, step, inner) if len(range(start, stop, step)) and self._always(inner, wanted):
                    return True
                case Call(procedure=procedure) if self.always(procedure, wanted):
                    return True
        return False

    def runs(self, number: int) -> Iterator[Run]:
        """All that runs an action while a mode is current or changes."""
        design, mode = self.design, self.design.modes[number]
        for each in mode.bindings:
            yield Run(number, "binding", each, design.bindings[each].action.procedure, design.bindings[each].place)
        for each in mode.responses:
            yield Run(number, "response", each, design.responses[each].procedure, design.responses[each].place)
        for place, timer in enumerate(mode.timers):
            yield Run(number, "timer", place, timer.action.procedure, mode.place)
        if mode.enter is not None:
            yield Run(number, "enter", 0, mode.enter.procedure, mode.place)
        if mode.leave is not None:
            yield Run(number, "leave", 0, mode.leave.procedure, mode.place)

    @cached_property
    def at_power_on(self) -> tuple[Run, ...]:
        """What power-on runs before the first mode is entered."""
        design = self.design
        runs = [Run(None, "power_on", 0, each.action.procedure, each.place) for each in design.power_on]
        if design.every_power_on is not None:
            procedure = design.every_power_on.procedure
            runs.append(Run(None, "power_on", 0, procedure, design.procedures[procedure].place))
        return tuple(runs)

    @cached_property
    def modes(self) -> frozenset[int]:
        """The modes that can ever be current."""
        waiting = [self.design.home, *(mode for run in self.at_power_on for mode in self.enters(run.procedure))]
        return self._closure(waiting, self.leads_to)

    def leads_to(self, mode: int) -> set[int]:
        """The modes that something in a mode may ask for; home where something restarts."""
        found = {after for run in self.runs(mode) for after in self.enters(run.procedure)}
        if any(self.may(run.procedure, Restart) for run in self.runs(mode)):
            found.add(self.design.home)
        return found

    @staticmethod
    def _closure(start: Sequence[int], after: Callable[[int], set[int]]) -> frozenset[int]:
        waiting, found = list(start), set(start)
        while waiting:
            new = after(waiting.pop()) - found
            found |= new
            waiting.extend(new)
        return frozenset(found)

    def reachable_from(self, mode: int) -> frozenset[int]:
        """The modes that can come after a mode, itself included."""
        return self._closure([mode], self.leads_to)

    @cached_property
    def all_runs(self) -> tuple[Run, ...]:
        """All that can ever run an action, in modes that can be current."""
        return (*self.at_power_on, *(run for mode in sorted(self.modes) for run in self.runs(mode)))

    @cached_property
    def procedures(self) -> frozenset[int]:
        """The procedures that something can ever run, those that are called included."""
        return self._closure([run.procedure for run in self.all_runs], lambda procedure: set(self._callees(procedure)))

    def _callees(self, procedure: int) -> Iterator[int]:
        return (each.procedure for each in self.statements(procedure) if isinstance(each, Call))

    def shown(self, mode: Mode) -> list[Expression]:
        """What a mode's displays, LEDs and conditions evaluate."""
        found = [*mode.leds, *mode.conditions]
        for view in mode.views:
            found.extend([view.condition] if view.condition is not None else ())
            found.extend(expression for line in view.lines for expression in texts_in(line))
        return found

    @cached_property
    def values(self) -> tuple[Interval, ...]:
        """For each cell an interval that holds all that its elements can ever be.

        A kept cell can hold anything in its range: its values come from a chip.
        """
        values = [(cell.low, cell.high) if cell.keep else (min(cell.start_values), max(cell.start_values)) for cell in self.design.cells]
        for procedure in self.procedures:
            for statement in statements_in(self.design.procedures[procedure].body):
                if isinstance(statement, SetCell):
                    cell, stored = self.design.cells[statement.cell], (statement.value.low, statement.value.high)
                    if not inside(stored, cell.low, cell.high):
                        stored = clip(stored, cell.low, cell.high) if cell.ends == "clamp" else (cell.low, cell.high)
                    values[statement.cell] = hull(values[statement.cell], stored)
                elif isinstance(statement, FactoryValues):
                    for number in statement.cells:
                        starts = self.design.cells[number].start_values
                        values[number] = hull(values[number], (min(starts), max(starts)))
        return tuple(values)

    def known(self) -> State:
        """What is known of the memory at any instant whatever."""
        state = State()
        for number, cell in enumerate(self.design.cells):
            if not cell.shape:
                state.bound(CellValue(cell.low, cell.high, number, None), *self.values[number])
        return state

    @cached_property
    def assigned(self) -> frozenset[int]:
        """The cells that something can set, other than to their first values."""
        return frozenset(
            each.cell
            for number in self.procedures
            for each in statements_in(self.design.procedures[number].body)
            if isinstance(each, SetCell)
        )
