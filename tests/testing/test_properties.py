"""Properties of a design in Python, as `README.md` shows them; every test here can be copied as it is.

`histories` draws what feet do to a design; `play_history` does it to a simulator and calls a function at the end of every instant.
Promises of the design are watched as well, wherever a design is played.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim import Simulator, load_design
from controller_sim.design import load_design_text
from controller_sim.script import parse_script, play
from controller_sim.testing import Session, histories, play_history
from controller_sim.testing.telling import HEADING

FILE = Path(__file__).parents[2] / "configs" / "booth.yaml"
BOOTH = load_design(FILE)


@settings(max_examples=50)
@given(histories(BOOTH))
def test_the_lamp_of_the_switch_that_is_edited_blinks_and_no_other_of_the_three(history: Sequence[Session]) -> None:
    def look(booth: Simulator) -> None:
        if booth.mode == "edit_cue":
            assert [booth.leds[name] for name in "abc"].count("blink") == 1
            assert booth.leds["abc"[booth.memory["slot"]]] == "blink"

    play_history(BOOTH, history, look)


@settings(max_examples=50)
@given(histories(BOOTH))
def test_the_sampler_is_only_sent_programs_that_it_has(history: Sequence[Session]) -> None:
    for message in play_history(BOOTH, history).sent("serial"):
        if message.data[0] == 0xC9:
            assert message.data[1] <= 63


@settings(max_examples=30)
@given(histories(BOOTH))
def test_a_history_ends_alike_on_both_engines(history: Sequence[Session]) -> None:
    fast, reference = (play_history(BOOTH, history, engine=engine) for engine in ("fast", "reference"))
    assert fast.outputs == reference.outputs
    assert (fast.mode, fast.display, fast.leds) == (reference.mode, reference.display, reference.leds)


@settings(max_examples=50)
@given(histories(BOOTH), st.integers(0, 60))
def test_what_fails_is_told_with_a_press_script_that_does_the_same(history: Sequence[Session], instants: int) -> None:
    seen: list[Simulator] = []

    def look(booth: Simulator) -> None:
        seen.append(booth)
        assert len(seen) <= instants

    try:
        play_history(BOOTH, history, look)
    except AssertionError as error:
        (note,) = error.__notes__
        run = play(BOOTH, parse_script(note.partition(f"{HEADING}\n\n")[2], BOOTH))
        assert run.outputs[: len(seen[-1].outputs)] == tuple(seen[-1].outputs)


def test_a_broken_promise_fails_what_plays_the_design() -> None:
    planted = load_design_text(FILE.read_text(encoding="utf-8").replace("program_change(sampler, cue_sampler[n])", "pass"), "booth.yaml")

    @settings(max_examples=200, database=None)
    @given(histories(planted))
    def fails(history: Sequence[Session]) -> None:
        play_history(planted, history)

    with pytest.raises(AssertionError, match=r"booth\.yaml:\d+: the promise 'a cue is recalled at once' is broken at 0\.101000"):
        fails()
