"""A history as a board that polls goes through it, and what such a board has seen of it as a history again."""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller_sim.core.kinds import midi_bytes, pedal_reading
from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import SERIAL, Design
from controller_sim.midi.wire import BYTE_US
from controller_sim.port.avr import Session, Step
from controller_sim.simulator import History, Input

FIRST_PEDAL_PIN = 5
HIGHEST_READING = 1023
"""What the converter of the chip gives for the supply."""


@dataclass(frozen=True, slots=True)
class Plan:
    """A session as it is to happen: times count from the firmware's start, contacts are closed or not."""

    gap_us: int
    """Without power before it."""
    contacts: int
    steps: tuple[Step, ...]
    off_us: int


def plans(design: Design, history: History) -> list[Plan]:
    """The sessions of a history. Bytes come one after another as a serial line carries them; there is no USB."""
    found: list[Plan] = []
    pedals = [min(pedal.heel, HIGHEST_READING) for pedal in design.pedals]
    word = on_us = off_us = 0
    entries: list[Input] = []
    powered = True
    for entry in (*history.inputs, Input(history.end_us, "off", 0)):
        if entry.kind == "off" and powered:
            found.append(_plan(design, entries, on_us, entry.time_us, on_us - off_us, word, pedals))
            word, off_us, powered, entries = entry.contacts, entry.time_us, False, []
        elif entry.kind == "on":
            on_us, powered = entry.time_us, True
            word = entry.contacts
        elif powered:
            entries.append(entry)
        else:
            _move(design, entry, pedals)
    return found


def _move(design: Design, entry: Input, pedals: list[int]) -> None:
    for event in unpack(entry.arrived):
        if isinstance(event, PedalReading):
            pedals[event.pedal] = min(event.value, HIGHEST_READING)


def _plan(design: Design, entries: Sequence[Input], on_us: int, off_us: int, gap_us: int, word: int, pedals: list[int]) -> Plan:
    steps = [Step(0, "pedal", (FIRST_PEDAL_PIN - number, reading)) for number, reading in enumerate(pedals)]
    line_free_us = 0
    for entry in entries:
        time_us = entry.time_us - on_us
        if entry.kind == "contacts" and not time_us:
            word = entry.contacts
        elif entry.kind == "contacts":
            steps.append(Step(time_us, "contacts", (entry.contacts ^ design.opening,)))
        for event in unpack(entry.arrived):
            if isinstance(event, PedalReading):
                pedals[event.pedal] = min(event.value, HIGHEST_READING)
                steps.append(Step(max(time_us, 1), "pedal", (FIRST_PEDAL_PIN - event.pedal, pedals[event.pedal])))
            elif event.port == SERIAL:
                line_free_us = max(time_us, line_free_us) + BYTE_US
                steps.append(Step(line_free_us, "receive", (event.byte,)))
    steps.sort(key=lambda step: step.time_us)
    last_us = max((step.time_us for step in steps), default=0)
    return Plan(gap_us, word ^ design.opening, tuple(steps), max(off_us - on_us, last_us + 1))


@dataclass(frozen=True, slots=True)
class Seen:
    """What a board has seen in some sessions, as a history of the firmware's clock: power comes on when it first reads its clock."""

    history: History
    sessions: tuple[Session, ...]
    starts_us: tuple[int, ...]
    """When each session began."""
    times_us: tuple[array[int], ...]
    """For each session the times of its polls, from its beginning on."""


def seen(design: Design, planned: Sequence[Plan], sessions: Sequence[Session]) -> Seen:
    """What the board has seen, each thing at the time of the poll that saw it, one session after another."""
    inputs: list[Input] = []
    starts: list[int] = []
    all_times = tuple(session.times_us() for session in sessions)
    word = end_us = 0
    for plan, session, times_us in zip(planned, sessions, all_times, strict=True):
        polled = dict(_polled(design, session))
        start_us = end_us + max(plan.gap_us, 3) if starts else 0
        if starts:
            inputs += _powered_on(end_us, start_us, word, polled.get(0, (None, ()))[1])
        word = 0
        for poll, (contacts, arrived) in sorted(polled.items()):
            if contacts is not None and contacts != word:
                word = contacts
                inputs.append(Input(start_us + times_us[poll], "contacts", word))
            if arrived:
                inputs.append(Input(start_us + times_us[poll], "arrived", word, arrived))
        starts.append(start_us)
        end_us = start_us + (times_us[-1] if times_us else 0)
    return Seen(History(tuple(inputs), end_us), tuple(sessions), tuple(starts), all_times)


def _powered_on(off_us: int, on_us: int, word: int, first: Sequence[int]) -> Iterator[Input]:
    """The power goes off and on. A board sees contacts from its first poll on only; where pedals stand then counts from power-on."""
    yield Input(off_us, "off", word)
    if word:
        yield Input(on_us - 2, "contacts", 0)
    readings = tuple(event for event in first if not event & 3)
    if readings:
        yield Input(on_us - 1, "arrived", 0, readings)
    yield Input(on_us, "on", 0)


def _polled(design: Design, session: Session) -> Iterator[tuple[int, tuple[int | None, tuple[int, ...]]]]:
    """What is new in each poll that sees something new: the word of switches that are down, then pedals, then bytes."""
    words = dict(_words(design, session))
    pedals: dict[int, list[int]] = {}
    received: dict[int, bytearray] = {}
    for what, numbers in session.told:
        if what == "pedal":
            pedals.setdefault(numbers[0], []).append(pedal_reading(FIRST_PEDAL_PIN - numbers[1], _possible(design, *numbers[1:])))
        elif what == "taken":
            received.setdefault(numbers[0], bytearray()).append(numbers[1])
    for poll in sorted({*words, *pedals, *received}):
        events = (*pedals.get(poll, ()), *midi_bytes(SERIAL, received.get(poll, b"")))
        yield poll, (words.get(poll), events)


def _words(design: Design, session: Session) -> Iterator[tuple[int, int]]:
    """The word of switches that are down in each poll that takes a change. One that looks at them takes one, the lowest."""
    looks = [
        (numbers[0], (numbers[1] ^ design.opening) & (1 << len(design.switches)) - 1)
        for what, numbers in session.told
        if what == "contacts"
    ]
    word = 0
    for (poll, pins), (end, _) in pairwise((*looks, (len(session.polls), 0))):
        while word != pins and (poll := session.next_look(poll)) < end:
            word ^= (word ^ pins) & -(word ^ pins)
            yield poll, word
            poll += 1


def _possible(design: Design, pin: int, reading: int) -> int:
    """A reading beyond what a pedal reads is the nearest that it does."""
    low, high = design.pedals[FIRST_PEDAL_PIN - pin].reads
    return min(max(reading, low), high)
