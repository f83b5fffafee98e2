"""Contact bounce as others have measured it, against the debouncers.

No published measurement of stomp switches as a class was found; the figures are for push buttons.
"""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Debounce
from controller_sim.design.outputs import Edge, Fired
from controller_sim.reference import ReferenceEngine
from controller_sim.testing.plain import note, plain_design

# J. Ganssle, A Guide to Debouncing: 16 of 18 switches bounced 1,557 us on average and 6,200 us at most.
GANSSLE_MEAN_US = 1_557
GANSSLE_MAX_US = 6_200
STROKE_US = 200_000

both_engines = pytest.mark.parametrize("engine", [FastEngine, ReferenceEngine])


def outputs_of(engine, flips, press, release):
    """What flips of one contact give, from long after power-on."""
    design = plain_design({("press", "a"): (note(60),), ("release", "a"): (note(60, 0),)}, press=press, release=release)
    player = engine(design, trace=True)
    player.advance(0, 0)
    word = 0
    for time_us in sorted(flips):
        word ^= 1
        player.advance(STROKE_US + time_us, word)
    player.advance(STROKE_US + max(flips) + STROKE_US, word)
    return [output for output in player.take_outputs() if isinstance(output, Edge | Fired)]


def presses(outputs):
    return sum(isinstance(output, Edge) and output.down for output in outputs)


def bouncing_strokes(rng, strokes, mean_us, longest_us):
    """Flips of strokes whose every edge bounces for a random time, exponentially spread and cut off."""
    flips = []
    for stroke in range(strokes):
        for edge in range(2):
            start_us = (2 * stroke + edge) * STROKE_US
            length_us = min(longest_us, round(rng.expovariate(1 / mean_us)))
            inner = rng.sample(range(1, length_us + 1), min(length_us, 2 * rng.randrange(6)) // 2 * 2)
            flips += [start_us, *(start_us + offset_us for offset_us in inner)]
    return flips


@both_engines
@pytest.mark.parametrize("time_us", [6_201, 10_000, 20_000, 50_000])
@pytest.mark.parametrize("kinds", [("settle", "settle"), ("lockout", "lockout"), ("lockout", "settle"), ("settle", "lockout")])
def test_bounce_up_to_6200_us_never_reaches_the_gestures(engine, time_us, kinds):
    press, release = (Debounce(kind, time_us) for kind in kinds)
    flips = bouncing_strokes(random.Random(1), 40, GANSSLE_MEAN_US, GANSSLE_MAX_US)
    outputs = outputs_of(engine, flips, press, release)
    assert presses(outputs) == 40
    assert [output.binding for output in outputs if isinstance(output, Fired)] == [0, 1] * 40


@both_engines
@pytest.mark.parametrize("kind", ["settle", "lockout"])
def test_a_debounce_time_of_500_us_lets_such_bounce_through(engine, kind):
    flips = bouncing_strokes(random.Random(1), 40, GANSSLE_MEAN_US, GANSSLE_MAX_US)
    assert presses(outputs_of(engine, flips, Debounce(kind, 500), Debounce(kind, 500))) > 40


@both_engines
@given(st.sampled_from([5_000, 10_000]), st.data())
def test_a_debounce_time_of_the_datasheets_limit_is_enough(engine, limit_us, data):
    """5 ms (Omron B3F and B3S tactile switches) and 10 ms (Hokuriku KSM8) are the makers' limits of bounce."""
    inner = sorted(data.draw(st.sets(st.integers(1, limit_us - 1), max_size=12)))
    inner = inner[: len(inner) // 2 * 2]
    flips = [0, *inner, STROKE_US, *(STROKE_US + offset_us for offset_us in inner)]
    for kind in ("settle", "lockout"):
        assert presses(outputs_of(engine, flips, Debounce(kind, limit_us), Debounce(kind, limit_us))) == 1


# Shape read from traces of an IP65 push button (gsuberland/switch_bouncing, plots): a first burst of 0.1 ms,
# then 0.3 to 0.5 ms open, then the long burst, 1.62 ms in all.
CLOSING_US = [0, 30, 60, 90, 100, 120, 540, 600, 700, 900, 1_000, 1_300, 1_310, 1_600, 1_620]


@both_engines
@pytest.mark.parametrize(("lockout_us", "closings"), [(250, 2), (5_000, 1)])
def test_a_contact_that_opens_again_after_its_first_burst_fools_a_short_lockout(engine, lockout_us, closings):
    outputs = outputs_of(engine, CLOSING_US, Debounce("lockout", lockout_us), Debounce("lockout", lockout_us))
    assert min(presses(outputs), 2) == closings


# The same traces: an industrial push button closed again for a moment 3.9 ms after it had opened.
OPENING_US = [0, STROKE_US, STROKE_US + 3_900, STROKE_US + 3_950]


@both_engines
@pytest.mark.parametrize(
    ("release", "closings"),
    [(Debounce("settle", 3_000), 2), (Debounce("lockout", 3_000), 2), (Debounce("lockout", 5_000), 1), (Debounce("settle", 12_000), 1)],
)
def test_a_release_that_bounces_late_needs_a_longer_time_than_the_press(engine, release, closings):
    assert presses(outputs_of(engine, OPENING_US, Debounce("lockout", 2_000), release)) == closings


@both_engines
def test_a_worn_switch_is_beyond_any_usual_setting(engine):
    """Ganssle's worst switch bounced for 157 ms on opening (from memory); 50 ms is the longest that is usually advised."""
    flips = [0, STROKE_US, STROKE_US + 60_000, STROKE_US + 157_000]
    assert presses(outputs_of(engine, flips, Debounce("settle", 50_000), Debounce("settle", 50_000))) == 2


@both_engines
@given(st.integers(0, 10_000))
def test_lockout_costs_no_latency_and_settling_costs_exactly_its_time(engine, time_us):
    """10 ms with little jitter is not rated worse than none: Jack, Mehrabi, Stockman, McPherson, Music Perception 36:109 (2018)."""
    at_once = outputs_of(engine, [0], Debounce("lockout", time_us), Debounce("settle", 12_000))
    settled = outputs_of(engine, [0], Debounce("settle", time_us), Debounce("settle", 12_000))
    assert [output.time_us - STROKE_US for output in at_once] == [0, 0]
    assert [output.time_us - STROKE_US for output in settled] == [time_us, time_us]
