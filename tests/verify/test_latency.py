"""No measured latency ever lies outside the bounds, and feet can reach their worst ends."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.core.kinds import pedal_reading
from controller_sim.design import form, load_design
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Edge, Fired, Message, Output, Responded
from controller_sim.design.program import CancelDelayed
from controller_sim.midi.stream import Encoder
from controller_sim.midi.wire import serial_times, usb_packets, usb_times
from controller_sim.testing.contacts import Session, sessions
from controller_sim.testing.designs import designs
from controller_sim.testing.plain import note, plain_design
from controller_sim.verify.latency import Latencies, Latency, Sending
from controller_sim.verify.reach import Reach, Run

CONFIGS = sorted((Path(__file__).resolve().parents[2] / "configs").glob("*.yaml"))
PORTS = {"serial": form.SERIAL, "usb": form.USB}


@dataclass
class Burst:
    """A gesture that fired, with what it sent at its instant: places in the list of all messages."""

    binding: int
    emitted_us: int
    contact_us: tuple[int, ...]
    """When the contact changed that it counts from; several where the trace leaves open which."""
    by_edge: bool
    """Whether it fired among the edges of its instant, so that the messages after it are its own."""
    messages: list[int] = field(default_factory=list)


@dataclass
class Measured:
    bursts: list[Burst] = field(default_factory=list)
    messages: list[tuple[int, int, bytes]] = field(default_factory=list)
    """(time, ports, bytes), in order."""


class Stopwatch:
    """Plays contacts to an engine that looks now and then, and notes when contacts changed and gestures came out."""

    def __init__(self, design: form.Design, start_us: int, kept: Sequence[int] | None = None) -> None:
        self.design = design
        self.engine = FastEngine(design, now_us=start_us, kept=kept, trace=True)
        self.measured = Measured()
        self.word = 0
        self.seen: list[dict[bool, int]] = [{True: start_us, False: start_us} for _ in design.switches]
        """For each switch when its contact last changed to a level, as far as it was seen."""
        self.presses: list[list[int]] = [[] for _ in design.switches]
        self.releases: list[list[int]] = [[] for _ in design.switches]
        """Contact times of the edges so far."""
        self.edges_us = -1
        self.down = 0
        """The debounced switches that are down."""
        self.last: Burst | None = None

    def look(self, now_us: int, word: int, changed_us: dict[int, int], arrived: tuple[int, ...] = (), late: bool = True) -> None:
        """One look at the contacts; `changed_us` says when those that differ from the last look changed."""
        changed = word ^ self.word
        due = self.engine.next_deadline_us()
        if changed and due is not None and due < now_us:
            # Deadlines before this look know nothing of the new contacts.
            self.engine.advance(now_us - 1, self.word)
            self._take(now_us if late else None)
        for switch in range(len(self.design.switches)):
            if changed >> switch & 1:
                self.seen[switch][bool(word >> switch & 1)] = changed_us[switch]
        self.word = word
        self.engine.advance(now_us, word, arrived)
        self._take(now_us if late else None)

    def _take(self, emitted_us: int | None) -> None:
        for output in self.engine.take_outputs():
            self._note(output, output.time_us if emitted_us is None else emitted_us)

    def _note(self, output: Output, emitted_us: int) -> None:
        match output:
            case Edge(time_us=time_us, switch=switch, down=down):
                (self.presses if down else self.releases)[switch].append(self.seen[switch][down])
                self.edges_us, self.last = time_us, None
                self.down = self.down | 1 << switch if down else self.down & ~(1 << switch)
            case Fired(time_us=time_us, binding=binding):
                self.last = Burst(binding, emitted_us, self._contact_us(binding), time_us == self.edges_us)
                self.measured.bursts.append(self.last)
            case Responded():
                self.last = None
            case Message(ports=ports, data=data):
                if self.last is not None and self.last.by_edge and self.last.emitted_us == emitted_us and output.time_us == self.edges_us:
                    self.last.messages.append(len(self.measured.messages))
                self.measured.messages.append((emitted_us, ports, data))

    def _contact_us(self, number: int) -> tuple[int, ...]:
        binding = self.design.bindings[number]
        members = self.design.keys[binding.key].members
        if binding.gesture in ("press", "hold", "repeat", "double"):
            return (max(self.presses[member][-1] for member in members),)
        if binding.gesture == "release":
            return (max(self.releases[member][-1] for member in members if self.releases[member]),)
        if len(members) == 1:
            return self._lifted_us(members[0])
        return tuple(time_us for member in members for time_us in self.releases[member][-2:])

    def _lifted_us(self, switch: int) -> tuple[int, ...]:
        """When the contact opened of which a single switch's tap comes: the last time, unless a chord has taken a second press since."""
        releases = self.releases[switch]
        large = any(other.mask >> switch & 1 and len(other.members) > 2 for other in self.design.keys)
        # A release ends the second press at the very instant only where a chord of three could still have been completed.
        return tuple(releases[-2:]) if large and not self.down >> switch & 1 else (releases[-1],)


def play(design: form.Design, session: Session, scan_us: int) -> Measured:
    """A session with a look every `scan_us`; 0: at every change and deadline."""
    stopwatch = Stopwatch(design, session.start_us)
    if scan_us:
        looks: list[int] = list(range(session.start_us, session.end_us + scan_us, scan_us))
    else:
        looks = sorted({time_us for time_us, _ in (*session.changes, *session.arrivals)} | {session.end_us})
    changes, arrivals, word = list(session.changes), list(session.arrivals), 0
    changed_us: dict[int, int] = {}
    for look_us in looks:
        while changes and changes[0][0] <= look_us:
            time_us, new = changes.pop(0)
            changed_us |= {switch: time_us for switch in range(len(design.switches)) if (word ^ new) >> switch & 1}
            word = new
        arrived: tuple[int, ...] = ()
        while arrivals and arrivals[0][0] <= look_us:
            arrived += arrivals.pop(0)[1]
        stopwatch.look(look_us, word, changed_us, arrived, late=scan_us > 0)
    return stopwatch.measured


DEBOUNCERS = st.builds(form.Debounce, st.sampled_from(("settle", "lockout")), st.sampled_from((0, 5_000, 12_000)))
GESTURES = st.tuples(st.sampled_from(form.GESTURES), st.sampled_from(("a", "a", "b", "ab", "abc")))
SENDS = st.sampled_from(((), (note(60),), (note(60), note(61))))


def crowded() -> st.SearchStrategy[form.Design]:
    """Designs of one mode where much is bound on few keys, so that gestures wait for each other often."""
    bindings = st.dictionaries(GESTURES, SENDS, min_size=4, max_size=12)
    return st.builds(lambda bound, press, release: plain_design(bound, "abc", press, release), bindings, DEBOUNCERS, DEBOUNCERS)


@st.composite
def histories(draw: st.DrawFn) -> tuple[form.Design, Session, int]:
    """A design without thru, as what goes through belongs to no gesture, a session, and how often the firmware looks."""
    design = draw(st.one_of(designs(restarts=False), crowded()))
    session = draw(sessions(design, 0))
    length_us = session.end_us - session.start_us
    scan_us = draw(st.sampled_from((0, 0, length_us // 300 + 1, length_us // 90 + 1)))
    budget = form.Budget(scan_us=scan_us)
    running = draw(st.booleans())
    return dataclasses.replace(design, thru=(), budget=budget, running_status=running), session, scan_us


def bounds(design: form.Design) -> tuple[Latencies, dict[int, tuple[Run, Latency]]]:
    latencies = Latencies(Reach(design))
    return latencies, {run.number: (run, latencies.of(run)) for run in latencies.reach.all_runs if run.what == "binding"}


@given(histories())
def test_every_gesture_comes_within_its_bounds(history: tuple[form.Design, Session, int]) -> None:
    design, session, scan_us = history
    _, of = bounds(design)
    repeats: set[tuple[int, int]] = set()
    for burst in play(design, session, scan_us).bursts:
        decided = of[burst.binding][1].decided
        took_us = [burst.emitted_us - contact_us for contact_us in burst.contact_us]
        if design.bindings[burst.binding].gesture == "repeat":
            again = (burst.binding, burst.contact_us[0]) in repeats
            repeats.add((burst.binding, burst.contact_us[0]))
            assert took_us[0] >= decided.best_us and (again or took_us[0] <= decided.worst_us)
            continue
        assert any(decided.best_us <= each <= decided.worst_us for each in took_us), (design.bindings[burst.binding], took_us, decided)


def sizes(design: form.Design, messages: Sequence[tuple[int, int, bytes]], port: int) -> list[int]:
    """What each message is at a port, in bytes or packets; 0 where it does not go there."""
    encoder = Encoder(design.running_status)
    if port == form.SERIAL:
        return [len(encoder.encode(data)) if ports & port else 0 for _, ports, data in messages]
    return [len(usb_packets(data)) if ports & port else 0 for _, ports, data in messages]


@given(histories())
def test_what_a_gesture_sends_at_once_is_never_less_or_more_than_its_bounds(history: tuple[form.Design, Session, int]) -> None:
    design, session, scan_us = history
    latencies, of = bounds(design)
    measured = play(design, session, scan_us)
    for port in (form.SERIAL, form.USB):
        size = sizes(design, measured.messages, port)
        for burst in measured.bursts:
            if burst.by_edge:
                bound = latencies.bursts[of[burst.binding][0], port]
                sent = sum(size[number] for number in burst.messages)
                assert bound.least <= sent <= bound.most if sent else bound.may_be_silent
        load = latencies.load(port)
        assert all(load is None or latencies.bursts[run, port].most <= load.most for run in latencies.reach.all_runs)


def ends(design: form.Design, measured: Measured, port: int) -> list[tuple[int, int, int]]:
    """For each message to a port, its number, and when its first byte began and its last one had left."""
    numbers = [number for number, (_, ports, _) in enumerate(measured.messages) if ports & port]
    handed = [(measured.messages[number][0], measured.messages[number][2]) for number in numbers]
    if port == form.SERIAL:
        lines = serial_times(handed, design.running_status)
        return [(number, line.start_us, line.end_us) for number, line in zip(numbers, lines, strict=True)]
    frames = usb_times(handed)
    return [(number, each.packets[0].frame_us, each.packets[-1].frame_us + 1000) for number, each in zip(numbers, frames, strict=True)]


def alone(design: form.Design, measured: Measured, port: int) -> Iterator[tuple[Burst, int, int]]:
    """Gestures whose messages met an idle line and nobody in between, and when their first byte began and the last had left."""
    times = {number: (start_us, end_us) for number, start_us, end_us in ends(design, measured, port)}
    for burst in measured.bursts:
        own = [number for number in burst.messages if number in times]
        others = set(times) - set(own)
        if own and burst.by_edge:
            first_us, last_us = min(times[number][0] for number in own), max(times[number][1] for number in own)
            if not any(times[number][0] < last_us and times[number][1] > burst.emitted_us for number in others):
                yield burst, first_us, last_us


@given(histories())
def test_messages_on_an_idle_line_leave_within_their_bounds(history: tuple[form.Design, Session, int]) -> None:
    design, session, scan_us = history
    _, of = bounds(design)
    measured = play(design, session, scan_us)
    for name, port in PORTS.items():
        for burst, first_us, last_us in alone(design, measured, port):
            sending = next(each for each in of[burst.binding][1].sending if each.port == name)
            took = [(first_us - contact_us, last_us - contact_us) for contact_us in burst.contact_us]
            assert any(_inside(sending, *each) for each in took), (sending, took)


def _inside(sending: Sending, first_us: int, last_us: int) -> bool:
    first, last = sending.first, sending.last
    return first.best_us <= first_us <= first.worst_us and last.best_us <= last_us <= min(last.worst_us, sending.all_us)


class Adversary:
    """Feet and firmware that make a gesture as late as they can: contacts change just after a look, deadlines pass just after one."""

    def __init__(self, design: form.Design, kept: Sequence[int] | None) -> None:
        self.scan_us = design.budget.scan_us
        self.stopwatch = Stopwatch(design, 0, kept)
        self.now_us, self.word = 0, 0
        self.stopwatch.look(0, 0, {}, tuple(pedal_reading(number, pedal.heel) for number, pedal in enumerate(design.pedals)))
        self.wait(1_000_000)

    def wait(self, time_us: int) -> None:
        """Until `time_us` from now, with a look just before each deadline and none at it."""
        end_us = self.now_us + time_us
        while self.now_us < end_us:
            due_us = self.stopwatch.engine.next_deadline_us()
            next_us = min(self.now_us + self.scan_us, end_us)
            if due_us is not None and self.now_us < due_us - 1 < next_us:
                next_us = due_us - 1
            self._look(next_us, {})

    def _look(self, now_us: int, changed_us: dict[int, int]) -> None:
        self.now_us = now_us
        self.stopwatch.look(now_us, self.word, changed_us)

    def move(self, mask: int, down: bool, after_us: int | None = None) -> None:
        """Contacts change 1 us after the last look and are seen at the next, `after_us` later."""
        changed_us = {switch: self.now_us + 1 for switch in range(16) if mask >> switch & 1}
        self.word = self.word | mask if down else self.word & ~mask
        self._look(self.now_us + (after_us or self.scan_us), changed_us)


REST_US = 2_000_000


def provoke(design: form.Design, binding: form.Binding, kept: Sequence[int] | None, early: bool, then: int) -> Measured:
    """One gesture, as late as possible: released `early` in the lockout, or followed by the switches `then` as late as they join."""
    foot, key, timing = Adversary(design, kept), design.keys[binding.key], design.timing
    foot.move(key.mask, True)
    unlocked_us = foot.now_us + timing.press.time_us
    if binding.gesture in ("hold", "repeat"):
        foot.wait(max(binding.hold_us, timing.repeat.first_us) + 10_000)
    elif not early:
        foot.wait(timing.chord_us + 20_000)
    first = 1 << key.members[0]
    foot.move(first, False, after_us=1 if early else None)
    gap_end_us = max(foot.now_us, unlocked_us) + timing.release.time_us + timing.double_us
    if binding.gesture == "double" or then:
        foot.move(key.mask & ~first, False)
        foot.wait(60_000 if binding.gesture == "double" else gap_end_us - 1 - foot.now_us - foot.scan_us)
        foot.move(key.mask, True)
        foot.wait(timing.chord_us - 1 - foot.scan_us if then else timing.chord_us + 10_000)
        foot.move(then, True)
    foot.wait(REST_US // 4)
    foot.move(foot.word, False)
    foot.wait(REST_US)
    return foot.stopwatch.measured


def late_tries(design: form.Design, number: int) -> Iterator[Measured]:
    """Every way to be late, with kept cells as they are at first and at their highest, where a path that depends on them sends most."""
    binding = design.bindings[number]
    mask = design.keys[binding.key].mask
    beside = [design.keys[other.key].mask for other in design.bindings if other.mode == binding.mode]
    joining = sorted({other & ~mask for other in beside if other & mask == mask} - {0}) if binding.gesture == "tap" else []
    for kept in (None, [cell.high for cell in design.cells if cell.keep for _ in range(cell.size)]):
        for early in (False, True):
            for then in (0, *joining):
                yield provoke(design, binding, kept, early, then)


def latest(design: form.Design, latency: Latency) -> tuple[int, dict[str, int]]:
    """How late a gesture and the last bytes of what it sends came, over all tries."""
    decided_us, last_us = 0, dict.fromkeys((each.port for each in latency.sending), 0)
    for measured in late_tries(design, latency.binding):
        for burst in measured.bursts:
            if burst.binding == latency.binding:
                decided_us = max(decided_us, burst.emitted_us - burst.contact_us[-1])
        for name in last_us:
            for burst, _, end_us in alone(design, measured, PORTS[name]):
                if burst.binding == latency.binding:
                    last_us[name] = max(last_us[name], end_us - burst.contact_us[-1])
    return decided_us, last_us


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.name)
def test_feet_and_firmware_that_mean_it_reach_the_worst(path: Path) -> None:
    """Of every gesture of the first mode to 2 us, and to one look where it waits for a double that a chord takes over.

    Of what is sent at an edge: to the clock's byte in between on the serial line, and to a frame on USB.
    """
    design = load_design(path)
    latencies, of = bounds(design)
    for number in design.modes[design.home].bindings:
        run, latency = of[number]
        if design.bindings[number].condition is not None:
            continue
        decided_us, last_us = latest(design, latency)
        slack_us = 2 if len(latency.waits_for) < 2 else design.budget.scan_us + 2
        assert latency.decided.worst_us - slack_us <= decided_us <= latency.decided.worst_us
        if latency.wait.worst_us or latencies.reach.may(run.procedure, CancelDelayed):
            continue
        for each in latency.sending:
            slack_us = 322 if each.port == "serial" else 1002
            assert each.last.worst_us - slack_us <= last_us[each.port] <= each.last.worst_us
