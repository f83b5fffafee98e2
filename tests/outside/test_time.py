"""Clock, tap tempo, thresholds and the counter's wrap against figures from outside."""

import random
import statistics
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design.fast import FastEngine
from controller_sim.design.form import SERIAL, Debounce, Tempo
from controller_sim.design.outputs import Fired, Message
from controller_sim.design.program import ClockRun, Constant, Send, TapTempo
from controller_sim.reference import ReferenceEngine
from controller_sim.testing.plain import AT_ONCE, note, plain_design

both_engines = pytest.mark.parametrize("engine", [FastEngine, ReferenceEngine])

MINUTE_US = 60_000_000
WRAP_US = 2**32
CLOCK = b"\xf8"
START = Send(SERIAL, (Constant(0xFA, 0xFA),))


def ticks_of(engine, beats, duration_us, start_us=0):
    """The instant of Start, and of the clock's ticks in the `duration_us` after the first."""
    design = plain_design({}, enter=(START, ClockRun(1)), tempo=Tempo(20, 300, beats, SERIAL))
    player = engine(design, start_us)
    player.advance(start_us + duration_us + 1_001, 0)
    messages = [output for output in player.take_outputs() if isinstance(output, Message)]
    assert messages[0].data == b"\xfa"
    return messages[0].time_us, [message.time_us for message in messages[1:] if message.data == CLOCK]


@both_engines
@given(st.integers(20, 300), st.sampled_from((0, WRAP_US - 1_000_000)))
def test_tick_n_lies_within_1_us_of_n_times_2500000_over_the_tempo(engine, beats, start_us):
    """24 a quarter: MIDI 1.0 Detailed Specification 4.2.1, p. 30."""
    _, ticks = ticks_of(engine, beats, 5_000_000, start_us)
    for n, tick_us in enumerate(ticks):
        assert abs(tick_us - ticks[0] - Fraction(2_500_000 * n, beats)) <= Fraction(1, 2)


@pytest.mark.parametrize("beats", [20, 97, 119, 120, 132, 240, 300])
def test_an_hour_has_exactly_1440_ticks_for_each_beat_a_minute(beats):
    start_us, ticks = ticks_of(FastEngine, beats, 60 * MINUTE_US)
    assert start_us + 1_000 <= ticks[0] <= start_us + 1_001
    assert sum(tick_us < ticks[0] + 60 * MINUTE_US for tick_us in ticks) == 60 * 24 * beats


@both_engines
def test_the_first_clock_comes_at_least_1_ms_after_start(engine):
    """MIDI 1.0 Detailed Specification 4.2.1, p. 30."""
    start_us, ticks = ticks_of(engine, 120, 100_000)
    assert ticks[0] - start_us >= 1_000


def tap_design(press=AT_ONCE):
    return plain_design({("press", "a"): (TapTempo(),)}, press=press)


def tempo_after(engine, taps_us, start_us=0, press=AT_ONCE):
    player = engine(tap_design(press), start_us)
    player.advance(start_us, 0)
    for tap_us in taps_us:
        player.advance(start_us + tap_us, 1)
        player.advance(start_us + tap_us + 9_000, 0)
    player.advance(player.now_us + 50_000, 0)
    return player.tempo


@both_engines
@given(st.integers(250_000, 1_999_999), st.integers(2, 9), st.integers(-50_000, 50_000))
def test_even_taps_give_their_tempo_however_early_the_foot_is(engine, interval_us, count, early_us):
    """Taps come some 30 to 50 ms before the beat, hand and foot: Aschersleben and Prinz (1995), doi 10.3758/BF03213056.

    200 ms to 2 s is the range in which people can keep in time: Repp (2005), doi 10.3758/BF03206433, as quoted.
    """
    taps = [1_000_000 + early_us + n * interval_us for n in range(count)]
    assert tempo_after(engine, taps) == (2 * MINUTE_US + interval_us) // (2 * interval_us)


@both_engines
@given(st.sampled_from((500_000, 600_000, 750_000)), st.integers(15_000, 80_000))
def test_a_second_closure_soon_after_a_stomp_is_no_tap(engine, interval_us, second_us):
    """A stamped-on switch closed again some 20 ms later (one user's report on a public forum; weak)."""
    taps = [1_000_000 + n * interval_us + extra_us for n in range(5) for extra_us in (0, second_us)]
    assert tempo_after(engine, taps, press=Debounce("lockout", 5_000)) == MINUTE_US // interval_us


@both_engines
def test_the_mean_of_three_intervals_scatters_as_computed(engine):
    """Taps with a spread of 30 ms around a click each 600 ms (mazurka.org.uk/experiments/eventap): sqrt(2) * 30 / 3 ms, 2.4 %.

    The rule for outliers leaves out some honest intervals at such a spread, which costs half a percent.
    """
    rng = random.Random(5)
    found = [tempo_after(engine, [1_000_000 + n * 600_000 + round(rng.gauss(0, 30_000)) for n in range(4)]) for _ in range(300)]
    assert 99 < statistics.mean(found) < 101
    assert 0.019 < statistics.stdev(found) / 100 < 0.032


@both_engines
def test_a_pause_of_more_than_two_seconds_begins_a_new_series(engine):
    assert tempo_after(engine, [1_000_000, 1_500_000, 3_500_001, 4_100_001]) == 100
    assert tempo_after(engine, [1_000_000, 1_500_000, 3_500_000]) == 120


@both_engines
@given(st.integers(-3_000_000, 0))
def test_tap_tempo_goes_on_across_the_wrap_of_a_32_bit_counter(engine, before_us):
    """2**32 us are 71.58 minutes."""
    assert round(WRAP_US / MINUTE_US, 2) == 71.58
    taps = [10 + n * 600_000 for n in range(6)]
    assert tempo_after(engine, taps, WRAP_US + before_us) == 100


def fired_at(engine, bindings, changes, start_us=0):
    """(binding, time) of what fires, in microseconds after the first instant; at rest before and after."""
    player = engine(plain_design(bindings), start_us)
    player.advance(start_us, 0)
    first_us = start_us + 1_000_000
    for time_us, word in changes:
        player.advance(first_us + time_us, word)
    player.advance(first_us + changes[-1][0] + 2_000_000, changes[-1][1])
    return [(output.binding, output.time_us - first_us) for output in player.take_outputs() if isinstance(output, Fired)]


TAP_AND_HOLD = {("tap", "a"): (note(1),), ("hold", "a"): (note(2),)}
TAP_AND_DOUBLE = {("tap", "a"): (note(1),), ("double", "a"): (note(2),)}
SINGLES_AND_CHORD = {("press", "a"): (note(1),), ("press", "b"): (note(2),), ("press", "ab"): (note(3),)}


@both_engines
@pytest.mark.parametrize("start_us", [0, WRAP_US - 1_000_001, WRAP_US - 1_250_000, 2**31 - 1_100_000])
def test_a_hold_of_500_ms_fires_at_500_ms_exactly_also_across_a_wrap(engine, start_us):
    """Half a second is the usual long press: iOS minimumPressDuration 0.5 s, GTK gtk-long-press-time 500 ms."""
    assert fired_at(engine, TAP_AND_HOLD, [(0, 1), (800_000, 0)], start_us) == [(1, 500_000)]
    assert fired_at(engine, TAP_AND_HOLD, [(0, 1), (499_999, 0)], start_us) == [(0, 499_999)]
    assert fired_at(engine, TAP_AND_HOLD, [(0, 1), (500_000, 0)], start_us) == [(1, 500_000)]


@both_engines
def test_a_double_counts_300_ms_from_the_first_release_to_the_second_press(engine):
    """Android's ViewConfiguration counts its 300 ms from up to down too."""
    assert fired_at(engine, TAP_AND_DOUBLE, [(0, 1), (200_000, 0), (499_999, 1), (600_000, 0)]) == [(1, 499_999)]
    late = fired_at(engine, TAP_AND_DOUBLE, [(0, 1), (200_000, 0), (500_000, 1), (600_000, 0)])
    assert late == [(0, 500_000), (0, 900_000)]


@both_engines
def test_two_switches_100_ms_apart_are_single_presses(engine):
    """A foot moves 15 cm to a target in about a tenth of a second: Foot Operation of Controls, Ergonomics 14(3):333 (1971), abstract."""
    assert fired_at(engine, SINGLES_AND_CHORD, [(0, 1), (100_000, 3), (300_000, 0)]) == [(0, 45_000), (1, 100_000)]


@both_engines
@given(st.integers(0, 44_999), st.booleans())
def test_a_chord_takes_either_order_within_its_window(engine, gap_us, left_first):
    """Which of two limbs leads depends on who gives the beat: LaRue, abstract (rppw.org)."""
    first = 1 if left_first else 2
    changes = [(0, first), (gap_us, 3), (300_000, 0)] if gap_us else [(0, 3), (300_000, 0)]
    assert fired_at(engine, SINGLES_AND_CHORD, changes) == [(2, gap_us)]


@both_engines
def test_idle_time_costs_nothing(engine):
    """A day between two presses is no more work than a second: nothing is put out and nothing is waited for."""
    player = engine(tap_design())
    player.advance(1, 0)
    player.advance(24 * 60 * MINUTE_US, 0)
    assert player.next_deadline_us() is None
    player.advance(24 * 60 * MINUTE_US + 1, 1)
    assert [type(output).__name__ for output in player.take_outputs()] == ["ModeEntered", "Fired"]
