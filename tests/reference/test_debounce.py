"""The rules of sections 2 and 9 for debouncing, one test for each, and what they promise for every input."""

import pytest
from hypothesis import given
from hypothesis import strategies as st


@pytest.fixture(scope="session")
def edges(stage):
    def play(press, release, script):
        def debounce(text):
            kind, time_ms = text.split()
            return stage.form.Debounce(kind, int(time_ms) * 1000)

        design = stage.build(stage.Scene(), press=debounce(press), release=debounce(release))
        return [line.replace(" edge", "") for line in stage.run(design, script, trace=True) if "edge" in line]

    return play


def test_settle_counts_a_level_once_it_has_been_stable(edges):
    assert edges("settle 5", "settle 8", "100 a; 200 -; 300") == ["105 a down", "208 a up"]


def test_settle_rejects_spikes_shorter_than_its_time(edges):
    assert edges("settle 5", "settle 8", "100 a; 104.999 -; 300") == []


def test_settle_starts_again_after_a_bounce(edges):
    assert edges("settle 5", "settle 8", "100 a; 102 -; 103 a; 300") == ["108 a down"]


def test_lockout_counts_the_first_change_at_once_and_is_deaf_for_its_time(edges):
    assert edges("lockout 5", "lockout 5", "100 a; 101 -; 102 a; 200") == ["100 a down"]


def test_lockout_reads_the_contact_again_when_its_time_has_passed(edges):
    assert edges("lockout 5", "lockout 5", "100 a; 101 -; 200") == ["100 a down", "105 a up"]


def test_contact_that_differs_at_the_end_of_a_lockout_starts_a_settling_wait_there(edges):
    assert edges("lockout 5", "settle 12", "100 a; 101 -; 200") == ["100 a down", "117 a up"]


def test_after_a_settled_edge_there_is_no_lockout(edges):
    assert edges("settle 5", "lockout 5", "100 a; 106 -; 200") == ["105 a down", "106 a up"]


def test_wait_of_nothing_lets_every_change_through(edges):
    assert edges("settle 0", "lockout 0", "100 a; 100.001 -; 100.002 a") == ["100 a down", "100.001 a up", "100.002 a down"]


def test_contact_that_opens_at_the_end_of_its_settling_gives_two_edges(edges):
    assert edges("settle 5", "lockout 5", "100 a; 105 -; 200") == ["105 a down", "105 a up"]


def test_instant_handles_releases_then_presses_then_releases_of_those_just_pressed(edges):
    lines = edges("settle 5", "lockout 0", "90 b; 100 ba; 105 -; 200")
    assert lines == ["105 b up", "105 a down", "105 a up"]


def test_contact_seen_at_the_end_of_a_lockout_is_the_one_of_that_instant(edges):
    assert edges("lockout 5", "lockout 5", "100 a; 101 -; 105 a; 200") == ["100 a down"]


def test_edge_at_the_end_of_a_wait_comes_after_the_timeouts_of_that_instant(stage):
    design = stage.build(stage.on("hold a", "press b"), press=stage.form.Debounce("settle", 10_000))
    assert stage.run(design, "100 a; 600 ab; 1000") == ["610 hold a", "610 press b"]


@given(bounces=st.lists(st.integers(1, 4999), max_size=8), settle=st.booleans())
def test_bounce_shorter_than_the_setting_changes_nothing_but_the_delay(edges, bounces, settle):
    kind = "settle 5" if settle else "lockout 50"
    time_us, script, down = 100_000, [], True
    for gap_us in [*bounces[: len(bounces) // 2 * 2], 1]:
        script.append(f"{time_us // 1000}.{time_us % 1000:03} {'a' if down else '-'}")
        time_us, down = time_us + gap_us, not down
    lines = edges(kind, kind, "; ".join([*script, "1000"]))
    assert [line.split(" ", 1)[1] for line in lines] == ["a down"]
