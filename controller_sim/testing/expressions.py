"""Random expressions, texts and statements over the cells of a design, each with an interval that truly holds it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from hypothesis import strategies as st

from controller_sim.design import form, program
from controller_sim.design.program import Expression, Statement

T = TypeVar("T")
Draw = Callable[[st.SearchStrategy[Any]], Any]

LIMIT = 2**31 - 1
PORTS = st.sampled_from((form.SERIAL, form.USB, form.SERIAL | form.USB))
NUMBERS = st.one_of(st.integers(-3, 8), st.sampled_from((60, 127, 128, 240, -1000, LIMIT, -LIMIT)))


@cache
def between(low: int, high: int) -> st.SearchStrategy[int]:
    """Integers; making a strategy anew costs more than drawing from it."""
    return st.integers(low, high)


def one_of(choices: tuple[Any, ...]) -> st.SearchStrategy[Any]:
    return _one_of(choices, tuple(map(type, choices)))


@cache
def _one_of(choices: tuple[Any, ...], types: tuple[type, ...]) -> st.SearchStrategy[Any]:
    """`types` keeps (0, 1) and (False, True) apart, which are equal."""
    return st.sampled_from(choices)


@dataclass(frozen=True, slots=True)
class Allowed:
    """What the action in hand may do: modes it may enter, and calls that only some places may use."""

    modes: tuple[int, ...] = ()
    tap_tempo: bool = False
    restart: bool = False
    draft: bool = False
    notices: bool = False


def constant(value: int) -> program.Constant:
    return program.Constant(value, value)


def binary(operator: str, left: Expression, right: Expression) -> Expression:
    """The expression with its interval; where 32 bits would be left, just the left operand."""
    low, high = _interval(operator, left, right)
    if low < -LIMIT or high > LIMIT:
        return left
    return program.Binary(low, high, operator, left, right)


def _interval(operator: str, left: Expression, right: Expression) -> tuple[int, int]:
    if operator in ("min", "max"):
        pick = min if operator == "min" else max
        return pick(left.low, right.low), pick(left.high, right.high)
    if operator == "%":
        size = right.low
        if size > 0:
            return (left.low, left.high) if left.low >= 0 and left.high < size else (0, size - 1)
        return size + 1, 0
    compute: Callable[[int, int], int] = {
        "+": int.__add__,
        "-": int.__sub__,
        "*": int.__mul__,
        "//": int.__floordiv__,
    }[operator]
    corners = [compute(a, b) for a in (left.low, left.high) for b in (right.low, right.high)]
    return min(corners), max(corners)


class Writer:
    """Draws expressions and statements for one design; `unit_us` is the grid on which its times lie."""

    def __init__(
        self, draw: Draw, cells: tuple[form.Cell, ...], tempo: form.Tempo, unit_us: int, switches: int, pedals: tuple[form.Pedal, ...] = ()
    ) -> None:
        self.draw = draw
        self.cells = cells
        self.tempo = tempo
        self.unit_us = unit_us
        self.switches = switches
        self.pedals = pedals
        self.slots: list[tuple[int, int]] = []
        self.slots_used = 0
        self.helpers: list[tuple[tuple[int, int], ...]] = []
        self.drafted: tuple[int, ...] = ()

    def pick(self, *choices: T) -> T:
        picked: T = self.draw(one_of(choices))
        return picked

    def either(self) -> bool:
        return self.whole(0, 1) == 1

    def whole(self, low: int, high: int) -> int:
        number: int = self.draw(between(low, high))
        return number

    def chance(self, of: int) -> bool:
        """True once in about `of` draws; shrinks to False."""
        return self.whole(0, of - 1) == of - 1

    def fit(self, expression: Expression, low: int, high: int) -> Expression:
        """Bring an expression into low..high, by remainder or by clamping, if it is not there already."""
        if low <= expression.low and expression.high <= high:
            return expression
        if low == high:
            return constant(low)
        if self.either() or low < -LIMIT // 2:
            return binary("max", binary("min", expression, constant(high)), constant(low))
        rest = binary("%", expression, constant(high - low + 1))
        return binary("+", rest, constant(low)) if low else rest

    def atom(self) -> Expression:
        kind = self.pick("cell", "constant", "local", "reading", "changed")
        if kind == "changed" and self.cells:
            return self.changed()
        if kind == "cell" and self.cells:
            index = self.whole(0, len(self.cells) - 1)
            cell = self.cells[index]
            return program.CellValue(cell.low, cell.high, index, self.element(cell))
        if kind == "local" and self.slots:
            slot = self.whole(0, len(self.slots) - 1)
            return program.Local(*self.slots[slot], slot)
        if kind == "reading":
            if self.pedals and self.either():
                pedal = self.whole(0, len(self.pedals) - 1)
                return program.Position(self.pedals[pedal].low, self.pedals[pedal].high, pedal)
            if self.whole(0, 1):
                return program.Reading(self.tempo.low, self.tempo.high, "tempo")
            return program.Reading(0, 1, "clock_running")
        return constant(self.draw(NUMBERS))

    def changed(self) -> Expression:
        """Of a whole cell, of one of its elements, or of anything drafted; mostly of what the mode at hand drafts."""
        index = self.pick(*self.drafted) if self.drafted and not self.chance(4) else self.whole(-1, len(self.cells) - 1)
        whole = index < 0 or self.chance(3)
        return program.Changed(0, 1, None if index < 0 else index, None if whole else self.element(self.cells[index]))

    def element(self, cell: form.Cell) -> Expression | None:
        if not cell.shape:
            return None
        if self.slots and self.either():
            slot = self.whole(0, len(self.slots) - 1)
            return self.fit(program.Local(*self.slots[slot], slot), 0, cell.size - 1)
        if self.cells and not self.cells[0].shape and self.either():
            return self.fit(program.CellValue(self.cells[0].low, self.cells[0].high, 0, None), 0, cell.size - 1)
        return constant(self.whole(0, cell.size - 1))

    def number(self, depth: int = 2) -> Expression:
        kind = self.pick("atom", "binary", "unary", "choice", "truth") if depth else "atom"
        if kind == "binary":
            operator = self.pick("+", "-", "*", "min", "max", "//", "%")
            right = constant(self.pick(2, 1, 3, 5, -1, -2, -3)) if operator in ("//", "%") else self.number(depth - 1)
            return binary(operator, self.number(depth - 1), right)
        if kind == "unary":
            inner = self.number(depth - 1)
            if self.pick("-", "abs") == "-":
                return program.Unary(-inner.high, -inner.low, "-", inner)
            ends = (abs(inner.low), abs(inner.high))
            return program.Unary(0 if inner.low <= 0 <= inner.high else min(ends), max(ends), "abs", inner)
        if kind == "choice":
            then, otherwise = self.number(depth - 1), self.number(depth - 1)
            low, high = min(then.low, otherwise.low), max(then.high, otherwise.high)
            return program.Choice(low, high, self.truth(depth - 1), then, otherwise)
        return self.truth(depth - 1) if kind == "truth" else self.atom()

    def truth(self, depth: int = 1) -> Expression:
        kind = self.pick("compare", "and", "or", "not", "changed") if depth > 0 else self.pick("compare", "changed")
        if kind == "changed" and self.cells:
            return self.changed()
        if kind in ("and", "or"):
            return program.Logic(0, 1, kind, self.truth(depth - 1), self.truth(depth - 1))
        if kind == "not":
            return program.Unary(0, 1, "not", self.truth(depth - 1))
        right = constant(self.whole(-1, 3)) if self.either() else self.atom()
        return program.Compare(0, 1, self.pick("==", "!=", "<", "<=", ">", ">="), self.atom(), right)

    def text(self) -> program.Text:
        parts: list[str | program.Field] = [self.pick("", "cue ", "x")]
        if self.either():
            if self.chance(3):
                names: tuple[str, ...] = self.draw(one_of((("off", "on"), ("low", "mid", "high"))))
                parts.append(program.Field(self.fit(self.atom(), 0, len(names) - 1), names=names))
            else:
                width = self.whole(0, 3)
                fill = self.pick(" ", "0") if width else " "
                low = 0 if fill == "0" else -99
                parts.append(program.Field(self.fit(self.number(1), low, 999), width, fill))
        return program.Text(tuple(part for part in parts if part != ""))

    def message(self) -> program.Send:
        status = self.pick(0x90, 0xB3, 0xC1, 0xF0, 0xFA)
        count = {0xC1: 1, 0xF0: 3, 0xFA: 0}.get(status, 2)
        data = [constant(status), *(self.fit(self.number(1), 0, 127) for _ in range(count))]
        if status == 0xF0:
            data.append(constant(0xF7))
        delay_us = self.whole(0, 5) * self.unit_us if self.either() else 0
        return program.Send(self.draw(PORTS), tuple(data), delay_us)

    def note_off(self) -> tuple[int, tuple[Expression, ...]]:
        """Ports and bytes of a note-off; there are only few, so that some of them are alike."""
        return form.SERIAL, (constant(0x80), constant(self.pick(60, 61)), constant(64))

    def rare(self, allowed: Allowed) -> Statement:
        """Statements that would end too much if they came often."""
        kinds = ("let go later", "let go now", "sound later", "factory", "cancel_delayed", *(("restart",) if allowed.restart else ()))
        kind = self.pick(*kinds)
        if kind == "sound later":
            ports, (_, note, _) = self.note_off()
            return program.Send(ports, (constant(0x90), note, constant(self.pick(64, 0))), self.whole(1, 5) * self.unit_us)
        if kind == "let go later":
            return program.Send(*self.note_off(), self.whole(1, 5) * self.unit_us)
        if kind == "let go now":
            return program.Hasten(*self.note_off())
        if kind == "factory" and self.cells:
            return program.FactoryValues(tuple(n for n in range(len(self.cells)) if self.either()))
        return program.Restart() if kind == "restart" else program.CancelDelayed()

    def store(self) -> Statement:
        index = self.whole(0, len(self.cells) - 1)
        cell = self.cells[index]
        value = self.number()
        if cell.ends == "proved":
            value = self.fit(value, cell.low, cell.high)
        elif self.either():
            own = self.element(cell)
            value = binary(self.pick("+", "-"), program.CellValue(cell.low, cell.high, index, own), constant(self.whole(1, 3)))
            return program.SetCell(index, own, value)
        return program.SetCell(index, self.element(cell), value)

    def statements(self, allowed: Allowed, depth: int, least: int = 0) -> tuple[Statement, ...]:
        return tuple(self.statement(allowed, depth) for _ in range(self.whole(least, 2)))

    def statement(self, allowed: Allowed, depth: int) -> Statement:
        kinds = ["send", "store", "send"]
        kinds += ["enter"] if allowed.modes else []
        kinds += ["notice"] if allowed.notices else []
        kinds += ["tap_tempo"] if allowed.tap_tempo else []
        kinds += ["draft"] if allowed.draft else []
        kinds += ["clock", "tempo", "local", "timer", "rare"]
        kinds += ["if", "for"] if depth else []
        kinds += ["call"] if self.helpers else []
        kind = self.pick(*kinds)
        if kind in ("if", "for"):
            return self._compound(kind, allowed, depth - 1)
        return self._simple(kind, allowed)

    def _simple(self, kind: str, allowed: Allowed) -> Statement:
        if kind == "store" and self.cells:
            return self.store()
        if kind == "enter":
            return program.Enter(self.pick(*allowed.modes))
        if kind == "notice":
            return program.Notice(self.text(), self.whole(1, 6) * self.unit_us)
        if kind == "tap_tempo":
            return program.TapTempo()
        if kind == "draft":
            return program.SaveDraft() if self.either() else program.CancelDraft()
        if kind == "timer":
            return program.RestartTimer(self.whole(0, 1))
        if kind == "rare":
            return self.rare(allowed)
        if kind == "clock":
            return program.ClockRun(self.pick(1, 0))
        if kind == "tempo":
            return program.SetTempo(self.number(1))
        if kind == "local":
            value = self.number(1)
            self.slots.append((value.low, value.high))
            self.slots_used = max(self.slots_used, len(self.slots))
            return program.SetLocal(len(self.slots) - 1, value)
        if kind == "call":
            helper = self.whole(0, len(self.helpers) - 1)
            return program.Call(helper, tuple(self.fit(self.number(1), *ends) for ends in self.helpers[helper]))
        return self.message()

    def _compound(self, kind: str, allowed: Allowed, depth: int) -> Statement:
        outside = len(self.slots)
        if kind == "if":
            condition = self.truth()
            then = self.statements(allowed, depth)
            del self.slots[outside:]
            otherwise = self.statements(allowed, depth)
            del self.slots[outside:]
            return program.If(condition, then, otherwise)
        start, step = self.whole(-1, 3), self.pick(1, 2, -1)
        stop = start + step * self.whole(1, 3)
        turns = range(start, stop, step)
        self.slots.append((min(turns), max(turns)))
        self.slots_used = max(self.slots_used, len(self.slots))
        body = self.statements(allowed, depth)
        del self.slots[outside:]
        return program.For(outside, start, stop, step, body)

    def procedure(self, name: str, parameters: tuple[tuple[int, int], ...], allowed: Allowed) -> form.Procedure:
        """A procedure whose parameters lie in the given intervals."""
        self.slots = list(parameters)
        self.slots_used = len(parameters)
        body = self.statements(allowed, self.pick(1, 1, 0, 2), least=1)
        return form.Procedure(name, len(parameters), self.slots_used, body, form.Place("random", 1, 1))
