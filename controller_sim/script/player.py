"""Play a script on a design and look at what came of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

from controller_sim.design.form import Design
from controller_sim.design.outputs import Output
from controller_sim.design.storage import keeps
from controller_sim.script.ledger import Ledger
from controller_sim.script.printer import duration_text, print_step
from controller_sim.script.state import is_state, observe, wanted_state
from controller_sim.script.syntax import CutPower, Script, ScriptError
from controller_sim.script.timeline import Check, Instant, Timeline, lay_out
from controller_sim.simulator.engines import EngineFactory
from controller_sim.simulator.simulator import Input, Simulator
from controller_sim.simulator.storage import Storage

MOST_OUTPUTS = 2_000_000
"""The most that a run may put out."""
_LONGEST_ADVANCE_US = 100_000
_MOST_SEEN = 12


@dataclass(frozen=True, slots=True)
class Failure:
    """An expectation that was not met. `came` says what there was instead, each with its time."""

    line: int
    step: str
    """The expectation as a script writes it."""
    time_us: int
    """Where the script's clock was."""
    expected: str
    came: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """A script that was played: everything put in, everything put out, and what was expected in vain."""

    design: Design
    script: Script
    engine: str
    inputs: tuple[Input, ...]
    outputs: tuple[Output, ...]
    failures: tuple[Failure, ...]
    end_us: int
    mode: str | None = None
    """The mode at the end; None without power."""
    cells: tuple[int, ...] | None = None
    """The memory at the end; None without power."""
    positions: tuple[int, ...] | None = None
    """Where the pedals stand at the end; None without power."""
    tempo: int | None = None
    clock_running: bool | None = None
    storage: Storage | None = None
    """The chip that holds the kept cells; None where the design keeps none."""

    @property
    def passed(self) -> bool:
        return not self.failures


def play(design: Design, script: Script, engine: str | EngineFactory = "fast", trace: bool = False, image: bytes | None = None) -> Run:
    """Play a script to its end, whatever fails on the way.

    `engine` is `fast`, `reference` or what makes another; `trace` asks it for debounced edges too; `image` is what the chip with the kept
    cells holds at first. Raises ScriptError for a script that feet cannot play or that makes the controller put out
    more than MOST_OUTPUTS, and SimulatorError for an image that is refused.
    """
    return Player(Simulator(design, engine, trace, image), script).run()


@dataclass(slots=True)
class _Watch:
    """A check on the state that is being looked at, and the different things seen so far."""

    number: int
    check: Check
    seen: list[tuple[int, str]] = field(default_factory=list)


class Player:
    """Plays one script on one simulator that stands at time 0."""

    def __init__(self, simulator: Simulator, script: Script) -> None:
        self.simulator = simulator
        self.script = script
        self.timeline: Timeline = lay_out(script, simulator.design)
        self._failures: dict[int, Failure] = {}
        self._waiting = deque(sorted(self._state_checks(), key=lambda watch: watch.check.clock_us))
        self._watched: list[_Watch] = []
        self._cutting: Check | None = None
        """The power cut that waits for a save."""

    def _state_checks(self) -> Iterator[_Watch]:
        for number, check in enumerate(self.timeline.checks):
            if is_state(check.step):
                yield _Watch(number, check)

    def run(self) -> Run:
        for time_us in self._times():
            self._advance(time_us)
            instant = self.timeline.instants.get(time_us)
            if instant is not None:
                self._apply(instant)
            while self._waiting and self._waiting[0].check.clock_us == time_us:
                self._watched.append(self._waiting.popleft())
            self._look()
            self._look_before(time_us + 1)
        simulator = self.simulator
        outputs = tuple(simulator.outputs)
        self._judge_cut()
        self._judge_messages(outputs)
        engine = simulator.powered_engine() if simulator.powered else None
        return Run(
            design=simulator.design,
            script=self.script,
            engine=simulator.engine_name,
            inputs=tuple(simulator.inputs),
            outputs=outputs,
            failures=tuple(failure for _, failure in sorted(self._failures.items())),
            end_us=simulator.now_us,
            mode=simulator.mode,
            cells=tuple(engine.cells) if engine else None,
            positions=tuple(engine.positions) if engine else None,
            tempo=engine.tempo if engine else None,
            clock_running=bool(engine.clock_running) if engine else None,
            storage=simulator.storage if keeps(simulator.design) else None,
        )

    def _times(self) -> list[int]:
        times = {*self.timeline.instants, self.timeline.end_us}
        for watch in self._waiting:
            times |= {watch.check.clock_us, watch.check.limit_us}
            if self.timeline.changes_only_after(watch.check) and watch.check.clock_us:
                times.add(watch.check.clock_us - 1)
        return sorted(times)

    def _advance(self, time_us: int) -> None:
        """Let time pass, stopping at each of the controller's own deadlines while an expectation is waiting."""
        simulator = self.simulator
        while simulator.now_us < time_us:
            # Looking closes the present instant, so this stands before the step in time, never after the last one.
            if len(simulator.outputs) > MOST_OUTPUTS:
                raise ScriptError(f"the controller put out more than {MOST_OUTPUTS} things by {simulator.now_us} us", self.script.file)
            target_us = min(time_us, simulator.now_us + _LONGEST_ADVANCE_US)
            deadline_us = simulator.next_deadline_us if self._watched else None
            if deadline_us is not None and simulator.now_us < deadline_us < target_us:
                simulator.advance_to(deadline_us)
                self._look()
            else:
                simulator.advance_to(target_us)

    def _apply(self, instant: Instant) -> None:
        if instant.power or instant.cut:
            self._judge_cut()
        for on in instant.power:
            if on:
                self.simulator.power_on()
            elif self.simulator.powered:
                # A save may have been cut off before.
                self.simulator.power_off()
        if instant.cut is not None:
            self._cutting = instant.cut
            assert isinstance(instant.cut.step, CutPower)
            self.simulator.cut_next_save(instant.cut.step.byte, instant.cut.step.leaving)
        self.simulator.change(self.simulator.contacts ^ instant.turned)
        for source, what in instant.arrived:
            if isinstance(what, bytes):
                self.simulator.receive(what, source)
            else:
                self.simulator.turn(source, what)

    def _look(self) -> None:
        """Hold every expectation that is being watched against the present state."""
        if not self._watched:
            return
        now_us = self.simulator.now_us
        remaining = []
        for watch in self._watched:
            if now_us < watch.check.clock_us:
                remaining.append(watch)
                continue
            met, seen = observe(watch.check.step, self.simulator)
            if met:
                continue
            if not watch.seen or watch.seen[-1][1] != seen:
                watch.seen.append((now_us, seen))
            if now_us >= watch.check.limit_us:
                self._fail(watch)
            else:
                remaining.append(watch)
        self._watched = remaining

    def _look_before(self, time_us: int) -> None:
        """Meet expectations at `time_us` by the present state, where only later steps change anything at that time.

        What a script's next line does at the same time must not hide what was there when the expectation was written.
        """
        while self._waiting and self._waiting[0].check.clock_us == time_us:
            watch = self._waiting.popleft()
            if not (self.timeline.changes_only_after(watch.check) and observe(watch.check.step, self.simulator)[0]):
                self._watched.append(watch)

    def _fail(self, watch: _Watch) -> None:
        check = watch.check
        # The last things seen say most about what there was instead.
        came = tuple(f"{duration_text(time_us)}  {seen}" for time_us, seen in watch.seen[-_MOST_SEEN:])
        self._failures[watch.number] = Failure(check.step.line, print_step(check.step), check.clock_us, wanted_state(check.step), came)

    def _judge_cut(self) -> None:
        """A power cut that was to fall into a save must have done so before the next one, or power itself, is switched."""
        check, self._cutting = self._cutting, None
        if check is None:
            return
        assert isinstance(check.step, CutPower)
        came = self.simulator.missed_cut()
        if came is not None:
            number = self.timeline.checks.index(check)
            expected = f"a save of {check.step.byte} bytes or more"
            self._failures[number] = Failure(check.step.line, print_step(check.step), check.clock_us, expected, (came,))

    def _judge_messages(self, outputs: tuple[Output, ...]) -> None:
        ledger = Ledger(self.simulator.design, self.timeline, outputs)
        for number, check in enumerate(self.timeline.checks):
            complaint = ledger.judge(check)
            if complaint is not None:
                expected, came = complaint
                self._failures[number] = Failure(check.step.line, print_step(check.step), check.clock_us, expected, came)
