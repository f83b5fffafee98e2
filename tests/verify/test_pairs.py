"""Two runs side by side agree on every design, and the checks have something to compare."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.design.fast import FastEngine
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.verify.dice import Dice
from controller_sim.verify.drawing import Feet
from controller_sim.verify.earliest import EARLIEST, Edges
from controller_sim.verify.pairs import CHECKS, CUT, ORDER, Check, Tally
from controller_sim.verify.watching import Session

CONFIGS = Path(__file__).resolve().parents[2] / "configs"


def from_zero(session: Session) -> Session:
    start_us = session.times_us[0]
    arrivals = tuple((time_us - start_us, arrived) for time_us, arrived in session.arrivals)
    return replace(session, times_us=tuple(time_us - start_us for time_us in session.times_us), arrivals=arrivals)


@pytest.mark.parametrize("check", CHECKS.values(), ids=CHECKS)
@settings(max_examples=60)
@given(data=st.data())
def test_two_runs_of_any_design_agree(check: Check, data: st.DataObject) -> None:
    design = data.draw(designs())
    session = from_zero(data.draw(sessions(design)))
    assert check(design, FastEngine, session, Dice(str(data.draw(st.integers(0, 99)))), Tally()) is None


@settings(max_examples=100)
@given(st.data())
def test_no_gesture_of_any_design_fires_later_than_it_could(data: st.DataObject) -> None:
    design = data.draw(designs())
    session = replace(from_zero(data.draw(sessions(design))), arrivals=())
    assert Edges(design).check(FastEngine, session, Dice(str(data.draw(st.integers(0, 99)))), Tally()) is None


def test_every_check_has_something_to_compare_on_an_example() -> None:
    design = load_design(CONFIGS / "booth.yaml")
    edges, tally = Edges(design), Tally()
    for place, session in enumerate(session for block in range(1, 9) for session in Feet(design, 3).block(block)[:40:10]):
        dice = Dice(str(place))
        for name, check in CHECKS.items():
            if name != CUT or place % 8 == 0:
                assert check(design, FastEngine, session, dice, tally) is None
        assert edges.check(FastEngine, session, dice, tally) is None
    assert {*CHECKS, EARLIEST} <= {name for name, times in tally.reached.items() if times} | {ORDER}
    assert len(tally.branches) > 10
