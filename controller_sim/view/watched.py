"""A run looked at from inside: the readable engine plays it again and is asked after every instant what it is waiting for."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from controller_sim.core.kinds import pedal_reading
from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import Design
from controller_sim.design.outputs import Edge, Fired, Output
from controller_sim.reference import ReferenceEngine
from controller_sim.reference.timeouts import Pending, Wait
from controller_sim.script import Run
from controller_sim.simulator import Input


@dataclass(frozen=True, slots=True)
class Window:
    """A wait: `until_us` is before `due_us` where something cut it short, or the run ended."""

    what: str
    """Of contacts and keys: power_on, settle, lockout, chord, hold, repeat or double; of the controller itself: timer or delayed."""
    switches: tuple[int, ...]
    since_us: int
    until_us: int
    due_us: int
    pending: Pending | None = None
    """Which timer or message."""


@dataclass(frozen=True, slots=True)
class Watched:
    """What a run shows only from inside. Times in microseconds."""

    outputs: tuple[Output, ...]
    """Those of the run, debounced edges included."""
    windows: tuple[Window, ...]
    """In order of their beginning."""
    presses: tuple[tuple[tuple[int, int], ...], ...]
    """For each output that is a gesture: the (switch, time) of every press that made it."""
    tempos: tuple[tuple[int, int], ...]
    """(time, beats a minute) at first and at each change, while there is power."""
    echoes: tuple[tuple[int, int, bytes], ...]
    """(time, port, message) of each message that came in and counted for nothing."""


def watch(design: Design, inputs: Sequence[Input], end_us: int, kept: tuple[int, ...] | None = None) -> Watched:
    """Play what was put in again, until `end_us`; `kept` is what the kept cells hold at first (None: a blank chip).

    All inputs of one time are one instant, as scripts play them.
    """
    return _Watcher(design, kept).run(inputs, end_us)


def watch_run(run: Run) -> Watched:
    """Play a finished run again, from what its chip held at first."""
    kept = run.storage.first if run.storage is not None and run.storage.first else None
    return watch(run.design, run.inputs, run.end_us, kept)


class _Observed(ReferenceEngine):
    """Remembers beside each gesture when its key was pressed."""

    pressed: list[int | None]

    def fire(self, binding: int, pressed_us: int) -> None:
        self.pressed.append(pressed_us)
        super().fire(binding, pressed_us)


@dataclass(slots=True)
class _Watcher:
    design: Design
    kept: tuple[int, ...] | None
    outputs: list[Output] = field(default_factory=list)
    pressed: list[int | None] = field(default_factory=list)
    windows: list[Window] = field(default_factory=list)
    tempos: list[tuple[int, int]] = field(default_factory=list)
    echoes: list[tuple[int, int, bytes]] = field(default_factory=list)
    _open: dict[Pending | tuple[str, int, int, int], Wait | Pending] = field(default_factory=dict)
    _word: int = 0
    _seen_word: int = 0
    _arrived: tuple[int, ...] = ()
    _readings: list[int] = field(default_factory=list)
    _engine: _Observed | None = None

    def run(self, inputs: Sequence[Input], end_us: int) -> Watched:
        self._readings = [pedal.heel for pedal in self.design.pedals]
        self._power_on(0)
        for time_us, group in groupby(inputs, lambda item: item.time_us):
            self._wait_until(time_us)
            for item in group:
                self._put_in(item)
            self._instant(time_us)
        self._wait_until(end_us)
        self._instant(end_us)
        self._close(end_us, ())
        self.windows.sort(key=lambda window: window.since_us)
        return Watched(tuple(self.outputs), tuple(self.windows), tuple(self._presses()), tuple(self.tempos), tuple(self.echoes))

    def _power_on(self, time_us: int) -> None:
        self._engine = _Observed(self.design, time_us, self.kept, trace=True)
        self._engine.pressed = []
        self._seen_word = 0
        self._arrived = tuple(pedal_reading(number, value) for number, value in enumerate(self._readings))

    def _put_in(self, item: Input) -> None:
        if item.kind == "contacts":
            self._word = item.contacts
        elif item.kind == "off":
            self._instant(item.time_us)
            assert self._engine is not None
            self.kept = self._engine.kept()
            self._engine = None
            self._close(item.time_us, ())
        elif item.kind == "on":
            self._power_on(item.time_us)
        else:
            for arrival in unpack(item.arrived):
                if isinstance(arrival, PedalReading):
                    self._readings[arrival.pedal] = arrival.value
            if self._engine is not None:
                self._arrived += item.arrived

    def _wait_until(self, time_us: int) -> None:
        engine = self._engine
        if engine is not None and self._arrived and engine.now_us < time_us:
            self._instant(engine.now_us)
        while engine is not None and (due_us := engine.next_deadline_us()) is not None and due_us < time_us:
            engine.advance(due_us, self._seen_word)
            self._look(engine)

    def _instant(self, time_us: int) -> None:
        if self._engine is not None:
            self._engine.advance(time_us, self._word, self._arrived)
            self._seen_word, self._arrived = self._word, ()
            self._look(self._engine)

    def _look(self, engine: _Observed) -> None:
        outputs = engine.take_outputs()
        # At a restart owed releases fire without their press being told.
        told = iter(engine.pressed)
        self.pressed += [next(told, None) for output in outputs if isinstance(output, Fired)]
        engine.pressed = []
        self.outputs += outputs
        self.echoes += engine.dropped
        engine.dropped = []
        self._close(engine.now_us, [*engine.waits(), *engine.pending()])
        if not self.tempos or self.tempos[-1][1] != engine.tempo:
            self.tempos.append((engine.now_us, engine.tempo))

    def _close(self, now_us: int, waits: Sequence[Wait | Pending]) -> None:
        """End the windows that are open no longer, open the new ones."""
        present: dict[Pending | tuple[str, int, int, int], Wait | Pending] = {}
        for wait in waits:
            if isinstance(wait, Pending):
                present[wait] = wait
                continue
            # A group that grows is still the same window.
            switches = 0 if wait.what == "chord" else wait.switches
            present[wait.what, switches, wait.since_us, wait.due_us] = wait
        for key, wait in self._open.items():
            if key not in present:
                self._end(wait, now_us)
        self._open = present

    def _end(self, wait: Wait | Pending, now_us: int) -> None:
        until_us = min(now_us, wait.due_us)
        if until_us <= wait.since_us:
            return
        if isinstance(wait, Pending):
            what = "delayed" if wait.timer is None else "timer"
            self.windows.append(Window(what, (), wait.since_us, until_us, wait.due_us, wait))
        else:
            self.windows.append(Window(wait.what, _members(wait.switches), wait.since_us, until_us, wait.due_us))

    def _presses(self) -> Iterator[tuple[tuple[int, int], ...]]:
        downs: list[list[int]] = [[] for _ in self.design.switches]
        for output in self.outputs:
            if isinstance(output, Edge) and output.down:
                downs[output.switch].append(output.time_us)
        fired = (output for output in self.outputs if isinstance(output, Fired))
        for output, pressed_us in zip(fired, self.pressed, strict=True):
            binding = self.design.bindings[output.binding]
            # A double is made of the last two presses of each of its switches: nothing else may come between them.
            taken = 2 if binding.gesture == "double" else 1
            found = []
            for switch in self.design.keys[binding.key].members:
                place = bisect_right(downs[switch], pressed_us if pressed_us is not None else output.time_us)
                found += [(switch, time_us) for time_us in downs[switch][max(place - taken, 0) : place]]
            yield tuple(sorted(found, key=lambda press: press[1]))


def _members(mask: int) -> tuple[int, ...]:
    return tuple(switch for switch in range(mask.bit_length()) if mask >> switch & 1)
