"""An action written out: its constant arguments put in place, calls replaced by what they run, and decided branches taken.

What is left says of one binding what its procedure, which it may share with others, does for it alone. Values that are not known
until it runs stay as they are, with the intervals that follow from what is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

from controller_sim.design.form import Action, Design
from controller_sim.design.intervals import BINARY, Interval, absolute, compare, hull, key_of, walk
from controller_sim.design.program import (
    Binary,
    Call,
    CancelDraft,
    CellValue,
    Changed,
    Choice,
    Compare,
    Constant,
    Expression,
    FactoryValues,
    For,
    If,
    Local,
    Logic,
    Position,
    Reading,
    Send,
    SetCell,
    SetLocal,
    SetTempo,
    Statement,
    Unary,
)
from controller_sim.design.steps import statements_in

MOST_TURNS = 64
"""Loops of more turns, and loops around loops, are left as loops, in which nothing that they set is known."""

Locals = dict[int, Expression]
"""What is known of the locals: constants, and expressions over memory that has not been assigned since."""


def unfolded(design: Design, action: Action) -> tuple[Statement, ...]:
    """What an action does, without calls and, as far as they are known, without locals."""
    known: Locals = {slot: Constant(value, value) for slot, value in enumerate(action.arguments)}
    return tuple(_body(design, design.procedures[action.procedure].body, known))


def _body(design: Design, body: Sequence[Statement], known: Locals) -> list[Statement]:
    """`known` is brought up to date."""
    found: list[Statement] = []
    for statement in body:
        found += _statement(design, statement, known)
    return found


def _statement(design: Design, statement: Statement, known: Locals) -> list[Statement]:
    match statement:
        case SetLocal(slot=slot, value=value):
            known.pop(slot, None)
            if _lasts(after := folded(value, known)):
                known[slot] = after
            return []
        case SetCell(cell=cell, index=index, value=value):
            stored = SetCell(cell, None if index is None else folded(index, known), folded(value, known))
            _forget_cell(known, cell)
            return [stored]
        case SetTempo(value=value):
            return [replace(statement, value=folded(value, known))]
        case Send(data=data):
            return [replace(statement, data=tuple(folded(byte, known) for byte in data))]
        case If(condition, then, otherwise):
            return _branches(design, folded(condition, known), then, otherwise, known)
        case For():
            return _loop(design, statement, known)
        case Call(procedure=procedure, arguments=arguments):
            inner = {slot: folded(argument, known) for slot, argument in enumerate(arguments)}
            ran = _body(design, design.procedures[procedure].body, {slot: value for slot, value in inner.items() if _lasts(value)})
            for each in statements_in(ran):
                if isinstance(each, SetCell):
                    _forget_cell(known, each.cell)
            if any(isinstance(each, FactoryValues | CancelDraft) for each in statements_in(ran)):
                _forget_memory(known)
            return ran
        case FactoryValues() | CancelDraft():
            _forget_memory(known)
    return [statement]


def _lasts(value: Expression) -> bool:
    """Whether an expression means the same until a cell is assigned."""
    return not any(isinstance(part, Local | Reading | Changed | Position) for part in walk(value))


def _branches(
    design: Design, condition: Expression, then: Sequence[Statement], otherwise: Sequence[Statement], known: Locals
) -> list[Statement]:
    if (condition.low, condition.high) == (0, 0):
        return _body(design, otherwise, known)
    if not condition.low <= 0 <= condition.high:
        return _body(design, then, known)
    other = dict(known)
    taken, not_taken = _body(design, then, known), _body(design, otherwise, other)
    for slot in list(known):
        if slot not in other or key_of(known[slot]) != key_of(other[slot]):
            del known[slot]
    return [If(condition, tuple(taken), tuple(not_taken))] if taken or not_taken else []


def _loop(design: Design, loop: For, known: Locals) -> list[Statement]:
    turns = range(loop.start, loop.stop, loop.step)
    if len(turns) <= MOST_TURNS and not any(isinstance(each, For) for each in statements_in(loop.body)):
        found = []
        for turn in turns:
            known[loop.slot] = Constant(turn, turn)
            found += _body(design, loop.body, known)
        return found
    for each in statements_in(loop.body):
        if isinstance(each, SetLocal):
            known.pop(each.slot, None)
        elif isinstance(each, SetCell):
            _forget_cell(known, each.cell)
    known.pop(loop.slot, None)
    # What a turn sets the next one reads: only what no turn sets is known in it.
    inner = dict(known)
    return [replace(loop, body=tuple(_body(design, loop.body, inner)))]


def _forget_memory(known: Locals) -> None:
    for slot, value in list(known.items()):
        if not isinstance(value, Constant):
            del known[slot]


def _forget_cell(known: Locals, cell: int) -> None:
    for slot, value in list(known.items()):
        if any(isinstance(part, CellValue) and part.cell == cell for part in walk(value)):
            del known[slot]


def folded(expression: Expression, known: Locals) -> Expression:
    """An expression with what is known of locals in place, and a constant where it is decided."""
    after = _folded(expression, known)
    return Constant(after.low, after.high) if after.low == after.high else after


def _folded(expression: Expression, known: Locals) -> Expression:
    match expression:
        case Local(slot=slot):
            return known.get(slot, expression)
        case CellValue(index=index) if index is not None:
            return replace(expression, index=folded(index, known))
        case Unary(operator=operator, operand=operand):
            operand = folded(operand, known)
            return _narrowed(replace(expression, operand=operand), _unary(operator, (operand.low, operand.high)))
        case Binary(operator=operator, left=left, right=right):
            left, right = folded(left, known), folded(right, known)
            return _narrowed(replace(expression, left=left, right=right), BINARY[operator]((left.low, left.high), (right.low, right.high)))
        case Compare(operator=operator, left=left, right=right):
            left, right = folded(left, known), folded(right, known)
            return _narrowed(replace(expression, left=left, right=right), compare(operator, (left.low, left.high), (right.low, right.high)))
        case Logic(operator=operator, left=left, right=right):
            left, right = folded(left, known), folded(right, known)
            truths = [_truth((each.low, each.high)) for each in (left, right)]
            both = min if operator == "and" else max
            return _narrowed(replace(expression, left=left, right=right), (both(t[0] for t in truths), both(t[1] for t in truths)))
        case Choice(condition=condition, then=then, otherwise=otherwise):
            condition, then, otherwise = folded(condition, known), folded(then, known), folded(otherwise, known)
            low, high = _truth((condition.low, condition.high))
            if low == high:
                return then if low else otherwise
            after = replace(expression, condition=condition, then=then, otherwise=otherwise)
            return _narrowed(after, hull((then.low, then.high), (otherwise.low, otherwise.high)))
    return expression


def _unary(operator: str, of: Interval) -> Interval:
    if operator == "-":
        return -of[1], -of[0]
    if operator == "abs":
        return absolute(of)
    low, high = _truth(of)
    return 1 - high, 1 - low


def _truth(of: Interval) -> Interval:
    return int(not of[0] <= 0 <= of[1]), int(of != (0, 0))


def _narrowed(expression: Expression, interval: Interval) -> Expression:
    low, high = max(expression.low, interval[0]), min(expression.high, interval[1])
    return replace(expression, low=low, high=high) if low <= high else expression


def with_cell(expression: Expression, cell: int, value: int) -> Expression:
    """An expression with the value of a plain cell put in its place."""
    if isinstance(expression, CellValue) and expression.cell == cell and expression.index is None:
        return Constant(value, value)
    parts = {each.name: getattr(expression, each.name) for each in fields(expression)}
    put: dict[str, Any] = {name: with_cell(part, cell, value) for name, part in parts.items() if isinstance(part, Expression)}
    return replace(expression, **put)


def same(one: Expression | None, other: Expression | None) -> bool:
    """Whether two expressions have the same value at one instant, as far as their form tells."""
    return one is other or (one is not None and other is not None and key_of(one) == key_of(other))
