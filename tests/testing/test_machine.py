"""The state machine of a design, as it comes and with what a user adds."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis.stateful import invariant, run_state_machine_as_test

from controller_sim import load_design
from controller_sim.design import Design, load_design_text
from controller_sim.script import parse_script, play
from controller_sim.testing import DesignMachine, machine_for
from controller_sim.testing.telling import HEADING
from controller_sim.verify.promises import promises_of

CONFIGS = Path(__file__).parents[2] / "configs"
BOOTH = CONFIGS / "booth.yaml"
NOTICES = ("bpm", "hush", "booth1", "as new", "saved")
SHORT = settings(max_examples=30, stateful_step_count=15, database=None)


def booth_with(right: str, wrong: str) -> Design:
    text = BOOTH.read_text(encoding="utf-8")
    assert right in text
    return load_design_text(text.replace(right, wrong), "booth.yaml")


class Watched(machine_for(load_design(BOOTH))):  # type: ignore[misc]  # a class made for one design
    """What a user adds: something that is so after every step."""

    @invariant()
    def the_display_names_the_act(self) -> None:
        if self.simulator.mode == "show":
            assert self.simulator.display.startswith((f"{self.simulator.memory['act'] + 1}.", "act", *NOTICES))


TestBooth = Watched.TestCase
TestBooth.settings = SHORT


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.yaml")), ids=lambda path: path.stem)
@pytest.mark.parametrize("engine", ["fast", "reference"])
def test_every_demo_can_be_walked_through(path: Path, engine: str) -> None:
    run_state_machine_as_test(machine_for(load_design(path), engine), settings=settings(SHORT, max_examples=8))


def test_a_broken_promise_fails_with_its_line_and_the_steps_that_break_it() -> None:
    planted = booth_with("e: frozen == on}", "e: off}")
    lamp = next(promise for promise in planted.promises if promise.name == "the lamp of e tells whether the room is frozen")
    broken = machine_for(planted)
    with pytest.raises(AssertionError) as caught:
        run_state_machine_as_test(broken, settings=settings(SHORT, max_examples=300))
    assert str(caught.value).startswith(f"booth.yaml:{lamp.place.line}: the promise '{lamp.name}' is broken at ")
    told = "\n".join(caught.value.__notes__)
    assert told.count("state.") <= 8, "few steps, and teardown"
    script = told.partition(f"{HEADING}\n\n")[2].partition("\n\n")[0].partition("\nExplanation:")[0]
    (kept,) = promises_of(play(planted, parse_script(script, planted))).broken
    assert str(kept) == str(caught.value)


def test_every_instant_is_shown_and_once_only() -> None:
    seen: list[int] = []

    class Witness(machine_for(load_design(BOOTH))):  # type: ignore[misc]  # a class made for one design
        def see(self, time_us: int, items: object) -> None:
            seen.append(time_us)

    feet = Witness()
    assert isinstance(feet, DesignMachine)
    feet.act(8)
    feet.pass_time(1_000_000)
    feet.act(0)
    feet.pass_time(200_000)
    assert seen == sorted(set(seen))
    assert {12_000, 40_000, 740_000, 1_040_000} <= set(seen)
    assert feet.simulator.clock_running
    assert len(seen) > 20, "every tick of the clock is an instant"
