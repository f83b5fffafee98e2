"""Gestures that only move a value, up or down by a fixed step: which two of a mode undo each other.

A pair qualifies if both do nothing to the memory but add a constant to a cell (the same one, by opposite constants, whichever of
several it is at the time), with or without a remainder, a least or a greatest value around it, and set others to the same constants.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller_sim.design.form import Design
from controller_sim.design.program import (
    Binary,
    CancelDraft,
    CellValue,
    Choice,
    Constant,
    Enter,
    Expression,
    FactoryValues,
    For,
    If,
    Restart,
    SaveDraft,
    SetCell,
    Statement,
)
from controller_sim.design.steps import statements_in
from controller_sim.verify.unfolding import same, unfolded

ONCE = ("press", "tap", "hold", "double")
"""Gestures that come once where they are meant once, from a foot that is up before and after."""

Step = tuple[int, int]
"""A cell and what is added to it."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two bindings of a mode of which the one takes back what the other does."""

    up: int
    down: int
    steps: frozenset[Step]
    """What `up` may do; `down` does the opposite."""
    aside: frozenset[int]
    """Cells that both set to the same constants: they need not come back."""


def pairs(design: Design) -> dict[int, list[Pair]]:
    """For each mode that has any, its pairs."""
    found: dict[int, list[Pair]] = {}
    moves = {number: move for number, b in enumerate(design.bindings) if b.gesture in ONCE and (move := _move(design, number))}
    for number, mode in enumerate(design.modes):
        by_timers = set(timer_cells(design, number))
        here = [each for each in mode.bindings if each in moves and by_timers.isdisjoint(cell for cell, _ in moves[each][0])]
        for place, up in enumerate(here):
            for down in here[place + 1 :]:
                (steps, constants), (back, others) = moves[up], moves[down]
                if constants == others and back == {(cell, -step) for cell, step in steps}:
                    aside = frozenset(cell for cell, _ in constants)
                    found.setdefault(number, []).append(Pair(up, down, frozenset(steps), aside))
    return found


def _move(design: Design, number: int) -> tuple[set[Step], set[tuple[int, int]]] | None:
    """The steps that a binding may take, and the cells that it sets to constants; None where it does anything else to the memory."""
    body = unfolded(design, design.bindings[number].action)
    steps: set[Step] = set()
    constants: set[tuple[int, int]] = set()
    for each in statements_in(body):
        if isinstance(each, Enter | Restart | SaveDraft | CancelDraft | FactoryValues | For):
            return None
        if isinstance(each, SetCell):
            step = step_of(each.value, each)
            if step:
                steps.add((each.cell, step))
            elif isinstance(each.value, Constant) and each.index is None:
                constants.add((each.cell, each.value.value))
            elif step is None:
                return None
    moved = {cell for cell, _ in steps}
    if not steps or moved & {cell for cell, _ in constants} or _most(body, moved) > 1:
        return None
    return steps, constants


def step_of(value: Expression, target: SetCell) -> int | None:
    """What an assigned value adds to its own cell: 0 where it leaves it, None where it is anything else."""
    match value:
        case CellValue(cell=cell, index=index):
            return 0 if cell == target.cell and same(index, target.index) else None
        case Binary(operator="+", left=left, right=Constant() as by) | Binary(operator="+", left=Constant() as by, right=left):
            return _more(step_of(left, target), by.value)
        case Binary(operator="-", left=left, right=Constant() as by):
            return _more(step_of(left, target), -by.value)
        case Binary(operator="%" | "min" | "max", left=left, right=Constant()):
            return step_of(left, target)
        case Binary(operator="min" | "max", left=Constant(), right=right):
            return step_of(right, target)
        case Choice(then=then, otherwise=otherwise):
            found = {step_of(each, target) for each in (then, otherwise) if not isinstance(each, Constant)} - {0}
            return found.pop() if len(found) == 1 else None
    return None


def _more(step: int | None, by: int) -> int | None:
    return None if step is None else step + by


def _most(body: Sequence[Statement], cells: set[int]) -> int:
    """The most assignments to some cells on one way through."""
    total = 0
    for statement in body:
        if isinstance(statement, SetCell):
            total += statement.cell in cells
        elif isinstance(statement, If):
            total += max(_most(statement.then, cells), _most(statement.otherwise, cells))
    return total


def timer_cells(design: Design, mode: int) -> Iterator[int]:
    """The cells that timers of a mode may set."""
    for timer in design.modes[mode].timers:
        for each in statements_in(unfolded(design, timer.action)):
            if isinstance(each, SetCell):
                yield each.cell


def without_pairs(design: Design) -> str | None:
    """Why nothing goes up and down, or None."""
    return None if pairs(design) else "no two gestures of a mode move one value up and down by the same step"
