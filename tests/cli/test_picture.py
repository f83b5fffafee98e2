from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest

from controller_sim.cli import main
from controller_sim.cli.terminal import BadInput
from controller_sim.cli.watching import watch
from controller_sim.view import picture

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
DESIGN = str(CONFIGS / "starter.yaml")
SCRIPT = str(CONFIGS / "starter_cues.press")
Captured = pytest.CaptureFixture[str]


@pytest.mark.parametrize("ending", ["svg", "html", "SVG"])
def test_the_ending_says_what_is_drawn(ending: str, tmp_path: Path, capsys: Captured) -> None:
    path = tmp_path / f"run.{ending}"
    assert main(["picture", DESIGN, SCRIPT, "-o", str(path)]) == 0
    text = path.read_text(encoding="utf-8")
    assert "Cue by cue" in text
    if ending.lower() == "svg":
        ElementTree.fromstring(text)
    assert str(path) in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "complaint"),
    [
        (["-o", "run.pdf"], "run.pdf: a picture's name ends in .svg, .png or .html"),
        (["-o", "run"], "run: a picture's name ends in .svg, .png or .html"),
        (["-o", "/no/such/folder/run.svg"], "/no/such/folder/run.svg: No such file or directory"),
        (["-o", "run.svg", "--from", "soon"], "--from: 'soon' is no duration"),
        (["-o", "run.svg", "--to", "-1s"], "--to"),
        (["-o", "run.svg", "--from", "2s", "--to", "1s"], "--to 1s is not later than --from 2s"),
        (["-o", "run.svg", "--from", "1000s"], "--from 1000s: the run ends after 8.94s"),
        (["-o", "run.svg", "--from", "1"], "--from: '1' is no duration"),
        (["-o", "run.svg", "--width", "100"], "--width 100: a picture is 600 to 6000 pixels wide"),
        (["-o", "run.html", "--width", "900"], "--width: an .html is as wide as its window"),
        ([], "-o"),
    ],
)
def test_what_cannot_be_drawn_is_said_with_exit_code_2(more: list[str], complaint: str, capsys: Captured) -> None:
    assert main(["picture", DESIGN, SCRIPT, *more]) == 2
    assert complaint in capsys.readouterr().err


def test_a_failed_expectation_is_drawn_and_gives_exit_code_1(tmp_path: Path, capsys: Captured) -> None:
    script = tmp_path / "wrong.press"
    script.write_text("tap go\nexpect message to sampler program_change 63\n", encoding="utf-8")
    assert main(["picture", DESIGN, str(script), "-o", str(tmp_path / "run.svg")]) == 1
    assert "expectation not met" in (tmp_path / "run.svg").read_text(encoding="utf-8")
    assert "1 expectation failed" in capsys.readouterr().out


def test_a_part_of_the_run_is_drawn_larger(tmp_path: Path) -> None:
    path = tmp_path / "part.svg"
    assert main(["picture", DESIGN, SCRIPT, "-o", str(path), "--from", "2s", "--to", "2500ms"]) == 0
    assert "2s to 2.5s of 8.94s" in path.read_text(encoding="utf-8")


def test_nought_needs_no_unit(tmp_path: Path) -> None:
    path = tmp_path / "part.svg"
    assert main(["picture", DESIGN, SCRIPT, "-o", str(path), "--from", "0", "--to", "500ms"]) == 0
    assert "0s to 0.5s of 8.94s" in path.read_text(encoding="utf-8")


def test_a_page_is_as_wide_as_it_is_asked_to_be(tmp_path: Path) -> None:
    heights = []
    for width in (700, 1600):
        path = tmp_path / f"{width}.svg"
        assert main(["picture", DESIGN, SCRIPT, "-o", str(path), "--width", str(width)]) == 0
        page = ElementTree.parse(path).getroot()
        assert page.attrib["width"] == str(width)
        heights.append(float(page.attrib["height"]))
    assert heights[0] > heights[1]


def test_a_png_without_its_library_is_explained(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: Captured) -> None:
    monkeypatch.setitem(sys.modules, "resvg_py", None)
    assert main(["picture", DESIGN, SCRIPT, "-o", str(tmp_path / "run.png")]) == 2
    assert "pip install 'controller-sim[png]'" in capsys.readouterr().err
    assert not (tmp_path / "run.png").exists()


def test_a_picture_of_too_much_asks_for_a_part(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: Captured) -> None:
    monkeypatch.setattr(picture, "MOST_ITEMS", 40)
    assert main(["picture", DESIGN, SCRIPT, "-o", str(tmp_path / "run.svg")]) == 2
    assert "draw a part with --from and --to" in capsys.readouterr().err
    assert main(["picture", DESIGN, SCRIPT, "-o", str(tmp_path / "run.svg"), "--to", "500ms"]) == 0


def test_help_shows_examples(capsys: Captured) -> None:
    assert main(["picture", "--help"]) == 0
    told = capsys.readouterr().out
    assert "examples:" in told and "--from 8.3s --to 8.9s" in told and "exit codes:" in told


class Foot:
    """Stands in for sleep: does one thing each time, and at last presses Ctrl-C."""

    def __init__(self, *does: Callable[[], object]) -> None:
        self.does: Iterator[Callable[[], object]] = iter(does)

    def __call__(self, seconds: float) -> None:
        assert seconds > 0
        step = next(self.does, None)
        if step is None:
            raise KeyboardInterrupt
        step()


def nothing() -> None:
    pass


def test_a_watched_command_runs_again_when_a_file_has_changed_and_come_to_rest(tmp_path: Path, capsys: Captured) -> None:
    path = tmp_path / "a.press"
    path.write_text("one", encoding="utf-8")
    seen: list[str] = []

    def once() -> int:
        seen.append(path.read_text(encoding="utf-8"))
        return 0

    def write(text: str) -> Callable[[], object]:
        return lambda: path.write_text(text, encoding="utf-8")

    foot = Foot(nothing, nothing, write("three"), write("three more"), nothing, nothing, path.unlink, write("four"), nothing, nothing)
    assert watch([str(path)], once, foot) == 0
    assert seen == ["one", "three more", "four"]
    assert "Ctrl-C ends" in capsys.readouterr().err


def test_an_error_takes_the_place_of_the_result_and_watching_goes_on(tmp_path: Path, capsys: Captured) -> None:
    path = tmp_path / "a.press"
    path.write_text("wrong", encoding="utf-8")

    def once() -> int:
        if path.read_text(encoding="utf-8") == "wrong":
            raise BadInput("a.press:1:1: this is wrong")
        print("this is right")
        return 0

    assert watch([str(path)], once, Foot(nothing, lambda: path.write_text("right!", encoding="utf-8"), nothing, nothing)) == 0
    told = capsys.readouterr()
    assert "a.press:1:1: this is wrong" in told.err
    assert told.out.count("this is right") == 1


def test_a_change_while_the_command_runs_is_not_missed(tmp_path: Path) -> None:
    path = tmp_path / "a.press"
    path.write_text("one", encoding="utf-8")
    runs = []

    def once() -> int:
        runs.append(len(runs))
        if len(runs) == 1:
            path.write_text("changed meanwhile", encoding="utf-8")
        return 0

    assert watch([str(path)], once, Foot(nothing, nothing, nothing)) == 0
    assert len(runs) == 2


@pytest.mark.parametrize("command", ["run", "picture"])
def test_ctrl_c_ends_watching_without_a_word_of_python(command: str, tmp_path: Path) -> None:
    more = ["-o", str(tmp_path / "run.svg")] if command == "picture" else []
    line = [sys.executable, "-m", "controller_sim", command, DESIGN, SCRIPT, *more, "--watch"]
    with subprocess.Popen(
        line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=CONFIGS.parent, env=dict(os.environ)
    ) as child:
        assert child.stdout is not None and child.stderr is not None
        assert "Ctrl-C ends" in child.stderr.readline()
        child.send_signal(signal.SIGINT)
        assert child.wait(60) == 0
        assert child.stderr.read().strip() == ""
        assert "passed" in child.stdout.read()


def test_watching_and_sending_to_a_port_exclude_each_other(capsys: Captured) -> None:
    assert main(["run", DESIGN, SCRIPT, "--watch", "--port", ""]) == 2
    assert "--watch and --port do not go together" in capsys.readouterr().err
