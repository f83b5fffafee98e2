"""Histories written in bytes: every byte is one small move, so that any byte can be left out and the rest still means something.

A byte either does something (a stroke of a key, a switch that turns over, something that arrives) or says how the next thing
is done (how long after the last, bouncing, broken into bytes). Lower bytes are plainer, and 0 is a tap of the first switch. What
takes few bytes, and low ones, is what a reader wants to see: hypothesis shrinks towards it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from controller_sim.core.kinds import MINUTE_US, midi_bytes, pedal_reading
from controller_sim.design import form, program
from controller_sim.verify.arrivals import BYTE_US, Bytes, Reading, apart_us, listens, possible_arrivals
from controller_sim.verify.facts import uses
from controller_sim.verify.histories import is_at_rest
from controller_sim.verify.thresholds import chord_us, double_us, holds, latency_us, rest_us, settled_us, waits
from controller_sim.verify.watching import POLLS, Session

TURN, DOWN, UP = range(3)
"""What contacts do: turn over, close, open."""
STROKE, AGAIN, LIFT, ARRIVE, CUT, END = range(3, 9)
"""What else is done; strokes are read as DOWN and UP, and bytes that only say how something is done as an END."""
WAIT, MORE, BOUNCE, EARLIER, FURTHER, USB, BROKEN, BARE, INTERRUPTED, POLL, SELDOM, WRAP = range(9, 21)
"""How it is done."""
MANNERS = frozenset((MORE, BOUNCE, EARLIER, FURTHER, USB, BROKEN, BARE, INTERRUPTED))
"""How the next thing is done, besides when."""
SETTINGS = frozenset((POLL, SELDOM, WRAP))
"""How all of a session is."""
EVERY = -1
NO_WAIT = -1
HUMAN_US = (150_000, 300_000, 1_000_000, 20_000, 3_000_000, 87_301)
"""Times that a person takes: common practice, no source."""
WRAPPING_US = (1 << 32) - 7
"""A time of power-on shortly before a counter of 32 bits begins anew."""
_KEYS, _TIMES = 32, 32
"""How many bytes there are for keys, and for times."""
_ARRIVALS, _AGAIN = 28, 7

Move = tuple[int, Any]
Deed = tuple[int, Any, int, int, int]
"""What is done, with what, how long after the last thing (0) or after the so manieth last change of contacts, and how often it bounces."""
Rows = tuple[tuple[int, tuple[int, ...]], ...]
"""(after what time, what arrives), one after another."""


class Choices:
    """All that a kind of move can be about, in order, and where in it each stands."""

    def __init__(self, row: Sequence[Any]) -> None:
        self.row = tuple(row)
        self.places = {what: place for place, what in enumerate(self.row)}


@dataclass(frozen=True, slots=True)
class Moves:
    """What the bytes mean for one design.

    0..31 strokes of keys, 32..63 the same keys turned over; 64..127 times, twice, 192..223 a microsecond more, 224..255 one less;
    between them all else. What differs in the highest bit only differs little, so that one shrinks to the other.
    """

    design: form.Design
    meanings: tuple[Move, ...]
    """What each byte means."""
    choices: dict[int, Choices]
    """All that a kind of move can be about; FURTHER goes on through them by as many as the bytes reach."""
    ways: dict[Move, bytes]
    """How each move is written."""
    tap_us: int
    """How long a tap lasts and how long after the last thing the next one happens where nothing else is said."""
    rests_us: int
    """After so long with every foot up no gesture is under way."""
    hold_us: int
    """The longest that a key can be held for; a session that ends with a foot down goes on for so long."""
    ready_us: int
    """How long after power-on feet move where nothing else is said."""
    bounce_us: int


def moves_of(design: form.Design) -> Moves:
    """The meaning of bytes for a design; made once and used for many histories."""
    keys, times, arriving = tuple(key.mask for key in design.keys), times_us(design), tuple(possible_arrivals(design))
    choices = {kind: Choices(row) for kind, row in ((STROKE, keys), (TURN, keys), (WAIT, times), (ARRIVE, arriving))}
    exact = [(WAIT, time_us) for time_us in _spread(times, _TIMES)]
    more, less = ([(WAIT, max(time_us + off, 0)) for _, time_us in exact] for off in (1, -1))
    other: list[Move] = [(AGAIN, None)] * _AGAIN + [(ARRIVE, what) for what in _spread(arriving, _ARRIVALS)]
    other += [(BOUNCE, n) for n in (2, 4)] + [(EARLIER, None)] * 3 + [(POLL, style) for style in POLLS]
    other += [(MORE, None), (LIFT, None), *((SELDOM, apart_us) for apart_us in seldom_us(design))]
    other += [(CUT, None), (CUT, None), (WRAP, None), *[(FURTHER, None)] * 5]
    if listens(design):
        other += [(USB, None), (BROKEN, None), (BARE, None), *((INTERRUPTED, byte) for byte in (0xF8, 0xFA, 0xFE))]
    other += [(AGAIN, None)] * (64 - len(other))
    strokes, turns = ([(kind, mask) for mask in _spread(_often(design), _KEYS)] for kind in (STROKE, TURN))
    lengths = (*holds(design), design.timing.hold_us)
    tap_us = min(60_000, max(1, min(lengths) // 3))
    ready_us = max(settled_us(design) + 2, 40_000 if tap_us == 60_000 else 0)
    table = (*strokes, *turns, *exact, *exact, *other, *more, *less)
    ways = _ways(table, choices)
    return Moves(design, table, choices, ways, tap_us, rest_us(design), max(lengths), ready_us, bounce_us(design))


def _ways(table: Sequence[Move], choices: dict[int, Choices]) -> dict[Move, bytes]:
    """How each move is written, in as few bytes as it can be."""
    further = bytes([[kind for kind, _ in table].index(FURTHER)])
    ways: dict[Move, bytes] = {}
    for by in range(1 + max(len(each.row) for each in choices.values()) // _ARRIVALS):
        for byte, (kind, what) in enumerate(table):
            if not by:
                ways.setdefault((kind, what), bytes([byte]))
            elif kind in choices and by * _ARRIVALS <= len(choices[kind].row):
                ways.setdefault((kind, _further(table, choices, byte, by)), further * by + bytes([byte]))
    return ways


def seldom_us(design: form.Design) -> tuple[int, ...]:
    """How far apart a slow controller may look at its contacts."""
    return 1_000, 4_000, max(1, design.timing.chord_us // 3)


def bounce_us(design: form.Design) -> int:
    """How far apart the changes of a bouncing contact are."""
    return max(1, design.timing.press.time_us // 3)


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
    found += [*waits(design), *(pedal.every_us for pedal in design.pedals), *beats_us(design), bounce_us(design)]
    return tuple(dict.fromkeys(time_us for time_us in (*HUMAN_US, *found, 0) if 0 <= time_us <= longest_us))


def beats_us(design: form.Design) -> tuple[int, ...]:
    """From beat to beat at the slowest tempo and the fastest, where a foot sets it."""
    taps = uses(design, program.TapTempo)
    return tuple(MINUTE_US // beats for beats in (design.tempo.low, design.tempo.high)) if taps else ()


def read(moves: Moves, data: bytes) -> list[Deed]:
    """What some bytes have done, up to the last of them that does something; if some of them are left, an END that says when."""
    table, choices, tap_us = moves.meanings, moves.choices, moves.tap_us
    deeds: list[Deed] = []
    touched, further = 1, 0
    wait_us, back, bounce, more = NO_WAIT, 0, 0, False
    manner: list[Move] = []
    for byte in data:
        kind, what = table[byte]
        if further and kind in choices:
            what = _further(table, choices, byte, further)
            further = 0
        if kind == WAIT:
            wait_us = wait_us + what if more else what
            more = False
        elif kind in MANNERS:
            back += kind == EARLIER
            further += kind == FURTHER
            more = kind == MORE and wait_us >= 0
            bounce = what if kind == BOUNCE else bounce
            manner.append((kind, what))
        elif kind in SETTINGS:
            deeds.append((kind, what, 0, 0, 0))
        else:
            back += back > 0
            if kind == CUT:
                deeds.append((CUT, None, wait_us, back, 0))
            elif kind == ARRIVE:
                deeds.append((ARRIVE, _arrival(what, manner), 10_000 if wait_us < 0 else wait_us, back, 0))
            elif kind == STROKE:
                touched = what
                deeds.append((DOWN, what, tap_us, back, bounce))
                deeds.append((UP, what, tap_us if wait_us < 0 else wait_us, 1, bounce))
            else:
                touched = what if kind == TURN else touched
                deed = (UP, EVERY) if kind == LIFT else (TURN, touched)
                deeds.append((*deed, tap_us if wait_us < 0 else wait_us, back, bounce))
            wait_us, back, bounce, more = NO_WAIT, 0, 0, False
            manner = []
    if wait_us >= 0:
        deeds.append((END, None, wait_us, back + (back > 0), 0))
    return deeds


def _arrival(what: Reading | Bytes, manner: Sequence[Move]) -> Reading | Rows:
    """A pedal's readings, which depend on where it stands, or bytes as they come in."""
    if isinstance(what, Reading):
        return what
    kinds = dict(manner)
    port = form.USB if USB in kinds else what.port
    data = what.data[1:] if BARE in kinds and len(what.data) > 1 else what.data
    if INTERRUPTED in kinds:
        data = (*data[: len(data) // 2], kinds[INTERRUPTED], *data[len(data) // 2 :])
    turns = range(what.times)
    if BROKEN in kinds:
        return tuple((turn * what.every_us + n * BYTE_US, midi_bytes(port, (byte,))) for turn in turns for n, byte in enumerate(data))
    return tuple((turn * what.every_us, midi_bytes(port, data)) for turn in turns)


class _Player:
    """Does what was read, and keeps what has come of it."""

    def __init__(self, moves: Moves, start_us: int) -> None:
        self.moves = moves
        self.sessions: list[Session] = []
        self.begin(start_us, 0)

    def begin(self, start_us: int, word: int) -> None:
        """Power comes on, with the switches that are down."""
        self.times, self.words = [start_us], [word]
        self.bounces: list[tuple[int, int]] = []
        self.arrived: dict[int, tuple[int, ...]] = {}
        self.polls: list[str] = []
        self.seldom_us = 0
        self.readings = [pedal.heel for pedal in self.moves.design.pedals]

    def play(self, deeds: Iterable[Deed], released: bool, cuts: bool) -> None:
        """Every deed in turn. A campaign does one for each change of a contact that it plays."""
        times, words = self.times, self.words
        word, newest_us, last_us = 0, times[0], times[0] + self.moves.ready_us
        end_us = None
        for kind, what, wait_us, back, bounce in deeds:
            now_us = (times[-back if back <= len(times) else 0] if back else last_us) + wait_us
            if kind <= UP:
                before = word
                if word & what != what if kind == TURN else kind == DOWN:
                    word |= what
                else:
                    word &= ~what
                if now_us > newest_us:
                    newest_us = now_us
                    times.append(now_us)
                    words.append(word)
                    if now_us > last_us:
                        last_us = now_us
                else:
                    now_us = newest_us
                    words[-1] = word
                if bounce:
                    self.bounces += [(now_us + turn * self.moves.bounce_us, word ^ before) for turn in range(1, bounce + 1)]
            elif kind == ARRIVE:
                last_us = self.arrive(what, max(now_us, newest_us))
            elif kind == CUT and cuts:
                self.end(last_us, None if wait_us < 0 else now_us)
                self.begin(0, word)
                times, words, newest_us, last_us = self.times, self.words, 0, self.moves.ready_us
            elif kind == END:
                end_us = now_us
            elif kind == POLL:
                self.polls.append(what)
            elif kind == SELDOM:
                self.seldom_us = what
        if released and word:
            times.append(max(last_us + self.moves.tap_us if end_us is None else end_us, times[-1] + 1))
            words.append(0)
        self.end(max(last_us, times[-1]), None if released else end_us)

    def arrive(self, what: Reading | Rows, time_us: int) -> int:
        """Something arrives from a time on; the answer is when the last of it does."""
        last_us = time_us
        for after_us, events in self._reading(what) if isinstance(what, Reading) else what:
            last_us = time_us + after_us
            self.arrived[last_us] = self.arrived.get(last_us, ()) + events
        return last_us

    def _reading(self, what: Reading) -> Iterator[tuple[int, tuple[int, ...]]]:
        pedal = self.moves.design.pedals[what.pedal]
        for turn, value in enumerate(what.readings(pedal, self.readings[what.pedal], *pedal.reads)):
            self.readings[what.pedal] = value
            yield turn * apart_us(pedal), (pedal_reading(what.pedal, value),)

    def end(self, last_us: int, end_us: int | None) -> None:
        """The session ends: at the time asked for, or when everything has come to rest."""
        times, words, moves = self.times, self.words, self.moves
        word = words[-1]
        if self.bounces:
            times, words = _bouncing(times, words, self.bounces)
            last_us = max(last_us, times[-1])
        arrived = tuple(sorted(self.arrived.items()))
        if arrived:
            last_us = max(last_us, arrived[-1][0])
        if end_us is None:
            end_us = last_us + moves.rests_us + moves.tap_us + (moves.hold_us if word else 0)
        end_us = max(end_us, last_us)
        if end_us > times[-1]:
            times.append(end_us)
            words.append(word)
        if self.seldom_us:
            times, words = _seen_every(self.seldom_us, times, words)
        polls = tuple(self.polls) or POLLS[:1]
        self.sessions.append(Session(tuple(times), tuple(words), arrived, None, is_at_rest(moves.rests_us, times, words), polls))


def _bouncing(times: Sequence[int], words: Sequence[int], bounces: Iterable[tuple[int, int]]) -> tuple[list[int], list[int]]:
    """The changes of contacts with those that bounce among them."""
    flips: dict[int, int] = {}
    for time_us, turned in bounces:
        flips[time_us] = flips.get(time_us, 0) ^ turned
    changes = dict(zip(times, words, strict=True))
    found = []
    word = flipped = 0
    for time_us in sorted(changes.keys() | flips.keys()):
        flipped ^= flips.get(time_us, 0)
        word = changes.get(time_us, word)
        found.append((time_us, word ^ flipped))
    return [time_us for time_us, _ in found], [word for _, word in found]


def _seen_every(grid_us: int, times: Sequence[int], words: Sequence[int]) -> tuple[list[int], list[int]]:
    """The same for a controller that looks at its contacts only now and then: what changed in between is seen at once, or never."""
    first_us = times[0]
    # Of what is seen at one time the last counts.
    seen = {first_us - (first_us - time_us) // grid_us * grid_us: word for time_us, word in zip(times, words, strict=True)}
    return list(seen), list(seen.values())


def decoded(moves: Moves, data: bytes, start_us: int = 0, *, released: bool = False, cuts: bool = True) -> tuple[Session, ...]:
    """The sessions that some bytes mean. `released`: every foot is up at the end, at rest; `cuts`: power may go off in between."""
    wraps = cuts and moves.ways[WRAP, None] in data
    return done(moves, read(moves, data), WRAPPING_US if wraps else start_us, released=released, cuts=cuts)


def done(moves: Moves, deeds: Iterable[Deed], start_us: int = 0, *, released: bool = False, cuts: bool = True) -> tuple[Session, ...]:
    """The sessions that come of deeds. Bytes that end in a deed and other bytes can be read one by one, and what they do chained."""
    player = _Player(moves, start_us)
    player.play(deeds, released, cuts)
    return tuple(player.sessions)


def _further(table: Sequence[Move], choices: dict[int, Choices], byte: int, by: int) -> Any:
    """What a byte means that as many FURTHERs stand before."""
    kind, what = table[byte]
    known = choices[kind]
    if kind == WAIT:
        exact_us = table[byte & 127 if byte & 64 else byte][1]
        return max(known.row[(known.places[exact_us] + by * _TIMES) % len(known.row)] + what - exact_us, 0)
    reach = _ARRIVALS if kind == ARRIVE else _KEYS
    return known.row[(known.places[what] + by * reach) % len(known.row)]
