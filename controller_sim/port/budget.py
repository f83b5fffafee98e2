"""What firmware takes of an ATmega328P: flash and RAM as built; stack, time and latency as measured in an emulated one."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, count, pairwise
from typing import Any

from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design
from controller_sim.design.storage import keeps
from controller_sim.port.avr import CYCLES_PER_US, Emulator, Session, build_firmware
from controller_sim.port.conform import Case
from controller_sim.port.errors import PortError
from controller_sim.port.polled import Plan, plans, seen
from controller_sim.port.polling import seen_by_polling
from controller_sim.script.printer import duration_text
from controller_sim.simulator import History, Simulator, played
from controller_sim.simulator.engines import Engine
from controller_sim.simulator.storage import ERASED
from controller_sim.verify.drawing import Feet
from controller_sim.verify.histories import history_of

QUEUE_DEFINES = ("SEND_BYTES=255", "CTL_TOLD")
"""With a queue that takes what one action sends, no poll waits for the serial line: what is measured is the firmware's own time."""
READS_APART = 16
"""Polls between two that read the EEPROM, both at work on one save."""
ACTIVE = ("byte", "display", "leds", "store")


@dataclass(slots=True)
class Measured:
    """The worst that was seen. Times are in cycles of 16 MHz, 0 where there was nothing to measure."""

    histories: int = 0
    polls: int = 0
    idle_poll_cycles: int = 0
    """The longest poll in which nothing was decided: no contact or arrival, no deadline, nothing put out or stored."""
    idle_poll_in: str = ""
    """The history that it was in, and when."""
    poll_cycles: int = 0
    """The longest of all, the serial line not waited for."""
    poll_in: str = ""
    """The history that it was in, and when."""
    pin_to_byte_cycles: int = 0
    """From a contact to the first byte of what it sends at once, the line being idle."""
    stack_bytes: int = 0
    power_on_cycles: int = 0
    """From power to the firmware's start, on a chip that has been used before."""


class _Watched:
    """An engine that notes every instant at which it does something."""

    def __init__(self, engine: Any, instants: list[int]) -> None:
        self._engine = engine
        self._instants = instants
        self._word = 0

    def advance(self, now_us: int, contacts: int, arrived: tuple[int, ...] = ()) -> None:
        while (due_us := self._engine.next_deadline_us()) is not None and due_us < now_us:
            self._instants.append(due_us)
            self._engine.advance(due_us, self._word)
        self._instants.append(now_us)
        self._engine.advance(now_us, contacts, arrived)
        self._word = contacts

    def __getattr__(self, name: str) -> object:
        return getattr(self._engine, name)


def instants_of(design: Design, history: History) -> list[int]:
    """When a controller may decide something: its deadlines, and whatever happens to it."""
    found: list[int] = []

    def make(design: Design, now_us: int = 0, kept: Sequence[int] | None = None, trace: bool = False) -> Engine:
        watched: Any = _Watched(FastEngine(design, now_us, kept, trace), found)
        return watched  # type: ignore[no-any-return]  # it has all that an engine has, by way of __getattr__

    played(design, history, make).powered_engine()
    return sorted(set(found))


def random_cases(design: Design, total_us: int, seed: int) -> list[Case]:
    """Sessions of random feet, as a board sees them, of so long in all."""
    feet = Feet(design, seed)
    cases: list[Case] = []
    for session in chain.from_iterable(map(feet.block, count())):
        history = seen_by_polling(design, history_of([session]))
        total_us -= history.end_us
        if total_us < 0:
            break
        cases.append(Case(f"random feet {len(cases)} of seed {seed}", history))
    return cases


def measure(design: Design, files: Mapping[str, str], cases: Sequence[Case], progress: Callable[[str], None]) -> Measured:
    """Play histories on the firmware of a design, its files, and tell the worst. Raises PortError for what cannot be built or fails."""
    worst = Measured(len(cases))
    image = Simulator(design).storage.image if keeps(design) else bytes([ERASED])
    with Emulator(design, build_firmware(files, QUEUE_DEFINES)) as emulator:
        for number, case in enumerate(cases, 1):
            progress(f"measuring: {number} of {len(cases)} histories")
            planned = plans(design, case.history)
            sessions = [
                emulator.play(plan.contacts, plan.steps, plan.off_us, None if place else image) for place, plan in enumerate(planned)
            ]
            for session in sessions:
                if session.faults:
                    raise PortError(f"the emulated board has failed in {case.name}: {session.faults[0]}")
            _add(worst, design, case.name, planned, sessions)
    return worst


def _add(worst: Measured, design: Design, name: str, planned: Sequence[Plan], sessions: Sequence[Session]) -> None:
    what = seen(design, planned, sessions)
    instants = instants_of(design, what.history)
    for plan, session, start_us, times_us in zip(planned, sessions, what.starts_us, what.times_us, strict=True):
        polls = session.polls
        durations = [later - earlier for earlier, later in pairwise(polls)]
        busy = set(_busy_polls(session, times_us, [at_us - start_us for at_us in instants if at_us >= start_us]))
        worst.polls += len(durations)
        place = max((poll for poll in range(len(durations)) if poll not in busy), key=durations.__getitem__, default=None)
        if place is not None and durations[place] > worst.idle_poll_cycles:
            worst.idle_poll_cycles = durations[place]
            worst.idle_poll_in = f"{name}, {duration_text(start_us + times_us[place])}"
        place = max(range(len(durations)), key=durations.__getitem__, default=None)
        if place is not None and durations[place] > worst.poll_cycles:
            worst.poll_cycles = durations[place]
            worst.poll_in = f"{name}, {duration_text(start_us + times_us[place])}"
        worst.stack_bytes = max(worst.stack_bytes, session.stack_bytes)
        worst.power_on_cycles = max(worst.power_on_cycles, session.first_clock)
        worst.pin_to_byte_cycles = max(worst.pin_to_byte_cycles, max(_latencies(plan, session), default=0))


def _busy_polls(session: Session, times_us: Sequence[int], instants: Sequence[int]) -> Iterator[int]:
    yield 0
    for at_us in instants:
        yield from range(bisect_left(times_us, at_us), session.next_look(bisect_right(times_us, at_us)))
    for what, numbers in session.told:
        if what in ACTIVE:
            yield numbers[0]
        elif what == "stored":
            yield from range(numbers[0], numbers[1] + READS_APART)


def _latencies(plan: Plan, session: Session) -> Iterator[int]:
    """From contact to first byte, for each contact that is seen and at once, or before the next look, leads to a byte on an idle line."""
    edges = [session.first_clock + step.time_us * CYCLES_PER_US for step in plan.steps if step.what == "contacts"]
    contacts = {numbers[0] for what, numbers in session.told if what == "contacts"}
    for what, numbers in session.told:
        if what == "byte" and numbers[1] == numbers[2] and (poll := session.last_look(numbers[0])) in contacts:
            contacts.discard(poll)
            before = session.last_look(poll - 1)
            place = bisect_right(edges, session.polls[before]) if before >= 0 else 0
            if place < len(edges) and edges[place] <= numbers[1]:
                yield numbers[1] - edges[place]
