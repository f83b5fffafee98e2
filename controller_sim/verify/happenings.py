"""The events and conditions of promises, made ready to be held against what engines put out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, MutableMapping, Sequence
from typing import Any

from controller_sim.core.kinds import FIRED, MESSAGE, MODE, RESPONDED, RESTARTED
from controller_sim.design import program
from controller_sim.design.form import Design, Event, Gestured, Moved, Received, Sent, Started, Trigger, Turned
from controller_sim.design.outputs import Message, Responded, decode_one
from controller_sim.design.program import Changed, Expression, Was
from controller_sim.design.python_code import PythonWriter
from controller_sim.design.responses import ANY_KIND, meet
from controller_sim.design.steps import expressions_in
from controller_sim.midi.messages import SYSEX
from controller_sim.simulator.engines import Seen
from controller_sim.verify.watching import Item

Values = tuple[int, ...]
Asked = Callable[[Any, Sequence[int], Sequence[int], Any], int]
"""An expression as a function of what it is read of, its cells, the promise's locals, and what `was` is read of."""
Uppers = MutableMapping[tuple[int, int, int], int]
"""The upper halves of controllers of 14 bits that were sent last, by status, number and port."""
CONTROL_CHANGE = 0xB0
LOWER_HALF = 32
"""From the number of a controller to that of its lower seven bits (MIDI 1.0 Detailed Specification 4.2.1, p. 12)."""
NOTHING_DOWN = 64
"""The velocity of the note-off that a note-on of velocity 0 stands for (MIDI 1.0 Detailed Specification 4.2.1, p. 10)."""


class Past:
    """How an engine was at the end of an instant. `drafts`: also what was drafted, which takes a copy of the memory."""

    __slots__ = ("_saved", "cells", "clock_running", "display", "leds", "level", "mode", "notice_shown", "positions", "tempo")

    def __init__(self, engine: Seen, drafts: bool = True) -> None:
        self.cells = tuple(engine.cells)
        self.clock_running = engine.clock_running
        self.display = engine.display
        self.leds = tuple(engine.leds)
        self.level = engine.level
        self.mode = engine.mode
        self.notice_shown = engine.notice_shown
        self.positions = tuple(engine.positions)
        self.tempo = engine.tempo
        self._saved = tuple(engine.saved()) if drafts else ()

    def saved(self) -> tuple[int, ...]:
        """The memory, drafted cells as they were before the draft."""
        return self._saved


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
            case program.Down(switch=switch):
                return f"(e.level >> {self.expression(switch, constants)} & 1)"
            case program.Shows(line=line, text=text, inside=inside):
                shown = "e.display" if line is None else f"line_of(e.display, {line})"
                return f"(1 if {self.text(text, constants)} {'in' if inside else '=='} {shown} else 0)"
            case program.Was(value=value):
                return f"(lambda e, c: {self.expression(value, constants)})(p, p.cells)"
        return super().expression(e, constants)

    def _changed(self, cell: int | None, index: Expression | None, constants: dict[int, int]) -> str:
        if cell is None:
            return "(1 if tuple(c) != tuple(e.saved()) else 0)"
        declared = self.design.cells[cell]
        if index is not None:
            place = f"{self.expression(index, constants)} + {declared.offset}"
            return f"(1 if c[{place}] != e.saved()[{place}] else 0)"
        part = f"[{declared.offset}:{declared.offset + declared.size}]"
        return f"(1 if tuple(c{part}) != tuple(e.saved(){part}) else 0)"


def line_of(shown: str, line: int) -> str:
    """A line of what a display shows, counted from 0; one that it does not have is empty."""
    lines = shown.split("\n")
    return lines[line] if line < len(lines) else ""


def asked(design: Design, expression: Expression) -> Asked:
    """The function of an expression; the text it is made of comes from the intermediate form, never from a file."""
    function: Asked = eval(f"lambda e, c, v, p: {_Writer(design).expression(expression, {})}", {"line_of": line_of})
    return function


def asks_how_it_was(parts: Iterable[Trigger | None]) -> bool:
    """Whether something in them is read as it was at the end of the instant before."""
    return any(isinstance(each, Was) for each in expressions_in(parts))


def asks_for_drafts(parts: Iterable[Trigger | None]) -> bool:
    """Whether something in them is about what is drafted."""
    return any(isinstance(each, Changed) for each in expressions_in(parts))


class Happening:
    """An event of a promise. `before`: its condition is read as things were before the instant."""

    def __init__(self, design: Design, event: Event) -> None:
        self.before = event.looks_back
        self.first = event.first
        self.names = event.names
        self._condition = None if event.condition is None else asked(design, event.condition)
        self._values = [asked(design, value) for value in event.values]
        self._message = event.what.message if isinstance(event.what, Sent) else None
        self._received = event.what if isinstance(event.what, Received) else None
        self._items = dict(_items_of(design, event))
        self._answers = frozenset(_answers_to(design, event))
        self._left = event.what.mode if isinstance(event.what, Turned) and not event.what.entered else -1
        self.at_power_on = isinstance(event.what, Started) and not event.what.restarted
        self.in_halves = self._message is not None and self._message.bits == 14

    def values(self, item: Item, mode: int, uppers: Uppers) -> Values | None:
        """What the event gives names to if an item is such an event, else None.

        `mode` is the current one when it was put out, `uppers` what had been sent of controllers of 14 bits (see `note_upper`).
        """
        raw = self._raw(item, mode, uppers)
        return None if raw is None else tuple([value(None, (), raw, None) for value in self._values])

    def _raw(self, item: Item, mode: int, uppers: Uppers) -> Values | None:
        raw = self._items.get(item)
        if raw is not None or isinstance(item, str):
            return raw
        kind = item & 7
        if kind == MESSAGE:
            return None if self._message is None else _data_of(self._message, item, uppers)
        if kind == RESPONDED and self._answers:
            answer = decode_one(0, item)
            assert isinstance(answer, Responded)
            if answer.response in self._answers:
                return _inside(answer.values, self._received) if self._received is not None else ()
        return () if kind in (MODE, RESTARTED) and self._left >= 0 and mode == self._left else None

    def applies(self, own: Values, named: Values, engine: Seen, past: Past | None) -> bool:
        """Whether the condition holds, over what `after` named and what this event names."""
        if self._condition is None:
            return True
        state = past if self.before else engine
        if state is None or state.mode < 0:
            return False
        return self._condition(state, state.cells, named[: self.first] + own, before(engine, past)) != 0


def before(engine: Seen, past: Past | None) -> Seen | Past:
    """What `was` is read of: how things were at the end of the instant before, or, before the first mode, as they are."""
    return engine if past is None or past.mode < 0 else past


def note_upper(item: Item, uppers: Uppers) -> None:
    """Remember what an item says of the upper half of a controller of 14 bits; what is none does no harm."""
    if isinstance(item, str) or item & 7 != MESSAGE or item >> 5 & 0xF0 != CONTROL_CHANGE:
        return
    status, number, value = item >> 5 & 0xFF, item >> 13 & 0x7F, item >> 21 & 0x7F
    for port in (1, 2):
        if item >> 3 & port:
            uppers[status, number, port] = value


def _items_of(design: Design, event: Event) -> Iterator[tuple[Item, Values]]:
    """The packed items that are this event, each with what `values` are worked out from; messages and answers have too many."""
    match event.what:
        case Gestured(gesture=gesture, keys=keys, hold_us=hold_us):
            for number, binding in enumerate(design.bindings):
                if binding.gesture == gesture and binding.key in keys and binding.hold_us == hold_us:
                    yield number << 3 | FIRED, (binding.key, keys.index(binding.key))
        case Turned(mode=mode, entered=True):
            yield mode << 3 | MODE, ()
        case Started(restarted=True):
            yield RESTARTED, ()


def _answers_to(design: Design, event: Event) -> Iterator[int]:
    """The responses that may answer what the event is about."""
    if isinstance(event.what, Moved | Received):
        yield from (number for number, response in enumerate(design.responses) if meet(event.what, response.cause))


def _data_of(wanted: Received, item: int, uppers: Uppers) -> Values | None:
    message = decode_one(0, item)
    assert isinstance(message, Message)
    ports = message.ports & wanted.ports
    if not ports:
        return None
    status, *rest = message.data
    if wanted.status < ANY_KIND:
        return () if status < SYSEX and status & 15 == wanted.status else None
    data = tuple(rest[:-1]) if status == SYSEX else (*rest, 0, 0)[:2]
    if wanted.bits == 14:
        number, value = data[0] - LOWER_HALF, data[1]
        upper = next((uppers[status, number, port] for port in (1, 2) if ports & port and (status, number, port) in uppers), None)
        return None if upper is None or status != wanted.status else _inside((number, upper << 7 | value), wanted)
    if status & 0xF0 == 0x90 and data[1] == 0:
        status, data = status - 0x10, (data[0], NOTHING_DOWN)
    return _inside(data, wanted) if status == wanted.status else None


def _inside(values: Values, wanted: Received) -> Values | None:
    """As many of some values as are asked for, if each of these is in its range."""
    if len(values) < len(wanted.data):
        return None
    asked_for = values[: len(wanted.data)]
    return asked_for if all(low <= value <= high for value, (low, high) in zip(asked_for, wanted.data, strict=True)) else None
