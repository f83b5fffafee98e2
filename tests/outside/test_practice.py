"""What builders and players take for granted: common practice, no source."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import DesignError, load_design, load_design_text
from controller_sim.simulator import Simulator

CONFIGS = Path(__file__).parents[2] / "configs"
BOX = """
switches: [a, b, c, d]
display: {{characters: 8}}
timing: {{debounce: {{press: none, release: none}}}}
devices:
  pads: {{channel: 1, programs: 0..49}}
  mixer: {{channel: 2, controllers: {{mute: {{number: 70, on: 127, off: 0}}}}}}
  room: {{channel: 3, controllers: {{bypass: {{number: 80, on: 64, off: 63}}}}}}
  echo: {{channel: 4, controllers: {{tap: {{number: 81, on: 64}}}}}}
memory: {{n: {{range: {range}, ends: clamp}}, on_now: {{names: ["off", "on"]}}}}
modes:
  m:
    form: [{{label: preset, cell: n}}]
    on:
      press a: program_change(pads, n)
      press b: |
        on_now = not on_now
        control_change(mixer, mute, on_now)
        control_change(room, bypass, on_now)
      press c: |
        tap_tempo()
        control_change(echo, tap, on)
      press d: form_value(7)
"""


def sent(box: Simulator, key: str) -> list[str]:
    before = len(box.sent())
    box.tap(key)
    return [message.data.hex(" ") for message in box.sent()[before:]]


def powered(text: str = BOX.format(range="0..49")) -> Simulator:
    box = Simulator(load_design_text(text))
    box.wait("100ms")
    return box


def test_a_device_of_fifty_presets_numbers_them_0_to_49() -> None:
    box = powered()
    first = sent(box, "a")
    for _ in range(8):
        box.tap("d")
        box.wait("1ms")
    assert (first, sent(box, "a")) == (["c0 00"], ["c0 31"])
    with pytest.raises(DesignError, match=r"0\.\.50"):
        powered(BOX.format(range="0..50"))


def test_a_mute_takes_127_for_on_and_0_for_off_and_a_bypass_may_want_64_and_63() -> None:
    box = powered()
    assert [sent(box, "b"), sent(box, "b")] == [["b1 46 7f", "b2 50 40"], ["b1 46 00", "b2 50 3f"]]
    text = (CONFIGS / "booth.yaml").read_text(encoding="utf-8")
    assert "freeze: {number: 80, on: 64, off: 63}" in text


@given(pauses_ms=st.lists(st.integers(150, 1500), min_size=1, max_size=6))
def test_a_remote_tap_is_one_controller_message_of_a_fixed_value_for_each_tap(pauses_ms: list[int]) -> None:
    box = powered()
    for pause_ms in pauses_ms:
        assert sent(box, "c") == ["b3 51 40"]
        box.wait(f"{pause_ms}ms")


@pytest.mark.parametrize("name", ["booth", "touring"])
def test_a_field_s_label_shows_about_a_second_before_its_value(name: str) -> None:
    design = load_design(CONFIGS / f"{name}.yaml")
    assert {timer.period_us for mode in design.modes for timer in mode.timers if not timer.every} >= {1_000_000}
    box = powered()
    box.wait("850ms")
    assert box.display == "preset"
    box.wait("100ms")
    assert box.display == "0"
