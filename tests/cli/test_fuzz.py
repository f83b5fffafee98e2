"""`controller-sim fuzz` says what was checked and what was not, and ends with a code that says whether anything was found."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from controller_sim.cli import main
from controller_sim.design import load_design
from controller_sim.script import parse_script

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
DESIGN = str(CONFIGS / "starter.yaml")
Captured = pytest.CaptureFixture[str]

LOOSE = """\
title: A note that nobody ends
switches: [a, b]
devices: {pads: {channel: 2}}
memory: {low: {range: 0..1}}
modes:
  play:
    on:
      press a: note_on(pads, 60 + low)
      release a: note_off(pads, 60 + low)
      press b: low = 1 - low
"""


@pytest.fixture
def loose(tmp_path: Path) -> str:
    path = tmp_path / "loose.yaml"
    path.write_text(LOOSE, encoding="utf-8")
    return str(path)


def test_help_shows_examples(capsys: Captured) -> None:
    assert main(["fuzz", "--help"]) == 0
    shown = capsys.readouterr().out
    assert "examples:" in shown and "controller-sim fuzz configs/booth.yaml --time 30s" in shown and "exit codes" in shown


def test_nothing_found_is_code_0_and_says_how_often_each_property_was_checked(capsys: Captured) -> None:
    assert main(["fuzz", DESIGN, "--examples", "300"]) == 0
    told = capsys.readouterr()
    assert "every press answered" in told.out and "times to check" in told.out and "of 3" in told.out
    assert told.err == ""


def test_a_note_that_stays_because_a_cell_changed_is_found_and_its_script_written(loose: str, tmp_path: Path, capsys: Captured) -> None:
    out = tmp_path / "found.press"
    assert main(["fuzz", loose, "--examples", "2000", "--out", str(out)]) == 1
    shown = capsys.readouterr().out
    script = out.read_text(encoding="utf-8")
    assert "BROKEN  notes end" in shown and script in shown
    assert "The readable engine does the same" in script
    pressed = [line.partition("down ")[2].split("+") for line in script.splitlines() if " down " in f" {line} "]
    assert sum(map(len, pressed)) == 2
    parse_script(script, load_design(loose))


BROKEN = """\
title: A step that is promised and not taken
switches: [a, b]
memory: {n: {range: 0..3, ends: wrap}}
modes:
  play:
    on: {press a: n += 1, press b: n = 0}
promises:
  no act is skipped: {always: n <= 3 and n >= 0, while: mode == play and n < 3}
  the end is never reached: {after: press a, never: n == 3}
"""


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_promise_of_the_design_that_is_broken_is_found_with_its_line_and_the_fewest_presses(
    jobs: str, tmp_path: Path, capsys: Captured
) -> None:
    path = tmp_path / "broken.yaml"
    path.write_text(BROKEN, encoding="utf-8")
    line = next(n for n, text in enumerate(BROKEN.split("\n"), 1) if "the end is never reached" in text)
    assert main(["fuzz", str(path), "--examples", "300", "--jobs", jobs]) == 1
    shown = capsys.readouterr().out
    assert "BROKEN  the end is never reached" in shown and "kept    no act is skipped" in shown
    script = shown[shown.index("# ") :]
    assert script.startswith(f"# the end is never reached: what the design promises, {path}:{line}\n")
    assert "The readable engine does the same" in script
    assert script.count("down a\n") == 3 and "down b" not in script
    assert main(["fuzz", str(path), "--examples", "300", "--jobs", jobs, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert [(each["name"], each["broken"]) for each in told["promises"]] == [
        ("no act is skipped", False),
        ("the end is never reached", True),
    ]


def test_the_same_seed_tells_the_same_as_json(loose: str, capsys: Captured) -> None:
    told = []
    for jobs in ("1", "2"):
        assert main(["fuzz", loose, "--seed", "3", "--jobs", jobs, "--json"]) == 1
        told.append(json.loads(capsys.readouterr().out))
    assert told[0] == told[1]
    assert told[0]["findings"][0]["property"] == "notes end"
    assert {each["name"]: each["broken"] for each in told[0]["properties"]}["notes end"]


def test_a_time_ends_a_campaign(capsys: Captured) -> None:
    assert main(["fuzz", DESIGN, "--time", "1ms"]) == 0
    assert "256 sessions" in capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        ["no.yaml"],
        [DESIGN, "--examples", "0"],
        [DESIGN, "--jobs", "0"],
        [DESIGN, "--time", "soon"],
        [DESIGN, "--time", "1s", "--examples", "5"],
    ],
)
def test_what_cannot_be_done_is_code_2_and_told_in_one_line(arguments: list[str], capsys: Captured) -> None:
    assert main(["fuzz", *arguments]) == 2
    told = capsys.readouterr()
    assert told.out == "" and told.err.startswith("error: ") and told.err.count("\n") == 1


def test_a_cluster_without_its_extra_is_code_2_and_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["fuzz", DESIGN, "--cluster", "tcp://nowhere:8786"]) == 2
    assert "controller-sim[cluster]" in capsys.readouterr().err
