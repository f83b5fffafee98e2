"""Watchers of what is sent: how much at once, whether it says what the memory says, and what a tapped tempo can be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller_sim.core.kinds import (
    EDGE,
    FIRED,
    MESSAGE,
    MINUTE_US,
    MODE,
    RESPONDED,
    RESTARTED,
    TAP_BOUNCE_US,
    TAP_PAUSE_US,
    response_of,
)
from controller_sim.design import program
from controller_sim.design.form import SERIAL, Action, Design
from controller_sim.design.outputs import Message, decode_one
from controller_sim.design.program import Expression
from controller_sim.design.steps import actions_without_gesture, statements_in
from controller_sim.midi.messages import is_channel, is_real_time
from controller_sim.midi.wire import BYTE_US
from controller_sim.simulator.engines import Seen
from controller_sim.verify.bursts import Meter
from controller_sim.verify.facts import facts, statements_of, uses
from controller_sim.verify.playing import tell
from controller_sim.verify.reach import Reach
from controller_sim.verify.thresholds import rest_us
from controller_sim.verify.unfolding import folded, unfolded, with_cell
from controller_sim.verify.watching import Item, Watcher

BURST = "worst burst"
QUEUE = "transmit buffer"
AGREED = "switched as told"
TAPPED = "tapped tempo"
MOST_INTERVALS = 8
"""A mean is of four intervals, and before each of them one that stands out may have been left out."""


class Limits:
    """What each binding and response of a design can hand to the serial line at once, worked out before anything runs."""

    def __init__(self, design: Design) -> None:
        reach = Reach(design)
        meter = Meter(reach, SERIAL)
        self.fired: dict[int, int] = {}
        self.responded: dict[int, int] = {}
        self.timers = [0] * len(design.modes)
        """Of each mode what all its timers can."""
        self.largest = max((len(each.data) for each in sends(design)), default=0)
        """Of all messages, in bytes."""
        for run in reach.all_runs:
            if run.mode is None:
                continue
            if run.what == "binding":
                self.fired[run.number] = meter.burst(run).most
            elif run.what == "response":
                self.responded[run.number] = meter.burst(run).most
            elif run.what == "timer":
                self.timers[run.mode] += meter.burst(run).most

    @property
    def most(self) -> int:
        """The most bytes that one gesture or response can hand over."""
        return max([*self.fired.values(), *self.responded.values()], default=0)


def sends(design: Design) -> Iterator[program.Send]:
    """Every statement of a design that sends a message."""
    for procedure in design.procedures:
        for each in statements_in(procedure.body):
            if isinstance(each, program.Send):
                yield each


class Bursts(Watcher):
    """At each instant the serial line is given no more bytes than `check` says of what fired then.

    Of instants at which delayed messages were due or a mode's timers may have come, what these can send counts as well.
    """

    __slots__ = ("_last_status", "_mode", "_waited", "design", "limits", "most")

    def __init__(self, design: Design, limits: Limits) -> None:
        super().__init__()
        self.design = design
        self.limits = limits
        self.most = 0
        """The most bytes that were handed over at once where one thing fired."""
        self._last_status = 0
        self._mode = -1
        self._waited = 0

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        mode, self._mode = self._mode, engine.mode
        waited, self._waited = self._waited, len(getattr(engine, "delayed", ()))
        handed = 0
        others = waited * self.limits.largest + (self.limits.timers[mode] if mode >= 0 else 0)
        allowed, causes = others, 0
        for item in items:
            if not isinstance(item, int):
                continue
            if item & 7 == MESSAGE:
                handed += self._bytes(item)
            elif item & 7 == FIRED:
                allowed += self.limits.fired.get(item >> 3, 0)
                causes += 1
            elif item & 7 == RESPONDED:
                allowed += self.limits.responded.get(response_of(item), 0)
                causes += 1
        # What power-on sends has no bound of its own.
        if not causes or mode < 0:
            return None
        self.reached += handed > 0
        if causes == 1 and not others:
            self.most = max(self.most, handed)
        if handed > allowed:
            cause = next(tell(self.design, item) for item in items if isinstance(item, int) and item & 7 in (FIRED, RESPONDED))
            return f"{cause} hands {handed} bytes to the serial line at once, and no more than {allowed} should be"
        return None

    def _bytes(self, item: int) -> int:
        """What a message takes on the serial line; the clock's bytes are nobody's."""
        size, self._last_status = wire_bytes(self.design, item, self._last_status)
        return 0 if size == 1 and item >> 5 & 0xFF == 0xF8 else size


def wire_bytes(design: Design, item: int, last_status: int) -> tuple[int, int]:
    """How many bytes a message takes on the serial line after one of some status (0: none), and the status after it."""
    message = decode_one(0, item)
    assert isinstance(message, Message)
    data = message.data
    if not message.ports & SERIAL:
        return 0, last_status
    if is_real_time(data[0]):
        return len(data), last_status
    if not is_channel(data[0]) or not design.running_status:
        return len(data), 0
    return len(data) - (data[0] == last_status), data[0]


class Queue(Watcher):
    """The bytes that wait for the serial line, whatever feet do, fit into the transmit buffer that the design states."""

    __slots__ = ("_busy_us", "_last_status", "design", "size")

    def __init__(self, design: Design) -> None:
        super().__init__()
        self.design = design
        self.size = design.budget.buffer_bytes or 0
        self._busy_us = 0
        self._last_status = 0

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        for item in items:
            if isinstance(item, int) and item & 7 == MESSAGE:
                size, self._last_status = wire_bytes(self.design, item, self._last_status)
                self._busy_us = max(self._busy_us, time_us) + BYTE_US * size
                self.reached += size > 0
        waiting = (self._busy_us - time_us) // BYTE_US
        if waiting > self.size:
            return f"{waiting} bytes wait for the serial line, and the buffer holds {self.size}"
        return None


@dataclass(frozen=True, slots=True)
class Toggle:
    """A cell of two values that an action turns over and tells: what is sent, and with which value for each of the cell's."""

    cell: int
    ports: int
    head: tuple[int, ...]
    """The message's bytes but for the last one."""
    values: tuple[int, int]


def toggles(design: Design) -> list[Toggle]:
    """Those of a design whose cell only power-on and undrafted actions of feet and modes set, and whose messages always leave at once."""
    found: dict[tuple[int, int, tuple[int, ...]], Toggle] = {}
    if design.thru:
        return []
    drafted = {cell for mode in design.modes for cell in mode.draft}
    otherwise = [timer.action for mode in design.modes for timer in mode.timers]
    otherwise += [Action(response.procedure, ()) for response in design.responses]
    timed = {each for action in otherwise for each in _set_by(design, action)}
    for binding in design.bindings:
        for each in _toggles_of(design, binding.action):
            if each.cell not in drafted | timed:
                found[each.cell, each.ports, each.head] = each
    return [each for each in found.values() if not any(send.delay_us and _may_be(send, each) for send in sends(design))]


def _set_by(design: Design, action: Action) -> Iterator[int]:
    for statement in statements_of(design, action):
        if isinstance(statement, program.SetCell):
            yield statement.cell
        elif isinstance(statement, program.FactoryValues):
            yield from statement.cells


def _toggles_of(design: Design, action: Action) -> Iterator[Toggle]:
    body = unfolded(design, action)
    for place, statement in enumerate(body):
        if not isinstance(statement, program.SetCell) or statement.index is not None:
            continue
        cell = design.cells[statement.cell]
        turned = [_with(statement.value, statement.cell, value) for value in (cell.low, cell.high)]
        if cell.shape or cell.high - cell.low != 1 or turned != [cell.high, cell.low]:
            continue
        for send in body[place + 1 :]:
            if isinstance(send, program.Send) and not send.delay_us and all(each.low == each.high for each in send.data[:-1]):
                one, other = (_with(send.data[-1], statement.cell, value) for value in (cell.low, cell.high))
                if one is not None and other is not None and one != other:
                    yield Toggle(statement.cell, send.ports, tuple(each.low for each in send.data[:-1]), (one, other))


def _with(expression: Expression, cell: int, value: int) -> int | None:
    """What an expression is where a cell has a value, if nothing else has a say in it."""
    after = folded(with_cell(expression, cell, value), {})
    return after.low if after.low == after.high else None


def _may_be(send: program.Send, toggle: Toggle) -> bool:
    if not send.ports & toggle.ports or len(send.data) != len(toggle.head) + 1:
        return False
    return all(each.low <= byte <= each.high for each, byte in zip(send.data, toggle.head, strict=False))


class Agreed(Watcher):
    """With every foot up and nothing under way, what was sent last of a toggle is what its cell says, and what is stored too."""

    __slots__ = ("_level", "_places", "_rest_us", "_sent", "_since_us", "_wrong", "design", "toggles")

    def __init__(self, design: Design, found: Sequence[Toggle]) -> None:
        super().__init__()
        self.design = design
        self.toggles = found
        self._sent: dict[int, int] = {}
        """For each toggle the value that was sent last since power-on."""
        self._rest_us = rest_us(design)
        self._since_us = 0
        self._wrong: str | None = None
        self._level = 0
        kept = [c for c, cell in enumerate(design.cells) if cell.keep for _ in range(cell.size)]
        self._places = {each.cell: kept.index(each.cell) for each in found if each.cell in kept}

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        if self._wrong is not None and not self._level and time_us - self._since_us > self._rest_us:
            return self._wrong
        if not items:
            return None
        self._since_us = time_us
        for item in items:
            if isinstance(item, int) and item & 7 == MESSAGE:
                self._hear(item)
            elif isinstance(item, int) and item & 7 == EDGE:
                self._level ^= 1 << (item >> 4)
            elif item == RESTARTED:
                self._sent.clear()
                self._level = 0
        self._wrong = self._disagrees(engine)
        return None

    def end(self, time_us: int, engine: Seen, at_rest: bool) -> str | None:
        return self._wrong if at_rest else None

    def _hear(self, item: int) -> None:
        message = decode_one(0, item)
        assert isinstance(message, Message)
        for number, each in enumerate(self.toggles):
            if message.ports & each.ports and tuple(message.data[:-1]) == each.head:
                self._sent[number] = message.data[-1]

    def _disagrees(self, engine: Seen) -> str | None:
        if engine.mode < 0:
            return None
        kept = engine.kept()
        for number, each in enumerate(self.toggles):
            cell = self.design.cells[each.cell]
            value = engine.cells[cell.offset]
            sent = self._sent.get(number)
            self.reached += sent is not None
            if sent is not None and sent != each.values[value - cell.low]:
                return f"{cell.name} is {self._text(each.cell, value)}, and {bytes((*each.head, sent)).hex(' ')} was sent last"
            if each.cell in self._places and kept[self._places[each.cell]] != value:
                return f"{cell.name} is {self._text(each.cell, value)}, and is not stored so"
        return None

    def _text(self, cell: int, value: int) -> str:
        names = self.design.cells[cell].names
        return names[value - self.design.cells[cell].low] if names else str(value)


class Tapped(Watcher):
    """What a tap makes of the tempo lies between what the shortest and the longest of the last intervals ask for, in the design's range.

    Intervals are those between physical presses. The first tap of all, and the first after a pause, leave the tempo alone; the second
    sets it to exactly what its interval asks for.
    """

    __slots__ = ("_downs", "_intervals", "_last_us", "_pause_us", "_tempo", "design", "taps")

    def __init__(self, design: Design, found: frozenset[int]) -> None:
        super().__init__()
        self.design = design
        self.taps = found
        self._downs = [0] * len(design.switches)
        self._last_us: int | None = None
        self._intervals: list[int] = []
        self._tempo = 0
        self._pause_us = max(TAP_PAUSE_US, MINUTE_US // design.tempo.low)

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        before, self._tempo = self._tempo, engine.tempo
        numbers = [item for item in items if isinstance(item, int)]
        taps = [item >> 3 for item in numbers if item & 7 == FIRED and item >> 3 in self.taps]
        alone = len(taps) == 1 == sum(item & 7 in (FIRED, RESPONDED, MODE) for item in numbers)
        for item in numbers:
            if item & 7 == EDGE and item & 8:
                self._downs[item >> 4] = time_us
            elif item & 7 == FIRED and item >> 3 in self.taps:
                key = self.design.keys[self.design.bindings[item >> 3].key]
                allowed = self._allowed(max(self._downs[s] for s in key.members))
                if alone and allowed is None and self._tempo != before:
                    return f"a tap that no other comes before changes the tempo from {before} to {self._tempo}"
                if alone and allowed is not None and not (allowed[0] <= self._tempo <= allowed[1]):
                    if len(self._intervals) > 1 and self._tempo == before:
                        continue
                    return f"the tempo is {self._tempo} after taps that ask for {allowed[0]}..{allowed[1]}"
                self.reached += alone and allowed is not None
            elif item == RESTARTED:
                self._last_us, self._intervals = None, []
        return None

    def _allowed(self, pressed_us: int) -> tuple[int, int] | None:
        """The tempos that a tap may set; None: it sets none."""
        interval_us = None if self._last_us is None else pressed_us - self._last_us
        if interval_us is not None and interval_us < TAP_BOUNCE_US:
            return None
        self._last_us = pressed_us
        if interval_us is None or interval_us > self._pause_us:
            self._intervals = []
            return None
        self._intervals = [*self._intervals, interval_us][-MOST_INTERVALS:]
        return self._beats(max(self._intervals)), self._beats(min(self._intervals))

    def _beats(self, interval_us: int) -> int:
        tempo = self.design.tempo
        return min(max((2 * MINUTE_US + interval_us) // (2 * interval_us), tempo.low), tempo.high)


def without_taps(design: Design) -> str | None:
    """Why tapped tempos cannot be watched, or None."""
    if not uses(design, program.TapTempo):
        return "nothing taps the tempo"
    return None if taps(design) else "what taps the tempo does not always, or something else sets it at any time"


def taps(design: Design) -> frozenset[int]:
    """The bindings that surely tap the tempo and do nothing else to it; none where anything else may tap it, or time may change it."""
    timers = [timer.action for mode in design.modes for timer in mode.timers]
    if design.tempo.follow or any(isinstance(each, program.SetTempo) for action in timers for each in statements_of(design, action)):
        return frozenset()
    found = set()
    every = [*actions_without_gesture(design), *(Action(response.procedure, ()) for response in design.responses)]
    for fact, binding in zip(facts(design), design.bindings, strict=True):
        surely = any(isinstance(each, program.TapTempo) for each in unfolded(design, binding.action))
        sets = any(isinstance(each, program.SetTempo) for each in statements_of(design, binding.action))
        plain = not sets and not (fact.waits and binding.gesture == "tap")
        if surely and plain and binding.gesture != "release":
            found.add(fact.number)
        else:
            every.append(binding.action)
    others = any(isinstance(each, program.TapTempo) for action in every for each in statements_of(design, action))
    return frozenset() if others else frozenset(found)
