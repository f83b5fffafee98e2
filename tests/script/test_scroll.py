"""A design with a form and colours, played: scrolling what is in focus, and the words of scripts for coloured LEDs."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import Design, load_design
from controller_sim.script import ScriptError, parse_script, play, record
from controller_sim.script.printer import print_script
from controller_sim.script.syntax import ExpectLed, Script
from controller_sim.view.report import as_json, report_lines
from controller_sim.view.timeline import events

MID = "off, green, blink green, dim green, red, blink red or dim red"
CONFIGS = Path(__file__).parents[2] / "configs"
SCRIPT = (CONFIGS / "scroll_focus.press").read_text(encoding="utf-8")
both_engines = pytest.mark.parametrize("engine", ["fast", "reference"])


@pytest.fixture(scope="module")
def scroll() -> Design:
    return load_design(CONFIGS / "scroll.yaml")


@both_engines
def test_values_scroll_within_their_ranges_and_blink_until_saved_or_cancelled(scroll: Design, engine: str) -> None:
    assert play(scroll, parse_script(SCRIPT, scroll), engine).failures == ()


@both_engines
def test_a_run_with_a_form_and_colours_recorded_passes_when_it_is_played_again(scroll: Design, engine: str) -> None:
    recorded = record(play(scroll, parse_script(SCRIPT, scroll), engine))
    assert "led mid blink red" in recorded
    assert play(scroll, parse_script(recorded, scroll), engine).failures == ()


@given(st.sampled_from(["mid off", "mid green", "mid blink green", "mid dim green", "mid red", "mid blink red", "up on", "up dim"]))
def test_every_state_of_an_led_is_printed_as_it_is_read(text: str) -> None:
    led, _, level = text.partition(" ")
    script = Script((ExpectLed(led=led, level=level),))
    design = load_design(CONFIGS / "scroll.yaml")
    assert parse_script(print_script(script), design).steps[0] == ExpectLed(line=2, led=led, level=level)


def test_on_in_a_script_is_the_first_colour(scroll: Design) -> None:
    (step,) = parse_script("expect led mid on", scroll).steps
    assert isinstance(step, ExpectLed)
    assert step.level == "green"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("expect led mid blue", f"1:16: LED mid shows {MID}, not 'blue'"),
        (
            "expect led mid blink blue",
            f"1:16: LED mid shows {MID}, not 'blink blue'",
        ),
        ("expect led up red", "1:15: LED up shows off, on, blink or dim, not 'red'"),
        ("expect led mid off red", f"1:16: LED mid shows {MID}, not 'off red'"),
    ],
)
def test_a_state_that_an_led_never_has_is_refused(scroll: Design, text: str, message: str) -> None:
    with pytest.raises(ScriptError) as error:
        parse_script(text, scroll, "evening.press")
    assert str(error.value).startswith(f"evening.press:{message}")


def test_the_timeline_and_the_report_name_colours(scroll: Design) -> None:
    run = play(scroll, parse_script("wait 1s", scroll))
    leds = [event.text for event in events(scroll, run.inputs, run.outputs) if event.kind == "led"]
    assert leds == ["down on", "mid green", "up on"]
    assert as_json(scroll)["colours"] == {"mid": ["green", "red"]}
    assert any("down, mid (green red), up" in line for line in report_lines(scroll))
