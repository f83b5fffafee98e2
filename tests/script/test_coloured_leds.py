"""The words of scripts, reports and timelines for LEDs that have colours."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import Design, load_design
from controller_sim.script import ScriptError, parse_script, play
from controller_sim.script.printer import print_script
from controller_sim.script.syntax import ExpectLed, Script
from controller_sim.view.report import as_json, report_lines
from controller_sim.view.timeline import events

SHOWN = "off, green, blink green, dim green, amber, blink amber or dim amber"
TOURING = Path(__file__).parents[2] / "configs" / "touring.yaml"


@pytest.fixture(scope="module")
def touring() -> Design:
    return load_design(TOURING)


@given(st.sampled_from(["a off", "a green", "b blink green", "h dim green", "a amber", "a blink amber", "i on", "far dim"]))
def test_every_state_of_an_led_is_printed_as_it_is_read(touring: Design, text: str) -> None:
    led, _, level = text.partition(" ")
    script = Script((ExpectLed(led=led, level=level),))
    assert parse_script(print_script(script), touring).steps[0] == ExpectLed(line=2, led=led, level=level)


def test_on_in_a_script_is_the_first_colour(touring: Design) -> None:
    (step,) = parse_script("expect led a on", touring).steps
    assert isinstance(step, ExpectLed)
    assert step.level == "green"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("expect led a blue", f"1:14: LED a shows {SHOWN}, not 'blue'"),
        ("expect led a blink blue", f"1:14: LED a shows {SHOWN}, not 'blink blue'"),
        ("expect led i amber", "1:14: LED i shows off, on, blink or dim, not 'amber'"),
        ("expect led a off amber", f"1:14: LED a shows {SHOWN}, not 'off amber'"),
    ],
)
def test_a_state_that_an_led_never_has_is_refused(touring: Design, text: str, message: str) -> None:
    with pytest.raises(ScriptError) as error:
        parse_script(text, touring, "evening.press")
    assert str(error.value).startswith(f"evening.press:{message}")


def test_the_timeline_and_the_report_name_colours(touring: Design) -> None:
    run = play(touring, parse_script("tap b\nwait 1s", touring))
    leds = [event.text for event in events(touring, run.inputs, run.outputs) if event.kind == "led"]
    assert leds == ["i dim", "j dim", "b green"]
    assert as_json(touring)["colours"] == {name: ["green", "amber"] for name in "abcdefgh"}
    assert any("a (green amber), b" in line for line in report_lines(touring))
