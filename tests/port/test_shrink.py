"""What is left of a history shows what was seen in it, and nothing more than that needs."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.port.history import History, is_possible, seen_by_polling
from controller_sim.port.shrink import shrink
from controller_sim.simulator import Input
from controller_sim.testing.plain import plain_design

DESIGN = plain_design({("press", "a"): ()}, switches="abcd")
TIMES = st.integers(1, 5_000_000)
WORDS = st.integers(0, 15)


def contacts(pairs: list[tuple[int, int]]) -> History:
    inputs = tuple(Input(time_us, "contacts", word) for time_us, word in sorted(dict(pairs).items()))
    return seen_by_polling(DESIGN, History(inputs, 6_000_000))


HISTORIES = st.lists(st.tuples(TIMES, WORDS), min_size=1, max_size=25).map(contacts)


def presses(history: History, switch: int) -> list[int]:
    """When a switch goes down."""
    found, word = [], 0
    for entry in history.inputs:
        if entry.contacts & ~word & 1 << switch:
            found.append(entry.time_us)
        word = entry.contacts
    return found


def close(history: History) -> bool:
    """Whether b goes down 1 us to 45 ms after a."""
    return any(0 < b - a <= 45_000 for a in presses(history, 0) for b in presses(history, 1))


@settings(max_examples=60)
@given(st.lists(st.tuples(TIMES, WORDS), max_size=20), TIMES, st.integers(1, 45_000))
def test_two_presses_that_must_be_close_are_all_that_is_left(more: list[tuple[int, int]], at_us: int, gap_us: int) -> None:
    history = contacts([*more, (at_us - 1, 0), (at_us, 1), (at_us + gap_us, 3)])
    if not close(history):
        return
    found = shrink(DESIGN, history, close)
    assert close(found)
    assert len(found.inputs) == 2 and found.inputs[0].contacts == 1
    assert len(str(found.inputs[1].time_us - found.inputs[0].time_us).rstrip("0")) == 1


@settings(max_examples=40)
@given(HISTORIES, st.integers(0, 3))
def test_what_was_seen_is_still_seen_and_shrinking_again_changes_nothing(history: History, switch: int) -> None:
    def seen(candidate: History) -> bool:
        return len(presses(candidate, switch)) >= 2

    if seen(history):
        found = shrink(DESIGN, history, seen)
        assert seen(found) and is_possible(found)
        assert len(found.inputs) == 3
        assert shrink(DESIGN, found, seen) == found


def test_trying_ends_when_it_may_go_on_no_longer() -> None:
    tried = []

    def seen(candidate: History) -> bool:
        tried.append(candidate)
        return False

    history = contacts([(1_000 * n, n & 15) for n in range(1, 200)])
    assert shrink(DESIGN, history, seen, most_tries=50) == history
    assert len(tried) == 50


def test_power_goes_off_and_on_by_turns_whatever_is_left_out() -> None:
    inputs = []
    for number in range(6):
        inputs += [Input(1_000_000 * number + 500_000, "off", 0), Input(1_000_000 * number + 900_000, "on", 0)]
    history = History((*inputs, Input(7_000_000, "contacts", 1)), 8_000_000)
    found = shrink(DESIGN, history, lambda each: sum(entry.kind == "on" for entry in each.inputs) >= 2)
    assert [entry.kind for entry in found.inputs] == ["off", "on", "off", "on"]
