"""What `panic()` sends: enough to silence everything that a design can make sound."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from controller_sim.design.form import Device, Procedure
from controller_sim.design.messages import DEFAULT_VELOCITY, NOTE_OFF, NOTE_ON, PITCH_CENTRE
from controller_sim.design.program import CancelDelayed, Constant, Expression, For, Local, Send, Statement
from controller_sim.design.steps import statements_in

CONTROLLER, PITCH = 0xB0, 0xE0
START, CONTINUE, STOP = 0xFA, 0xFB, 0xFC
PEDALS = (64, 66, 69)
"""Hold, sostenuto and hold 2: while one is down, notes sound on after their note-off."""
ALL_NOTES_OFF, ALL_SOUND_OFF, RESET_CONTROLLERS = 123, 120, 121
"""MIDI 1.0 Detailed Specification 4.2.1, p. 20: all notes off is no substitute for note-offs, and waits for the hold pedal (p. 24-25)."""


def silence(devices: Sequence[Device], procedures: Sequence[Procedure]) -> tuple[Statement, ...]:
    """The body of the procedure, with one local; `procedures` are all others of the design.

    What waits is cancelled, a sequencer that the design can start is stopped, then each channel in use, on all ports on
    which it is used, gets: note-offs for the notes that the design can send there, pedals up if there are any such notes, all
    notes off, all sound off, reset all controllers, and the pitch wheel's centre if the design moves it.
    """
    sends = [each for procedure in procedures for each in statements_in(procedure.body) if isinstance(each, Send)]
    result: list[Statement] = [CancelDelayed()]
    running = 0
    for send in sends:
        if send.data[0].low in (START, CONTINUE):
            running |= send.ports
    if running:
        result.append(Send(running, (_byte(STOP),)))
    for channel in sorted({device.channel for device in devices}):
        ports = 0
        for device in devices:
            ports |= device.ports if device.channel == channel else 0
        result.extend(_silence_channel(channel, ports, sends))
    return tuple(result)


def _silence_channel(channel: int, ports: int, sends: Iterable[Send]) -> Iterator[Statement]:
    notes: set[int] = set()
    bends = False
    for send in sends:
        status = send.data[0].low
        if status == NOTE_ON | channel and send.data[2].high > 0:
            notes.update(range(send.data[1].low, send.data[1].high + 1))
        bends |= status == PITCH | channel
    yield from _note_offs(channel, ports, notes)
    for controller in (*(PEDALS if notes else ()), ALL_NOTES_OFF, ALL_SOUND_OFF, RESET_CONTROLLERS):
        yield Send(ports, (_byte(CONTROLLER | channel), _byte(controller), _byte(0)))
    if bends:
        yield Send(ports, (_byte(PITCH | channel), _byte(PITCH_CENTRE % 128), _byte(PITCH_CENTRE // 128)))


def _note_offs(channel: int, ports: int, notes: set[int]) -> Iterator[Statement]:
    """One loop for each run of neighbouring notes."""

    def off(note: Expression) -> Send:
        return Send(ports, (_byte(NOTE_OFF | channel), note, _byte(DEFAULT_VELOCITY)))

    for low in sorted(note for note in notes if note - 1 not in notes):
        high = low
        while high + 1 in notes:
            high += 1
        yield off(_byte(low)) if low == high else For(0, low, high + 1, 1, (off(Local(low, high, 0)),))


def _byte(value: int) -> Constant:
    return Constant(value, value)
