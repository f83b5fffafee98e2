"""What a condition looked at, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import fields

from controller_sim.design.form import Cell, Design
from controller_sim.design.program import CellValue, Expression, Lit, Position, Reading
from controller_sim.simulator.engines import Seen
from controller_sim.verify.happenings import Values, asked

MOST_TOLD = 6


def state_text(design: Design, expressions: Sequence[Expression], engine: Seen, values: Values) -> str:
    """The cells, LEDs and so on that some expressions read, as they are now: `lit is 2, LED e is off, mode is show`."""
    told = dict.fromkeys(text for each in expressions for part in _read_by(each) if (text := _told(design, part, engine, values)))
    return ", ".join(list(told)[:MOST_TOLD]) or "it is not so"


def _read_by(expression: Expression) -> Iterator[Expression]:
    yield expression
    for field in fields(expression):
        part = getattr(expression, field.name)
        if isinstance(part, Expression):
            yield from _read_by(part)


def _told(design: Design, part: Expression, engine: Seen, values: Values) -> str:
    match part:
        case CellValue(cell=cell, index=index):
            return _cell_text(design, design.cells[cell], index, engine, values)
        case Lit(led=led):
            return f"LED {design.leds[led]} is {design.led_text(led, engine.leds[led])}"
        case Reading(name="mode"):
            return f"mode is {design.modes[engine.mode].name}"
        case Reading(name="tempo"):
            return f"tempo is {engine.tempo}"
        case Reading():
            return "the clock runs" if engine.clock_running else "the clock stands still"
        case Position(pedal=pedal):
            return f"{design.pedals[pedal].name} is {engine.positions[pedal]}"
    return ""


def _cell_text(design: Design, cell: Cell, index: Expression | None, engine: Seen, values: Values) -> str:
    place, name = 0, cell.name
    if index is not None:
        place = asked(design, index)(engine, engine.cells, values)
        row, column = divmod(place, cell.shape[-1])
        name += f"[{row}, {column}]" if len(cell.shape) == 2 else f"[{place}]"
    value = engine.cells[cell.offset + place]
    return f"{name} is {cell.names[value - cell.low] if cell.names else value}"
