"""How long it takes from a contact to a gesture and to the last byte of what it sends: bounds that hold for every history.

A contact is counted from its last change, so bounce is not in it. Seen from there a gesture waits, one after another, until
the firmware looks (`scan_us`), until the contact is believed (debounce), until nothing can make it something else (the wait), and,
where one of these ends between two looks, for the next. The line is taken as idle, but for the MIDI clock; what another action may
have left on it is `Load.busy_us`.
"""

from __future__ import annotations

from dataclasses import dataclass

from controller_sim.design.form import PORT_NAMES, SERIAL, USB, Binding, Debounce, Design, Mode, Moved
from controller_sim.design.program import ClockRun
from controller_sim.midi.wire import BYTE_US, FRAME_US, PACKETS_PER_FRAME
from controller_sim.verify.bursts import Burst, Meter
from controller_sim.verify.reach import Reach, Run
from controller_sim.view.words import gesture_title, response_title

AT_PRESS = ("press", "hold", "repeat", "double")
"""Gestures that count from a contact going down; the others count from one going up."""


@dataclass(frozen=True, slots=True)
class Span:
    """From the best to the worst, in microseconds, both inside."""

    best_us: int
    worst_us: int

    def plus(self, best_us: int, worst_us: int) -> Span:
        return Span(self.best_us + best_us, self.worst_us + worst_us)


@dataclass(frozen=True, slots=True)
class Sending:
    """What a gesture sends to one port, from the contact: until the first byte begins, until the last one has left.

    `last` leaves out what is delayed on purpose, `all_us` is the worst with that. `most` is in bytes (serial) or packets (USB).
    """

    port: str
    first: Span
    last: Span
    all_us: int
    most: int


@dataclass(frozen=True, slots=True)
class Latency:
    """The bounds for one binding. `wait` is from the deciding edge to the gesture, `decided` from the contact to it."""

    binding: int
    edge: str
    """press or release: which contact change the gesture counts from; of a chord the last to close, or the first to open."""
    debounce: Span
    wait: Span
    waits_for: tuple[str, ...]
    decided: Span
    sending: tuple[Sending, ...]


@dataclass(frozen=True, slots=True)
class Load:
    """The largest burst that one action hands to a port at one instant, and which action that is."""

    port: str
    most: int
    """In bytes (serial) or packets (USB)."""
    busy_us: int
    run: Run
    jitter_us: int
    """How late a MIDI clock byte may be because of it, with real-time bytes sent first; of serial only, 0 without a clock there."""
    jitter_behind_us: int
    """The same where the transmit queue is strictly first in, first out."""


def debounce_span(own: Debounce, other: Debounce) -> Span:
    """From a contact's last change to its edge: a lockout after the edge before (of the `other` direction) may have to end first."""
    settle_us = own.time_us if own.kind == "settle" else 0
    locked_us = max(other.time_us - 1, 0) if other.kind == "lockout" else 0
    return Span(settle_us, settle_us + locked_us)


def larger_chords(design: Design, mode: Mode, key: int) -> tuple[str, ...]:
    """The chords bound in a mode that contain a key and are larger."""
    mask = design.keys[key].mask
    keys = {design.bindings[number].key for number in mode.bindings}
    return tuple(
        f"chord {other.name}"
        for number, other in enumerate(design.keys)
        if number in keys and other.mask != mask and other.mask & mask == mask
    )


def wait_of(design: Design, binding: Binding) -> tuple[Span, tuple[str, ...]]:
    """From the deciding edge to the gesture, and the gestures that it waits for."""
    timing, mode = design.timing, design.modes[binding.mode]
    chords = larger_chords(design, mode, binding.key)
    window_us = timing.chord_us if chords else 0
    match binding.gesture:
        case "press" | "double":
            return (Span(0, 0), ()) if binding.eager else (Span(0, window_us), chords)
        case "hold":
            return Span(binding.hold_us, binding.hold_us), ()
        case "repeat":
            return Span(timing.repeat.first_us, timing.repeat.first_us), ()
        case "tap":
            return _tap_wait(design, mode, binding, chords)
    return Span(0, 0), ()


def _tap_wait(design: Design, mode: Mode, binding: Binding, chords: tuple[str, ...]) -> tuple[Span, tuple[str, ...]]:
    """A tap waits for the gap of its double, and then for what the second press becomes."""
    doubles = [other for number in mode.bindings if (other := design.bindings[number]).key == binding.key and other.gesture == "double"]
    if not doubles:
        return Span(0, 0), ()
    gap_us = design.timing.double_us
    alone = len(design.switches) == 1 and any(double.condition is None for double in doubles)
    worst_us = gap_us + (design.timing.chord_us if chords else 0)
    return Span(gap_us if alone else 0, worst_us), (f"double {design.keys[binding.key].name}", *chords)


class Latencies:
    """The bounds of a whole design."""

    def __init__(self, reach: Reach) -> None:
        self.reach = reach
        self.design: Design = reach.design
        self.meters = {port: Meter(reach, port) for port in (SERIAL, USB)}
        self.bursts = {(run, port): meter.burst(run) for run in reach.all_runs for port, meter in self.meters.items()}
        clocked = any(reach.may(run.procedure, ClockRun) for run in reach.all_runs)
        self.clock_ports = self.design.tempo.ports if clocked else 0

    def tick_us(self) -> int:
        """The shortest time between two ticks of the MIDI clock."""
        return 60_000_000 // (24 * self.design.tempo.high)

    def of(self, run: Run) -> Latency:
        """The bounds of a binding."""
        design, binding = self.design, self.design.bindings[run.number]
        timing = design.timing
        press = binding.gesture in AT_PRESS
        debounce = debounce_span(timing.press, timing.release) if press else debounce_span(timing.release, timing.press)
        wait, waits_for = wait_of(design, binding)
        decided = Span(debounce.best_us + wait.best_us, self._worst_us(debounce, wait))
        sending = tuple(each for port in (SERIAL, USB) if (each := self._sending(run, port, decided)) is not None)
        return Latency(run.number, "press" if press else "release", debounce, wait, waits_for, decided, sending)

    def _worst_us(self, debounce: Span, wait: Span) -> int:
        """From the contact to the gesture. A contact in a lockout is seen before that ends, so that look costs nothing."""
        scan_us, settle_us = self.design.budget.scan_us, debounce.best_us
        then_us = settle_us + wait.worst_us
        # What ends between two looks is done at the second.
        seen_us = scan_us + then_us + (scan_us if then_us else 0)
        locked_us = debounce.worst_us - settle_us
        return max(seen_us, locked_us + then_us + scan_us) if locked_us else seen_us

    def of_response(self, run: Run) -> tuple[Span, tuple[Sending, ...]]:
        """From what arrives to what it causes: a message when it is seen, a pedal within the time between two of its moves."""
        cause = self.design.responses[run.number].cause
        scan_us = self.design.budget.scan_us
        every_us = self.design.pedals[cause.pedal].every_us if isinstance(cause, Moved) else 0
        decided = Span(0, every_us + (2 if every_us else 1) * scan_us)
        return decided, tuple(each for port in (SERIAL, USB) if (each := self._sending(run, port, decided)) is not None)

    def _sending(self, run: Run, port: int, decided: Span) -> Sending | None:
        burst, later = self.bursts[run, port], self.meters[port].later(run.procedure)
        if not burst.most and not later:
            return None
        soonest_us = 0 if burst.most else min(later)
        latest_us = max(later) + self.design.budget.scan_us if later and burst.may_be_silent else 0
        begins = (0, 0) if port == SERIAL else (1, FRAME_US)
        first = decided.plus(soonest_us + begins[0], latest_us + begins[1])
        last = decided.plus(soonest_us, latest_us) if not burst.most else decided
        least = burst.least or 1
        last = last.plus(self._time_us(port, least, 1), self._time_us(port, self._with_clock(port, burst.most or 1), FRAME_US))
        total_us = decided.worst_us + self._all_us(port, burst, later)
        name = next(name for name, bit in PORT_NAMES.items() if bit == port)
        return Sending(name, first, last, max(total_us, last.worst_us), burst.most)

    def _time_us(self, port: int, amount: int, frame_wait_us: int) -> int:
        """Until so much has left an idle port; `frame_wait_us` until the next frame of USB begins."""
        if port == SERIAL:
            return amount * BYTE_US
        return frame_wait_us + FRAME_US * -(-amount // PACKETS_PER_FRAME)

    def _with_clock(self, port: int, amount: int) -> int:
        """With the ticks of the clock that may come in between."""
        if not self.clock_ports & port or not amount:
            return amount
        total = amount
        while (grown := amount + 1 + self._time_us(port, total, FRAME_US) // self.tick_us()) > total:
            total = grown
        return total

    def _all_us(self, port: int, burst: Burst, later: dict[int, int]) -> int:
        """Until the last of the delayed messages has left."""
        free_us = self._time_us(port, self._with_clock(port, burst.most), FRAME_US) if burst.most else 0
        for delay_us, amount in sorted(later.items()):
            free_us = max(free_us, delay_us + self.design.budget.scan_us) + self._time_us(port, self._with_clock(port, amount), FRAME_US)
        return free_us

    def load(self, port: int) -> Load | None:
        """The largest burst at a port; None where nothing is ever sent at once."""
        runs = [run for run in self.reach.all_runs if self.bursts[run, port].most]
        if not runs:
            return None
        run = max(runs, key=lambda run: self.bursts[run, port].most)
        burst = self.bursts[run, port]
        jitter_us = behind_us = 0
        if port == SERIAL and self.clock_ports & SERIAL:
            real_time = max(self.bursts[each, port].real_time for each in runs)
            jitter_us, behind_us = BYTE_US * (1 + real_time), BYTE_US * burst.most
        busy_us = burst.most * BYTE_US if port == SERIAL else FRAME_US * (1 + -(-burst.most // PACKETS_PER_FRAME))
        name = next(name for name, bit in PORT_NAMES.items() if bit == port)
        return Load(name, burst.most, busy_us, run, jitter_us, max(behind_us, jitter_us))


def title_of(design: Design, run: Run) -> str:
    """What runs, in a reader's words."""
    mode = design.modes[run.mode].name if run.mode is not None else ""
    if run.what == "binding":
        return f"{gesture_title(design, design.bindings[run.number])} in {mode}"
    if run.what == "response":
        return f"{response_title(design, design.responses[run.number])} in {mode}"
    if run.what == "timer":
        return f"timer {run.number + 1} of {mode}"
    return f"{'entering' if run.what == 'enter' else 'leaving'} {mode}" if mode else "power-on"
