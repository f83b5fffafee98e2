"""Interval arithmetic on signed 32-bit integers, and what is known at one point of an action.

An interval is a pair (low, high), both inside. The functions are exact where the operands are independent,
except `modulo`, which may be wider. Results may leave 32 bits: the caller checks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from types import UnionType

from controller_sim.design.program import (
    Binary,
    CellValue,
    Changed,
    Choice,
    Compare,
    Constant,
    Down,
    Expression,
    Lit,
    Local,
    Logic,
    Position,
    Reading,
    Shows,
    Unary,
    Was,
)

LOWEST = -(1 << 31)
HIGHEST = (1 << 31) - 1
MAX_SPLITS = 32
"""How many alternatives of one condition are followed; what is not followed is merely not known."""

Interval = tuple[int, int]
Key = tuple[object, ...]


def hull(a: Interval, b: Interval) -> Interval:
    """The smallest interval that holds both."""
    return min(a[0], b[0]), max(a[1], b[1])


def inside(a: Interval, low: int, high: int) -> bool:
    return low <= a[0] and a[1] <= high


def clip(a: Interval, low: int = LOWEST, high: int = HIGHEST) -> Interval:
    """Both ends moved to the nearest value of low..high."""
    return min(max(a[0], low), high), min(max(a[1], low), high)


def _corners(f: Callable[[int, int], int], a: Interval, b: Interval) -> Interval:
    values = [f(x, y) for x in a for y in b]
    return min(values), max(values)


def add(a: Interval, b: Interval) -> Interval:
    return a[0] + b[0], a[1] + b[1]


def subtract(a: Interval, b: Interval) -> Interval:
    return a[0] - b[1], a[1] - b[0]


def multiply(a: Interval, b: Interval) -> Interval:
    return _corners(lambda x, y: x * y, a, b)


def divide(a: Interval, b: Interval) -> Interval:
    """Floor division; `b` must not hold 0."""
    return _corners(lambda x, y: x // y, a, b)


def modulo(a: Interval, b: Interval) -> Interval:
    """Floor modulo; `b` must not hold 0."""
    if b[1] < 0:
        low, high = modulo((-a[1], -a[0]), (-b[1], -b[0]))
        return -high, -low
    if b[0] == b[1] and a[0] // b[0] == a[1] // b[0]:
        return a[0] % b[0], a[1] % b[0]
    if a[0] >= 0:
        return a if a[1] < b[0] else (0, min(a[1], b[1] - 1))
    return 0, b[1] - 1


def smaller(a: Interval, b: Interval) -> Interval:
    return min(a[0], b[0]), min(a[1], b[1])


def larger(a: Interval, b: Interval) -> Interval:
    return max(a[0], b[0]), max(a[1], b[1])


def absolute(a: Interval) -> Interval:
    if a[0] >= 0:
        return a
    return (-a[1], -a[0]) if a[1] <= 0 else (0, max(-a[0], a[1]))


BINARY: dict[str, Callable[[Interval, Interval], Interval]] = {
    "+": add,
    "-": subtract,
    "*": multiply,
    "//": divide,
    "%": modulo,
    "min": smaller,
    "max": larger,
}
NEGATED = {"==": "!=", "!=": "==", "<": ">=", ">=": "<", ">": "<=", "<=": ">"}
MIRRORED = {"==": "==", "!=": "!=", "<": ">", ">": "<", "<=": ">=", ">=": "<="}


def compare(operator: str, a: Interval, b: Interval) -> Interval:
    """The truth of a comparison: (1, 1), (0, 0) or, where it is open, (0, 1)."""
    if operator in (">", ">="):
        return compare(MIRRORED[operator], b, a)
    if operator == "!=":
        low, high = compare("==", a, b)
        return 1 - high, 1 - low
    if operator == "==":
        always, never = a[0] == a[1] == b[0] == b[1], a[1] < b[0] or b[1] < a[0]
    elif operator == "<":
        always, never = a[1] < b[0], a[0] >= b[1]
    else:
        always, never = a[1] <= b[0], a[0] > b[1]
    return int(always), int(not never)


def children(expression: Expression) -> tuple[Expression, ...]:
    """The operands of an expression."""
    match expression:
        case CellValue(index=index) | Changed(index=index):
            return () if index is None else (index,)
        case Unary(operand=operand) | Was(value=operand) | Down(switch=operand):
            return (operand,)
        case Binary(left=left, right=right) | Compare(left=left, right=right) | Logic(left=left, right=right):
            return left, right
        case Choice(condition=condition, then=then, otherwise=otherwise):
            return condition, then, otherwise
    return ()


def key_of(expression: Expression) -> Key:
    """What an expression is, apart from its interval: equal keys have equal values at one instant."""
    below = tuple(key_of(child) for child in children(expression))
    match expression:
        case Constant():
            return ("constant", expression.low)
        case CellValue(cell=cell):
            return ("cell", cell, *below)
        case Changed(cell=cell):
            return ("changed", cell, *below)
        case Local(slot=slot):
            return ("local", slot)
        case Reading(name=name):
            return ("reading", name)
        case Position(pedal=pedal):
            return ("position", pedal)
        case Lit(led=led):
            return ("led", led)
        case Shows(line=line, text=text, inside=inside):
            return ("shows", line, text, inside)
        case Was():
            return ("was", *below)
        case Down():
            return ("down", *below)
        case Unary(operator=operator) | Binary(operator=operator) | Compare(operator=operator) | Logic(operator=operator):
            return (operator, *below)
    return ("choice", *below)


def walk(expression: Expression) -> Iterator[Expression]:
    """An expression and everything in it."""
    yield expression
    for child in children(expression):
        yield from walk(child)


@dataclass(frozen=True, slots=True)
class Fact:
    """The interval of an expression that holds until something in it is assigned."""

    expression: Expression
    interval: Interval

    def reads_cell(self, cell: int, elements: Interval) -> bool:
        return _reads_cell(self.expression, cell, elements)

    def reads_local(self, slot: int) -> bool:
        return any(isinstance(part, Local) and part.slot == slot for part in walk(self.expression))

    def reads_reading(self, name: str) -> bool:
        return any(isinstance(part, Reading) and part.name == name for part in walk(self.expression))

    def reads_memory(self) -> bool:
        return any(isinstance(part, CellValue | Changed | Reading) for part in walk(self.expression))


def _reads_cell(expression: Expression, cell: int, elements: Interval) -> bool:
    if any(isinstance(part, Changed) and part.cell in (None, cell) for part in walk(expression)):
        return True
    parts = (part.index for part in walk(expression) if isinstance(part, CellValue) and part.cell == cell)
    return any(not isinstance(index, Constant) or elements[0] <= index.low <= elements[1] for index in parts)


@dataclass(slots=True)
class _Budget:
    left: int = MAX_SPLITS

    def take(self) -> bool:
        self.left -= 1
        return self.left >= 0


@dataclass(slots=True)
class State:
    """What is known at one point: the intervals of the set locals, and facts. Dead: the point is never reached."""

    locals: dict[int, Interval] = field(default_factory=dict)
    facts: dict[Key, Fact] = field(default_factory=dict)
    dead: bool = False

    def copy(self) -> State:
        return State(dict(self.locals), dict(self.facts), self.dead)

    def look(self, expression: Expression) -> Interval:
        """The best interval known; of an impossible one, the expression's own."""
        low, high = expression.low, expression.high
        if isinstance(expression, Constant):
            return low, high
        if isinstance(expression, Local):
            known = self.locals.get(expression.slot, (low, high))
        else:
            fact = self.facts.get(key_of(expression))
            if fact is None:
                return low, high
            known = fact.interval
        met = max(low, known[0]), min(high, known[1])
        if met[0] > met[1]:
            self.dead = True
            return low, high
        return met

    def set_local(self, slot: int, interval: Interval) -> None:
        self.forget_local(slot)
        self.locals[slot] = interval

    def forget_local(self, slot: int) -> None:
        self.locals.pop(slot, None)
        self.facts = {key: fact for key, fact in self.facts.items() if not fact.reads_local(slot)}

    def set_cell(self, cell: int, index: Expression | None, interval: Interval) -> None:
        """Store into an element: what may be the same element is forgotten, the element itself is known."""
        elements = (0, 0) if index is None else (index.low, index.high)
        self.facts = {key: fact for key, fact in self.facts.items() if not fact.reads_cell(cell, elements)}
        if index is None or not _reads_cell(index, cell, elements):
            target = CellValue(*interval, cell, index)
            self.facts[key_of(target)] = Fact(target, interval)

    def set_reading(self, name: str, interval: Interval | None) -> None:
        self.facts = {key: fact for key, fact in self.facts.items() if not fact.reads_reading(name)}
        if interval is not None:
            target = Reading(*interval, name)
            self.facts[key_of(target)] = Fact(target, interval)

    def forget_memory(self) -> None:
        """Forget all that a called procedure may change."""
        self.facts = {key: fact for key, fact in self.facts.items() if not fact.reads_memory()}

    def forget_cells(self) -> None:
        """Forget what is known of the memory and of its draft."""
        self._forget(CellValue | Changed)

    def forget_changed(self) -> None:
        """Forget what is known of the draft."""
        self._forget(Changed)

    def _forget(self, kind: type[Expression] | UnionType) -> None:
        self.facts = {key: fact for key, fact in self.facts.items() if not any(isinstance(part, kind) for part in walk(fact.expression))}

    def bound(self, expression: Expression, low: int, high: int) -> None:
        """Learn that an expression is in low..high, and what follows for its operands."""
        known = self.look(expression)
        new = max(low, known[0]), min(high, known[1])
        if new[0] > new[1]:
            self.dead = True
        if self.dead or isinstance(expression, Constant) or new == (expression.low, expression.high):
            return
        if isinstance(expression, Local):
            self.locals[expression.slot] = new
            return
        self.facts[key_of(expression)] = Fact(expression, new)
        self._bound_operands(expression, *new)

    def _bound_operands(self, expression: Expression, low: int, high: int) -> None:
        match expression:
            case Unary(operator="-", operand=operand):
                self.bound(operand, -high, -low)
            case Unary(operator="abs", operand=operand):
                self.bound(operand, -high, high)
            case Binary(operator="+", left=left, right=right):
                self.bound(left, low - right.high, high - right.low)
                self.bound(right, low - left.high, high - left.low)
            case Binary(operator="-", left=left, right=right):
                self.bound(left, low + right.low, high + right.high)
                self.bound(right, left.low - high, left.high - low)
            case Binary(operator="*", left=left, right=Constant(low=factor)) if factor > 0:
                self.bound(left, -(-low // factor), high // factor)
            case Binary(operator="min", left=left, right=right):
                self.bound(left, low, HIGHEST)
                self.bound(right, low, HIGHEST)
            case Binary(operator="max", left=left, right=right):
                self.bound(left, LOWEST, high)
                self.bound(right, LOWEST, high)

    def assume(self, condition: Expression, truth: bool) -> None:
        """Learn that a condition holds, or does not."""
        self._assume(condition, truth, _Budget())

    def _assume(self, condition: Expression, truth: bool, budget: _Budget) -> None:
        match condition:
            case Unary(operator="not", operand=operand):
                self._assume(operand, not truth, budget)
            case Logic(operator=operator, left=left, right=right):
                if (operator == "and") == truth:
                    self._assume(left, truth, budget)
                    self._assume(right, truth, budget)
                elif budget.take():
                    other = self.copy()
                    self._assume(left, truth, budget)
                    other._assume(left, not truth, budget)
                    other._assume(right, truth, budget)
                    self.become(join(self, other))
            case Choice(condition=chooser, then=then, otherwise=otherwise) if budget.take():
                other = self.copy()
                self._assume(chooser, True, budget)
                self._assume(then, truth, budget)
                other._assume(chooser, False, budget)
                other._assume(otherwise, truth, budget)
                self.become(join(self, other))
            case Compare(operator=operator, left=left, right=right):
                self._assume_comparison(operator if truth else NEGATED[operator], left, right)
                self._assume_value(condition, truth)
            case Constant() | CellValue() | Local() | Reading() | Position() | Unary() | Binary():
                self._assume_value(condition, truth)

    def _assume_value(self, condition: Expression, truth: bool) -> None:
        low, high = self.look(condition)
        if not truth:
            self.bound(condition, 0, 0)
        elif low >= 0:
            self.bound(condition, 1, HIGHEST)
        elif high <= 0:
            self.bound(condition, LOWEST, -1)

    def _assume_comparison(self, operator: str, left: Expression, right: Expression) -> None:
        if operator in (">", ">="):
            operator, left, right = MIRRORED[operator], right, left
        a, b = self.look(left), self.look(right)
        if operator == "==":
            self.bound(left, *b)
            self.bound(right, *a)
        elif operator == "!=":
            self._exclude(left, a, b)
            self._exclude(right, b, a)
        else:
            gap = int(operator == "<")
            self.bound(left, LOWEST, b[1] - gap)
            self.bound(right, a[0] + gap, HIGHEST)

    def _exclude(self, expression: Expression, known: Interval, other: Interval) -> None:
        if other[0] == other[1]:
            self.bound(expression, known[0] + (known[0] == other[0]), known[1] - (known[1] == other[0]))

    def become(self, other: State) -> None:
        self.locals, self.facts, self.dead = other.locals, other.facts, other.dead


def join(a: State, b: State) -> State:
    """What is known where two ways meet. Facts keep either expression: only constants in it are relied on."""
    if a.dead or b.dead:
        return (b if a.dead else a).copy()
    locals_ = {slot: hull(a.locals[slot], b.locals[slot]) for slot in a.locals if slot in b.locals}
    facts = {}
    for key, fact in a.facts.items():
        other = b.facts.get(key)
        if other is not None:
            facts[key] = Fact(fact.expression, hull(fact.interval, other.interval))
    return State(locals_, facts)


def widen(old: State, new: State) -> State:
    """`new`, without what is not yet stable: locals that moved may be anything, facts that moved are gone."""
    locals_ = {slot: known if old.locals.get(slot) == known else (LOWEST, HIGHEST) for slot, known in new.locals.items()}
    facts = {key: fact for key, fact in new.facts.items() if key in old.facts and old.facts[key].interval == fact.interval}
    return State(locals_, facts, new.dead)
