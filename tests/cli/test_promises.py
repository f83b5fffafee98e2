"""`run` and `test` tell broken promises of the design by their lines, and of kept ones how often they were in force."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from controller_sim.cli import main
from controller_sim.design import load_design

ROOT = Path(__file__).parents[2]
BOOTH = ROOT / "configs" / "booth.yaml"
EVENING = ROOT / "configs" / "booth_evening.press"
Captured = pytest.CaptureFixture[str]
NEVER = {"editing never freezes the room", "hush leaves nothing running", "amber is what has changed"}
"""What the evening has no occasion for."""
LAMP = "the lamp of e tells whether the room is frozen"


def line_of(path: Path, name: str) -> int:
    """Where a promise stands in a file."""
    lines = path.read_text(encoding="utf-8").split("\n")
    return next(number for number, line in enumerate(lines, 1) if line.startswith(f"  {name}:"))


@pytest.fixture
def planted(tmp_path: Path) -> Path:
    """The booth with a lamp that stays dark."""
    (tmp_path / "booth_tap.press").write_text("tap e\nwait 1s\n")
    path = tmp_path / "booth.yaml"
    path.write_text(BOOTH.read_text(encoding="utf-8").replace("e: frozen == on}", "e: off}"), encoding="utf-8")
    return path


@pytest.mark.parametrize("engine", ["fast", "reference"])
def test_a_broken_promise_fails_the_script_that_breaks_it(planted: Path, engine: str, capsys: Captured) -> None:
    script = planted.with_name("booth_tap.press")
    told = f"{planted}:{line_of(planted, LAMP)}: the promise '{LAMP}' is broken at 0.452000: LED e is off, frozen is on"
    for command in (["test", str(script)], ["run", str(planted), str(script)]):
        assert main([*command, "--engine", engine]) == 1
        assert told in capsys.readouterr().out
    assert main(["test", str(script), "--json", "--engine", engine]) == 1
    (result,) = json.loads(capsys.readouterr().out)
    assert result["result"] == "failed"
    assert result["failures"][0].startswith(told)


def test_a_run_says_how_often_each_promise_was_in_force(capsys: Captured) -> None:
    assert main(["run", str(BOOTH), str(EVENING)]) == 0
    names = [promise.name for promise in load_design(BOOTH).promises]
    assert f"{len(names)} promises, 0 broken, {len(NEVER)} never in force" in capsys.readouterr().out
    assert main(["run", str(BOOTH), str(EVENING), "--json"]) == 0
    promises = json.loads(capsys.readouterr().out)["promises"]
    assert [promise["line"] for promise in promises] == [line_of(BOOTH, name) for name in names]
    assert {promise["promise"] for promise in promises if not promise["reached"]} == NEVER
    assert {promise["broken"] for promise in promises} == {None}


def test_a_design_without_promises_loads_nothing_that_watches() -> None:
    code = (
        "import sys\nfrom controller_sim.cli import main\n"
        "assert main(['test', 'configs/starter.yaml', 'configs/starter_cues.press']) == 0\n"
        "assert not {'controller_sim.verify', 'controller_sim.design.promises'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT, capture_output=True, timeout=60)
