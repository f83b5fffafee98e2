"""What can arrive at a design besides contacts: pedals with their noise, and MIDI that means something, nearly does, or is senseless."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest

from controller_sim.core.kinds import MINUTE_US, TICKS_PER_QUARTER
from controller_sim.design import form
from controller_sim.design.program import Constant, Send
from controller_sim.design.steps import statements_in
from controller_sim.midi import message_length
from controller_sim.midi.messages import END_OF_SYSEX, SYSEX

REAL_TIME = (0xF8, 0xFA, 0xFB, 0xFC, 0xF9, 0xFE)
STRAY = (60, 127, 0, 0x90, 0xC1, 0xB3, 0xF0, 0xF7, 0xF2, 0xF4, 0xF6)
"""Bytes that need not mean anything."""
OTHER = ((0x90, 60, 0), (0xB3, 1, 2), (0xF0, 5, 0xF7), (0xF0, *[5] * 126, 0xF7), (0xF0, *[5] * 127, 0xF7))
BYTE_US = 320
"""How long a byte is on the serial wire: ten bits at 31,250 baud (MIDI 1.0 Detailed Specification 4.2.1, p. 1)."""
TICKS = 26


@dataclass(frozen=True, slots=True)
class Reading:
    """A pedal is read: at `value`, or `nudge` beside what it read last; `noise` more readings tremble around that.

    With `steps` it goes there in so many readings, from what it read last.
    """

    pedal: int
    value: int | None = None
    nudge: int = 0
    noise: int = 0
    steps: int = 1

    def readings(self, pedal: form.Pedal, last: int, low: int = 0, high: int = 65_535) -> list[int]:
        """What a pedal that read `last` reads one after another, within low..high."""
        end = (last if self.value is None else self.value) + self.nudge
        found = [last + (end - last) * (step + 1) // self.steps for step in range(self.steps)]
        found += [end + (pedal.hysteresis + turn // 2) * (1 if turn & 1 else -1) for turn in range(1, self.noise + 1)]
        return [min(max(value, low), high) for value in found]


@dataclass(frozen=True, slots=True)
class Bytes:
    """MIDI bytes come in, at the serial port unless another is asked for; `times` times, `every_us` apart."""

    data: tuple[int, ...]
    times: int = 1
    every_us: int = 0
    port: int = form.SERIAL


Arrival = Reading | Bytes


def apart_us(pedal: form.Pedal) -> int:
    """Between the readings of a moving pedal: several to a move, and none just when its rate allows the next."""
    return max(1, 2 * pedal.every_us // 5)


def listens(design: form.Design) -> bool:
    """Whether anything that arrives could mean anything to a design."""
    return bool(design.pedals or design.responses or design.thru or design.tempo.follow)


def possible_arrivals(design: form.Design) -> Iterator[Arrival]:
    """Everything worth sending to a design, the plainest first, pedals and messages in turn; nothing where nothing listens."""
    groups: list[Sequence[Arrival]] = [list(_readings(number, pedal)) for number, pedal in enumerate(design.pedals)]
    groups += [list(_noise(number, pedal)) for number, pedal in enumerate(design.pedals)]
    if design.responses or design.thru or design.tempo.follow:
        groups += [list(_near(each.cause)) for each in design.responses if isinstance(each.cause, form.Received)]
        if design.tempo.follow:
            beats = (120, design.tempo.low, design.tempo.high, 17)
            groups.append([Bytes((0xF8,), TICKS, MINUTE_US // (TICKS_PER_QUARTER * each), design.tempo.follow) for each in beats])
        if design.echo_us:
            ports = form.PORT_NAMES.values()
            sent = (Bytes(data, port=port) for to, data in echoes(design) for port in ports if to & port)
            groups.append(list(dict.fromkeys(sent)))
        groups += [[Bytes(data) for data in OTHER], [Bytes((byte,)) for byte in (*REAL_TIME, *STRAY)]]
    yield from dict.fromkeys(what for row in zip_longest(*groups) for what in row if what is not None)


def _readings(number: int, pedal: form.Pedal) -> Iterator[Reading]:
    middle = (pedal.heel + pedal.toe) // 2
    for value in (pedal.toe, pedal.heel):
        yield Reading(number, value)
        yield Reading(number, value, steps=5)
    others = (*pedal.reads, middle, pedal.heel + 1, pedal.toe - 1, 0, 65_535)
    yield from (Reading(number, min(max(value, 0), 65_535)) for value in dict.fromkeys(others))


def _noise(number: int, pedal: form.Pedal) -> Iterator[Reading]:
    step = pedal.hysteresis
    yield from (Reading(number, noise=noise) for noise in (2, 5))
    yield from (Reading(number, nudge=nudge) for nudge in (step, -step, step + 1, -step - 1))


def _near(cause: form.Received) -> Iterator[Bytes]:
    """The message with its values at the low ends, at the high ends, in the middle, and one beyond each that has something beyond."""
    port = form.SERIAL if cause.ports & form.SERIAL else form.USB
    for data in dict.fromkeys(_pairs(cause) if cause.bits == 14 else _whole(cause)):
        yield Bytes(data, port=port)


def _whole(cause: form.Received) -> Iterator[tuple[int, ...]]:
    lows, highs = tuple(low for low, _ in cause.data), tuple(high for _, high in cause.data)
    values = [lows, highs, lows[:-1] + highs[-1:], tuple((low + high) // 2 for low, high in cause.data)]
    for place, (low, high) in enumerate(cause.data):
        values += [(*lows[:place], beyond, *lows[place + 1 :]) for beyond in (high + 1, low - 1) if 0 <= beyond <= 127]
    if cause.status == SYSEX:
        # Its first bytes are what fits; it may have more of them, or fewer.
        yield from ((SYSEX, *each, END_OF_SYSEX) for each in (*values, (*lows, 7, 8), lows[:-1]))
    else:
        yield from ((cause.status, *each)[: message_length(cause.status)] for each in values)


def _pairs(cause: form.Received) -> Iterator[tuple[int, ...]]:
    """Both halves of a controller, the second by running status, in both orders, and one of them alone."""
    (number, _), (low, high) = cause.data
    for value in (low, high, min(high + 1, 16_383), 129):
        upper, lower = (number, value >> 7), (number + 32, value & 127)
        yield (cause.status, *upper, *lower)
        yield (cause.status, *lower, *upper)
        yield (cause.status, *upper)
        yield (cause.status, *lower)


def echoes(design: form.Design) -> Iterator[tuple[int, tuple[int, ...]]]:
    """(ports, bytes) of the messages of fixed bytes that a design itself sends, as a device would give them back."""
    for procedure in design.procedures:
        for statement in statements_in(procedure.body):
            if isinstance(statement, Send) and all(isinstance(byte, Constant) for byte in statement.data):
                yield statement.ports, tuple(byte.low for byte in statement.data)
