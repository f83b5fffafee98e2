"""What a board has seen of its contacts: each poll takes one change, as poll.c does."""

from __future__ import annotations

from array import array
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.port.avr import CYCLES_PER_US, Session
from controller_sim.port.polled import Plan, seen

BOOTH = load_design(Path(__file__).parent.parent.parent / "configs" / "booth.yaml")
POLL_US = 40
SWITCHES = len(BOOTH.switches)


def told(pins: list[int]) -> Session:
    """A session whose polls read these."""
    changes = [(poll, word) for poll, word in enumerate(pins) if not poll or word != pins[poll - 1]]
    polls = array("Q", [poll * POLL_US * CYCLES_PER_US for poll in range(len(pins))])
    return Session(told=[("contacts", change) for change in changes], polls=polls)


def words_of(pins: list[int]) -> list[int]:
    """The word of switches that are down after each poll, as the history of what was seen has it."""
    what = seen(BOOTH, [Plan(0, pins[0], (), len(pins) * POLL_US)], [told(pins)])
    found = {entry.time_us // POLL_US: entry.contacts for entry in what.history.inputs}
    words, word = [], 0
    for poll in range(len(pins)):
        word = found.get(poll, word)
        words.append(word)
    return words


@given(pins=st.lists(st.integers(0, (1 << SWITCHES) - 1), min_size=1, max_size=30))
def test_each_poll_takes_the_lowest_contact_that_differs_and_no_other(pins: list[int]) -> None:
    word = 0
    for now, after in zip(pins, words_of(pins), strict=True):
        differing = [switch for switch in range(SWITCHES) if (word ^ now ^ BOOTH.opening) >> switch & 1]
        assert after == (word ^ 1 << differing[0] if differing else word)
        word = after


@given(last=st.integers(0, (1 << SWITCHES) - 1))
def test_contacts_that_stay_are_all_taken_in_as_many_polls(last: int) -> None:
    assert words_of([BOOTH.opening, *[last] * SWITCHES])[-1] == last ^ BOOTH.opening
