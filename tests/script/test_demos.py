"""The demo designs: their scripts on both engines, recorded and played again, and what they promise of sizes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from controller_sim.core.storage import MOST_ROWS
from controller_sim.design import load_design
from controller_sim.design.storage import map_of
from controller_sim.script import parse_script, play, record, report

ROOT = Path(__file__).parents[2]
CONFIGS = ROOT / "configs"
SCRIPTS = sorted(CONFIGS.glob("*_*.press"))
DESIGNS = {path.stem: load_design(path) for path in sorted(CONFIGS.glob("*.yaml"))}
MOST_LINES = 250
"""Of a design that one person can keep in mind."""


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_a_rehearsal_goes_as_written_on_both_engines_and_recorded_once_more(path: Path) -> None:
    design = DESIGNS[path.stem.partition("_")[0]]
    script = parse_script(path.read_text(encoding="utf-8"), design, str(path))
    runs = [play(design, script, engine) for engine in ("fast", "reference")]
    for run in runs:
        assert run.passed, report(run)
    assert runs[0].outputs == runs[1].outputs
    again = play(design, parse_script(record(runs[0]), design, "recorded.press"))
    assert again.passed, report(again)
    assert again.outputs == runs[0].outputs


def test_a_hundred_scenes_of_five_numbers_eighty_assignments_and_the_set_up_fit_a_kilobyte() -> None:
    design = DESIGNS["touring"]
    sizes = sorted(cell.size for cell in design.cells if cell.keep)
    assert sizes[-6:] == [80, 100, 100, 100, 100, 100] and len(sizes) > 9
    stored = map_of(design)
    assert stored.size == 1024 and stored.least_bytes <= 1024 and stored.rows <= MOST_ROWS
    assert stored.ram_bytes < 64, "2 KiB of RAM stay free for all else"
    assert stored.rows_at_once >= 10, "a scene of five numbers, in ten rows at worst, is kept whole or not at all"
    assert design.warnings == ()


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.yaml")), ids=lambda path: path.stem)
def test_a_design_is_short_enough_to_be_read(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) < MOST_LINES


def test_everything_that_the_readme_names_is_there() -> None:
    named = set(re.findall(r"configs/\w+\.(?:yaml|press)", (ROOT / "README.md").read_text(encoding="utf-8")))
    assert named and {name for name in named if not (ROOT / name).exists()} == set()
    assert {path.stem for path in CONFIGS.glob("*.yaml")} <= {Path(name).stem for name in named}
