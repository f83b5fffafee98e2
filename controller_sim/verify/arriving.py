"""What arrives besides contacts while random feet play: pedals with their noise, MIDI whole, broken up, interrupted or senseless."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from controller_sim.core.kinds import MINUTE_US, TICKS_PER_QUARTER, midi_bytes, pedal_reading
from controller_sim.design.form import PORT_NAMES, Design, Pedal, Received
from controller_sim.design.program import Constant, Send
from controller_sim.design.steps import statements_in
from controller_sim.midi import message_length
from controller_sim.midi.messages import END_OF_SYSEX, SYSEX
from controller_sim.verify.dice import Dice

ROWS = 32
"""Different things that arrive in a block; a draw of five bits picks one."""
MOST = 12
"""The most of them in a session."""
REAL_TIME = (0xF8, 0xFA, 0xFB, 0xFC, 0xF9, 0xFE)
STRAY = (*REAL_TIME, 0xF0, 0xF7, 0xF2, 0xF4, 0xF6, 0x90, 0xC1, 0xB3, 0, 60, 127)
OTHER = ((0x90, 60, 0), (0xB3, 1, 2), (0xF0, 5, 0xF7), (0xF0, *[5] * 126, 0xF7), (0xF0, *[5] * 127, 0xF7), (0xF8,))

EVERY_PORT = sum(PORT_NAMES.values())

Row = tuple[tuple[int, tuple[int, ...]], ...]
"""(time since the first, what arrives then), one after another."""


class Sender:
    """Sends to one design what a block's recipe allows; `pauses` are the times between."""

    def __init__(self, design: Design, dice: Dice, pauses: Sequence[int]) -> None:
        self.pauses = pauses
        kinds = [kind for kind in ("read", "read", "jitter") if design.pedals]
        if design.responses or design.thru or design.tempo.follow:
            kinds += ["message", "message", "bytes", "ticks"]
        kinds = [kind for kind in kinds if dice.below(3)] or kinds
        self.rows = tuple(self._row(design, dice, dice.one_of(kinds)) for _ in range(ROWS))

    @staticmethod
    def has_work(design: Design) -> bool:
        """Whether anything that arrives could mean anything to a design."""
        return bool(design.pedals or design.responses or design.thru or design.tempo.follow)

    def arrivals(self, drawn: int, times_us: Sequence[int]) -> tuple[tuple[int, tuple[int, ...]], ...]:
        """What arrives in a session whose contacts change at `times_us`; the number drawn decides what and when."""
        arrived: dict[int, tuple[int, ...]] = {}
        now_us = 0
        for _ in range(drawn % MOST):
            drawn = drawn * 6_364_136_223_846_793_005 + 1_442_695_040_888_963_407 & (1 << 64) - 1
            bits = drawn >> 20
            base_us = times_us[bits % len(times_us)] if bits >> 10 & 1 else now_us
            now_us = max(now_us, base_us + self.pauses[bits >> 11 & 63])
            for after_us, what in self.rows[bits >> 17 & 31]:
                arrived[now_us + after_us] = arrived.get(now_us + after_us, ()) + what
        return tuple(sorted(arrived.items()))

    def _row(self, design: Design, dice: Dice, kind: str) -> Row:
        if kind == "read":
            number = dice.below(len(design.pedals))
            return ((0, (pedal_reading(number, _place(design.pedals[number], dice)),)),)
        if kind == "jitter":
            return self._jitter(design, dice)
        if kind == "ticks":
            port = design.tempo.follow or dice.one_of(tuple(PORT_NAMES.values()))
            beats = dice.one_of((design.tempo.low, design.tempo.high, 120, 17))
            gap_us = MINUTE_US // (TICKS_PER_QUARTER * beats) + dice.between(-1, 1)
            return tuple((place * gap_us, midi_bytes(port, (0xF8,))) for place in range(dice.one_of((3, 25, 26, 50))))
        if kind == "bytes":
            return self._bytes(dice, [dice.one_of(STRAY) for _ in range(dice.between(1, 4))], EVERY_PORT)
        return self._bytes(dice, *_message(design, dice))

    def _jitter(self, design: Design, dice: Dice) -> Row:
        """A pedal that trembles around a place, by about its hysteresis."""
        number = dice.below(len(design.pedals))
        pedal = design.pedals[number]
        last = _place(pedal, dice)
        row = []
        for turn in range(dice.between(2, 6)):
            last = _inside(last + dice.one_of((-1, 1)) * (pedal.hysteresis + dice.below(2)), pedal)
            row.append((turn * max(1, pedal.every_us // 3), (pedal_reading(number, last),)))
        return tuple(row)

    def _bytes(self, dice: Dice, data: list[int], ports: int) -> Row:
        """Bytes at one port, perhaps without their status, with real time in their midst, at one time or one after another."""
        port = dice.one_of([port for port in PORT_NAMES.values() if port & ports])
        if len(data) > 1 and dice.once_in(8):
            del data[0]
        if dice.once_in(4):
            data.insert(dice.below(len(data) + 1), dice.one_of(REAL_TIME))
        apart_us = dice.one_of((0, 0, 320))
        if apart_us:
            return tuple((place * apart_us, midi_bytes(port, (byte,))) for place, byte in enumerate(data))
        return ((0, midi_bytes(port, data)),)


def _place(pedal: Pedal, dice: Dice) -> int:
    ends = (pedal.heel, pedal.toe, pedal.heel + 1, pedal.toe - 1, *pedal.reads, (pedal.heel + pedal.toe) // 2)
    return _inside(dice.one_of(ends) if dice.below(2) else dice.between(*pedal.reads), pedal)


def _inside(reading: int, pedal: Pedal) -> int:
    """What the converter can give: no script could say anything else."""
    return min(max(reading, pedal.reads[0]), pedal.reads[1])


def _message(design: Design, dice: Dice) -> tuple[list[int], int]:
    """A message that some response waits for, or nearly, or one that the design sends itself; and the ports of which one is to have it."""
    ports = EVERY_PORT
    if design.echo_us and dice.once_in(4) and (sent := tuple(echoes(design))):
        return list(dice.one_of(sent)[1]), ports
    causes = [response.cause for response in design.responses if isinstance(response.cause, Received)]
    if not causes or dice.once_in(6):
        return list(dice.one_of(OTHER)), ports
    cause = dice.one_of(causes)
    fits = not dice.once_in(3)
    if fits or dice.below(2):
        ports = cause.ports
    if cause.bits == 14:
        return _pair(cause, fits, dice), ports
    data = [_near(low, high, 127, fits, dice) for low, high in cause.data]
    if cause.status != SYSEX:
        return [cause.status, *data][: message_length(cause.status)], ports
    if not fits and dice.below(2):
        del data[-1:]
    # A cause names a SysEx's first bytes: more may follow.
    return [SYSEX, *data, *[dice.below(128) for _ in range(dice.one_of((0, 0, 1, 9)))], END_OF_SYSEX], ports


def _near(low: int, high: int, most: int, fits: bool, dice: Dice) -> int:
    values = (low, high, dice.between(low, high))
    return dice.one_of(values if fits else (*values, min(high + 1, most)))


def _pair(cause: Received, fits: bool, dice: Dice) -> list[int]:
    """The halves of a controller, the second by running status; or one of them alone, or the lower one first."""
    (number, _), (low, high) = cause.data
    value = _near(low, high, 16_383, fits, dice)
    upper, lower = [number, value >> 7], [number + 32, value & 127]
    return [cause.status, *(upper + lower if fits else dice.one_of((upper, lower, lower + upper)))]


def echoes(design: Design) -> Iterator[tuple[int, tuple[int, ...]]]:
    """(ports, bytes) of the messages of fixed bytes that a design itself sends, as a device would give them back."""
    for procedure in design.procedures:
        for statement in statements_in(procedure.body):
            if isinstance(statement, Send) and all(isinstance(byte, Constant) for byte in statement.data):
                yield statement.ports, tuple(byte.low for byte in statement.data)
