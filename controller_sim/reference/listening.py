"""MIDI in (semantics, section 9): whole messages from bytes, what they pass on to, and the tempo of another's clock."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from fractions import Fraction

from controller_sim.core.kinds import kind_of
from controller_sim.design.form import Design, Received, Tempo, Thru
from controller_sim.midi import Decoder
from controller_sim.reference.tempo import MINUTE_US, TICKS_A_QUARTER, clamped_quarter

LONGEST_SYSEX = 128
MOST_ECHOES = 16
NOTE_OFF, NOTE_ON = 0x80, 0x90
OFF_VELOCITY = 64
SYSEX = 0xF0
CONTROL_CHANGE = 0xB0
LOWER_HALF = 32
CLOCK, START, CONTINUE = 0xF8, 0xFA, 0xFB


class Ear:
    """One port's bytes as whole messages; a SysEx of more than 128 bytes is dropped."""

    def __init__(self) -> None:
        self._decoder = Decoder()

    def messages(self, byte: int) -> list[bytes]:
        return [message for message in self._decoder.feed(bytes([byte])) if len(message) <= LONGEST_SYSEX]


def goes_on(thru: Thru, port: int, message: bytes) -> bool:
    return thru.source == port and bool(thru.kinds >> kind_of(message[0]) & 1)


def as_note_off(message: bytes) -> bytes:
    """A note-on of velocity 0 is a note-off; everything else is what it is."""
    if message[0] & 0xF0 == NOTE_ON and message[2] == 0:
        return bytes([message[0] - NOTE_ON + NOTE_OFF, message[1], OFF_VELOCITY])
    return message


def data_of(message: bytes) -> list[int]:
    """The first two data bytes, 0 where there are fewer; of a SysEx all bytes between F0 and F7."""
    return list(message[1:-1]) if message[0] == SYSEX else [*message[1:3], 0, 0][:2]


@dataclass(frozen=True, slots=True)
class Heard:
    """A message as responses see it. `pair` is what `Pairs` makes of it."""

    port: int
    status: int
    values: list[int]
    pair: list[int]

    def values_for(self, cause: Received) -> list[int] | None:
        """The values for a response that waits for this message, else None."""
        values = self.pair if cause.bits == 14 else self.values
        if cause.status != self.status or not cause.ports & self.port or len(values) < len(cause.data):
            return None
        named = values[: len(cause.data)]
        return named if all(low <= value <= high for (low, high), value in zip(cause.data, named, strict=True)) else None


class Pairs:
    """The upper halves of controllers of 14 bits, as they came in."""

    def __init__(self, design: Design) -> None:
        causes = [response.cause for response in design.responses if isinstance(response.cause, Received)]
        self._paired = {(cause.status, cause.data[0][0]) for cause in causes if cause.bits == 14}
        self._upper: dict[tuple[int, int, int], int] = {}

    def hear(self, port: int, message: bytes) -> list[int]:
        """The number of the upper half and the value of both; empty for what is no half, and for a lower one without an upper."""
        if message[0] & 0xF0 != CONTROL_CHANGE:
            return []
        status, number, value = message
        if (status, number) in self._paired:
            self._upper[port, status, number] = value
            return [number, value * 128]
        upper = self._upper.get((port, status, number - LOWER_HALF))
        return [] if upper is None else [number - LOWER_HALF, upper * 128 + value]


class Echoes:
    """The last messages that left, to know them when they come back."""

    def __init__(self, echo_us: int) -> None:
        self._echo_us = echo_us
        self._sent: deque[tuple[int, int, bytes]] = deque(maxlen=MOST_ECHOES)

    def leaves(self, now_us: int, ports: int, message: bytes) -> None:
        if message[0] != CLOCK:
            self._sent.append((now_us, ports, message))

    def is_echo(self, now_us: int, port: int, message: bytes) -> bool:
        return any(sent == message and ports & port and now_us - sent_us < self._echo_us for sent_us, ports, sent in self._sent)


class Beat:
    """Listens to the ticks of another's clock: each 24 of them in a row are a quarter note."""

    def __init__(self, limits: Tempo) -> None:
        self.limits = limits
        self.longest_us = 2 * Fraction(MINUTE_US, limits.low) / TICKS_A_QUARTER
        self._ticks_us: list[int] = []

    def hear(self, status: int, now_us: int) -> Fraction | None:
        """Microseconds a quarter note when a message ends one, else None."""
        if status in (START, CONTINUE):
            self._ticks_us = []
        if status != CLOCK:
            return None
        if self._ticks_us and now_us - self._ticks_us[-1] > self.longest_us:
            self._ticks_us = []
        self._ticks_us.append(now_us)
        if len(self._ticks_us) <= TICKS_A_QUARTER:
            return None
        began_us, self._ticks_us = self._ticks_us[0], [now_us]
        return clamped_quarter(Fraction(now_us - began_us), self.limits)
