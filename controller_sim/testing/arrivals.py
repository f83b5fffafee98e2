"""Strategies of what arrives besides contacts: pedals with their jitter, and MIDI bytes, whole, broken up, interrupted or senseless."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from hypothesis import strategies as st

from controller_sim.core.kinds import MINUTE_US, TICKS_PER_QUARTER, midi_bytes, pedal_reading
from controller_sim.design import form
from controller_sim.midi import message_length
from controller_sim.testing.expressions import Draw, between, one_of

PORTS = tuple(form.PORT_NAMES.values())
REAL_TIME = (0xF8, 0xFA, 0xFB, 0xFC, 0xF9, 0xFE)
STRAY = (*REAL_TIME, 0xF0, 0xF7, 0xF2, 0xF4, 0xF6, 0x90, 0xC1, 0xB3, 0, 60, 127)
"""Bytes for rows of bytes that need not mean anything."""


def listens(design: form.Design) -> bool:
    """Whether anything that arrives could mean anything to a design."""
    return bool(design.pedals or design.responses or design.thru or design.tempo.follow)


@dataclass(slots=True)
class Inbox:
    """Collects what arrives, by its time, not earlier than the last."""

    now_us: int
    arrived: dict[int, list[int]] = field(default_factory=dict)

    def add(self, time_us: int, events: Sequence[int]) -> None:
        self.now_us = max(time_us, self.now_us)
        self.arrived.setdefault(self.now_us, []).extend(events)


class Sender:
    """Draws what arrives for one design; `known` are the durations worth hitting exactly, `changes_us` the times of the contacts."""

    def __init__(self, draw: Draw, design: form.Design, changes_us: Sequence[int], known: tuple[int, ...]) -> None:
        self.draw = draw
        self.design = design
        self.changes_us = tuple(changes_us)
        self.known = tuple(sorted({*known, *(pedal.every_us for pedal in design.pedals)}))
        self.inbox = Inbox(changes_us[0])
        self.read = [pedal.heel for pedal in design.pedals]
        self.last = [0xFA]
        """The last bytes that arrived together; they may come once more, at either port, as an echo does."""

    def send(self, steps: int) -> dict[int, list[int]]:
        kinds = (("reading", "jitter", "reading") if self.design.pedals else ()) + ("message", "message", "again", "bytes", "ticks")
        for _ in range(self.draw(between(0, steps))):
            base_us = self.inbox.now_us if self.draw(between(0, 1)) else self.draw(one_of(self.changes_us))
            start_us = base_us + self.draw(one_of(self.known)) + self.draw(one_of((0, 0, 1, -1)))
            start_us = max(start_us, self.inbox.now_us)
            kind = self.draw(one_of(kinds))
            if kind in ("reading", "jitter"):
                self._pedal(start_us, kind == "jitter")
            elif kind == "ticks":
                self._ticks(start_us)
            elif kind == "again":
                self.inbox.add(start_us, midi_bytes(self.draw(one_of(PORTS)), self.last))
            else:
                self._bytes(start_us, self._message() if kind == "message" else self.draw(st.lists(one_of(STRAY), min_size=1, max_size=4)))
        return self.inbox.arrived

    def _pedal(self, start_us: int, jitter: bool) -> None:
        number = self.draw(between(0, len(self.design.pedals) - 1))
        pedal = self.design.pedals[number]
        last, step = self.read[number], pedal.hysteresis
        near = (last + step, last - step, last + step + 1, last - step - 1)
        ends = (pedal.heel, pedal.toe, pedal.heel + 1, pedal.toe - 1, 0, 65_535, (pedal.heel + pedal.toe) // 2)
        for turn in range(self.draw(between(2, 4)) if jitter else 1):
            value = (
                self.draw(one_of(near)) if jitter or self.draw(between(0, 1)) else self.draw(one_of((*ends, (pedal.heel + pedal.toe) // 2)))
            )
            self.read[number] = min(max(value, 0), 65_535)
            self.inbox.add(start_us + turn * max(1, pedal.every_us // 3), (pedal_reading(number, self.read[number]),))

    def _message(self) -> list[int]:
        """A message that some response waits for, or nearly."""
        causes = [response.cause for response in self.design.responses if isinstance(response.cause, form.Received)]
        if not causes or self.draw(between(0, 5)) == 5:
            length = self.draw(one_of((1, 3, 126, 127)))
            return list(self.draw(one_of(((0x90, 60, 0), (0xB3, 1, 2), (0xF0, *[5] * length, 0xF7), (0xF8,)))))
        cause = self.draw(one_of(tuple(causes)))
        if cause.bits == 14:
            return self._pair(cause)
        data = [self.draw(one_of((low, high, min(high + 1, 127)))) for low, high in cause.data]
        if cause.status == 0xF0:
            return [0xF0, *data[: self.draw(one_of((len(data), len(data), 1)))], *self.draw(one_of(((), (), (7, 8)))), 0xF7]
        return [cause.status, *data][: message_length(cause.status)]

    def _pair(self, cause: form.Received) -> list[int]:
        """Both halves of a controller, the second often by running status, or one of them alone."""
        (number, _), ends = cause.data
        value = self.draw(one_of((*ends, min(ends[1] + 1, 16_383), 129)))
        upper, lower = (number, value >> 7), (number + 32, value & 127)
        halves = self.draw(one_of(((upper, lower), (upper, lower), (upper,), (lower,))))
        return [cause.status, *(byte for half in halves for byte in half)]

    def _bytes(self, start_us: int, data: Sequence[int]) -> None:
        """Bytes at one port, perhaps without their status, with real time in their midst, at one time or one after another."""
        port = self.draw(one_of(PORTS))
        self.last = list(data)
        sent = list(data[1:] if len(data) > 1 and self.draw(between(0, 3)) == 3 else data)
        if self.draw(between(0, 3)) == 3:
            sent.insert(self.draw(between(0, len(sent))), self.draw(one_of(REAL_TIME)))
        spread_us = self.draw(one_of((0, 0, min(320, self.known[-1]))))
        for place, byte in enumerate(sent):
            self.inbox.add(start_us + place * spread_us, midi_bytes(port, (byte,)))

    def _ticks(self, start_us: int) -> None:
        beats = self.draw(one_of((self.design.tempo.low, self.design.tempo.high, 120, 17)))
        # A design of short times does much in a long one: it gets its ticks faster than any tempo.
        gap_us = max(1, min(MINUTE_US // (TICKS_PER_QUARTER * beats), self.known[-1] // 2) + self.draw(one_of((0, 1, -1))))
        port = self.design.tempo.follow or self.draw(one_of(PORTS))
        for place in range(self.draw(one_of((3, 26, 25, 50)))):
            self.inbox.add(start_us + place * gap_us, midi_bytes(port, (0xF8,)))


def arrivals(draw: Draw, design: form.Design, changes_us: Sequence[int], known: tuple[int, ...]) -> tuple[tuple[int, tuple[int, ...]], ...]:
    """(time, what arrived), times rising strictly from the first of `changes_us` on; nothing for a design that listens to nothing."""
    if not listens(design):
        return ()
    return tuple((time_us, tuple(events)) for time_us, events in Sender(draw, design, changes_us, known).send(6).items())
