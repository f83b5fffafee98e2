"""MIDI in (semantics, section 9): whole messages from bytes, what they pass on to, and the tempo of another's clock."""

from __future__ import annotations

from fractions import Fraction

from controller_sim.core.kinds import kind_of
from controller_sim.design.form import Received, Tempo, Thru
from controller_sim.midi import Decoder
from controller_sim.reference.tempo import MINUTE_US, TICKS_A_QUARTER, clamped_quarter

LONGEST_SYSEX = 128
NOTE_OFF, NOTE_ON = 0x80, 0x90
OFF_VELOCITY = 64
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
    """The first two data bytes; 0 where there are fewer."""
    return [*message[1:3], 0, 0][:2]


def fits(cause: Received, port: int, message: bytes) -> bool:
    """Whether a message is one that a response waits for."""
    ranges = zip(cause.data, data_of(message), strict=True)
    return cause.status == message[0] and bool(cause.ports & port) and all(low <= value <= high for (low, high), value in ranges)


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
