"""The firmware of an ATmega328P as a target: built by avr-gcc, run in an emulated chip, its pins driven by what happens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from controller_sim.design.form import Design
from controller_sim.design.storage import keeps, map_of
from controller_sim.port import WRITERS, Writer
from controller_sim.port.avr import Emulator, Session, build_firmware, missing_emulator
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_held import stored_within_us
from controller_sim.port.judged import judged
from controller_sim.port.polled import Plan, Seen, plans, seen
from controller_sim.port.trace import Trace, trace_of
from controller_sim.reference import ReferenceEngine
from controller_sim.simulator import Engine, History, Simulator, Storage, played
from controller_sim.simulator.engines import EngineFactory
from controller_sim.simulator.storage import ERASED

BLANK = bytes([ERASED])
TOLD = ("CTL_TOLD",)
"""Firmware that reads pedals or MIDI tells what it has read; all other is as it is written."""


class Atmega328p:
    """One process plays all histories of a design. The first begins with a chip that was never used."""

    name = "avr"
    most_tries = 300

    def __init__(self, write: Writer = WRITERS["atmega328p"], folder: Path | None = None) -> None:
        """`write` writes the files of the firmware; `folder` keeps what was built of them."""
        self._write = write
        self._folder = folder
        self._design: Design | None = None
        self._emulator: Emulator | None = None
        self._image = BLANK

    def available(self) -> str | None:
        return missing_emulator()

    def play(self, design: Design, source: str, histories: Sequence[History]) -> Iterator[Trace]:
        """What comes of each history, in the times of the reference where the board is not late by more than it must be.

        Raises PortError for a design that does not fit the board.
        """
        for history in histories:
            if self._emulator is None or self._design is not design:
                self._start(design, source)
            yield self._play(design, history)

    def _start(self, design: Design, source: str) -> None:
        self.close()
        self._emulator = Emulator(design, build_firmware(self._write(design, source), TOLD, self._folder), self._folder)
        self._design = design
        self._image = BLANK

    def _play(self, design: Design, history: History) -> Trace:
        assert self._emulator is not None
        planned = plans(design, history)
        sessions: list[Session] = []
        for plan in planned:
            session = self._emulator.play(plan.contacts, plan.steps, plan.off_us, None if sessions else self._image)
            sessions.append(session)
            fault = next(iter(session.faults), "") or (lost(plan, session) if design.listens else "")
            if fault:
                return Trace(error=fault, hung="hangs" in fault)
        if keeps(design) and self._image == BLANK:
            self._image = first_image(design)
        return compared(design, seen(design, planned, sessions))

    def close(self) -> None:
        """End the process."""
        if self._emulator is not None:
            self._emulator.close()
            self._emulator = None


def lost(plan: Plan, session: Session) -> str:
    """Which of the bytes that have come in the firmware has not taken, in words; empty where none is lost or out of order."""
    sent = [(step.time_us, step.numbers[0]) for step in plan.steps if step.what == "receive"]
    taken = [numbers[1] for what, numbers in session.told if what == "taken"]
    for place, (time_us, byte) in enumerate(sent):
        if place == len(taken) or taken[place] != byte:
            return f"byte {byte:02x}, received {time_us} us after the start, is lost"
    return ""


def first_image(design: Design) -> bytes:
    """What the chip holds once the controller has been switched on for the first time."""
    chip = Storage(design)
    chip.power_on()
    return chip.image


def compared(design: Design, what: Seen) -> Trace:
    """What a board has done, beside what the reference does with what it has seen."""
    simulator = played(design, what.history, _resuming(what))
    expected = trace_of(design, what.history, simulator)
    expected.outputs.pop("usb", None)
    trace = judged(design, what, expected, simulator)
    trace.expected = expected
    restless = [number for number, session in enumerate(what.sessions) if session.unfinished]
    if not all(_is_recent(design, what, simulator, number) for number in restless):
        trace.error = "the serial line or the EEPROM does not come to rest"
    if expected.image is not None:
        last_is_restless = len(what.sessions) - 1 in restless
        trace.image = expected.image if last_is_restless else _image(design, what, simulator, expected.image)
    return trace


def _stored(design: Design, session: Session) -> tuple[int, ...]:
    """The kept values that a board comes up with after a session."""
    return Storage(design, session.image[: design.storage.bytes]).power_on()


def _resuming(what: Seen) -> EngineFactory:
    """The oracle. Where a board lost power though cells went on changing, it comes up with what the board had stored."""
    sessions = iter((None, *what.sessions))

    def reference(design: Design, now_us: int, kept: Sequence[int] | None, trace: bool) -> Engine:
        before = next(sessions)
        return ReferenceEngine(design, now_us, _stored(design, before) if before and before.unfinished and keeps(design) else kept, trace)

    return reference


def _is_recent(design: Design, what: Seen, simulator: Simulator, number: int) -> bool:
    """Whether what a board had stored at the end of a session was so not long ago, because cells that it holds went on changing."""
    held = Facts(design).held_cells
    if not held:
        return False
    end_us = what.starts_us[number] + what.times_us[number][-1]
    since_us = end_us - stored_within_us(map_of(design), held)
    states = [(-1, simulator.storage.first), *((save.time_us, save.kept) for save in simulator.storage.saves)]
    ends_us = [*(time_us for time_us, _ in states[1:]), what.history.end_us + 1]
    stored = _stored(design, what.sessions[number])
    return any(
        stored == kept and began_us <= end_us and since_us <= until_us for (began_us, kept), until_us in zip(states, ends_us, strict=True)
    )


def _image(design: Design, what: Seen, simulator: Simulator, expected: bytes) -> bytes:
    """The board's image; the expected one where both mean the same and must not be alike to the byte.

    The board writes in the background and makes one save of what changes meanwhile; each change is a save of its own to the reference.
    """
    held = what.sessions[-1].image
    image = held[: len(expected)]
    if image == expected or set(held[len(expected) :]) - {ERASED} or _are_apart(what, simulator):
        return image
    came, wanted = (Storage(design, each).power_on() for each in (image, expected))
    return expected if came == wanted else image


def _are_apart(what: Seen, simulator: Simulator) -> bool:
    """Whether the board has written each save before the next began: as many bytes as the reference, from save to save."""
    stores = sorted(
        start_us + times_us[numbers[0]]
        for session, start_us, times_us in zip(what.sessions, what.starts_us, what.times_us, strict=True)
        for kind, numbers in session.told
        if kind == "store" and session.first_clock < numbers[1]
    )
    saves = simulator.storage.saves
    ends = [*(save.time_us for save in saves[1:]), what.history.end_us + 1]
    return all(
        sum(save.time_us <= at_us < end_us for at_us in stores) == save.written + save.tidied
        for save, end_us in zip(saves, ends, strict=True)
    )
