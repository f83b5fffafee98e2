"""What becomes of delayed messages, and that a note always ends (semantics, section 9); both engines."""

from collections import Counter
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import Design, load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Message, Output
from controller_sim.reference import ReferenceEngine
from controller_sim.simulator.engines import Engine

both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])
Factory = Callable[[Design], Engine]

HEAD = """\
switches: [a, b, c, d, e]
timing: {debounce: {press: none, release: none}}
devices: {pads: {channel: 1}}
"""
QUEUE = load_design_text(
    HEAD
    + """\
memory: {n: {range: 0..127, ends: wrap}}
modes:
  stays:
    leave: control_change(pads, 30, 0, delay_ms=10)
    on:
      press a: |
        n += 1
        control_change(pads, 20, n, delay_ms=50)
      press b: |
        n += 1
        control_change(pads, 21, n, delay_ms=20)
      press c: enter(goes)
      press d: cancel_delayed()
  goes:
    delayed: cancel
    leave: control_change(pads, 31, 0, delay_ms=10)
    on:
      press a: |
        n += 1
        control_change(pads, 20, n, delay_ms=50)
      press b: |
        n += 1
        control_change(pads, 21, n, delay_ms=20)
      press c: enter(stays)
      press d: cancel_delayed()
"""
)
NOTES = load_design_text(
    HEAD
    + """\
wire: {delayed_messages: 3}
everywhere:
  press a: note(pads, 60, length_ms=50)
  press b: note(pads, 60, 100, length_ms=400)
  press c: |
    note(pads, 61, length_ms=200)
    note(pads, 62, length_ms=100)
  press d: cancel_delayed()
modes:
  stays: {on: {press e: enter(goes), hold d: restart()}}
  goes: {delayed: cancel, on: {press e: enter(stays), hold d: restart()}}
"""
)


def messages(outputs: list[Output]) -> list[tuple[int, tuple[int, ...]]]:
    return [(output.time_us, tuple(output.data)) for output in outputs if isinstance(output, Message)]


def pressed(engine: Engine, presses: list[tuple[int, str]], down_us: int = 1000) -> list[tuple[int, tuple[int, ...]]]:
    """Messages of an engine whose switches are pressed one after another, each `(gap before it, name)`."""
    now_us = 100_000
    engine.advance(0, 0)
    for gap_us, name in presses:
        now_us += gap_us
        engine.advance(now_us, 1 << "abcde".index(name))
        now_us += down_us
        engine.advance(now_us, 0)
    engine.advance(now_us + 10_000_000, 0)
    return messages(engine.take_outputs())


GAPS = st.sampled_from((1000, 4000, 9000, 19_000, 30_000, 60_000))


@both_engines
@given(st.lists(st.tuples(GAPS, st.sampled_from("aabbcd")), max_size=14))
def test_leaving_cancels_what_was_sent_in_a_mode_that_says_so_and_nothing_else(factory: Factory, presses: list[tuple[int, str]]) -> None:
    waiting: list[tuple[int, tuple[int, ...], int]] = []
    sent: list[tuple[int, tuple[int, ...]]] = []
    now_us, mode, n = 100_000, 0, 0
    for gap_us, name in presses:
        now_us += gap_us
        sent += [(due_us, data) for due_us, data, _ in waiting if due_us <= now_us]
        waiting = [message for message in waiting if message[0] > now_us]
        if name in "ab":
            n += 1
            delay_us, controller = (50_000, 20) if name == "a" else (20_000, 21)
            waiting.append((now_us + delay_us, (0xB0, controller, n), mode))
        elif name == "c":
            if mode == 1:
                waiting = [message for message in waiting if message[2] != 1]
            waiting.append((now_us + 10_000, (0xB0, 30 + mode, 0), mode))
            mode = 1 - mode
        else:
            waiting = []
        waiting.sort(key=lambda message: message[0])
        now_us += 1000
    sent += [(due_us, data) for due_us, data, _ in waiting]
    assert pressed(factory(QUEUE), presses) == sorted(sent, key=lambda message: message[0])


@both_engines
@given(st.lists(st.tuples(GAPS, st.sampled_from("abcde")), max_size=20), st.sampled_from((1000, 600_000)))
def test_a_note_always_ends_and_is_over_before_it_is_struck_again(factory: Factory, presses: list[tuple[int, str]], down_us: int) -> None:
    longest_us = {60: 400_000, 61: 200_000, 62: 100_000}
    sounding: dict[int, int] = {}
    struck: Counter[int] = Counter()
    for time_us, (status, note, _) in pressed(factory(NOTES), presses, down_us):
        if status == 0x90:
            assert note not in sounding
            sounding[note] = time_us
            struck[note] += 1
        else:
            assert time_us - sounding.pop(note) <= longest_us[note]
    assert not sounding
    if down_us == 1000:
        assert struck[62] == [name for _, name in presses].count("c")


@both_engines
def test_a_note_lasts_as_long_as_it_says_and_is_cut_by_the_same_note(factory: Factory) -> None:
    on, off = (0x90, 60, 100), (0x80, 60, 64)
    assert pressed(factory(NOTES), [(0, "b"), (199_000, "b")]) == [(100_000, on), (300_000, off), (300_000, on), (700_000, off)]


@both_engines
def test_a_full_queue_ends_the_note_that_is_due_first(factory: Factory) -> None:
    shown = pressed(factory(NOTES), [(0, "c"), (9000, "b"), (9000, "c")])
    assert [time_us for time_us, data in shown if data[:2] == (0x80, 60)] == [510_000]
    assert [time_us for time_us, data in shown if data[:2] == (0x80, 61)] == [120_000, 320_000]


@both_engines
def test_a_note_off_leaves_at_once_when_its_sequence_is_cancelled_and_its_note_on_does_not(factory: Factory) -> None:
    design = load_design_text(
        HEAD
        + """\
modes:
  m:
    on:
      press a: |
        note_on(pads, 60)
        note_off(pads, 60, delay_ms=50)
        note_on(pads, 61, delay_ms=60)
        note_on(pads, 61, 0, delay_ms=70)
      press b: cancel_delayed()
"""
    )
    assert pressed(factory(design), [(0, "a"), (9000, "b")]) == [
        (100_000, (0x90, 60, 64)),
        (110_000, (0x80, 60, 64)),
        (110_000, (0x90, 61, 0)),
    ]


@both_engines
def test_a_note_does_not_take_the_note_off_of_a_note_still_to_come(factory: Factory) -> None:
    design = load_design_text(
        HEAD
        + """\
modes:
  m:
    on:
      press a: |
        note_on(pads, 60, 9, delay_ms=100)
        note_off(pads, 60, delay_ms=300)
      press b: note(pads, 60, length_ms=30)
"""
    )
    assert pressed(factory(design), [(0, "a"), (49_000, "b")]) == [
        (150_000, (0x90, 60, 64)),
        (180_000, (0x80, 60, 64)),
        (200_000, (0x90, 60, 9)),
        (400_000, (0x80, 60, 64)),
    ]
