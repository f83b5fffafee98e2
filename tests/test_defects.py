"""The suite of planted defects: each has its place in the sources, and what claims to notice it keeps quiet about the engine as it is."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

TOOLS = Path(__file__).resolve().parent.parent / "tools"
sys.path.insert(0, str(TOOLS))

from planted import trial  # noqa: E402  # no package of the project, tools/ must be on the path first
from planted.engine import DEFECTS  # noqa: E402

CLAIMS = sorted({(defect.caught_by, defect.design) for defect in DEFECTS})


def test_there_are_sixty_defects_in_the_engine_and_each_has_its_place_in_the_sources() -> None:
    assert len({defect.name for defect in DEFECTS}) == len(DEFECTS) >= 60
    trial.check_places(DEFECTS)


@pytest.mark.parametrize(("caught_by", "design"), CLAIMS)
def test_a_property_notices_nothing_in_the_engine_without_the_defect(caught_by: str, design: str) -> None:
    assert trial.hold(caught_by, design, 8 if caught_by == "power cuts" else 96) == ("", "", 8 if caught_by == "power cuts" else 96)


@pytest.mark.parametrize("defect", [each for each in trial.IN_DESIGNS if each.played], ids=lambda defect: defect.name)
def test_a_fault_that_shows_in_a_run_is_found_by_its_property_and_its_mended_twin_passes(defect: trial.InDesign) -> None:
    assert trial.try_design(defect).as_claimed
