"""The port command: what it writes, and what it leaves alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller_sim.cli import main
from controller_sim.design import load_design
from controller_sim.port import BUILDERS_OWN, WRITERS

STARTER = Path(__file__).resolve().parents[2] / "configs" / "starter.yaml"

Captured = pytest.CaptureFixture[str]


def test_all_files_of_a_target_are_written(tmp_path: Path, capsys: Captured) -> None:
    assert main(["port", str(STARTER), "--to", "micropython", "--out", str(tmp_path / "new" / "board")]) == 0
    found = {path.relative_to(tmp_path / "new" / "board").as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    assert found == set(WRITERS["micropython"](load_design(str(STARTER)), ""))
    assert capsys.readouterr().out == f"{len(found)} files written to {tmp_path / 'new' / 'board'}\n"


def test_what_is_the_builders_own_is_left_as_it_is(tmp_path: Path, capsys: Captured) -> None:
    for name in ("pins.py", "design.py"):
        (tmp_path / name).write_text("mine\n", encoding="utf-8")
    assert main(["port", str(STARTER), "--to", "micropython", "--out", str(tmp_path)]) == 0
    assert "pins.py" in BUILDERS_OWN and (tmp_path / "pins.py").read_text(encoding="utf-8") == "mine\n"
    assert (tmp_path / "design.py").read_text(encoding="utf-8") != "mine\n"
    assert f"left as it is: {tmp_path / 'pins.py'}" in capsys.readouterr().out


def test_an_unknown_target_and_a_folder_that_cannot_be_are_code_2(tmp_path: Path, capsys: Captured) -> None:
    assert main(["port", str(STARTER), "--to", "kettle", "--out", str(tmp_path)]) == 2
    assert "micropython" in capsys.readouterr().err
    (tmp_path / "file").touch()
    assert main(["port", str(STARTER), "--to", "micropython", "--out", str(tmp_path / "file")]) == 2
    assert str(tmp_path / "file") in capsys.readouterr().err
