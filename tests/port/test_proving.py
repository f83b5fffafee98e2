"""The proof of the firmware's loop: what it hands to Frama-C, and what it makes of the answer. Frama-C itself is too large for CI."""

from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tools"))

from firmware_checks import proving, wild  # noqa: E402  # no package of the project, tools/ must be on the path first
from firmware_checks.building import CheckError, Missing, put, run  # noqa: E402

from controller_sim.port.c99 import runtime_files  # noqa: E402

DEMOS = wild.named_designs(sorted((ROOT / "configs").glob("*.yaml")))
STARTER = {"starter": DEMOS["starter"]}
INTERVALS = "static inline long long Frama_C_long_long_interval(long long low, long long high)\n{\n    return low < high ? low : high;\n}\n"
with_frama_c = pytest.mark.skipif(shutil.which("frama-c") is None, reason=f"Frama-C is not here, nor in CI: {proving.INSTALL}")


@pytest.mark.needs("gcc")
@pytest.mark.parametrize("name", DEMOS)
@pytest.mark.parametrize("part", [[], ["-DOF_STORAGE"]], ids=["loop", "storage"])
def test_the_board_that_gives_anything_fits_the_firmware_of_each_demo(name: str, part: list[str], tmp_path: Path) -> None:
    files = proving.proof_files(DEMOS[name])
    put({**files, "__fc_builtin.h": INTERVALS}, tmp_path)
    run(["gcc", "-std=c99", "-fsyntax-only", "-I.", "-Wall", "-Wextra", "-Wno-unused", "-Werror", *part, proving.BOARD], tmp_path)


def test_every_loop_that_says_how_often_it_goes_round_says_so_to_frama_c_in_its_own_line() -> None:
    files = proving.proof_files(DEMOS["booth"])
    for name, text in runtime_files().items():
        if name.endswith(".c") and name not in proving.STORAGE:
            lines = text.splitlines()
            prepared = files[name].splitlines()
            assert len(prepared) == len(lines)
            for line, after in zip(lines, prepared, strict=True):
                noted = re.search(r"/\* at most (.+?) rounds?\b", line)
                if noted and re.match(r" *(for|while|do)\b", line):
                    rounds = noted[1].replace("CTL_MOST_TOGETHER", "CTL_SWITCHES")
                    assert f"/*@ loop unroll ({rounds}); */" in after


def test_without_frama_c_it_is_told_how_to_install_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(Missing, match=r"apt-get install .*frama-c-base"):
        proving.prove(STARTER, proving.MACHINES, 1, tmp_path, lambda line: None)


SAID = """\
[eva:alarm] recogniser.c:146: Warning: 
  accessing out of bounds index.
  assert (int)((int)tmp_0->first_hold + (int)i) < 1;
  (tmp_0 from row_of(k))
[eva] any_board.c:74: starting to merge loop iterations
[eva:alarm] any_board.c:58: Warning: assertion got status unknown.
[eva:summary] ====== ANALYSIS SUMMARY ======
  113 functions analyzed (out of 133): 84% coverage.
  In these functions, 1237 statements reached (out of 1269): 97% coverage.
  Evaluation of the logical properties reached by the analysis:
    Assertions        3 valid     1 unknown     0 invalid      4 total
    Preconditions     5 valid     0 unknown     0 invalid      5 total
"""


def judged(said: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> dict[str, object]:
    """What is made of an answer of a program that stands in for Frama-C."""
    (tmp_path / "said").write_text(said, encoding="utf-8")
    (tmp_path / "frama-c").write_text(f"#!/bin/sh\nexec /bin/cat {tmp_path}/said\n", encoding="utf-8")
    (tmp_path / "frama-c").chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    return proving.prove(STARTER, ["x86_32"], 1, tmp_path, lambda line: None)


def test_each_alarm_and_each_demand_that_is_not_proved_is_told_with_its_place(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with pytest.raises(CheckError) as caught:
        judged(SAID, monkeypatch, tmp_path)
    lines = str(caught.value).splitlines()
    assert lines[0].startswith("alarms: 4,")  # two of the loop, two of the storage
    assert lines[1].startswith("starter, loop, x86_32: recogniser.c:146: Warning: accessing out of bounds index. assert (int)")
    assert lines[2] == "starter, loop, x86_32: any_board.c:58: Warning: assertion got status unknown."


def test_an_answer_without_alarms_is_a_proof_and_one_without_an_end_is_none(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    summary = SAID[SAID.index("[eva:summary]") :]
    analyses = judged(summary, monkeypatch, tmp_path)["analyses"]
    assert isinstance(analyses, list)
    assert [(each["part"], each["proved"], each["reached"], each["statements"]) for each in analyses] == [
        ("loop", 8, 1237, 1269),
        ("storage", 8, 1237, 1269),
    ]
    with pytest.raises(CheckError, match="not come to an end"):
        judged("[eva] Analysis aborted", monkeypatch, tmp_path)
    gap = "[kernel:annot:missing-spec] modes.c:9: Warning: \n  Neither code nor specification for function ctl_show,\n"
    with pytest.raises(CheckError, match="ctl_show"):
        judged(gap + summary, monkeypatch, tmp_path)


@with_frama_c
@pytest.mark.parametrize(
    ("name", "before", "after", "told"),
    [
        ("recogniser.c", "hold < row->end_hold", "hold <= row->end_hold", "recogniser.c:"),
        ("show.c", "led < CTL_LEDS", "led <= CTL_LEDS", "show.c:"),
        ("modes.c", "ctl.next_mode = CTL_HOME;", "ctl.next_mode = CTL_MODES;", "assert ctl.mode < 1"),
    ],
)
def test_frama_c_tells_an_index_beyond_its_table(
    name: str, before: str, after: str, told: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    files = runtime_files()
    assert before in files[name]
    files[name] = files[name].replace(before, after)
    monkeypatch.setattr(proving, "runtime_files", lambda: files)
    monkeypatch.setattr(proving, "_parts_of", lambda design: ("loop",))
    with pytest.raises(CheckError, match=told):
        proving.prove(STARTER, ["gcc_x86_16"], 1, tmp_path, lambda line: None)
