"""What a pedal's readings become (semantics, section 9, Pedals), on both engines."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from math import floor
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.core.kinds import pedal_reading
from controller_sim.core.pedals import interpolated
from controller_sim.design import form, program
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Message, Responded, Shown
from controller_sim.reference import ReferenceEngine
from controller_sim.testing.compare import EngineFactory
from controller_sim.testing.plain import PLACE, plain_design

both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])
READY_US = 1000
SWELL = form.Pedal("swell", 40, 980, (0, 127), 3, 10_000)
PEDALS = st.builds(
    lambda ends, points, hysteresis, every_us, first: form.Pedal(
        "swell", *ends, points, min(hysteresis, abs(ends[1] - ends[0]) - 1), every_us, first
    ),
    st.tuples(st.integers(0, 1023), st.integers(0, 1023)).filter(lambda ends: ends[0] != ends[1]),
    st.lists(st.integers(-8192, 8191), min_size=2, max_size=6).map(tuple),
    st.integers(0, 9),
    st.integers(1000, 30_000),
    st.booleans(),
)


def sending(pedal: form.Pedal, *more: form.Response) -> form.Design:
    """A design that sends a pedal's position at each move, as a pitch wheel message, and shows it all the time."""
    position = program.Position(pedal.low, pedal.high, 0)
    whole = program.Binary(0, 16_383, "+", position, program.Constant(8192, 8192)) if pedal.low < 0 else position
    upper, lower = (program.Binary(0, 127, operator, whole, program.Constant(128, 128)) for operator in ("//", "%"))
    design = plain_design({("press", "a"): ()})
    moved = form.Procedure("moved", 0, 0, (program.Send(form.SERIAL, (program.Constant(0xE0, 0xE0), lower, upper)),), PLACE)
    response = form.Response(0, form.Moved(0), len(design.procedures), (), PLACE)
    view = form.View(None, (program.Text((program.Field(position),)),))
    mode = replace(design.modes[0], responses=(0,), views=(view,))
    return replace(
        design, display_characters=6, pedals=(pedal,), procedures=(*design.procedures, moved), responses=(response,), modes=(mode,)
    )


def told(outputs: list[Any], pedal: form.Pedal) -> list[tuple[int, int]]:
    """(time, position) of each move."""
    offset = 8192 if pedal.low < 0 else 0
    return [(output.time_us, (output.data[1] | output.data[2] << 7) - offset) for output in outputs if isinstance(output, Message)]


def played(factory: EngineFactory, pedal: form.Pedal, readings: list[tuple[int, int]], end_us: int = 0) -> list[Any]:
    """The outputs after readings as (gap, value), the first `READY_US` after power-on."""
    engine = factory(sending(pedal))
    engine.advance(0, 0)
    now_us = READY_US
    for gap_us, value in readings:
        now_us += gap_us
        engine.advance(now_us, 0, (pedal_reading(0, value),))
    engine.advance(now_us + end_us + pedal.every_us, 0)
    return engine.take_outputs()


READINGS = st.lists(st.tuples(st.one_of(st.integers(1, 40_000), st.just(10_000)), st.integers(0, 1023)), min_size=1, max_size=12)


@both_engines
@given(PEDALS, READINGS)
def test_moves_keep_their_distance_and_the_last_position_is_always_told(
    factory: EngineFactory, pedal: form.Pedal, readings: list[tuple[int, int]]
) -> None:
    outputs = played(factory, pedal, readings)
    moves = told(outputs, pedal)
    assert all(later - earlier >= pedal.every_us for (earlier, _), (later, _) in pairwise(moves))
    assert all(earlier != later for (_, earlier), (_, later) in pairwise(moves))
    shown = [int(output.text) for output in outputs if isinstance(output, Shown)]
    # The first reading is no move unless the pedal says so; after it, what is shown at the end is what was told.
    assert not moves or moves[-1][1] == shown[-1]
    if pedal.moves_first:
        assert moves and moves[0][0] == READY_US + readings[0][0]


@both_engines
@given(PEDALS, st.integers(0, 1023), st.data())
def test_jitter_no_wider_than_the_hysteresis_changes_the_position_twice_at_most(
    factory: EngineFactory, pedal: form.Pedal, middle: int, data: st.DataObject
) -> None:
    trembling = st.integers(middle, min(middle + pedal.hysteresis, 1023))
    readings = data.draw(st.lists(st.tuples(st.integers(pedal.every_us, 40_000), trembling), min_size=3, max_size=20))
    outputs = played(factory, pedal, readings)
    assert len([output for output in outputs if isinstance(output, Shown)]) <= 1 + 2
    assert len(told(outputs, pedal)) <= 2


@both_engines
@given(PEDALS, st.integers(0, 1023))
def test_the_ends_are_always_reached(factory: EngineFactory, pedal: form.Pedal, start: int) -> None:
    for end, position in ((pedal.heel, pedal.points[0]), (pedal.toe, pedal.points[-1])):
        beyond = 0 if (end == pedal.heel) == (pedal.heel < pedal.toe) else 1023
        outputs = played(factory, pedal, [(1, start), (50_000, beyond)])
        shown = [int(output.text) for output in outputs if isinstance(output, Shown)]
        assert shown[-1] == position


@given(st.lists(st.integers(-8192, 8191), min_size=2, max_size=32), st.integers(1, 65_535), st.data())
def test_a_curve_is_exact_on_its_lines_and_never_leaves_their_ends(points: list[int], whole: int, data: st.DataObject) -> None:
    way = data.draw(st.one_of(st.integers(0, whole), st.sampled_from((0, whole))))
    place = Fraction(way * (len(points) - 1), whole)
    before = min(floor(place), len(points) - 2)
    exact = points[before] + (points[before + 1] - points[before]) * (place - before)
    found = interpolated(points, way, whole)
    assert found == floor(exact + Fraction(1, 2))
    assert min(points[before : before + 2]) <= found <= max(points[before : before + 2])


@given(st.integers(0, 65_535), st.sampled_from((65_535, 65_534, 65_521)))
def test_no_step_of_a_curve_needs_more_than_32_bits(way: int, whole: int) -> None:
    """The widest pedal and the steepest line, as the loader allows them: 14 bits over 65,536 readings, 32 points."""
    steps, rise = 31, 16_383
    rest = min(way, whole) * steps % whole
    assert min(way, whole) * steps < 1 << 31
    assert 2 * rise * rest + whole < 1 << 31


@both_engines
def test_a_move_waits_for_its_time_and_then_tells_the_latest_position(factory: EngineFactory) -> None:
    moves = told(played(factory, SWELL, [(0, 40), (1000, 200), (1000, 300), (8999, 400), (1, 980)]), SWELL)
    assert moves == [(2000, 22), (12_000, 49), (22_000, 127)]


@both_engines
def test_a_position_that_is_back_when_the_time_has_come_is_no_move(factory: EngineFactory) -> None:
    moves = told(played(factory, SWELL, [(0, 40), (1000, 200), (1000, 900), (1000, 200)], 50_000), SWELL)
    assert moves == [(2000, 22)]


@both_engines
@pytest.mark.parametrize(("first", "moves"), [(False, []), (True, [(1, 86)])])
def test_a_reading_before_the_first_mode_is_told_only_if_the_pedal_says_so(
    factory: EngineFactory, first: bool, moves: list[tuple[int, int]]
) -> None:
    pedal = replace(SWELL, moves_first=first)
    engine = factory(sending(pedal))
    engine.advance(0, 0, (pedal_reading(0, 300), pedal_reading(0, 677)))
    engine.advance(100_000, 0)
    assert told(engine.take_outputs(), pedal) == moves
    assert engine.next_deadline_us() is None


@both_engines
def test_a_change_that_had_to_wait_belongs_to_the_mode_that_is_there_when_it_comes(factory: EngineFactory) -> None:
    design = sending(SWELL)
    enter = form.Procedure("leave", 0, 0, (program.Enter(1),), PLACE)
    other = form.Mode("other", PLACE, (), responses=(1,))
    design = replace(
        design,
        procedures=(*design.procedures, enter),
        bindings=(replace(design.bindings[0], action=form.Action(len(design.procedures), ())),),
        responses=(*design.responses, replace(design.responses[0], mode=1)),
        modes=(*design.modes, other),
    )
    engine = factory(design)
    for time_us, word, value in ((0, 0, 40), (5000, 0, 200), (6000, 0, 300), (7000, 1, 301)):
        engine.advance(time_us, word, (pedal_reading(0, value),))
    engine.advance(60_000, 1)
    responses = [(output.time_us, output.response) for output in engine.take_outputs() if isinstance(output, Responded)]
    assert responses == [(5000, 0), (15_000, 1)]


@both_engines
def test_what_arrives_comes_after_the_edges_and_before_the_display(factory: EngineFactory) -> None:
    engine = factory(sending(SWELL), trace=True)
    engine.advance(0, 0, (pedal_reading(0, 40),))
    engine.advance(5000, 0)
    engine.take_outputs()
    engine.advance(6000, 1, (pedal_reading(0, 500), pedal_reading(0, 980)))
    names = [type(output).__name__ for output in engine.take_outputs()]
    assert names == ["Edge", "Fired", "Responded", "Message", "Shown"]
