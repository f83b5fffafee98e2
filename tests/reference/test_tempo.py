"""The rules of sections 7 and 9 for tempo, tap tempo and the MIDI clock, one test for each."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design.form import Tempo
from controller_sim.reference.tempo import Clock, TapSeries


@pytest.fixture(scope="session")
def ticks(stage):
    """The times, in microseconds after 100 ms, of the ticks of a clock started there by an action with `before`, at `beats`."""

    def play(beats, until_ms, *binds, script=""):
        start = (stage.program.SetTempo(stage.constant(beats)), stage.program.ClockRun(1))
        design = stage.build(stage.Scene((stage.Bind("press a", start), *binds)))
        engine = stage.start(design, f"100 a; 100.500 -; {script}{until_ms}")
        return [output.time_us - 100_000 for output in engine.take_outputs() if getattr(output, "data", None) == b"\xf8"]

    return play


def taps(*times_ms, limits=None):
    """The tempo after each tap, in microseconds a quarter note; None where the tap sets none."""
    series = TapSeries(limits or Tempo())
    return [series.tap(time_ms * 1000) for time_ms in times_ms]


def test_first_tick_comes_1_ms_after_the_start(ticks):
    assert ticks(120, 130) == [1000, 21_833]


@given(beats=st.integers(30, 240), count=st.integers(0, 100_000))
def test_nth_tick_lies_at_the_exact_rational_time_rounded(beats, count):
    clock = Clock(Tempo())
    clock.set_beats(beats, 0)
    clock.run(True, 7)
    clock.ticks = count
    exact = Fraction(60_000_000 * count, 24 * beats)
    assert abs(clock.due_us - 1007 - exact) <= Fraction(1, 2)


def test_tempo_change_keeps_the_last_tick_and_puts_the_next_a_new_interval_after_it(ticks, stage):
    change = stage.Bind("press b", (stage.program.SetTempo(stage.constant(60)),))
    # Ticks at 1,000 and 21,833 us; 60 beats a minute give 41,667 us from there.
    assert ticks(120, 200, change, script="130 b;") == [1000, 21_833, 63_500]


def test_tick_that_has_passed_after_a_tempo_change_comes_1_us_later(ticks, stage):
    change = stage.Bind("press b", (stage.program.SetTempo(stage.constant(240)),))
    assert ticks(60, 160, change, script="130 b;") == [1000, 30_001, 40_418, 50_834]


def test_tempo_change_before_the_first_tick_leaves_it_1_ms_after_the_start(ticks, stage):
    change = stage.Bind("press b", (stage.program.SetTempo(stage.constant(240)),))
    assert ticks(60, 112, change, script="100.600 b;") == [1000, 11_417]


def test_setting_the_tempo_that_there_is_changes_nothing(ticks, stage):
    change = stage.Bind("press b", (stage.program.SetTempo(stage.constant(120)),))
    assert ticks(120, 1000, change, script="130 b;") == ticks(120, 1000)


def test_clock_goes_on_across_mode_changes(ticks, stage):
    assert ticks(120, 1000, stage.Bind("press b", (stage.enter(0),)), script="130 b;") == ticks(120, 1000)


def test_starting_a_running_clock_has_no_effect_and_stopping_ends_the_ticks(ticks, stage):
    again = stage.Bind("press b", (stage.program.ClockRun(1),))
    stop = stage.Bind("press c", (stage.program.ClockRun(0),))
    assert ticks(120, 1000, again, script="130 b;") == ticks(120, 1000)
    assert ticks(120, 1000, stop, script="130 c;") == [1000, 21_833]


def test_tempo_reads_as_beats_rounded_half_up_and_clamped():
    clock = Clock(Tempo(low=30, high=240))
    clock.set_quarter(Fraction(60_000_000 * 2, 241), 0)
    assert clock.beats == 121
    clock.set_beats(1000, 0)
    assert clock.beats == 240


def test_first_tap_sets_no_tempo_and_the_second_does():
    assert taps(0, 500) == [None, 500_000]


def test_tempo_is_the_mean_of_the_last_up_to_four_intervals():
    assert taps(0, 500, 1010, 1530, 2060, 2600)[-1] == Fraction(510 + 520 + 530 + 540, 4) * 1000


def test_tap_within_100_ms_is_bounce():
    assert taps(0, 99, 500) == [None, None, 500_000]
    assert taps(0, 100, 200) == [None, 250_000, 250_000]


def test_pause_of_more_than_2_s_begins_a_new_series():
    assert taps(0, 500, 2501, 2901) == [None, 500_000, None, 400_000]
    assert taps(0, 2000) == [None, 2_000_000]


def test_pause_of_a_beat_at_the_slowest_tempo_counts_where_it_is_longer():
    assert taps(0, 3000, limits=Tempo(low=20)) == [None, 3_000_000]
    assert taps(0, 3001, limits=Tempo(low=20)) == [None, None]


def test_interval_off_by_more_than_a_quarter_is_left_out():
    assert taps(0, 400, 901, 1301) == [None, 400_000, None, 400_000]
    assert taps(0, 400, 900) == [None, 400_000, 450_000]


def test_second_such_interval_in_a_row_begins_a_new_series_with_itself():
    assert taps(0, 400, 1200, 2010, 2810) == [None, 400_000, None, 810_000, 805_000]


def test_tapped_tempo_is_clamped_to_the_range():
    assert taps(0, 100, limits=Tempo(high=200)) == [None, 300_000]


@given(tap_ms=st.lists(st.integers(150, 600), min_size=2, max_size=8), early_ms=st.integers(0, 60))
def test_constant_offset_of_the_taps_leaves_the_tempo_unchanged(tap_ms, early_ms):
    times = [1000 + sum(tap_ms[:n]) for n in range(len(tap_ms))]
    assert taps(*times) == taps(*(time - early_ms for time in times))


def test_tap_tempo_measures_from_physical_press_to_physical_press(stage):
    on = (stage.Bind("tap a", (stage.program.TapTempo(),)), stage.Bind("press a+b"))
    engine = stage.start(stage.build(stage.Scene(on)), "100 a; 150 -; 600 a; 900 -")
    assert engine.tempo == 120
