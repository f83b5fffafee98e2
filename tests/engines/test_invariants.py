"""What holds for every design and every history, on either engine (semantics, section 8)."""

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller_sim.design import form
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Edge, Ended, Fired, Message, ModeEntered, Output, Responded
from controller_sim.reference import ReferenceEngine
from controller_sim.testing.compare import EngineFactory, instants, run, state_of
from controller_sim.testing.contacts import POLLS, Session, sessions
from controller_sim.testing.designs import UNITS_US, designs

both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])
FEW = settings(max_examples=40 if settings.default is None or settings.default.max_examples <= 100 else settings.default.max_examples)
WRAPS = st.sampled_from((2**32 - 1, 2**32 - 5_000, 2**31 - 1, 2**31 - 5_000, 1, 12_345_678_901))


def shifted(outputs: list[Output], by_us: int) -> list[Output]:
    return [replace(output, time_us=output.time_us + by_us) for output in outputs]


def advanced(engine: Any, session: Session, skip: int = 0) -> Any:
    for instant in list(instants(replace(session, polls=("none",)), engine))[skip:]:
        engine.advance(*instant)
    return engine


@both_engines
@FEW
@given(st.data(), WRAPS)
def test_a_run_started_at_another_time_is_the_same_run_shifted(factory: EngineFactory, data: st.DataObject, start_us: int) -> None:
    design = data.draw(designs())
    session = data.draw(sessions(design))
    expected = shifted(run(factory, design, session, trace=True), start_us)
    assert run(factory, design, session.shifted(start_us), trace=True) == expected


@both_engines
@FEW
@given(st.data(), st.lists(st.sampled_from(POLLS), min_size=1, max_size=3))
def test_polls_between_the_same_changes_change_nothing(factory: EngineFactory, data: st.DataObject, polls: list[str]) -> None:
    design = data.draw(designs())
    session = data.draw(sessions(design))
    expected = run(factory, design, replace(session, polls=("none",)), trace=True)
    assert run(factory, design, replace(session, polls=tuple(polls)), trace=True) == expected


@FEW
@given(st.data(), st.integers(0, 20), st.sampled_from((0, 777, 2**32 - 3)))
def test_a_snapshot_restored_at_any_time_goes_on_in_the_same_way(data: st.DataObject, cut: int, by_us: int) -> None:
    design = data.draw(designs())
    session = data.draw(sessions(design))
    whole = FastEngine(design, session.start_us, trace=True)
    other = FastEngine(design, session.start_us + by_us, trace=True)
    for place, (time_us, word, arrived) in enumerate(instants(session, whole)):
        whole.advance(time_us, word, arrived)
        if place < cut:
            whole.take_outputs()
        if place == cut:
            whole.take_outputs()
            other.restore(whole.snapshot(), time_us + by_us)
            assert other.snapshot() == whole.snapshot()
        elif place > cut:
            other.advance(time_us + by_us, word, arrived)
    assume(place >= cut)
    assert other.take_outputs() == shifted(whole.take_outputs(), by_us)
    assert other.snapshot() == whole.snapshot()


@FEW
@given(st.data(), WRAPS)
def test_equal_states_compare_and_hash_equal_at_any_time(data: st.DataObject, start_us: int) -> None:
    design = data.draw(designs())
    session = data.draw(sessions(design))
    first = advanced(FastEngine(design, session.start_us), session)
    second = advanced(FastEngine(design, session.start_us + start_us), session.shifted(start_us))
    assert first.snapshot() == second.snapshot()
    assert hash(first.snapshot()) == hash(second.snapshot())


def settling(kind: str) -> st.SearchStrategy[tuple[form.Debounce, form.Debounce]]:
    times = st.sampled_from([unit * n for unit in UNITS_US[:3] for n in (1, 3) if unit * n > 1])
    return times.map(lambda time_us: (form.Debounce(kind, time_us), form.Debounce(kind, time_us)))


@st.composite
def spaced_toggles(draw: Any, design: form.Design, space_us: int) -> list[tuple[int, int]]:
    """(time, switch) of toggles that leave each switch `space_us` to bounce and settle."""
    count = len(design.switches)
    last = [0] * count
    now_us = 2 * space_us + 2
    toggles = []
    for _ in range(draw(st.integers(0, 12))):
        switch = draw(st.integers(0, count - 1))
        now_us = max(now_us + draw(st.integers(1, 2 * space_us)), last[switch] + space_us)
        last[switch] = now_us
        toggles.append((now_us, switch))
    return toggles


def session_of(start_us: int, flips: list[tuple[int, int]], end_us: int) -> Session:
    """A session from (time, switch) of flips of contacts that are open at power-on."""
    word = 0
    changes = {start_us: 0}
    for time_us, switch in sorted(flips):
        word ^= 1 << switch
        changes[time_us] = word
    changes.setdefault(end_us, word)
    return Session(tuple(changes), tuple(changes.values()))


def bounce(draw: Any, start_us: int, length_us: int, below_us: int, odd: bool) -> list[int]:
    """Instants of flips from `start_us` to exactly `length_us` later, none of the gaps as long as `below_us`."""
    gaps = -(-length_us // (below_us - 1)) + 2 * draw(st.integers(0, 1))
    gaps += (gaps % 2 == 1) == odd
    while gaps > length_us:
        gaps -= 2
    return [start_us + length_us * n // gaps for n in range(gaps + 1)]


@both_engines
@FEW
@given(st.data())
def test_bounce_shorter_than_a_settling_time_only_delays_the_run(factory: EngineFactory, data: st.DataObject) -> None:
    design = data.draw(designs(settling("settle"), restarts=False))
    time_us = design.timing.press.time_us
    bounce_us = data.draw(st.integers(4, 3 * time_us))
    toggles = data.draw(spaced_toggles(design, bounce_us + time_us + 1))
    end_us = (toggles[-1][0] if toggles else 0) + 20 * (bounce_us + time_us)
    clean = session_of(bounce_us, [(at_us + bounce_us, switch) for at_us, switch in toggles], end_us)
    bouncing = [(at_us, 0) for at_us in bounce(data.draw, 0, bounce_us, time_us, False)]
    for at_us, switch in toggles:
        bouncing += [(flip_us, switch) for flip_us in bounce(data.draw, at_us, bounce_us, time_us, True)]
    noisy = session_of(0, bouncing, end_us)
    assert run(factory, design, noisy, trace=True) == run(factory, design, clean, trace=True)


@both_engines
@FEW
@given(st.data())
def test_bounce_shorter_than_a_lockout_changes_nothing(factory: EngineFactory, data: st.DataObject) -> None:
    design = data.draw(designs(settling("lockout"), restarts=False))
    time_us = design.timing.press.time_us
    toggles = data.draw(spaced_toggles(design, time_us + 1))
    end_us = (toggles[-1][0] if toggles else 0) + 20 * time_us
    bouncing = list(toggles)
    for at_us, switch in toggles:
        offsets = sorted(data.draw(st.sets(st.integers(1, time_us - 1), max_size=4)))
        bouncing += [(at_us + offset, switch) for offset in offsets[: len(offsets) // 2 * 2]]
    expected = run(factory, design, session_of(0, toggles, end_us), trace=True)
    assert run(factory, design, session_of(0, bouncing, end_us), trace=True) == expected


def presses_and_ends(design: form.Design, outputs: list[Output]) -> tuple[Counter[int], Counter[int], Counter[int]]:
    """For each switch: debounced presses, presses that ended without firing, and gestures fired for it (a double ends two presses)."""
    pressed: Counter[int] = Counter()
    ended: Counter[int] = Counter()
    fired: Counter[int] = Counter()
    for output in outputs:
        if isinstance(output, Edge) and output.down:
            pressed[output.switch] += 1
        elif isinstance(output, Ended):
            ended[output.switch] += 1
        elif isinstance(output, Fired):
            binding = design.bindings[output.binding]
            for switch in design.keys[binding.key].members:
                fired[switch] += 2 if binding.gesture == "double" else 1
    return pressed, ended, fired


@both_engines
@FEW
@given(st.data())
def test_the_ledger_adds_up(factory: EngineFactory, data: st.DataObject) -> None:
    """At rest every press either ended once or fired; none did both."""
    design = data.draw(designs())
    session = data.draw(sessions(design, released=True))
    pressed, ended, fired = presses_and_ends(design, run(factory, design, session, trace=True))
    for switch in range(len(design.switches)):
        answered = pressed[switch] - ended[switch]
        assert 0 <= answered <= fired[switch]
        assert answered or not fired[switch]


@both_engines
@FEW
@given(st.data())
def test_every_fired_press_has_exactly_one_release_when_all_feet_are_up(factory: EngineFactory, data: st.DataObject) -> None:
    design = data.draw(designs())
    paired = {
        (press.mode, press.key): (n, m)
        for n, press in enumerate(design.bindings)
        for m, release in enumerate(design.bindings)
        if (press.gesture, release.gesture) == ("press", "release") and (press.mode, press.key) == (release.mode, release.key)
    }
    slots = Counter((binding.mode, binding.key, binding.gesture) for binding in design.bindings)
    session = data.draw(sessions(design, released=True))
    counts = Counter(output.binding for output in run(factory, design, session) if isinstance(output, Fired))
    for (mode, key), (press_binding, release_binding) in paired.items():
        alone = slots[mode, key, "press"] == slots[mode, key, "release"] == 1
        unconditional = design.bindings[press_binding].condition is None and design.bindings[release_binding].condition is None
        if alone and unconditional:
            assert counts[press_binding] == counts[release_binding]


@both_engines
@FEW
@given(st.data())
def test_nothing_pressed_before_a_mode_change_fires_in_the_new_mode(factory: EngineFactory, data: st.DataObject) -> None:
    """Between two mode changes only bindings of that mode fire, apart from releases owed to presses of earlier modes."""
    design = data.draw(designs())
    session = data.draw(sessions(design))
    mode = -1
    owed: Counter[tuple[int, int]] = Counter()
    for output in run(factory, design, session):
        if isinstance(output, ModeEntered):
            mode = output.mode
        elif isinstance(output, Fired):
            binding = design.bindings[output.binding]
            slot = binding.mode, binding.key
            owed[slot] += {"press": 1, "release": -1}.get(binding.gesture, 0)
            assert binding.mode == mode or binding.gesture == "release"


@both_engines
@FEW
@given(st.data())
def test_time_never_goes_back_in_the_outputs_and_cells_stay_in_their_ranges(factory: EngineFactory, data: st.DataObject) -> None:
    design = data.draw(designs())
    session = data.draw(sessions(design))
    engine = factory(design, session.start_us, None, True)
    last_us = session.start_us
    for time_us, word, arrived in instants(session, engine):
        engine.advance(time_us, word, arrived)
        for output in engine.take_outputs():
            assert last_us <= output.time_us <= time_us
            last_us = output.time_us
            if isinstance(output, Message):
                assert all(byte < 128 for byte in output.data[1:] if byte != 0xF7)
        state = state_of(engine)
        assert state.next_deadline_us is None or state.next_deadline_us > time_us
        for cell in design.cells:
            assert all(cell.low <= value <= cell.high for value in state.cells[cell.offset : cell.offset + cell.size])


def test_the_random_runs_reach_every_gesture_every_fate_and_every_kind_of_output() -> None:
    """A generator that never reaches a rule would leave it untested in silence."""
    seen: Counter[str] = Counter()

    @settings(max_examples=1500, database=None)
    @given(st.data())
    def count(data: st.DataObject) -> None:
        design = data.draw(designs())
        session = data.draw(sessions(design))
        for output in run(FastEngine, design, session, trace=True):
            seen[type(output).__name__] += 1
            if isinstance(output, Fired):
                binding = design.bindings[output.binding]
                size = "eager" if binding.eager else "chord" if binding.key >= len(design.switches) else "single"
                seen[f"{size} {binding.gesture}"] += 1
            elif isinstance(output, Ended):
                seen[output.fate] += 1
            elif isinstance(output, Responded):
                seen[type(design.responses[output.response].cause).__name__] += 1
                seen["late move"] += output.time_us not in dict(session.arrivals)
            elif isinstance(output, Message) and output.data == b"\xf8":
                seen["clock"] += 1

    count()
    wanted = {f"{size} {gesture}" for size in ("single", "chord") for gesture in form.GESTURES} | {"eager press", "clock"}
    wanted |= {"unbound", "cancelled", "spent", "Message", "Fired", "Ended", "ModeEntered", "LedSet", "Shown", "Edge", "Restarted"}
    assert wanted - set(seen) == set()
    wanted |= {"unbound", "cancelled", "spent", "Message", "Fired", "Ended", "ModeEntered", "LedSet", "Shown", "Edge"}
    wanted |= {"Responded", "Moved", "Received", "late move"}
    assert wanted - {name for name, times in seen.items() if times} == set()
