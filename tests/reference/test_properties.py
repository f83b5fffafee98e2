"""What holds for every design and every script (section 8), on random small ones."""

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design.outputs import Edge, Ended, Fired, Message, ModeEntered
from controller_sim.reference import ReferenceEngine

KEYS = ("a", "b", "c", "a+b", "b+c", "a+b+c", "c+d")
GESTURES = ("press", "release", "tap", "hold", "hold 90", "repeat", "double")
END_US = 5_000_000
DEBOUNCES = (("lockout", 0), ("settle", 0), ("lockout", 5_000), ("settle", 7_000))


def effects(stage):
    return st.sampled_from(
        [(), (), (), (stage.add(0, 1),), (stage.enter(0),), (stage.enter(1), stage.send(1)), (stage.send(2, delay_ms=20),)]
    )


@st.composite
def scenes(draw, stage):
    binds = []
    for key in draw(st.lists(st.sampled_from(KEYS), min_size=1, max_size=5, unique=True)):
        for gesture in draw(st.lists(st.sampled_from(GESTURES), min_size=1, max_size=4, unique=True)):
            kind, *duration = gesture.split()
            when = draw(st.sampled_from([None, None, stage.equals(0, 1)]))
            eager = ["eager"] if kind == "press" and "+" not in key and draw(st.booleans()) else []
            binds.append(stage.Bind(" ".join([kind, key, *duration, *eager]), draw(effects(stage)), when))
    timers = draw(st.lists(st.tuples(st.sampled_from([70, 333]), st.booleans(), effects(stage)), max_size=1))
    views = ((None, (stage.text("cell ", stage.cell_value(0)),)),)
    return stage.Scene(tuple(binds), timers=tuple(timers), views=views, leds=(stage.equals(0, 2), stage.equals(0, 3)))


@st.composite
def designs(draw, stage):
    press, release = (stage.form.Debounce(*draw(st.sampled_from(DEBOUNCES))) for _ in "pr")
    cell = stage.cell(low=0, high=3, ends="wrap")
    repeat = stage.form.Repeat(100_000, ((60_000, 2),), 50_000)
    return stage.build(
        draw(scenes(stage)), draw(scenes(stage)), cells=(cell,), press=press, release=release, double_us=80_000, repeat=repeat
    )


@st.composite
def scripts(draw):
    """(time, switches down): gaps around the thresholds of the designs, so that edges meet deadlines."""
    gaps = st.sampled_from([1, 4_999, 5_000, 7_000, 20_000, 44_999, 45_000, 45_001, 80_000, 90_000, 150_000, 400_000, 500_000])
    words = st.one_of(st.sampled_from([1, 2, 3, 3, 6, 7, 12]), st.integers(0, 15))
    moves = st.sampled_from(["change", "change", "push", "push twice"])
    time_us, script = 100_000, []
    for _ in range(draw(st.integers(1, 9))):
        move, word = draw(moves), draw(words)
        for step in {"change": [word], "push": [word, 0], "push twice": [word, 0, word, 0]}[move]:
            script.append((time_us, step))
            time_us += 20_000 if move == "push twice" else draw(gaps)
    return [*script, (time_us, 0), (time_us + END_US, 0)]


def played(design, script, start_us=0, polls=()):
    engine = ReferenceEngine(design, start_us, trace=True)
    word = 0
    at = dict(script)
    for time_us in sorted(at.keys() | {poll for poll in polls if poll <= script[-1][0]}):
        word = at.get(time_us, word)
        engine.advance(start_us + time_us, word)
    return engine.take_outputs()


@pytest.fixture(scope="session")
def cases(stage):
    return st.tuples(designs(stage), scripts())


@given(data=st.data())
def test_every_debounced_press_is_fired_or_ends_once(cases, data):
    design, script = data.draw(cases)
    engine = ReferenceEngine(design, trace=True)
    presses = []
    press = engine._gestures.press

    def noted_press(switch):
        press(switch)
        presses.append(engine._gestures.presses[switch])

    engine._gestures.press = noted_press
    for time_us, word in script:
        engine.advance(time_us, word)
    outputs = engine.take_outputs()
    downs = Counter(output.switch for output in outputs if isinstance(output, Edge) and output.down)
    ends = Counter(output.switch for output in outputs if isinstance(output, Ended))
    assert downs == Counter(one.switch for one in presses)
    assert ends == Counter(one.switch for one in presses if one.ended)
    assert all(one.fired != one.ended for one in presses)


@given(data=st.data())
def test_every_fired_press_has_exactly_one_release(stage, data):
    design, script = data.draw(st.tuples(designs(stage), scripts()))
    released = {(binding.mode, binding.key) for binding in design.bindings if binding.gesture == "release" and binding.condition is None}
    owed = Counter()
    for output in played(design, script):
        if isinstance(output, Fired):
            binding = design.bindings[output.binding]
            place = (binding.mode, binding.key)
            if binding.gesture == "press" and place in released:
                assert owed[place] == 0
                owed[place] += 1
            elif binding.gesture == "release" and place in released:
                owed[place] = 0
    assert not +owed


@given(data=st.data())
def test_no_gesture_of_another_mode_fires_but_a_paired_release(cases, data):
    design, script = data.draw(cases)
    mode = -1
    for output in played(design, script):
        if isinstance(output, ModeEntered):
            mode = output.mode
        elif isinstance(output, Fired):
            binding = design.bindings[output.binding]
            assert binding.mode == mode or binding.gesture == "release"


@given(data=st.data())
def test_nothing_pressed_before_a_mode_change_fires_in_the_new_mode(cases, data):
    design, script = data.draw(cases)
    pressed_since = 0
    for output in played(design, script):
        if isinstance(output, ModeEntered):
            pressed_since = 0
        elif isinstance(output, Edge) and output.down:
            pressed_since |= 1 << output.switch
        elif isinstance(output, Fired) and design.bindings[output.binding].gesture != "release":
            assert design.keys[design.bindings[output.binding].key].mask & ~pressed_since == 0


@given(data=st.data())
def test_extra_polls_change_nothing(cases, data):
    design, script = data.draw(cases)
    polls = data.draw(st.lists(st.integers(0, script[-1][0]), max_size=30))
    assert played(design, script, polls=polls) == played(design, script)


@given(data=st.data())
def test_polls_at_every_deadline_change_nothing(cases, data):
    design, script = data.draw(cases)
    deadlines = sorted({output.time_us for output in played(design, script)})
    assert played(design, script, polls=deadlines) == played(design, script)


@given(data=st.data(), start_us=st.sampled_from([1, 999, 2**32 - 150_000, 2**31 - 100_001, 2**63]))
def test_run_started_at_another_time_is_the_same_run_shifted(cases, data, start_us):
    design, script = data.draw(cases)
    assert [replace(output, time_us=output.time_us - start_us) for output in played(design, script, start_us)] == played(design, script)


@given(data=st.data())
def test_outputs_never_go_back_in_time(cases, data):
    times = [output.time_us for output in played(*data.draw(cases))]
    assert times == sorted(times)


@given(data=st.data())
def test_engine_has_a_deadline_for_everything_that_happens_without_an_edge(cases, data):
    design, script = data.draw(cases)
    engine = ReferenceEngine(design)
    for time_us, word in script[:-1]:
        while (due_us := engine.next_deadline_us()) is not None and due_us < time_us:
            engine.advance(due_us - 1, engine._word)
            engine.take_outputs()
            engine.advance(due_us, engine._word)
            assert all(output.time_us == due_us for output in engine.take_outputs())
        engine.advance(time_us, word)
        engine.take_outputs()


def test_idle_costs_nothing(stage):
    design = stage.build(stage.on("press a", "tap a", "double a", "hold a", "press a+b"))
    engine = stage.start(design, "100 a; 1000 -; 2000")
    assert engine.next_deadline_us() is None
    engine.take_outputs()
    engine.advance(10**15, 0)
    assert engine.take_outputs() == []


def test_time_does_not_go_back(stage):
    engine = stage.start(stage.build(stage.Scene()), "100 -")
    with pytest.raises(ValueError, match="time went back from 100000 us to 99999 us"):
        engine.advance(99_999, 0)


@given(data=st.data())
def test_no_single_gesture_for_a_switch_that_a_chord_has_taken(stage, data):
    """In a mode that binds nothing but uneager presses, a switch's press fires for one key only."""
    texts = data.draw(st.lists(st.sampled_from([f"press {key}" for key in KEYS]), unique=True))
    design, script = stage.build(stage.on(*texts)), data.draw(scripts())
    unused = Counter()
    for output in played(design, script):
        if isinstance(output, Edge) and output.down:
            unused[output.switch] += 1
        elif isinstance(output, Ended):
            unused[output.switch] -= 1
        elif isinstance(output, Fired):
            unused.subtract(design.keys[design.bindings[output.binding].key].members)
        assert all(count >= 0 for count in unused.values())


def test_generators_reach_every_gesture_and_fate(stage):
    """The random cases are worth something only if they get everywhere."""
    seen = set()

    @settings(max_examples=400)
    @given(case=st.tuples(designs(stage), scripts()))
    def note(case):
        design = case[0]
        for output in played(*case):
            if isinstance(output, Fired):
                binding = design.bindings[output.binding]
                seen.add((binding.gesture, len(design.keys[binding.key].members) > 1))
            elif isinstance(output, Ended):
                seen.add(output.fate)
            elif isinstance(output, ModeEntered | Message):
                seen.add(type(output))

    note()
    gestures = {(text.split()[0], chord) for text in GESTURES for chord in (False, True)}
    assert seen >= gestures | {"unbound", "cancelled", ModeEntered, Message}
