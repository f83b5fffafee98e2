"""`controller-sim storage`."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from controller_sim.cli import main

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
BOOTH = str(CONFIGS / "booth.yaml")
EDIT = str(CONFIGS / "booth_edit.press")

Captured = pytest.CaptureFixture[str]


def told(capsys: Captured, *arguments: str) -> dict[str, Any]:
    assert main(["storage", *arguments, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_the_layout_names_every_kept_cell_with_its_addresses(capsys: Captured) -> None:
    assert main(["storage", BOOTH]) == 0
    shown = capsys.readouterr().out
    assert "1024 bytes, version 1" in shown and "187 bytes in 8 cells" in shown
    assert re.search(r"\n  cue_bpm +30..240 +40 +40 +22..26 +0x0DC..0x10B\n", shown)
    assert "lit" not in shown


@pytest.mark.parametrize("design", sorted(CONFIGS.glob("*.yaml")), ids=lambda path: path.stem)
def test_no_two_cells_share_an_address_and_none_lies_in_the_journal(design: Path, capsys: Captured) -> None:
    layout = told(capsys, str(design))["layout"]
    assert isinstance(layout, dict)
    spans = sorted((cell["address"], cell["last_address"]) for cell in layout["cells"])
    assert all(last < after for (_, last), (after, _) in pairwise(spans))
    assert not spans or spans[-1][1] < layout["home_bytes"]


def test_a_script_is_told_with_its_wear_and_what_is_kept_at_the_end(capsys: Captured) -> None:
    assert main(["storage", BOOTH, EDIT]) == 0
    shown = capsys.readouterr().out
    assert "saves      1, 22 bytes written: 3,684 bytes an hour" in shown
    assert "100,000 after 0.56 years of day and night" in shown and "longest    save 73 ms" in shown
    assert "cue_sampler[1] = 4  (first 1)" in shown
    facts = told(capsys, BOOTH, EDIT)
    assert facts["wear"]["writes"] == 22 and facts["kept"]["cue"][0] == [1, 1, 2]


def test_power_cuts_at_every_byte_of_a_script_do_no_harm(capsys: Captured) -> None:
    assert main(["storage", BOOTH, EDIT, "--cut"]) == 0
    assert "neither after 0" in capsys.readouterr().out
    cuts = told(capsys, BOOTH, EDIT, "--cut")["cuts"]
    assert isinstance(cuts, dict) and cuts["old"] > 100 and cuts["new"] > 0 and cuts["neither"] == []


@pytest.mark.parametrize("name", ["chip.bin", "chip.hex"])
def test_what_was_exported_is_there_after_import(name: str, tmp_path: Path, capsys: Captured) -> None:
    chip = str(tmp_path / name)
    kept = told(capsys, BOOTH, EDIT, "--export", chip)["kept"]
    assert told(capsys, BOOTH, "--import", chip)["kept"] == kept
    (tmp_path / "next.press").write_text("tap d+e\nwait 1s\n", encoding="utf-8")
    after = told(capsys, BOOTH, str(tmp_path / "next.press"), "--import", chip, "--export", str(tmp_path / "again.bin"))["kept"]
    assert isinstance(kept, dict) and after == kept | {"act": 1}
    assert len((tmp_path / "again.bin").read_bytes()) == 1024


def test_an_image_of_an_older_version_is_taken_over_and_told(tmp_path: Path, capsys: Captured) -> None:
    chip, design = str(tmp_path / "chip.bin"), tmp_path / "booth.yaml"
    told(capsys, BOOTH, EDIT, "--export", chip)
    text = Path(BOOTH).read_text(encoding="utf-8")
    design.write_text("storage: {version: 2}\n" + text.replace("range: -1..191, size: 40", "range: -1..99, size: 40"), encoding="utf-8")
    assert main(["storage", str(design), "--import", chip]) == 0
    shown = capsys.readouterr().out
    assert "taken over from an image of version 1: act, cue, cue_sampler, cue_wet, cue_bpm, house_cue" in shown
    assert "cue_pads (-1..99, size 40)" in shown and "cue_sampler[1] = 4" in shown
    assert main(["storage", str(design), "--import", chip, "--export", chip]) == 0
    capsys.readouterr()
    assert main(["storage", BOOTH, "--import", chip]) == 2
    assert capsys.readouterr().err == f"error: {chip}: the image is of version 2, newer than the design's version 1\n"


def test_a_run_may_begin_with_an_image(tmp_path: Path, capsys: Captured) -> None:
    chip, script = str(tmp_path / "chip.bin"), tmp_path / "after.press"
    told(capsys, BOOTH, EDIT, "--export", chip)
    script.write_text("expect memory cue_sampler[1] = 4\n", encoding="utf-8")
    assert main(["run", BOOTH, str(script), "--import", chip]) == 0
    assert main(["run", BOOTH, str(script), "--import", chip, "--engine", "reference"]) == 0
    assert main(["run", BOOTH, str(script)]) == 1
    assert main(["run", str(CONFIGS / "starter.yaml"), str(CONFIGS / "starter_cues.press"), "--import", chip]) == 2
    assert "the image is of another design" in capsys.readouterr().err


def test_what_cannot_be_used_is_code_2_with_a_message(tmp_path: Path, capsys: Captured) -> None:
    short = tmp_path / "short.bin"
    short.write_bytes(bytes(10))
    loose = tmp_path / "loose.yaml"
    loose.write_text("{switches: [a], modes: {m: {}}}", encoding="utf-8")
    for arguments, message in (
        ([BOOTH, "--import", str(short)], f"{short}: the image has 10 bytes, but the design declares storage of 1024"),
        ([BOOTH, "--import", str(tmp_path / "none.bin")], f"{tmp_path / 'none.bin'}: No such file or directory"),
        ([BOOTH, "--export", str(tmp_path / "none" / "chip.bin")], f"{tmp_path / 'none' / 'chip.bin'}: No such file or directory"),
        ([BOOTH, "--cut"], "--cut needs a script that writes something"),
        ([str(loose), "--export", "chip.bin"], f"{loose}: the design keeps nothing without power: no memory cell says 'keep: yes'"),
    ):
        assert main(["storage", *arguments]) == 2
        assert capsys.readouterr().err == f"error: {message}\n"


def test_an_image_that_cannot_be_converted_for_want_of_room_is_code_2_and_says_what_would_fit(tmp_path: Path, capsys: Captured) -> None:
    old, new, chip = tmp_path / "old.yaml", tmp_path / "new.yaml", str(tmp_path / "chip.bin")
    rest = "{switches: [a], storage: {bytes: 160}, modes: {m: {}}, memory: {"
    wide = f"wide: {{range: 0..99, size: 60, start: {list(range(60))}, keep: yes}}"
    old.write_text(f"{rest}{wide}}}}}", encoding="utf-8")
    new.write_text(f"{rest}first: {{range: 0..9, size: 3, keep: yes}}, {wide}}}}}", encoding="utf-8")
    assert main(["storage", str(old), "--export", chip]) == 0
    capsys.readouterr()
    assert main(["storage", str(new), "--import", chip]) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"error: {chip}: the image cannot be taken over where it is: ")
    assert error.endswith("; it would fit with wide in this order, and all others after them\n")


def test_a_design_that_keeps_nothing_says_so(tmp_path: Path, capsys: Captured) -> None:
    loose = tmp_path / "loose.yaml"
    loose.write_text("{switches: [a], modes: {m: {}}}", encoding="utf-8")
    assert main(["storage", str(loose)]) == 0
    assert "keeps nothing without power" in capsys.readouterr().out
    assert told(capsys, str(loose))["layout"]["cells"] == []


def test_a_script_whose_expectations_fail_is_code_1(tmp_path: Path, capsys: Captured) -> None:
    script = tmp_path / "wrong.press"
    script.write_text("tap a\nexpect mode settings\n", encoding="utf-8")
    assert main(["storage", BOOTH, str(script)]) == 1
    assert f"{script}:2: not met" in capsys.readouterr().out
