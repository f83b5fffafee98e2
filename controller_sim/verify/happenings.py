"""The events and conditions of promises, made ready to be held against what engines put out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from controller_sim.core.kinds import FIRED, MESSAGE, MODE, RESPONDED, RESTARTED
from controller_sim.design import program
from controller_sim.design.form import Design, Event, Gestured, Moved, Received, Sent, Started, Turned
from controller_sim.design.outputs import Message, decode_one
from controller_sim.design.program import Expression
from controller_sim.design.python_code import PythonWriter
from controller_sim.design.responses import covers
from controller_sim.midi.messages import SYSEX
from controller_sim.simulator.engines import Seen
from controller_sim.verify.watching import Item

Values = tuple[int, ...]
Asked = Callable[[Any, Sequence[int], Sequence[int]], int]
"""An expression as a function of what it is read of, its cells, and the promise's locals."""
NOTHING_DOWN = 64
"""The velocity of the note-off that a note-on of velocity 0 stands for (MIDI 1.0 Detailed Specification 4.2.1, p. 10)."""


class Past:
    """How an engine was at the end of an instant."""

    __slots__ = ("cells", "clock_running", "leds", "mode", "positions", "tempo")

    def __init__(self, engine: Seen) -> None:
        self.cells = tuple(engine.cells)
        self.clock_running = engine.clock_running
        self.leds = tuple(engine.leds)
        self.mode = engine.mode
        self.positions = tuple(engine.positions)
        self.tempo = engine.tempo


class _Writer(PythonWriter):
    """Writes expressions of promises; nothing else of a design is needed for that."""

    def __init__(self, design: Design) -> None:
        self.design = design

    def expression(self, e: Expression, constants: dict[int, int]) -> str:
        match e:
            case program.Lit(led=led):
                return f"e.leds[{led}]"
            case program.Local(slot=slot):
                return f"v[{slot}]"
        return super().expression(e, constants)


def asked(design: Design, expression: Expression) -> Asked:
    """The function of an expression; the text it is made of comes from the intermediate form, never from a file."""
    function: Asked = eval(f"lambda e, c, v: {_Writer(design).expression(expression, {})}")
    return function


class Happening:
    """An event of a promise. `before`: its condition is read as things were before the instant."""

    def __init__(self, design: Design, event: Event) -> None:
        self.before = isinstance(event.what, Gestured | Moved | Received)
        self.first = event.first
        self._condition = None if event.condition is None else asked(design, event.condition)
        self._values = [asked(design, value) for value in event.values]
        self._message = event.what.message if isinstance(event.what, Sent) else None
        self._items = dict(_items_of(design, event))
        self._left = event.what.mode if isinstance(event.what, Turned) and not event.what.entered else -1
        self.at_power_on = isinstance(event.what, Started) and not event.what.restarted

    def values(self, item: Item, mode: int) -> Values | None:
        """What the event gives names to if an item is such an event, else None; `mode` is the current one when it was put out."""
        raw = self._items.get(item)
        if raw is None and self._message is not None and not isinstance(item, str) and item & 7 == MESSAGE:
            raw = _data_of(self._message, item)
        elif raw is None and self._left >= 0 and mode == self._left and not isinstance(item, str) and item & 7 in (MODE, RESTARTED):
            raw = ()
        if raw is None:
            return None
        return tuple([value(None, (), raw) for value in self._values])

    def applies(self, own: Values, named: Values, engine: Seen, past: Past | None) -> bool:
        """Whether the condition holds, over what `after` named and what this event names."""
        if self._condition is None:
            return True
        state = past if self.before else engine
        if state is None or state.mode < 0:
            return False
        return self._condition(state, state.cells, named[: self.first] + own) != 0


def _items_of(design: Design, event: Event) -> Iterator[tuple[Item, Values]]:
    """The packed items that are this event, each with what `values` are worked out from."""
    match event.what:
        case Gestured(gesture=gesture, keys=keys, hold_us=hold_us):
            for number, binding in enumerate(design.bindings):
                if binding.gesture == gesture and binding.key in keys and binding.hold_us == hold_us:
                    yield number << 3 | FIRED, (binding.key, keys.index(binding.key))
        case Turned(mode=mode, entered=True):
            yield mode << 3 | MODE, ()
        case Started(restarted=True):
            yield RESTARTED, ()
        case Moved() | Received() as cause:
            for number, response in enumerate(design.responses):
                if covers(cause, response.cause):
                    yield number << 3 | RESPONDED, ()


def _data_of(wanted: Received, item: Item) -> Values | None:
    message = decode_one(0, item)
    assert isinstance(message, Message)
    if not message.ports & wanted.ports:
        return None
    status, *rest = message.data
    data = tuple(rest[:-1]) if status == SYSEX else (*rest, 0, 0)[:2]
    if status & 0xF0 == 0x90 and data[1] == 0:
        status, data = status - 0x10, (data[0], NOTHING_DOWN)
    if status != wanted.status or len(data) < len(wanted.data):
        return None
    values = tuple(data[: len(wanted.data)])
    return values if all(low <= value <= high for value, (low, high) in zip(values, wanted.data, strict=True)) else None
