"""From steps to instants: when each contact changes, when the power does, and when each expectation is looked at."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from controller_sim.design.form import Design
from controller_sim.design.storage import keeps
from controller_sim.script.syntax import (
    LONGEST_US,
    MOST_ARRIVALS,
    MOST_STEPS,
    READY_US,
    Bounce,
    Change,
    CutPower,
    Expectation,
    ExpectSilence,
    Jitter,
    Move,
    PowerOff,
    PowerOn,
    Press,
    Receive,
    Script,
    ScriptError,
    Step,
    Sweep,
    Timed,
    Wait,
)


@dataclass(slots=True)
class Instant:
    """What happens at one time: the power first (`power` in order, True is on), then the contacts that turn over, then what arrives."""

    power: list[bool] = field(default_factory=list)
    cut: Check | None = None
    """The step that lets the power fail in the next save, this instant's included."""
    turned: int = 0
    """Bit i: the contact of switch i changes."""
    arrived: list[tuple[str, int | bytes]] = field(default_factory=list)
    """A pedal and its reading, or a port and bytes, in the order of the steps."""
    first_step: int = 0
    last_step: int = 0
    """The numbers of the first and the last step that have a part in it."""


@dataclass(frozen=True, slots=True)
class Check:
    """An expectation, looked at from `clock_us` to `limit_us`; the block of actions before it began at `block_us`."""

    step: Expectation
    clock_us: int
    limit_us: int
    block_us: int
    number: int
    """The number of its step."""


@dataclass(slots=True)
class Timeline:
    instants: dict[int, Instant]
    checks: list[Check]
    end_us: int

    def changes_after(self, check: Check) -> bool:
        """Whether something changes at the check's very time because of later steps."""
        instant = self.instants.get(check.clock_us)
        return instant is not None and instant.last_step > check.number

    def changes_only_after(self, check: Check) -> bool:
        """The same, and nothing changes at that time because of earlier steps."""
        return self.changes_after(check) and self.instants[check.clock_us].first_step > check.number


def lay_out(script: Script, design: Design) -> Timeline:
    """Give every step its time. Raises ScriptError for what feet cannot do, and for a script that is too long."""
    return _Layout(script, design).run()


def bounce_offsets(bounce: Bounce, number: int) -> tuple[int, ...]:
    """The times after a change at which the contact turns over again: an even number, rising, 1..time_us - 1.

    `number` is the number of the change within its step, so that no two of them bounce alike.
    """
    room = bounce.time_us - 1
    state = _next(bounce.seed * 1_000_003 + number * 7919 + 12345)
    offsets: set[int] = set()
    count = min(2 + 2 * ((state >> 16) % 3), room // 2 * 2)
    while len(offsets) < count:
        state = _next(state)
        candidate = 1 + (state * room >> 31)
        while candidate in offsets:
            candidate = candidate % room + 1
        offsets.add(candidate)
    return tuple(sorted(offsets))


def jittered(values: Iterable[int], jitter: Jitter | None, low: int, high: int) -> Iterator[int]:
    """Readings as a trembling converter gives them: each off by up to `jitter.most` either way, within low..high."""
    state = 0 if jitter is None else _next(jitter.seed * 1_000_003 + 12345)
    for value in values:
        if jitter is not None:
            state = _next(state)
            value = min(max(value - jitter.most + (state * (2 * jitter.most + 1) >> 31), low), high)
        yield value


def _next(state: int) -> int:
    """The next of a row of numbers 0..2**31 - 1 that look random; their low bits repeat soon, their high ones scale without a division."""
    return ((state & 0x7FFFFFFF) * 1_103_515_245 + 12345) & 0x7FFFFFFF


class _Layout:
    def __init__(self, script: Script, design: Design) -> None:
        self.script = script
        self.design = design
        self.instants: dict[int, Instant] = {}
        self.checks: list[Check] = []
        self.clock_us = READY_US
        self.floor_us = 0
        self.end_us = 0
        self.block_us = 0
        self.block_open = True
        self.powered = True
        self.down = [False] * len(design.switches)
        self.last_us = [-1] * len(design.switches)
        self.busy_us = [0] * len(design.switches)
        self.step: Step = Step()
        self.number = 0
        self.stands = {pedal.name: pedal.heel for pedal in design.pedals}
        self.arrivals = 0

    def run(self) -> Timeline:
        if len(self.script.steps) > MOST_STEPS:
            raise ScriptError(f"a script has at most {MOST_STEPS} steps, not {len(self.script.steps)}", self.script.file)
        for number, step in enumerate(self.script.steps):
            self.number, self.step = number, step
            self._move_clock(step)
            if isinstance(step, Expectation):
                self._expectation(step)
            else:
                self._action(step)
            self.end_us = max(self.end_us, self.clock_us)
            if self.end_us > LONGEST_US:
                raise self._error("a script lasts at most 24 hours, and this goes beyond")
        return Timeline(dict(sorted(self.instants.items())), self.checks, self.end_us)

    def _error(self, message: str) -> ScriptError:
        text = self.script.line_text(self.step.line)
        column = len(text) - len(text.lstrip()) + 1
        return ScriptError(message, self.script.file, self.step.line, column, text)

    def _move_clock(self, step: Step) -> None:
        if step.when is None:
            return
        if not step.when.absolute:
            self.clock_us += step.when.time_us
        elif step.when.time_us < self.floor_us:
            raise self._error(f"{_seconds(step.when.time_us)} lies before {_seconds(self.floor_us)}, where the step before ends")
        else:
            self.clock_us = step.when.time_us

    def _expectation(self, step: Expectation) -> None:
        limit_us = self.clock_us
        if isinstance(step, ExpectSilence):
            limit_us += step.duration_us
        elif isinstance(step, Timed):
            limit_us += step.within_us or 0
        self.checks.append(Check(step, self.clock_us, limit_us, self.block_us, self.number))
        if isinstance(step, CutPower):
            if not keeps(self.design):
                raise self._error("the design keeps nothing without power, so it never saves: no memory cell says 'keep: yes'")
            self._instant(self.clock_us).cut = self.checks[-1]
        self.block_open = False
        self.end_us = max(self.end_us, limit_us)
        if isinstance(step, ExpectSilence):
            self.clock_us = limit_us
        self.floor_us = self.clock_us

    def _action(self, step: Step) -> None:
        if isinstance(step, Wait):
            self.clock_us += step.duration_us
            self.floor_us = self.clock_us
            return
        if not self.block_open:
            self.block_us, self.block_open = self.clock_us, True
        if isinstance(step, Change):
            self._change(step.switches, step.down, self.clock_us, step.bounce, 0)
        elif isinstance(step, Press):
            self._press(step)
        elif isinstance(step, Move):
            self._read(step.pedal, step.to)
        elif isinstance(step, Sweep):
            self._sweep(step)
        elif isinstance(step, Receive):
            self._receive(step)
        self.floor_us = self.clock_us
        if isinstance(step, PowerOff):
            self._power_off()
        elif isinstance(step, PowerOn):
            self._power_on(step)

    def _press(self, step: Press) -> None:
        if step.length_us < 1:
            raise self._error("a press lasts at least 1us")
        if step.skew_us and len(step.switches) < 2:
            raise self._error("`skew` needs two switches or more, such as `a+c`")
        number = 0
        for turn in range(1 if step.gap_us is None else 2):
            if turn:
                self.clock_us += step.gap_us or 0
            for i, name in enumerate(step.switches):
                late_us = step.skew_us * i // max(1, len(step.switches) - 1)
                self._change((name,), True, self.clock_us + late_us, step.bounce, number + i)
            self.clock_us += step.skew_us + step.length_us
            number += len(step.switches)
            self._change(step.switches, False, self.clock_us, step.bounce, number)
            number += len(step.switches)

    def _receive(self, step: Receive) -> None:
        if step.every_us is None:
            self._arrive(step.port, step.data)
            return
        if step.every_us < 1:
            raise self._error("bytes come every 1us at most")
        begin_us = self.clock_us
        for passed_us in range(0, step.duration_us + 1, step.every_us):
            self.clock_us = begin_us + passed_us
            self._arrive(step.port, step.data)
        self.clock_us = begin_us + step.duration_us

    def _arrive(self, source: str, what: int | bytes) -> None:
        self.arrivals += 1
        if self.arrivals > MOST_ARRIVALS:
            raise self._error(f"pedals are read and bytes received at most {MOST_ARRIVALS} times in a script, and this goes beyond")
        self._instant(self.clock_us).arrived.append((source, what))

    def _sweep(self, step: Sweep) -> None:
        """Readings at even times, the first at once and the last at the end, each the whole number nearest to the even movement."""
        pedal = next((pedal for pedal in self.design.pedals if pedal.name == step.pedal), None)
        if pedal is None:
            raise self._error(f"the design has no pedal {step.pedal!r}")
        if step.every_us < 1:
            raise self._error("a pedal is read every 1us at most")
        begin_us, way_us = self.clock_us, step.duration_us
        start = self.stands[step.pedal] if step.start is None else step.start
        times_us = (*range(0, way_us, step.every_us), way_us)
        even = (start + (2 * (step.to - start) * passed_us + way_us) // (2 * way_us) if way_us else step.to for passed_us in times_us)
        for passed_us, value in zip(times_us, jittered(even, step.jitter, *pedal.reads), strict=True):
            self.clock_us = begin_us + passed_us
            self._read(step.pedal, value)
        self.stands[step.pedal] = step.to

    def _read(self, pedal: str, value: int) -> None:
        if pedal not in self.stands:
            raise self._error(f"the design has no pedal {pedal!r}")
        self.stands[pedal] = value
        self._arrive(pedal, value)

    def _power_off(self) -> None:
        if not self.powered:
            raise self._error("the power is off already")
        self.powered = False
        self._instant(self.clock_us).power.append(False)

    def _power_on(self, step: PowerOn) -> None:
        power = self._instant(self.clock_us).power
        if self.powered:
            power.append(False)
        power.append(True)
        self.powered = True
        self._change(step.holding, True, self.clock_us, None, 0)
        self.clock_us += READY_US

    def _instant(self, time_us: int) -> Instant:
        instant = self.instants.setdefault(time_us, Instant(first_step=self.number))
        instant.last_step = self.number
        return instant

    def _change(self, names: tuple[str, ...], down: bool, time_us: int, bounce: Bounce | None, number: int) -> None:
        if bounce is not None and bounce.time_us < 3:
            raise self._error("bounce lasts at least 3us")
        for i, name in enumerate(names):
            switch = self._switch(name)
            if self.down[switch] == down:
                raise self._error(f"switch {name!r} is {'down' if down else 'up'} already")
            if time_us <= self.last_us[switch]:
                last = _seconds(self.last_us[switch])
                raise self._error(f"switch {name!r} changes at {last} already; leave it some time, as in `+200ms tap {name}`")
            if time_us < self.busy_us[switch]:
                raise self._error(
                    f"switch {name!r} bounces until {_seconds(self.busy_us[switch])}, and changes again at {_seconds(time_us)}"
                )
            self.down[switch] = down
            self.busy_us[switch] = time_us + (bounce.time_us if bounce else 0)
            for at_us in self._turns(time_us, bounce, number + i):
                self._instant(at_us).turned ^= 1 << switch
                self.last_us[switch] = at_us
            self.end_us = max(self.end_us, self.last_us[switch])

    @staticmethod
    def _turns(time_us: int, bounce: Bounce | None, number: int) -> Iterator[int]:
        yield time_us
        if bounce is not None:
            yield from (time_us + offset_us for offset_us in bounce_offsets(bounce, number))

    def _switch(self, name: str) -> int:
        if name not in self.design.switches:
            raise self._error(f"the design has no switch {name!r}")
        return self.design.switches.index(name)


def _seconds(time_us: int) -> str:
    from controller_sim.script.printer import duration_text

    return duration_text(time_us)
