"""The presets of a booth, played: bank select, presets over devices, remembered toggles, restart, silence."""

from pathlib import Path

import pytest

from controller_sim.design import load_design
from controller_sim.script import parse_script, play, record, report

CONFIGS = Path(__file__).parents[2] / "configs"
DESIGN = load_design(CONFIGS / "scenes.yaml")
SCRIPTS = sorted(CONFIGS.glob("scenes_*.press"))


@pytest.mark.parametrize("engine", ["fast", "reference"])
@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_the_booth_does_what_the_script_says(path: Path, engine: str) -> None:
    run = play(DESIGN, parse_script(path.read_text(encoding="utf-8"), DESIGN, str(path)), engine)
    assert run.passed, report(run)


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_a_recorded_run_with_restarts_passes_again(path: Path) -> None:
    run = play(DESIGN, parse_script(path.read_text(encoding="utf-8"), DESIGN, str(path)))
    again = play(DESIGN, parse_script(record(run), DESIGN, "recorded.press"))
    assert again.passed, report(again)
    assert again.outputs == run.outputs
