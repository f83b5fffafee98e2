"""The table of properties: each can be broken, each says by which findings it is decided, and those that are a design's own are marked."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from controller_sim.design import load_design
from controller_sim.verify.coverage import Coverage
from controller_sim.verify.properties import BEFORE, BY_NAME, ENDLESS, PROPERTIES, Property
from controller_sim.verify.reached import times_reached

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tools"))

from planted import faults, played  # noqa: E402  # no package of the project, tools/ must be on the path first
from planted.engine import DEFECTS  # noqa: E402

RUN = [each for each in PROPERTIES if each.how not in (BEFORE, ENDLESS)]


@pytest.mark.parametrize("each", RUN, ids=lambda each: each.name)
def test_something_planted_breaks_each_property_that_runs_decide(each: Property) -> None:
    assert each.name in {planted.caught_by for planted in (*DEFECTS, *played.PLAYED)}


@pytest.mark.parametrize("each", [each for each in PROPERTIES if each.findings], ids=lambda each: each.name)
def test_each_finding_that_a_property_names_has_a_fault_that_gives_it(each: Property) -> None:
    assert {planted.code for planted in faults.PLANTED}.issuperset(each.findings)


def test_what_is_decided_before_anything_is_played_is_decided_by_findings() -> None:
    assert all(each.findings for each in PROPERTIES if each.how == BEFORE)


def test_the_properties_that_a_design_can_break_by_itself_are_those_that_played_faults_break() -> None:
    assert {each.name for each in PROPERTIES if each.of_design} == {planted.caught_by for planted in played.PLAYED}
    assert not any(each.of_design for each in PROPERTIES if each.how in (BEFORE, ENDLESS))


@pytest.mark.parametrize("name", ["booth", "starter", "touring"])
def test_of_every_property_that_runs_decide_it_is_told_how_often_it_had_something_to_check(name: str) -> None:
    design = load_design(ROOT / "configs" / f"{name}.yaml")
    assert all(times_reached(each.name, Coverage(), design) == 0 for each in BY_NAME.values() if each in RUN)
