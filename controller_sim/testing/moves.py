"""Histories written in bytes: every byte is one small move, so that any byte can be left out and the rest still means something.

A byte either does something (a stroke of a key, a switch that turns over, something that arrives) or says how the next thing
is done (how long after the last, bouncing, broken into bytes). Lower bytes are plainer, and 0 is a tap of the first switch. What
takes few bytes, and low ones, is what a reader wants to see: hypothesis shrinks towards it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from controller_sim.core.kinds import midi_bytes, pedal_reading
from controller_sim.design import form
from controller_sim.testing.arrivals import BYTE_US, Bytes, Reading, apart_us, listens, possible_arrivals
from controller_sim.verify.histories import is_at_rest
from controller_sim.verify.thresholds import chord_us, double_us, holds, latency_us, rest_us, settled_us, waits
from controller_sim.verify.watching import POLLS, Session

STROKE, TURN, AGAIN, WAIT, ARRIVE, BOUNCE, EARLIER, POLL, CUT, WRAP, FURTHER, USB, BROKEN, BARE, INTERRUPTED = range(15)
HUMAN_US = (150_000, 300_000, 1_000_000, 20_000, 3_000_000, 87_301)
"""Times that a person takes: common practice, no source."""
WRAPPING_US = (1 << 32) - 7
"""A time of power-on shortly before a counter of 32 bits begins anew."""
_KEYS, _TIMES = 32, 32
"""How many bytes there are for keys, and for times."""
_ARRIVALS, _AGAIN = 28, 12

Move = tuple[int, Any]


@dataclass(frozen=True, slots=True)
class Moves:
    """What the bytes mean for one design.

    0..31 strokes of keys, 32..63 the same keys turned over; 64..127 times, twice, 192..223 a microsecond more, 224..255 one less;
    between them all else. What differs in the highest bit only differs little, so that one shrinks to the other.
    """

    design: form.Design
    bytes: tuple[Move, ...]
    choices: dict[int, tuple[Any, ...]]
    """All that a kind of move can be about; FURTHER goes on through them by as many as the bytes reach."""
    tap_us: int
    """How long a tap lasts and how long after the last thing the next one happens where nothing else is said."""
    rest_us: int
    hold_us: int
    """The longest that a key can be held for; a session that ends with a foot down goes on for so long."""
    ready_us: int
    """How long after power-on feet move where nothing else is said."""


def moves_of(design: form.Design) -> Moves:
    """The meaning of bytes for a design; made once and used for many histories."""
    keys, times, arriving = tuple(key.mask for key in design.keys), times_us(design), tuple(possible_arrivals(design))
    choices = {STROKE: keys, TURN: keys, WAIT: times, ARRIVE: arriving}
    exact = [(WAIT, time_us) for time_us in _spread(times, _TIMES)]
    more, less = ([(WAIT, max(time_us + off, 0)) for _, time_us in exact] for off in (1, -1))
    other: list[Move] = [(AGAIN, None)] * _AGAIN + [(ARRIVE, what) for what in _spread(arriving, _ARRIVALS)]
    other += [(BOUNCE, n) for n in (2, 4)] + [(EARLIER, None)] * 3 + [(POLL, style) for style in POLLS]
    other += [(CUT, None), (CUT, None), (WRAP, None), *[(FURTHER, None)] * 5]
    if listens(design):
        other += [(USB, None), (BROKEN, None), (BARE, None), *((INTERRUPTED, byte) for byte in (0xF8, 0xFA, 0xFE))]
    other += [(AGAIN, None)] * (64 - len(other))
    strokes, turns = ([(kind, mask) for mask in _spread(_often(design), _KEYS)] for kind in (STROKE, TURN))
    lengths = (*holds(design), design.timing.hold_us)
    tap_us = min(60_000, max(1, min(lengths) // 3))
    ready_us = max(settled_us(design) + 2, 40_000 if tap_us == 60_000 else 0)
    table = (*strokes, *turns, *exact, *exact, *other, *more, *less)
    return Moves(design, table, choices, tap_us, rest_us(design) + tap_us, max(lengths), ready_us)


def _often(design: form.Design) -> list[int]:
    """The keys' masks in order, those that something is bound to three times as often as the others where there is room."""
    bound = {binding.key for binding in design.bindings}
    often = [key.mask for number, key in enumerate(design.keys) for _ in range(3 if number in bound else 1)]
    return often if len(often) <= _KEYS else [key.mask for key in design.keys]


def _spread(choices: Sequence[Any], over: int) -> list[Any]:
    """The choices in order over so many bytes, as evenly as can be; as many of the first ones as there are bytes."""
    return [choices[n * min(len(choices), over) // over] for n in range(over)] if choices else []


def times_us(design: form.Design) -> tuple[int, ...]:
    """What a person takes, then every time that something is measured by, in the contacts' own times, then no time at all."""
    timing = design.timing
    press_us, release_us = latency_us(timing.press), latency_us(timing.release)
    window_us, gap_us = chord_us(design), double_us(design)
    lengths = [*holds(design), *([] if window_us is None else [window_us])]
    found = [*lengths, *([] if gap_us is None else [gap_us]), timing.press.time_us, timing.release.time_us]
    found += [length + press_us - release_us for length in lengths]
    found += [] if gap_us is None else [gap_us + release_us - press_us]
    # A design of short times does much in a long one.
    longest_us = 8 * max((*found, timing.hold_us))
    found += [*waits(design), *(pedal.every_us for pedal in design.pedals)]
    return tuple(dict.fromkeys(time_us for time_us in (*HUMAN_US, *found, 0) if 0 <= time_us <= longest_us))


@dataclass(slots=True)
class _Player:
    """Turns moves into sessions."""

    moves: Moves
    released: bool
    start_us: int
    word: int = 0
    changes: dict[int, int] = field(default_factory=dict)
    arrived: dict[int, tuple[int, ...]] = field(default_factory=dict)
    edges_us: list[int] = field(default_factory=list)
    last_us: int = 0
    wait_us: int = 0
    waiting: bool = False
    earlier: int = 0
    further: int = 0
    bounce: int = 0
    polls: list[str] = field(default_factory=list)
    usb: bool = False
    broken: bool = False
    bare: bool = False
    interrupted: int | None = None
    touched: int = 1
    readings: list[int] = field(default_factory=list)
    sessions: list[Session] = field(default_factory=list)

    def begin(self) -> None:
        """Power comes on, with the switches that are down."""
        self.changes, self.arrived, self.polls = {self.start_us: self.word}, {}, []
        self.last_us = self.start_us + self.moves.ready_us
        self.edges_us = [self.start_us]
        self.readings = [pedal.heel for pedal in self.moves.design.pedals]
        self._nothing_waits()

    def _nothing_waits(self) -> None:
        self.wait_us, self.waiting, self.earlier, self.bounce = 0, False, 0, 0

    def _now(self, otherwise_us: int) -> int:
        """When the next thing happens: the time that was asked for, or a usual one, after the last; nothing goes back in time."""
        base_us = self.edges_us[-min(1 + self.earlier, len(self.edges_us))] if self.earlier else self.last_us
        return max(base_us + (self.wait_us if self.waiting else otherwise_us), self.edges_us[-1], self.start_us)

    def change(self, time_us: int, word: int) -> None:
        turned = self.word ^ word
        self.word = word
        self.changes[time_us] = word
        if self.bounce:
            apart_us = max(1, self.moves.design.timing.press.time_us // 3)
            for turn in range(1, self.bounce + 1):
                time_us += apart_us
                self.changes[time_us] = word ^ turned if turn & 1 else word
        self.edges_us.append(time_us)
        self.last_us = max(self.last_us, time_us)
        self._nothing_waits()

    def turn(self, mask: int) -> None:
        self.touched = mask
        word = self.word & ~mask if self.word & mask == mask else self.word | mask
        self.change(self._now(self.moves.tap_us), word)

    def stroke(self, mask: int) -> None:
        """Down a usual while after the last thing, and up after the time that was asked for."""
        length_us = self.wait_us if self.waiting else self.moves.tap_us
        self.waiting = False
        bounce = self.bounce
        down_us = self._now(self.moves.tap_us)
        self.touched = mask
        self.change(down_us, self.word | mask)
        self.bounce = bounce
        self.change(self.edges_us[-1] + length_us, self.word & ~mask)

    def arrive(self, what: Reading | Bytes) -> None:
        time_us = max(self._now(10_000), self.start_us)
        rows = self._reading(what) if isinstance(what, Reading) else self._bytes(what)
        for after_us, events in rows:
            self.last_us = time_us + after_us
            self.arrived[self.last_us] = self.arrived.get(self.last_us, ()) + events
        self._nothing_waits()
        self.broken = self.bare = False
        self.interrupted = None

    def _reading(self, what: Reading) -> Iterable[tuple[int, tuple[int, ...]]]:
        pedal = self.moves.design.pedals[what.pedal]
        for turn, value in enumerate(what.readings(pedal, self.readings[what.pedal])):
            self.readings[what.pedal] = value
            yield turn * apart_us(pedal), (pedal_reading(what.pedal, value),)

    def _bytes(self, what: Bytes) -> Iterable[tuple[int, tuple[int, ...]]]:
        port = form.USB if self.usb else what.port
        data = what.data[1:] if self.bare and len(what.data) > 1 else what.data
        if self.interrupted is not None:
            data = (*data[: len(data) // 2], self.interrupted, *data[len(data) // 2 :])
        for turn in range(what.times):
            if self.broken:
                yield from ((turn * what.every_us + n * BYTE_US, midi_bytes(port, (byte,))) for n, byte in enumerate(data))
            else:
                yield turn * what.every_us, midi_bytes(port, data)

    def end(self) -> None:
        """The session ends: at the time asked for, or when everything has come to rest."""
        if self.released and self.word:
            self.change(self._now(self.moves.tap_us), 0)
        last_us = max(self.last_us, self.edges_us[-1])
        at_rest = self.released or not self.waiting
        rest_us = self.moves.rest_us + (self.moves.hold_us if self.word else 0)
        end_us = last_us + rest_us if at_rest else max(self._now(0), last_us)
        self.changes.setdefault(end_us, self.word)
        times_us = tuple(sorted(self.changes))
        words = tuple(self.changes[time_us] for time_us in times_us)
        arrived = tuple(sorted(self.arrived.items()))
        self.sessions.append(
            Session(times_us, words, arrived, None, is_at_rest(self.moves.design, times_us, words), tuple(self.polls) or POLLS[:1])
        )


def sessions_of(moves: Moves, data: bytes, start_us: int = 0, *, released: bool = False, cuts: bool = True) -> tuple[Session, ...]:
    """The sessions that some bytes mean. `released`: every foot is up at the end, at rest; `cuts`: power may go off in between."""
    wraps = WRAP in (moves.bytes[byte][0] for byte in data)
    player = _Player(moves, released, WRAPPING_US if wraps and cuts else start_us)
    player.begin()
    for byte in data:
        kind, what = moves.bytes[byte]
        if player.further and kind in moves.choices:
            what = _further(moves, byte, player.further)
            player.further = 0
        _move(player, kind, what, cuts)
    player.end()
    return tuple(player.sessions)


def _further(moves: Moves, byte: int, by: int) -> Any:
    """What a byte means that as many FURTHERs stand before."""
    kind, what = moves.bytes[byte]
    choices = moves.choices[kind]
    if kind == WAIT:
        exact_us = moves.bytes[byte & 127 if byte & 64 else byte][1]
        return max(choices[(choices.index(exact_us) + by * _TIMES) % len(choices)] + what - exact_us, 0)
    reach = _ARRIVALS if kind == ARRIVE else _KEYS
    return choices[(choices.index(what) + by * reach) % len(choices)]


def _move(player: _Player, kind: int, what: Any, cuts: bool) -> None:
    if kind == WAIT:
        player.wait_us, player.waiting = what, True
    elif kind == STROKE:
        player.stroke(what)
    elif kind == TURN:
        player.turn(what)
    elif kind == AGAIN:
        player.turn(player.touched)
    elif kind == ARRIVE:
        player.arrive(what)
    elif kind == CUT and cuts:
        player.end()
        player.start_us = 0
        player.begin()
    else:
        _say(player, kind, what)


def _say(player: _Player, kind: int, what: Any) -> None:
    """How the next thing is to be done."""
    if kind == BOUNCE:
        player.bounce = what
    elif kind == EARLIER:
        player.earlier += 1
    elif kind == POLL:
        player.polls.append(what)
    elif kind == FURTHER:
        player.further += 1
    elif kind == USB:
        player.usb = not player.usb
    elif kind == BROKEN:
        player.broken = True
    elif kind == BARE:
        player.bare = True
    elif kind == INTERRUPTED:
        player.interrupted = what
