"""The check as text and as data."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings

from controller_sim.design import form, load_design
from controller_sim.design.loader import load_design_text
from controller_sim.midi.wire import serial_times
from controller_sim.testing.designs import designs
from controller_sim.verify.check_report import check_json, check_lines
from controller_sim.verify.checking import check

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
KEYS = {
    "gestures": {"mode", "gesture", "key", "conditional", "does", "edge", "waits_for", "debounce_us", "wait_us", "decided_us", "sends"},
    "responses": {"mode", "title", "does", "decided_us", "sends"},
    "bursts": {"port", "most", "unit", "busy_us", "by", "clock_jitter_us", "clock_jitter_without_priority_us"},
    "budget": {"name", "worst_us", "allowed_us", "stated", "fits", "by", "source"},
    "findings": {"severity", "code", "message", "subjects", "file", "line", "column", "source"},
}
"""What scripts rely on."""


@settings(max_examples=30)
@given(designs())
def test_the_check_of_any_design_is_plain_data_and_lines(design: form.Design) -> None:
    checked = check(design)
    facts = check_json(checked)
    assert json.loads(json.dumps(facts)) == facts
    assert all("\n" not in line for line in check_lines(checked))
    for name, keys in KEYS.items():
        assert all(set(each) == keys for each in facts[name])


@settings(max_examples=30)
@given(designs())
def test_every_gesture_of_a_mode_that_can_be_current_is_told_once(design: form.Design) -> None:
    checked = check(design)
    numbers = [run.number for run in checked.latencies]
    modes = {run.mode for run in checked.latencies} | {mode for mode in range(len(design.modes)) if not design.modes[mode].bindings}
    assert len(set(numbers)) == len(numbers)
    assert {number for mode in modes if mode is not None for number in design.modes[mode].bindings} == set(numbers)


def gestures(path: str, mode: str) -> dict[str, dict[str, object]]:
    told = check_json(check(load_design(CONFIGS / path)))["gestures"]
    return {each["gesture"]: each for each in told if each["mode"] == mode}


def test_a_press_waits_for_every_chord_with_its_switch_and_a_tap_for_its_double_and_what_that_may_become() -> None:
    show = gestures("booth.yaml", "show")
    assert show["press a"]["waits_for"] == []
    assert show["press d"]["waits_for"] == ["chord d+e"]
    assert show["press d"]["wait_us"] == [0, 45_000]
    assert show["tap e"]["waits_for"] == ["double e", "chord d+e"]
    assert show["tap e"]["wait_us"] == [0, 280_000 + 45_000]
    assert show["tap d+e"]["waits_for"] == ["double d+e"]
    assert show["hold e 3s"]["wait_us"] == [3_000_000, 3_000_000]


def test_an_eager_press_waits_for_nothing() -> None:
    design = load_design_text("switches: [a, b]\nmodes: {show: {on: {press a eager: pass, tap a+b: pass}}}", "design")
    told = {each["gesture"]: each["wait_us"] for each in check_json(check(design))["gestures"]}
    assert told["press a eager"] == [0, 0]


def test_what_a_gesture_means_is_told_in_words() -> None:
    show = gestures("booth.yaml", "show")
    assert show["hold a 700ms"]["does"] == ["enters edit_cue", "sets slot"]
    assert show["press a"]["does"] == ["program_change sampler, pads", "control_change pads, room", "sets lit", "sets the tempo"]


def test_alike_gestures_of_a_mode_are_one_line() -> None:
    lines = list(check_lines(check(load_design(CONFIGS / "touring.yaml"))))
    play = lines[lines.index("  play") + 1 : lines.index("  edit")]
    presses = [line.partition(":")[0].strip() for line in play if line.startswith("    press ")]
    assert presses == ["press a, b, c, d, e, f, g, h", "press far"]


@pytest.mark.parametrize("port", ["serial", "usb"])
def test_the_largest_burst_and_its_jitter_are_told(port: str) -> None:
    told = {each["port"]: each for each in check_json(check(load_design(CONFIGS / "booth.yaml")))["bursts"]}[port]
    # The pads' 36 note-offs of panic(), the controllers that silence each channel, and what the delayed messages leave behind.
    assert told["by"] == "hold a+c 3s in edit_cue"
    assert told["most"] == {"serial": 126, "usb": 43}[port]
    assert told["clock_jitter_us"] == {"serial": 320, "usb": 0}[port]


@pytest.mark.parametrize("real_time_first", [True, False])
def test_a_clock_byte_just_behind_the_largest_burst_is_nearly_as_late_as_told(real_time_first: bool) -> None:
    load = next(load for load in check(load_design(CONFIGS / "booth.yaml")).loads if load.port == "serial")
    burst = [(0, b"\xc9\x05")] * (load.most // 2)
    *_, clock = serial_times([*burst, (1, b"\xf8")], real_time_first=real_time_first)
    told_us = load.jitter_us if real_time_first else load.jitter_behind_us
    assert clock.start_us - clock.time_us == told_us - 1


def test_without_findings_there_is_no_section_of_findings() -> None:
    lines = list(check_lines(check(load_design(CONFIGS / "starter.yaml"))))
    assert "findings" not in lines
    assert lines[-1] == "passes: 0 errors, 0 warnings, 0 notes"
