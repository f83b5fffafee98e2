"""The grammar of binding keys, groups, chords, timers, durations and ranges."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import Place
from controller_sim.design.keys import parse_binding_key, parse_duration, parse_group, parse_range, parse_switches, parse_timer_key

SWITCHES = {name: index for index, name in enumerate("abcde")}
UNITS_US = {"us": 1, "ms": 1000, "s": 1_000_000}


def source(text: str) -> Source:
    return Source(text, (Place("design", 3, 5),))


@given(st.integers(1, 1_800_000_000))
def test_a_duration_means_the_same_in_every_unit(time_us: int) -> None:
    assert parse_duration(source(f"{time_us}us")) == time_us
    assert parse_duration(source(f"{time_us // 1000}.{time_us % 1000:03}ms")) == time_us
    assert parse_duration(source(f"{time_us // 1_000_000}.{time_us % 1_000_000:06}s")) == time_us


@given(st.text(max_size=12))
def test_a_text_is_a_duration_or_refused_at_its_place(text: str) -> None:
    try:
        assert 0 <= parse_duration(source(text), least_us=0) <= 1_800_000_000
    except DesignError as error:
        assert error.place == Place("design", 3, 5)


@given(st.integers(-1000, 1000), st.integers(-1000, 1000))
def test_a_range_is_taken_exactly_when_it_is_in_order_and_inside(low: int, high: int) -> None:
    if -500 <= low <= high <= 500:
        assert parse_range(source(f"{low}..{high}"), -500, 500) == (low, high)
    else:
        with pytest.raises(DesignError):
            parse_range(source(f"{low}..{high}"), -500, 500)


@given(
    st.sampled_from(["release", "tap", "hold", "repeat", "double"]),
    st.lists(st.sampled_from("abcde"), min_size=1, unique=True),
    st.booleans(),
    st.sampled_from([None, "lit == 0"]),
)
def test_a_written_key_is_read_back(gesture: str, names: list[str], chord: bool, condition: str | None) -> None:
    chord = chord and len(names) > 1
    duration = " 3s" if gesture == "hold" else ""
    text = f"{gesture} {('+' if chord else ', ').join(names)}{duration}" + (f" when {condition}" if condition else "")
    key = parse_binding_key(source(text), SWITCHES)
    indices = [SWITCHES[name] for name in names]
    assert (key.gesture, key.chord, key.hold_us) == (gesture, chord, 3_000_000 if duration else None)
    assert key.switches == tuple(sorted(indices) if chord else indices)
    assert (key.condition.text if key.condition else None) == condition


@given(st.text(alphabet="abcdetphr+,. 3ms_when", max_size=24))
def test_any_key_is_read_or_refused_inside_it(text: str) -> None:
    try:
        parse_binding_key(source(text), SWITCHES)
    except DesignError as error:
        assert 5 <= error.place.column <= 5 + len(text)


def test_the_press_of_a_chord_is_written_chord() -> None:
    key = parse_binding_key(source("chord e+a"), SWITCHES)
    assert (key.gesture, key.chord, key.switches) == ("press", True, (0, 4))


def test_a_group_keeps_the_order_in_which_it_is_written() -> None:
    assert parse_group(source("e, a..c"), SWITCHES, "switch") == (4, 0, 1, 2)
    assert parse_group(source("a..e"), SWITCHES, "switch") == (0, 1, 2, 3, 4)


def test_a_condition_stands_where_it_is_written() -> None:
    key = parse_binding_key(source("hold a..c 3s when  lit == 2"), SWITCHES)
    assert key.condition == Source("lit == 2", (Place("design", 3, 24),))


def test_an_eager_press_is_of_single_switches() -> None:
    assert parse_binding_key(source("press a..c eager when lit"), SWITCHES).eager
    with pytest.raises(DesignError, match="only the press of a single switch can be eager"):
        parse_binding_key(source("tap a eager"), SWITCHES)


def test_power_on_switches_are_sorted() -> None:
    assert parse_switches(source("e+a"), SWITCHES) == (0, 4)


def test_timers_are_after_or_every() -> None:
    assert parse_timer_key(source("after 1s")) == (False, 1_000_000)
    assert parse_timer_key(source("every 500ms")) == (True, 500_000)
    with pytest.raises(DesignError, match="'in 1s' is no timer"):
        parse_timer_key(source("in 1s"))


@pytest.mark.parametrize("unit", UNITS_US)
def test_a_duration_of_zero_is_for_debounce_only(unit: str) -> None:
    assert parse_duration(source(f"0{unit}"), least_us=0) == 0
    with pytest.raises(DesignError, match="is too short: at least 1us"):
        parse_duration(source(f"0{unit}"))
