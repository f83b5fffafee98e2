"""Watchers of promises say what a reader of the whole run would say, at the instant at which it is certain."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st

from controller_sim import load_design, parse_script, play
from controller_sim.design import Design, DesignError, load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Event, Gestured, Moved, Promise, Received, Sent, Started, Turned
from controller_sim.design.outputs import Fired, Message, ModeEntered, Output, Responded, Restarted, decode_one
from controller_sim.design.program import Changed, Constant, Down, Expression, Lit, Reading, Shows, Text, Was
from controller_sim.reference import ReferenceEngine
from controller_sim.reference.interpreter import Interpreter
from controller_sim.simulator.engines import Seen
from controller_sim.testing.contacts import sessions
from controller_sim.verify.happenings import Past
from controller_sim.verify.promises import Kept, PromiseWatcher, promise_watchers, promises_of
from controller_sim.verify.watching import EngineFactory, Item, Session, Watcher, walk

HEAD = """switches: [a, b, c]
leds: [a, lamp]
colours: {lamp: [red, amber]}
display: {characters: 8}
timing: {debounce: {press: lockout 1ms, release: settle 1ms}, chord: 4ms, hold: 20ms, double: 10ms, label: 8ms}
devices:
  pads: {channel: 2, notes: 36..60, controllers: {damp: {number: 80, on: 127, off: 0}, level: {number: 7, bits: 14}}}
  bell: {channel: 3}
memory: {n: {range: 0..3, ends: wrap, texts: {2: two}}, armed: {names: ["off", "on"]}}
modes:
  show:
    display: "{armed} {n}"
    leds: {a: armed, lamp: "amber if n == 2 else red"}
    enter: armed = off
    on:
      press a..b: |
        n += 1 + position
        note(pads, 40 + switch, length_ms=5)
      hold a: enter(set_up)
      tap b+c: |
        armed = on
        notice("armed", ms=12)
      press c: |
        control_change(pads, damp, armed)
        control_change(pads, level, 130 * n)
      release c: note(bell, 40, length_ms=2)
      received note_on(pads, 40): n = 0
      received note_on(pads, k): note(pads, k, length_ms=3)
      received control_change(pads, level, v): control_change(pads, level, v)
  set_up:
    draft: [n]
    form: [{label: n, cell: n}, {label: arm, cell: armed}]
    timers: {after 30ms: enter(show)}
    leave: note_on(pads, 50)
    on:
      press a: form_value(1)
      press b: form_next()
      tap c: |
        save()
        enter(show)
      hold c 50ms: restart()
wire: {thru: {usb: {to: [serial], only: [control_change]}}}
promises:
"""
EVENTS = (
    "press a",
    "press a..b",
    "press a..b when n == 1",
    "hold a",
    "tap b+c when armed == off",
    "sent note_on(pads)",
    "sent note_on(pads, 41) when n > 1",
    "sent note_off(pads)",
    "sent control_change(pads, damp, on)",
    "received note_on(pads)",
    "enter set_up",
    "leave set_up",
    "leave show when n != 2",
    "power_on",
    "received note_on(pads, 41..60) when n < 2",
    "sent control_change(pads, level) when was(n) != n",
    "sent control_change(pads, 39)",
    "sent message(pads)",
    "sent message(channel 3)",
    "restart",
)
NAMING = (
    "sent note_on(pads, k)",
    "sent note_off(pads, k) when n > 0",
    "sent note_on(pads, k in 40..41)",
    "received note_on(pads, k)",
    "received control_change(pads, level, k)",
    "sent control_change(pads, level, k)",
)
CONDITIONS = (
    "n == 2",
    "n > 0",
    "armed",
    "mode == show",
    "mode == set_up or n < 3",
    "led(lamp) == amber",
    "led(a) != armed",
    "led(n % 2) == on",
    'display == "{armed} {n}"',
    '"two" in display',
    'display != "n" and not notice_shown',
    "down(a)",
    "was(down(b)) and not down(b) or not armed",
    "changed()",
    "changed(n) or changed(field)",
    "was(n) <= n",
    "led(lamp) == was(led(lamp))",
    'was(display == "off {n}")',
)
LIMITS = ("0us", "4ms", "5ms", "5001us", "20ms", "31ms", "400ms")
any_event = st.sampled_from(EVENTS)
condition = st.sampled_from(CONDITIONS)


def quoted(part: str, texts: list[str]) -> str:
    return f"{part}: '{texts[0]}'" if len(texts) == 1 else f"{part}: [{', '.join(repr(text) for text in texts)}]"


@st.composite
def promise_texts(draw: st.DrawFn) -> str:
    kind = draw(st.sampled_from(("always", "never", "comes")))
    named = draw(st.booleans())
    naming = st.sampled_from(NAMING)
    after = draw(st.lists(naming if named else any_event | condition, min_size=1, max_size=2))
    event = any_event | naming if named else any_event
    some = st.lists(event | condition, min_size=1, max_size=2)
    what = [draw(condition)] if kind == "always" else draw(some)
    parts = [quoted(kind, what)]
    if kind != "comes" and not named and draw(st.booleans()):
        return ", ".join(parts + ([quoted("while", [draw(condition)])] if draw(st.booleans()) else []))
    parts.append(quoted("after", after))
    limited = draw(st.booleans())
    if limited:
        parts.append(f"within: {draw(st.sampled_from(LIMITS))}")
    if draw(st.booleans()) or (kind == "comes" and not limited):
        parts.append(quoted("until", draw(some)))
    return ", ".join(parts)


@cache
def design_with(*promises: str) -> Design:
    return load_design_text(HEAD + "".join(f"  p{number}: {{{text}}}\n" for number, text in enumerate(promises)))


@dataclass
class Instant:
    time_us: int
    outputs: list[Output]
    past: Past


class Witness(Watcher):
    """Writes a whole run down."""

    def __init__(self) -> None:
        super().__init__()
        self.run: list[Instant] = []

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        self.run.append(Instant(time_us, [decode_one(time_us, item) for item in items], Past(engine)))
        return None


END = 1 << 30
Place = tuple[int, int]
"""An instant, and the number of an output of it, or END for what is so when all has happened."""


class Reader:
    """Judges a promise by the whole run, by its definition and nothing else."""

    def __init__(self, design: Design, promise: Promise, run: list[Instant], end_us: int) -> None:
        self.design, self.promise, self.run, self.end_us = design, promise, run, end_us

    def broken_us(self) -> int:
        """When the promise is broken first; -1 if it is kept."""
        found = [broken for opening in self.openings() if (broken := self.broken_after(*opening)) is not None]
        return min(found, default=-1)

    def openings(self) -> Iterator[tuple[Place, tuple[int, ...]]]:
        if not self.promise.after:
            yield (0, -1), ()
        for after in self.promise.after:
            if isinstance(after, Event):
                yield from ((place, own[: self.promise.named]) for place, own in self.matches(after, (), (-1, 0)))
                continue
            was = False
            for i in range(len(self.run)):
                now = self.holds(after, i, ())
                if now and not was:
                    yield (i, END - 1), ()
                was = now

    def broken_after(self, place: Place, named: tuple[int, ...]) -> int | None:
        promise = self.promise
        limit_us = self.end_us if promise.within_us is None else self.run[place[0]].time_us + promise.within_us
        until = self.until(place, named)
        times = [self.run[i].time_us for i in self.verdicts(place, named, until, limit_us)]
        if promise.kind != "comes":
            return min(times, default=None)
        if times:
            return None
        if until is not None and self.run[until[0]].time_us <= limit_us:
            return self.run[until[0]].time_us
        return limit_us if promise.within_us is not None and limit_us <= self.end_us else None

    def until(self, place: Place, named: tuple[int, ...]) -> Place | None:
        return min(filter(None, (self.until_one(until, place, named) for until in self.promise.until)), default=None)

    def until_one(self, until: Any, place: Place, named: tuple[int, ...]) -> Place | None:
        if isinstance(until, Event):
            return next((found for found, _ in self.matches(until, named, place)), None)
        return next(((i, END) for i in range(place[0], len(self.run)) if self.holds(until, i, named)), None)

    def verdicts(self, place: Place, named: tuple[int, ...], until: Place | None, limit_us: int) -> Iterator[int]:
        """The instants at which what comes has come, or at which the promise is broken."""
        for what in self.promise.what:
            yield from self.verdicts_on(what, place, named, until, limit_us)

    def verdicts_on(self, what: Any, place: Place, named: tuple[int, ...], until: Place | None, limit_us: int) -> Iterator[int]:
        kind, during = self.promise.kind, self.promise.during
        if isinstance(what, Event):
            for found, _ in self.matches(what, named, place):
                inside = self.run[found[0]].time_us <= limit_us and (until is None or found <= until)
                if inside and (during is None or self.holds(during, found[0] - self.looks_back(what), ())):
                    yield found[0]
            return
        for i in range(place[0], len(self.run)):
            ended = until is not None and (i > until[0] or (kind != "comes" and i == until[0]))
            if ended or self.run[i].time_us > limit_us or self.run[i].past.mode < 0 or (during and not self.holds(during, i, ())):
                continue
            if self.holds(what, i, named) == (kind != "always"):
                yield i

    def looks_back(self, event: Event) -> int:
        return int(isinstance(event.what, Gestured | Moved | Received))

    def matches(self, event: Event, named: tuple[int, ...], after: Place) -> Iterator[tuple[Place, tuple[int, ...]]]:
        mode = -1
        if isinstance(event.what, Started) and not event.what.restarted and after < (0, -1) and self.allowed(event, (), named, 0):
            yield (0, -1), ()
        for i, instant in enumerate(self.run):
            for j, output in enumerate(instant.outputs):
                raw = self.raw(event.what, output, mode, (i, j))
                if raw is not None and (i, j) > after:
                    own = tuple(self.value(value, i, list(raw)) for value in event.values)
                    if self.allowed(event, own, named, i):
                        yield (i, j), own
                mode = output.mode if isinstance(output, ModeEntered) else -1 if isinstance(output, Restarted) else mode

    def allowed(self, event: Event, own: tuple[int, ...], named: tuple[int, ...], i: int) -> bool:
        return event.condition is None or self.holds(event.condition, i - self.looks_back(event), (*named, *own))

    def raw(self, what: Any, output: Output, mode: int, place: Place) -> tuple[int, ...] | None:
        match what, output:
            case Gestured(), Fired():
                binding = self.design.bindings[output.binding]
                if (binding.gesture, binding.hold_us) == (what.gesture, what.hold_us) and binding.key in what.keys:
                    return binding.key, what.keys.index(binding.key)
            case Sent(message=wanted), Message():
                status, *values = (*output.data, 0, 0)[:3]
                if not wanted.data:
                    return () if status & 15 == wanted.status and status < 0xF0 and output.ports & wanted.ports else None
                if wanted.bits == 14:
                    values = self.both_halves(values, place)
                return tuple(values) if status == wanted.status and output.ports & wanted.ports and fits(values, wanted) else None
            case Received(), Responded():
                cause = self.design.responses[output.response].cause
                assert isinstance(cause, Received)
                alike = (cause.status, cause.bits) == (what.status, what.bits)
                return output.values if alike and fits(output.values, what) else None
            case Turned(entered=True), ModeEntered():
                return () if output.mode == what.mode else None
            case Turned(entered=False), ModeEntered() | Restarted():
                return () if mode == what.mode else None
            case Started(restarted=True), Restarted():
                return ()
        return None

    def holds(self, condition: Any, i: int, named: tuple[int, ...]) -> bool:
        return i >= 0 and self.run[i].past.mode >= 0 and self.value(condition, i, list(named)) != 0

    def both_halves(self, lower: list[int], place: Place) -> list[int]:
        """What a lower half makes with the last upper half before it; nothing without one. All controllers here are on one port."""
        sent = [
            output.data
            for i, instant in enumerate(self.run)
            for j, output in enumerate(instant.outputs)
            if (i, j) < place and isinstance(output, Message) and output.data[0] & 0xF0 == 0xB0 and output.data[1] == lower[0] - 32
        ]
        return [lower[0] - 32, sent[-1][2] * 128 + lower[1]] if sent else []

    def value(self, expression: Any, i: int, slots: list[int]) -> int:
        reader = Interpreter(self.design, self.run[i].past)  # type: ignore[arg-type]  # it reads only
        return reader.value(self.known(expression, i, slots), slots)

    def known(self, expression: Any, i: int, slots: list[int]) -> Any:
        """The expression with what the reference interpreter does not know as constants."""
        past = self.run[i].past
        match expression:
            case Lit(led=led):
                return constant(past.leds[led])
            case Reading(name=name):
                return constant(int(getattr(past, name)))
            case Down(switch=switch):
                return constant(past.level >> self.value(switch, i, slots) & 1)
            case Was(value=value):
                return constant(self.value(value, i - 1 if i and self.run[i - 1].past.mode >= 0 else i, slots))
            case Changed(cell=None):
                return constant(past.cells != past.saved())
            case Changed(cell=cell):
                offset, size = self.design.cells[cell].offset, self.design.cells[cell].size
                return constant(past.cells[offset : offset + size] != past.saved()[offset : offset + size])
            case Shows(text=text, inside=inside):
                pieces = [self.known_part(part, i, slots) for part in text.parts]
                shown = Interpreter(self.design, past).text(Text(tuple(pieces)), slots)  # type: ignore[arg-type]  # it reads only
                return constant(shown in past.display if inside else shown == past.display)
        assert is_dataclass(expression)
        parts = {field.name: getattr(expression, field.name) for field in fields(expression)}
        known = {name: self.known(part, i, slots) for name, part in parts.items() if isinstance(part, Expression)}
        return replace(expression, **known)  # type: ignore[type-var]

    def known_part(self, part: Any, i: int, slots: list[int]) -> Any:
        return part if isinstance(part, str) else replace(part, expression=self.known(part.expression, i, slots))


def constant(value: int) -> Constant:
    return Constant(int(value), int(value))


def fits(values: Sequence[int], wanted: Received) -> bool:
    return len(values) == 2 and all(low <= value <= high for value, (low, high) in zip(values, wanted.data, strict=True))


def watched(factory: EngineFactory, design: Design, session: Session) -> tuple[list[PromiseWatcher], list[Instant]]:
    """The watchers of a design's promises after a run, and all that happened in it."""
    witness = Witness()
    watchers = [PromiseWatcher(number, design) for number in range(len(design.promises))]

    class All(Watcher):
        def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
            witness.see(time_us, items, engine)
            for each in watchers:
                if each.broken_us < 0:
                    assert (each.see(time_us, items, engine) is None) == (each.broken_us < 0)
            return None

        def end(self, time_us: int, engine: Seen, at_rest: bool) -> str | None:
            for each in watchers:
                if each.broken_us < 0:
                    each.end(time_us, engine, at_rest)
            return None

    assert walk(factory(design, session.times_us[0], None, True), session, [All()]) is None
    return watchers, witness.run


def drawn_session(data: st.DataObject, design: Design) -> Session:
    return data.draw(sessions(design))


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(promise_texts(), min_size=3, max_size=6), st.data())
def test_a_watcher_says_what_the_whole_run_says(texts: list[str], data: st.DataObject) -> None:
    try:
        design = design_with(*texts)
    except DesignError:
        reject()
    session = drawn_session(data, design)
    watchers, run = watched(FastEngine, design, session)
    for promise, watcher, text in zip(design.promises, watchers, texts, strict=True):
        assert watcher.broken_us == Reader(design, promise, run, session.times_us[-1]).broken_us(), text


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(promise_texts(), min_size=1, max_size=4), st.data())
def test_both_engines_keep_and_break_the_same_promises(texts: list[str], data: st.DataObject) -> None:
    try:
        design = design_with(*texts)
    except DesignError:
        reject()
    session = drawn_session(data, design)
    judged = [[(each.broken_us, each.reached) for each in watched(engine, design, session)[0]] for engine in (FastEngine, ReferenceEngine)]
    assert judged[0] == judged[1]


CONFIGS = Path(__file__).parents[2] / "configs"
BOOTH, TOURING = CONFIGS / "booth.yaml", CONFIGS / "touring.yaml"
ORGAN = "+1s receive from organ program_change 3"
KNEE = "+1s receive from organ control_change knee 5"
FROZEN = "tap i+j\n+1s tap a"
INTERVAL = "tap i+j\n+1s tap j"
PLANTED = [
    (BOOTH, "a lamp forgotten in one mode", "e: frozen == on}", "e: off}", "tap e", "LED e is off, frozen is on, mode is show"),
    (
        BOOTH,
        "another device's cue",
        "program_change(sampler, cue_sampler[n])",
        "program_change(sampler, 5)",
        "tap a",
        "has not come by 0.101000",
    ),
    (BOOTH, "a beat that comes too late", "beat, on, delay_ms=30", "beat, on, delay_ms=31", "double e", "has not come by 0.335000"),
    (
        BOOTH,
        "a clock left running",
        "    lit = -1\n    clock_stop()",
        "    lit = -1",
        "hold d for 1s\n+1s hold e for 4s",
        "clock, after 5.100000",
    ),
    (
        BOOTH,
        "a message in the wrong mode",
        "save()\n",
        "save()\n        control_change(room, freeze, on)\n",
        "hold a for 1s\n+1s hold a for 1s",
        "freeze",
    ),
    (BOOTH, "acts counted from 0", '- {text: "act {act + 1}"}', '- {text: "act {act}"}', "wait 1s", 'the display shows "act 0", act is 0'),
    (BOOTH, "an act passed over", "act += 1", "act += 2", "tap d+e", "act is 2, act was 0, after"),
    (
        BOOTH,
        "no amber",
        "blink(amber) if changed(field) else on, other",
        "on, other",
        "hold a for 1s\n+2s tap d",
        "LED d is green, field is 0, cue[0, 0] has changed",
    ),
    (
        TOURING,
        "scenes counted from 1",
        "recall(n)\n  received control",
        "recall(max(n, 1) - 1)\n  received control",
        ORGAN,
        "(where n is 3)",
    ),
    (TOURING, "a knee the wrong way", "level, v)\n  received", "level, 16383 - v)\n  received", KNEE, "(where v is 640)"),
    (TOURING, "a foot that holds for good", "release a: control_change(room, freeze, off)", "release a: pass", FROZEN, "has not come by"),
    (
        TOURING,
        "a wet damped room",
        "to_wet(): control_change(room, wet, 0 if damped else wet)",
        "to_wet(): control_change(room, wet, wet)",
        "tap far",
        "(where v is 20)",
    ),
    (TOURING, "minutes of 59 seconds", ':{seconds_left % 60:02}"]', ':{seconds_left % 59:02}"]', INTERVAL, 'shows "interval" / "15:15"'),
]


@pytest.mark.parametrize(
    ("path", "right", "wrong", "script", "seen"), [(case[0], *case[2:]) for case in PLANTED], ids=[case[1] for case in PLANTED]
)
@pytest.mark.parametrize("engine", ["fast", "reference"])
def test_a_planted_mistake_breaks_one_promise_and_its_mended_twin_none(
    path: Path, right: str, wrong: str, script: str, seen: str, engine: str
) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(right) >= 1
    mended, planted = (load_design_text(each, path.name) for each in (text, text.replace(right, wrong)))
    (broken,) = played(planted, script, engine).broken
    line = next(n for n, each in enumerate(text.replace(right, wrong).split("\n"), 1) if each.startswith(f"  {broken.promise.name}:"))
    assert str(broken).startswith(f"{path.name}:{line}: the promise '{broken.promise.name}' is broken at ")
    assert seen in broken.seen
    assert played(mended, script, engine).broken == ()


def played(design: Design, script: str, engine: str = "fast") -> Kept:
    return promises_of(play(design, parse_script(script + "\nwait 2s\n", design), engine))


@pytest.mark.parametrize(("within", "broken_us"), [("5ms", -1), ("4999us", 104_999)])
def test_what_has_to_come_is_missed_at_the_last_instant_at_which_it_could(within: str, broken_us: int) -> None:
    design = design_with(f'after: "sent note_on(pads, k in 40..41)", comes: "sent note_off(pads, k)", within: {within}')
    kept = played(design, "tap a")
    assert [each.time_us for each in kept.broken] == ([] if broken_us < 0 else [broken_us])
    assert kept.reached == (1,)


def test_what_is_still_to_come_when_power_goes_off_is_not_broken() -> None:
    design = design_with("after: press a, comes: n == 3, within: 1s", "after: power_on, never: n == 2")
    kept = played(design, "tap a\n+200ms power off\n+2s power on\n+100ms tap a\n+100ms power off")
    assert kept.broken == ()
    assert kept.reached == (2, 2)
    assert [each.promise.name for each in played(design, "tap a\n+500ms tap a\n+2s power off").broken] == ["p0", "p1"]


def test_kept_cells_go_from_one_power_on_to_the_next() -> None:
    text = HEAD.replace("n: {range: 0..3, ends: wrap,", "n: {range: 0..3, ends: wrap, keep: yes,")
    design = load_design_text(text + "  p: {never: n == 2}\n")
    assert [each.time_us for each in played(design, "tap a\n+200ms power off\n+1s power on\n+100ms tap a").broken] == [1_560_000]


def test_a_design_without_promises_has_nothing_to_watch() -> None:
    design = load_design(BOOTH.with_name("starter.yaml"))
    assert promise_watchers(design) == {}
    assert played(design, "tap go") == Kept((), ())


def test_it_is_said_at_the_very_instant_at_which_it_is_certain() -> None:
    design = design_with("after: press a, comes: armed, within: 30ms")
    (watcher,) = [make(design) for make in promise_watchers(design).values()]
    session = Session((0, 10_000, 15_000, 39_999, 40_000, 50_000), (0, 1, 0, 0, 0, 0))
    complaint = walk(FastEngine(design, 0, None, True), session, [watcher])
    assert complaint is not None
    assert complaint.time_us == 40_000


def test_what_must_not_be_counts_from_the_last_time_and_what_must_come_from_the_first() -> None:
    design = design_with("after: press c, never: press a, within: 100ms", "after: press c, comes: press b, within: 100ms")
    kept = played(design, "tap c for 10ms\n+60ms tap c for 10ms\n+60ms tap a for 10ms")
    assert [(each.promise.name, each.time_us) for each in kept.broken] == [("p0", 240_000), ("p1", 204_000)]


FINE = """switches: [a, b, c]
devices: {pads: {channel: 2, controllers: {level: {number: 7, bits: 14}}}, fine: {channel: 2}, elsewhere: {channel: 3}}
modes:
  m:
    on:
      press a: control_change(pads, level, 128)
      press b: control_change(fine, 39, 5)
      press c: control_change(elsewhere, 7, 9)
promises:
  p: {never: "sent control_change(pads, level, 133)"}
"""


@pytest.mark.parametrize(
    ("script", "broken_us"), [("tap a\n+1s tap b", [1_160_000]), ("tap a\n+1s tap c\n+1s tap b", [2_220_000]), ("tap b", [])]
)
def test_a_lower_half_alone_goes_with_the_upper_half_that_left_last(script: str, broken_us: list[int]) -> None:
    """As a receiver takes it (MIDI 1.0 Detailed Specification 4.2.1, p. 12: a later fine adjustment needs only the lower byte)."""
    kept = played(load_design_text(FINE), script)
    assert [each.time_us for each in kept.broken] == broken_us


ON = "tap b+c\n+100ms tap a for 10ms\n"


@pytest.mark.parametrize(
    ("promise", "broken_us"),
    [
        ("never: 'display == \"n\"'", []),
        ("never: '\"n\" in display'", [173_000]),
        ("after: ['n == 3', armed], never: press a, within: 95ms", []),
        ("after: [armed, 'n == 3'], never: press a, within: 95ms", []),
        ("after: ['n == 3', armed], never: press a, within: 150ms", [260_000]),
    ],
)
def test_a_text_is_shown_or_had_and_each_of_several_conditions_begins_when_it_becomes_true(promise: str, broken_us: list[int]) -> None:
    assert [each.time_us for each in played(design_with(promise), ON).broken] == broken_us
