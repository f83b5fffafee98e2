"""Points on which the two engines once differed, each with the answer that the semantics give; both must give it."""

from collections.abc import Callable

import pytest

from controller_sim.design import form, program
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Edge, Ended, Fired, Message
from controller_sim.reference import ReferenceEngine
from controller_sim.simulator.engines import Engine
from controller_sim.testing.plain import note, plain_design

START = Callable[..., Engine]


@pytest.fixture(params=[FastEngine, ReferenceEngine])
def start(request: pytest.FixtureRequest) -> START:
    factory: START = request.param
    return factory


def beats(value: int) -> program.SetTempo:
    return program.SetTempo(program.Constant(value, value))


def test_a_contact_that_is_back_as_its_lockout_ends_makes_no_edge(start: START) -> None:
    design = plain_design({("press", "a"): (note(60),)}, release=form.Debounce("lockout", 1000))
    engine = start(design)
    for time_us, word in ((0, 0), (10_000, 1), (20_000, 0), (20_999, 1), (21_000, 0), (30_000, 0)):
        engine.advance(time_us, word)
    assert sum(isinstance(output, Fired) for output in engine.take_outputs()) == 1


def test_a_contact_that_is_still_down_as_its_lockout_ends_is_a_press_of_that_instant(start: START) -> None:
    design = plain_design({("press", "a"): (note(60),)}, release=form.Debounce("lockout", 1000))
    engine = start(design)
    for time_us, word in ((0, 0), (10_000, 1), (20_000, 0), (20_999, 1), (30_000, 1)):
        engine.advance(time_us, word)
    assert [output.time_us for output in engine.take_outputs() if isinstance(output, Fired)] == [10_000, 21_000]


def test_a_switch_down_at_power_on_has_an_edge_and_is_spent(start: START) -> None:
    design = plain_design({("press", "a"): (note(60),)}, press=form.Debounce("settle", 5000))
    engine = start(design, trace=True)
    engine.advance(0, 1)
    engine.advance(100_000, 1)
    assert [output for output in engine.take_outputs() if isinstance(output, Edge | Ended | Fired)] == [
        Edge(5000, 0, True),
        Ended(5000, 0, "spent"),
    ]


def test_two_tempo_changes_at_one_instant_count_from_the_tick_that_was_put_out(start: START) -> None:
    faster_then_slower = (beats(240), beats(60))
    design = plain_design({("press", "a"): faster_then_slower}, enter=(beats(60), program.ClockRun(1)))
    engine = start(design)
    engine.advance(0, 0)
    engine.advance(35_001, 1)
    engine.advance(130_000, 1)
    # Power-on settles after 1 us, so the first tick is at 1,001 us; at 60 beats a minute the next come 41,667 and 83,333 us later.
    assert [output.time_us for output in engine.take_outputs() if isinstance(output, Message)] == [1001, 42_668, 84_334, 126_001]


def test_a_tempo_change_before_the_first_tick_leaves_it_where_it_is(start: START) -> None:
    design = plain_design({("press", "a"): (program.ClockRun(1), beats(240))})
    engine = start(design)
    for time_us, word in ((0, 0), (10_000, 1), (12_000, 1)):
        engine.advance(time_us, word)
    assert [output.time_us for output in engine.take_outputs() if isinstance(output, Message)] == [11_000]


def test_a_waiting_tap_fires_as_soon_as_its_switch_can_only_be_part_of_a_chord(start: START) -> None:
    sounds = {("tap", "b"): (note(60),), ("double", "b"): (note(61),), ("press", "bc"): (note(62),), ("press", "abc"): (note(63),)}
    engine = start(plain_design(sounds, switches="abc"))
    for time_us, word in ((0, 0), (10_000, 2), (20_000, 0), (100_000, 2), (110_000, 6), (400_000, 0)):
        engine.advance(time_us, word)
    fired = [(output.time_us, output.binding) for output in engine.take_outputs() if isinstance(output, Fired)]
    assert fired == [(110_000, 0), (145_000, 2)]


def test_a_waiting_tap_waits_while_its_switch_may_still_come_out_of_the_group_alone(start: START) -> None:
    sounds = {("tap", "b"): (note(60),), ("double", "b"): (note(61),), ("press", "abc"): (note(63),)}
    engine = start(plain_design(sounds, switches="abc"))
    for time_us, word in ((0, 0), (10_000, 2), (20_000, 0), (100_000, 2), (110_000, 6), (400_000, 0)):
        engine.advance(time_us, word)
    fired = [(output.time_us, output.binding) for output in engine.take_outputs() if isinstance(output, Fired)]
    assert fired == [(145_000, 1)]


def test_a_group_falls_apart_into_chords_that_its_first_switch_is_no_part_of(start: START) -> None:
    sounds = {("press", "a"): (note(60),), ("press", "cd"): (note(61),), ("press", "abcd"): (note(62),)}
    engine = start(plain_design(sounds, switches="abcd"))
    for time_us, word in ((0, 0), (10_000, 1), (20_000, 5), (30_000, 13), (400_000, 0)):
        engine.advance(time_us, word)
    fired = [(output.time_us, output.binding) for output in engine.take_outputs() if isinstance(output, Fired)]
    assert fired == [(55_000, 0), (55_000, 1)]
