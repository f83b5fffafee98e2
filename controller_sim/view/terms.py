"""Expressions of a design in a reader's words, with what is known of locals put in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from controller_sim.design.arithmetic import ARITHMETIC, COMPARISONS, UNARY
from controller_sim.design.form import Cell, Design
from controller_sim.design.program import (
    Binary,
    CellValue,
    Changed,
    Choice,
    Compare,
    Constant,
    Expression,
    Local,
    Logic,
    Position,
    Reading,
    Unary,
)

MOST_CHARACTERS = 32
"""A term longer than this tells a player nothing; it is left out."""
_FLIPPED = {"==": "==", "!=": "!=", "<": ">", "<=": ">=", ">": "<", ">=": "<="}
_OPPOSITE = {"==": "!=", "!=": "==", "<": ">=", ">=": "<", ">": "<=", "<=": ">"}
_LIMITS = {"min": ", at most ", "max": ", at least "}
_RELATIONS = {"==": "is", "!=": "is not"}


@dataclass(frozen=True, slots=True)
class Named(Expression):
    """A value that a reader knows by a name, such as the switch that he stands on."""

    text: str


def known(expression: Expression) -> int | None:
    """The value of a constant or of a named one; None: it depends on the moment."""
    return expression.low if isinstance(expression, Constant | Named) and expression.low == expression.high else None


def filled_in(expression: Expression, places: Sequence[Expression | None]) -> Expression:
    """The expression with what is known of locals in their places, and worked out as far as that goes."""
    match expression:
        case Local(slot=slot):
            found = places[slot] if slot < len(places) else None
            return expression if found is None else found
        case Constant() | Named() | Reading() | Position():
            return expression
    inner: dict[str, Any] = {
        field.name: filled_in(value, places)
        for field in fields(expression)
        if isinstance(value := getattr(expression, field.name), Expression)
    }
    return _worked_out(replace(expression, **inner))


def _worked_out(expression: Expression) -> Expression:
    match expression:
        case Unary(operator=operator, operand=operand) if (a := known(operand)) is not None:
            return _constant(UNARY[operator](a))
        case Logic(operator=operator, left=left, right=right) if (a := known(left)) is not None:
            if bool(a) != (operator == "and"):
                return _constant(int(bool(a)))
            return right if (b := known(right)) is None else _constant(int(bool(b)))
        case Binary(operator=operator, left=left, right=right) if (a := known(left)) is not None and (b := known(right)) is not None:
            return _constant(ARITHMETIC[operator](a, b))
        case Compare(operator=operator, left=left, right=right) if (a := known(left)) is not None and (b := known(right)) is not None:
            return _constant(int(COMPARISONS[operator](a, b)))
        case Choice(condition=condition, then=then, otherwise=otherwise) if (a := known(condition)) is not None:
            return then if a else otherwise
    return expression


def _constant(value: int) -> Constant:
    return Constant(value, value)


def together(members: Sequence[Expression], values: Sequence[Sequence[int]], name: str) -> Expression | None:
    """One expression for those of several switches: where constants differ as one of `values` does, it says `name`.

    `values` holds, for each way to number the switches, the number of each member. None: they differ otherwise.
    """
    first = members[0]
    if all(member == first for member in members):
        return first
    if any(type(member) is not type(first) for member in members):
        return None
    if isinstance(first, Constant):
        numbers = [member.low for member in members]
        return Named(first.low, first.high, name) if any(list(each) == numbers for each in values) else None
    inner: dict[str, Any] = {}
    for field in fields(first):
        parts = [getattr(member, field.name) for member in members]
        if all(isinstance(part, Expression) for part in parts):
            found = together(parts, values, name)
            if found is None:
                return None
            inner[field.name] = found
        elif field.name not in ("low", "high") and any(part != parts[0] for part in parts):
            return None
    return replace(first, **inner)


def opposite(a: Expression, b: Expression) -> bool:
    """Whether one condition plainly holds where the other does not."""
    match a, b:
        case Compare(), Compare():
            return a.operator == _OPPOSITE[b.operator] and (a.left, a.right) == (b.left, b.right)
        case (Unary(operator="not", operand=inner), other) | (other, Unary(operator="not", operand=inner)):
            return inner == other
    return False


def spoken(name: str) -> str:
    """A name of the design as one says it."""
    return name.replace("_", " ")


class Terms:
    """Words for the expressions of a design. A term that would be long or would say nothing is None."""

    def __init__(self, design: Design) -> None:
        self.design = design

    def value(self, expression: Expression, of: Cell | None = None) -> str | None:
        """A value; `of` is the cell whose names it has, if any."""
        text = self._value(expression, of)
        return text if text is not None and len(text) <= MOST_CHARACTERS else None

    def condition(self, expression: Expression) -> str | None:
        text = self._condition(expression)
        return text if text is not None and len(text) <= MOST_CHARACTERS else None

    def cell(self, number: int, index: Expression | None) -> str:
        """A cell or its element; the bare cell where the index says nothing short."""
        cell = self.design.cells[number]
        name = spoken(cell.name)
        if index is None:
            return name
        parts = [self.value(part) for part in _indices(index, cell)]
        return name if None in parts else f"{name} ({', '.join(filter(None, parts))})"

    def _value(self, expression: Expression, of: Cell | None) -> str | None:
        match expression:
            case Named(text=text):
                return text
            case Constant(low=value):
                return spoken(of.names[value]) if of and 0 <= value < len(of.names) else str(value)
            case CellValue(cell=cell, index=index):
                return self.cell(cell, index)
            case Reading(name=name):
                return spoken(name)
            case Position(pedal=pedal):
                return spoken(self.design.pedals[pedal].name)
            case Binary(operator=operator, left=left, right=right):
                a, b = self.value(left), self.value(right)
                if a is None or b is None:
                    return None
                return f"{a}{_LIMITS[operator]}{b}" if operator in _LIMITS else f"{a} {operator} {b}"
            case Unary(operator="not") | Compare() | Logic() | Changed():
                return self.condition(expression)
        return None

    def _condition(self, expression: Expression) -> str | None:
        match expression:
            case Compare(operator=operator, left=Constant() | Named() as left, right=right) if not isinstance(right, Constant | Named):
                return self._condition(Compare(0, 1, _FLIPPED[operator], right, left))
            case Compare(operator=operator, left=left, right=right):
                of = self.design.cells[left.cell] if isinstance(left, CellValue) else None
                a, b = self.value(left), self.value(right, of)
                return None if a is None or b is None else f"{a} {_RELATIONS.get(operator, operator)} {b}"
            case Logic(operator=operator, left=left, right=right):
                a, b = self.condition(left), self.condition(right)
                return None if a is None or b is None else f"{a} {operator} {b}"
            case Unary(operator="not", operand=operand):
                inner = self.condition(operand)
                return None if inner is None else f"not {inner}"
            case Changed(cell=cell, index=index):
                return "changed" if cell is None else f"{self.cell(cell, index)} changed"
        return self.value(expression)


def _indices(index: Expression, cell: Cell) -> tuple[Expression, ...]:
    """Row and column of an element, out of its place row by row."""
    if len(cell.shape) < 2:
        return (index,)
    columns = cell.shape[1]
    match index:
        case Binary(operator="+", left=Binary(operator="*", left=row, right=Constant(low=factor)), right=column) if factor == columns:
            return row, column
        case Binary(operator="+", left=Constant(low=start), right=column) if start % columns == 0:
            return _constant(start // columns), column
        case Constant(low=place):
            return _constant(place // columns), _constant(place % columns)
    return (index,)
