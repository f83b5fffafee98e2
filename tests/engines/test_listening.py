"""Long rows of messages on one design that answers SysEx, controllers of 14 bits and its own echoes: both engines agree."""

from __future__ import annotations

from random import Random

from hypothesis import given
from hypothesis import strategies as st

from controller_sim.core.kinds import midi_bytes
from controller_sim.design import load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import SERIAL, USB
from controller_sim.design.outputs import Message, Responded
from controller_sim.reference import ReferenceEngine

DESIGN = load_design_text(
    """
switches: [a]
display: {characters: 8}
timing: {debounce: {press: none, release: none}}
tempo: {follow: serial, clock: usb}
wire: {echo: 20ms, thru: {serial: [serial, usb], usb: {to: serial, only: [channel, sysex]}}}
devices:
  organ:
    channel: 1
    port: [serial, usb]
    programs: 0..9
    controllers: {level: {number: 7, bits: 14}, fine: {number: 8, bits: 14, range: 3..300}}
memory: {wide: {range: 0..16383}, n: {range: 0..127}, times: {range: 0..99, ends: wrap}}
modes:
  m:
    display: "{wide}"
    on:
      press a: program_change(organ, 5)
      received control_change(organ, level, v): |
        wide = v
        control_change(organ, level, v)
      received control_change(organ, fine, v) when n < 9: wide = v
      received control_change(organ, 8, v): n = v
      received program_change(organ, p): |
        times += 1
        program_change(organ, p)
      received sysex(125, k in 0..5, 1, j): n = k + j // 2
      received sysex(usb, 125, 2): enter(k)
      received sysex: sysex(organ, 1, n)
  k:
    on:
      received control_change(organ, level, 5..400): enter(m)
      received sysex(125, 3): restart()
      received start: enter(m)
"""
)
ROWS = [
    bytes.fromhex(text)
    for text in (
        "B0 07 00", "B0 07 02", "B0 27 03", "27 7F", "07 7F", "B0 08 02", "28 2C", "28 2D", "B0 08 00", "B0 28 02",
        "C0 05", "C0 05", "06", "C1 05", "F0 7D 05 01 10 F7", "F0 7D 06 01 10 F7", "F0 7D 02 F7", "F0 7D 03 F7", "F0 F7",
        "F0 01 00 F7", "F8", "FA", "F0 7D", "F7", "90 3C 00",
    )
]  # fmt: skip
ARRIVALS = st.lists(
    st.tuples(st.sampled_from((0, 0, 1, 700, 19_999, 20_000)), st.sampled_from((SERIAL, USB)), st.sampled_from(ROWS), st.booleans()),
    min_size=10,
    max_size=40,
)
Rows = list[tuple[int, int, bytes, bool]]


def instants(rows: Rows) -> list[tuple[int, int, tuple[int, ...]]]:
    """(time, contacts, what arrived); a press now and then stands at an instant of its own."""
    found: dict[int, tuple[int, tuple[int, ...]]] = {}
    now_us = 10_000
    for gap_us, port, data, pressed in rows:
        now_us += gap_us
        word, arrived = found.get(now_us, (0, ()))
        found[now_us] = word | (pressed and not arrived and len(data) == 1), (*arrived, *midi_bytes(port, data))
    return [(time_us, word, arrived) for time_us, (word, arrived) in found.items()]


@given(rows=ARRIVALS, taken=st.lists(st.booleans(), min_size=40, max_size=40))
def test_both_engines_answer_the_same_whenever_outputs_are_taken(rows: Rows, taken: list[bool]) -> None:
    fast, reference = FastEngine(DESIGN), ReferenceEngine(DESIGN)
    fast_outputs = []
    for engine in (fast, reference):
        engine.advance(0, 0)
    for (time_us, word, arrived), take in zip(instants(rows), taken, strict=False):
        fast.advance(time_us, word, arrived)
        reference.advance(time_us, word, arrived)
        assert (fast.mode, list(fast.cells), fast.display, fast.tempo) == (
            reference.mode,
            list(reference.cells),
            reference.display,
            reference.tempo,
        )
        if take:
            fast_outputs += fast.take_outputs()
    assert fast_outputs + fast.take_outputs() == reference.take_outputs()


@given(rows=ARRIVALS, at=st.integers(0, 40), later_us=st.integers(0, 1 << 40))
def test_a_snapshot_holds_all_that_counts_for_what_is_still_to_come(rows: Rows, at: int, later_us: int) -> None:
    whole = instants(rows)
    at = min(at, len(whole) - 1)
    engine, other = FastEngine(DESIGN), FastEngine(DESIGN, later_us)
    engine.advance(0, 0)
    for time_us, word, arrived in whole[:at]:
        engine.advance(time_us, word, arrived)
    since = len(engine.packed)
    other.restore(engine.snapshot(), engine.now_us + later_us)
    del other.packed[:]
    other.noted = 0
    for time_us, word, arrived in whole[at:]:
        engine.advance(time_us, word, arrived)
        other.advance(time_us + later_us, word, arrived)
    shifted = [item - later_us if place % 2 == 0 else item for place, item in enumerate(other.packed)]
    assert shifted == engine.packed[since:]


def test_the_rows_reach_every_response_and_some_are_echoes() -> None:
    reached: set[int] = set()
    passed_on = 0
    engine = FastEngine(DESIGN)
    engine.advance(0, 0)
    time_us = 10_000
    pick = Random(1)
    for _ in range(3000):
        time_us += pick.choice((1, 700, 30_000))
        engine.advance(time_us, 0, midi_bytes(pick.choice((SERIAL, USB)), pick.choice(ROWS)))
        for output in engine.take_outputs():
            if isinstance(output, Responded):
                reached.add(output.response)
            passed_on += isinstance(output, Message)
    assert reached == set(range(len(DESIGN.responses)))
    assert passed_on > 100
