"""What a condition looked at, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

from controller_sim.design.form import Design
from controller_sim.design.program import CellValue, Changed, Choice, Down, Expression, Field, Lit, Position, Reading, Shows, Was
from controller_sim.simulator.engines import Seen
from controller_sim.verify.happenings import Past, Values, asked

MOST_TOLD = 6


def state_text(design: Design, expressions: Sequence[Expression], engine: Seen, values: Values, past: Seen | Past) -> str:
    """The cells, LEDs and so on that some expressions read, as they are now: `lit is 2, LED e is off, mode is show`.

    `values` are the promise's locals, and `past` is what `was` is read of.
    """
    teller = _Teller(design, engine, values, past)
    told = dict.fromkeys(text for each in expressions for text in teller.texts(each))
    return ", ".join(list(told)[:MOST_TOLD]) or "it is not so"


@dataclass(slots=True)
class _Teller:
    design: Design
    seen: Seen | Past
    values: Values
    past: Seen | Past
    verb: str = "is"

    def texts(self, expression: Expression) -> Iterator[str]:
        match expression:
            case Was(value=value):
                yield from _Teller(self.design, self.past, self.values, self.past, "was").texts(value)
                return
            case Choice(condition=condition, then=then, otherwise=otherwise):
                yield from self.texts(condition)
                yield from self.texts(then if self._value(condition) else otherwise)
                return
            case Shows(text=text):
                yield f"the display {'shows' if self.verb == 'is' else 'showed'} {self._display()}"
                for part in text.parts:
                    if isinstance(part, Field):
                        yield from self.texts(part.expression)
                return
        if told := self._told(expression):
            yield told
        for each in fields(expression):
            part = getattr(expression, each.name)
            if isinstance(part, Expression):
                yield from self.texts(part)

    def _value(self, expression: Expression) -> int:
        return asked(self.design, expression)(self.seen, self.seen.cells, self.values, self.past)

    def _display(self) -> str:
        return " / ".join(f'"{line}"' for line in self.seen.display.split("\n"))

    def _told(self, part: Expression) -> str:
        design, verb = self.design, self.verb
        match part:
            case CellValue(cell=cell, index=index):
                return self._cell_text(cell, index)
            case Changed(cell=cell, index=index):
                name = "the draft" if cell is None else self._cell_name(cell, index)
                return f"{name} has {'' if self._value(part) else 'not '}changed"
            case Lit(led=led):
                return f"LED {design.leds[led]} {verb} {design.led_text(led, self.seen.leds[led])}"
            case Reading(name="mode"):
                return f"mode {verb} {design.modes[self.seen.mode].name}"
            case Reading(name="tempo"):
                return f"tempo {verb} {self.seen.tempo}"
            case Reading(name="notice_shown"):
                return f"a notice {verb} shown" if self.seen.notice_shown else f"no notice {verb} shown"
            case Reading():
                return "the clock runs" if self.seen.clock_running else "the clock stands still"
            case Down(switch=switch):
                return f"{design.switches[self._value(switch)]} {verb} {'down' if self._value(part) else 'up'}"
            case Position(pedal=pedal):
                return f"{design.pedals[pedal].name} {verb} {self.seen.positions[pedal]}"
        return ""

    def _place(self, index: Expression | None) -> int:
        return 0 if index is None else self._value(index)

    def _cell_name(self, number: int, index: Expression | None) -> str:
        cell = self.design.cells[number]
        if index is None:
            return cell.name
        place = self._place(index)
        row, column = divmod(place, cell.shape[-1])
        return cell.name + (f"[{row}, {column}]" if len(cell.shape) == 2 else f"[{place}]")

    def _cell_text(self, number: int, index: Expression | None) -> str:
        cell = self.design.cells[number]
        value = self.seen.cells[cell.offset + self._place(index)]
        return f"{self._cell_name(number, index)} {self.verb} {cell.names[value - cell.low] if cell.names else value}"
