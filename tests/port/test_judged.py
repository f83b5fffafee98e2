"""What an emulated board does is told as it was, and only what leaves in the poll that first can know of it counts as in time."""

from __future__ import annotations

from array import array

from hypothesis import given
from hypothesis import strategies as st

from controller_sim.port.avr import BYTE_CYCLES, Session
from controller_sim.port.judged import DIM_POLLS, INTERRUPT_CYCLES, Pins, View, serial

PIN = 3
LEVELS = st.lists(st.integers(0, 1), min_size=1, max_size=40)
POLL_CYCLES = 480
POLL_US = POLL_CYCLES // 16
POLLS = 1_000


def told(levels: list[int]) -> Session:
    """A pin's levels after each poll, as emulator.c tells them: those that differ from the fourth before."""
    before = [0] * DIM_POLLS + levels
    changed = [(poll, level) for poll, level in enumerate(levels) if level != before[poll]]
    return Session(told=[("leds", (poll, level << PIN, 0, 0)) for poll, level in changed])


@given(LEVELS)
def test_the_level_of_a_pin_after_each_poll_is_found_again(levels: list[int]) -> None:
    pins = Pins(told(levels))
    assert [pins.level(PIN, poll) for poll in range(len(levels))] == levels


@given(LEVELS, st.data())
def test_a_pin_that_is_not_at_its_level_throughout_is_found_where_it_first_is_not(levels: list[int], data: st.DataObject) -> None:
    first = data.draw(st.integers(0, len(levels)))
    end = data.draw(st.integers(first, len(levels)))
    level = data.draw(st.integers(0, 1))
    found = Pins(told(levels)).unlike(PIN, first, end, level)
    assert found == next((poll for poll in range(first, end) if levels[poll] != level), None)


@given(LEVELS, st.data())
def test_a_dim_pin_is_lit_once_in_any_four_polls(levels: list[int], data: st.DataObject) -> None:
    first = data.draw(st.integers(0, len(levels)))
    end = data.draw(st.integers(first, len(levels)))
    fours = [sum(levels[poll : poll + DIM_POLLS]) for poll in range(first, end - DIM_POLLS + 1)]
    is_dim = all(lit == 1 for lit in fours) if fours else sum(levels[first:end]) <= 1
    assert (Pins(told(levels)).not_dim(PIN, first, end) is None) == is_dim


def view(sent: list[tuple[int, int]], away: list[tuple[int, int]] | None = None) -> View:
    """A board that polls every 30 us, does not look at its contacts in some polls, and has put bytes on an idle line: (cycle, byte)."""
    session = Session(told=[("byte", (cycle // POLL_CYCLES, cycle, cycle, byte)) for cycle, byte in sent], away=away or [])
    session.polls = array("Q", [POLL_CYCLES * poll for poll in range(POLLS)])
    session.off = POLL_CYCLES * POLLS
    return View(session, 0, session.times_us())


@given(st.integers(1, 20_000), st.integers(-2 * POLL_CYCLES, 6 * POLL_CYCLES), st.integers(0, 3))
def test_a_message_is_in_time_from_the_first_poll_whose_clock_shows_its_time_to_the_next_look_at_the_contacts(
    time_us: int, after_cycles: int, away: int
) -> None:
    poll = -(-time_us // POLL_US)
    done_by = poll + max(away, time_us % POLL_US == 0)
    cycle = max(poll * POLL_CYCLES + after_cycles, 0)
    came = serial(view([(cycle, 0xC9), (cycle + BYTE_CYCLES, 7)], [(poll, poll + away)] if away else []), [(time_us, "c9 07")])
    # From the message's own time on, in case that an interrupt puts the byte out at once.
    in_time = 16 * time_us - 16 <= cycle <= done_by * POLL_CYCLES + INTERRUPT_CYCLES
    assert [text for _, text in came] == ["c9 07"]
    assert (came[0][0] == time_us) == in_time


@given(st.integers(0, 3 * POLL_CYCLES))
def test_a_byte_that_waits_for_the_line_is_in_time_when_the_line_is_free(late_cycles: int) -> None:
    start = 10 * POLL_CYCLES
    sent = [
        (start, 0xC9),
        (start + BYTE_CYCLES, 7),
        (start + 2 * BYTE_CYCLES + late_cycles, 0xC9),
        (start + 3 * BYTE_CYCLES + late_cycles, 8),
    ]
    came = serial(view(sent), [(300, "c9 07"), (300, "c9 08")])
    assert (came == [(300, "c9 07"), (300, "c9 08")]) == (late_cycles <= INTERRUPT_CYCLES)


@given(st.integers(0, 5), st.integers(0, 3))
def test_a_real_time_byte_overtakes_all_but_the_two_bytes_that_have_left_the_queue(waiting: int, urgent: int) -> None:
    start = 10 * POLL_CYCLES
    queue = [0xB0, 1, 2, 0xB0, 1, 3, 0xB0, 1, 4]
    order = [*queue[:waiting], *[0xF8] * urgent, *queue[waiting:]]
    came = serial(
        view([(start + place * BYTE_CYCLES, byte) for place, byte in enumerate(order)]),
        [*((300, f"b0 01 0{number}") for number in (2, 3, 4)), *[(300, "f8")] * urgent],
    )
    assert [text for _, text in came] == ["b0 01 02", "b0 01 03", "b0 01 04", *["f8"] * urgent]
    assert all(time_us == 300 for time_us, _ in came) == (waiting <= 2 or not urgent)


@given(st.integers(0, 5), st.lists(st.tuples(st.integers(1, 5), st.integers(1, 5)), max_size=8))
def test_the_polls_that_look_at_the_contacts_are_found_before_and_after_any_poll(first: int, lengths: list[tuple[int, int]]) -> None:
    away, polls = [(0, first)] if first else [], first
    for looking, passing in lengths:
        away.append((polls + looking, polls + looking + passing))
        polls += looking + passing
    looks = [each for each in range(polls) if not any(begin <= each < end for begin, end in away)]
    session = Session(away=away)
    for each in range(polls):
        assert session.next_look(each) == next((look for look in looks if look >= each), polls)
        assert session.last_look(each) == max((look for look in looks if look <= each), default=-1)


@given(st.lists(st.integers(0, 127), min_size=1, max_size=3))
def test_what_was_not_expected_is_told_byte_by_byte(more: list[int]) -> None:
    sent = [(4_800 + BYTE_CYCLES * place, byte) for place, byte in enumerate([0xC9, 7, *more])]
    came = serial(view(sent), [(300, "c9 07")])
    assert [text for _, text in came] == ["c9 07", *(f"{byte:02x}" for byte in more)]
