"""Scripts that cut the power in the midst of a save, and that expect restarts and where a pedal stands."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import Design, load_design_text
from controller_sim.script import parse_script, play, record, report
from controller_sim.simulator.storage import BYTE_US
from controller_sim.view.timeline import events

DESIGN = load_design_text(
    """
switches: [a, b, c]
devices: {room: {channel: 3}}
pedals: {swell: {reads: 0..100, gives: 0..127, hysteresis: 0}}
memory:
  first: {range: 0..1000, keep: yes}
  pad: {range: 0..255, size: 40, keep: yes}
  last: {range: 0..1000, keep: yes}
modes:
  m:
    on:
      press a: |
        first = 777
        last = 555
      press b: restart()
      press c: control_change(room, 1, 2)
"""
)
both_engines = pytest.mark.parametrize("engine", ["fast", "reference"])


def failures(text: str, design: Design = DESIGN, engine: str = "fast") -> list[tuple[int, str, tuple[str, ...]]]:
    run = play(design, parse_script(text, design), engine)
    return [(failure.line, failure.expected, failure.came) for failure in run.failures]


def written_by_the_save() -> int:
    run = play(DESIGN, parse_script("tap a", DESIGN))
    assert run.storage is not None
    return run.storage.saves[0].written + run.storage.saves[0].tidied


@both_engines
@pytest.mark.parametrize("leaving", ["", " leaving 5A", " leaving FF"])
def test_a_cut_at_any_byte_of_a_save_leaves_all_old_or_all_new_values(engine: str, leaving: str) -> None:
    came_up = []
    for byte in range(1, written_by_the_save() + 1):
        run = play(DESIGN, parse_script(f"cut power at byte {byte}{leaving}\ntap a\n+1s power on", DESIGN), engine)
        assert run.passed and run.cells is not None
        came_up.append((run.cells[0], run.cells[-1]))
    assert set(came_up) <= {(0, 0), (777, 555)}
    assert came_up[0] == (0, 0)


@both_engines
def test_after_the_cut_the_power_is_off_until_it_is_switched_on(engine: str) -> None:
    text = """cut power at byte 2
tap a
expect memory first = 0
tap c
expect no messages
+1s power on
expect mode m
expect memory first = 0
tap c
expect message to room control_change 1 2"""
    assert failures(text, engine=engine) == [(3, "memory first = 0 within 100ms", ("160ms  the power is off",))]


def test_the_timeline_says_in_which_byte_the_power_went() -> None:
    run = play(DESIGN, parse_script("cut power at byte 2\ntap a\n+1s power on", DESIGN))
    assert [event.text for event in events(DESIGN, run.inputs, run.outputs) if event.kind == "power"] == [
        "power off in byte 2 of a save",
        "power on",
    ]


def test_a_cut_without_a_save_and_a_save_of_too_few_bytes_are_failures() -> None:
    count = written_by_the_save()
    assert failures("cut power at byte 3\nwait 1s") == [(1, "a save of 3 bytes or more", ("no save",))]
    assert failures("cut power at byte 3\npower off\n+1s power on\ntap a\nexpect memory first = 777") == [
        (1, "a save of 3 bytes or more", ("no save",))
    ]
    assert failures(f"cut power at byte {count + 1}\ntap a\nexpect memory first = 777") == [
        (1, f"a save of {count + 1} bytes or more", (f"the next save, at 100000 us, wrote {count} bytes",))
    ]


def test_a_cut_is_refused_where_nothing_is_kept() -> None:
    bare = load_design_text("switches: [a]\nmodes: {m: {on: {}}}")
    with pytest.raises(Exception, match="keeps nothing without power"):
        parse_script("cut power at byte 1", bare)


@given(st.integers(0, 2_000_000))
def test_a_cut_after_a_time_falls_into_the_byte_that_is_then_being_written(after_us: int) -> None:
    (step,) = parse_script(f"cut power after {after_us}us", DESIGN).steps
    (same,) = parse_script(f"cut power at byte {after_us // BYTE_US + 1}", DESIGN).steps
    assert step == same


@both_engines
@pytest.mark.parametrize("byte", [1, 5, 9])
def test_a_recorded_cut_passes_again_and_leaves_the_same_chip(engine: str, byte: int) -> None:
    text = f"move swell to 50 over 20ms\ncut power at byte {byte} leaving 07\ntap a\n+1s power on\ntap b\n+1s tap c\nwait 1s"
    run = play(DESIGN, parse_script(text, DESIGN), engine)
    recorded = record(run)
    assert "expect restart now" in recorded and f"cut power at byte {byte} leaving 07" in recorded and "expect pedal swell" in recorded
    again = play(DESIGN, parse_script(recorded, DESIGN), engine)
    assert again.passed, report(again)
    assert again.outputs == run.outputs
    assert run.storage is not None and again.storage is not None
    assert again.storage.image == run.storage.image


@pytest.mark.parametrize(
    ("text", "failed"),
    [
        ("tap b\nexpect restart", []),
        ("tap b\nexpect restart\nexpect restart", [3]),
        ("tap b\n+1s tap b\nexpect restart\nexpect restart\nexpect nothing else", []),
        ("tap a\nexpect restart", [2]),
        ("expect mode m\ntap b\nexpect nothing else", [3]),
        ("expect restart within 1s\ntap b", []),
        ("expect restart within 50ms\n+60ms tap b", [1]),
        ("down b\nexpect restart now", []),
        ("tap b\nexpect restart now", [2]),
    ],
)
def test_a_restart_is_expected_in_its_block_and_time_and_meets_one_line(text: str, failed: list[int]) -> None:
    assert [line for line, _, _ in failures(text)] == failed


@both_engines
def test_where_a_pedal_stands_is_what_it_gives(engine: str) -> None:
    assert failures("move swell 50\nexpect pedal swell = 64 now", engine=engine) == []
    assert failures("move swell to toe over 50ms\nexpect pedal swell = 5 now", engine=engine) == [
        (2, "pedal swell = 5 now", ("150ms  pedal swell = 127",))
    ]
