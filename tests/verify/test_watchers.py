"""The watchers of the state complain of nothing that an engine rightly does, and of what it wrongly does."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.design.fast import FastEngine
from controller_sim.reference import ReferenceEngine
from controller_sim.testing.compare import EngineFactory
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.verify.drawing import Feet
from controller_sim.verify.overlooking import overlooking
from controller_sim.verify.watching import Session, walk

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])


@both_engines
@settings(max_examples=40)
@given(st.data())
def test_nothing_that_an_engine_does_is_taken_for_wrong(factory: EngineFactory, data: st.DataObject) -> None:
    design = data.draw(designs())
    drawn = data.draw(sessions(design))
    assert walk(factory(design, drawn.start_us, None, True), drawn, list(overlooking(design).watchers().values())) is None


@pytest.mark.parametrize("name", ["booth", "starter", "touring"])
def test_every_watcher_of_an_example_has_something_to_check(name: str) -> None:
    design = load_design(CONFIGS / f"{name}.yaml")
    overlooked = overlooking(design)
    reached = dict.fromkeys(overlooked.makers, 0)
    for block in range(40):
        session = Feet(design, 1).block(block)[block]
        watchers = overlooked.watchers()
        assert walk(FastEngine(design, 0, None, True), session, list(watchers.values())) is None
        for watched, watcher in watchers.items():
            reached[watched] += watcher.reached
        if all(reached.values()):
            break
    assert all(reached.values())


def test_what_is_edited_at_the_very_instant_of_entering_is_not_taken_for_old_by_a_cancel() -> None:
    """Switch d goes down when the hold of a enters the form, and counts in it; the hold of b cancels."""
    design = load_design(CONFIGS / "booth.yaml")
    times = (0, 100_000, 800_000, 1_000_000, 2_000_000, 3_000_000)
    session = Session(times, (0, 1, 1 | 1 << 3, 0, 1 << 1, 0))
    watchers = overlooking(design).watchers()
    assert walk(FastEngine(design, 0, None, True), session, list(watchers.values())) is None
