"""`chart`, and waveforms of `run`, from the command line."""

from __future__ import annotations

import io
import sys
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import pytest
from pypdf import PdfReader

from controller_sim.cli import main
from controller_sim.cli.chart import PARTS
from controller_sim.design.form import Design

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
BOOTH = str(CONFIGS / "booth.yaml")
RUN = ["run", BOOTH, str(CONFIGS / "booth_evening.press")]

Captured = pytest.CaptureFixture[str]


def test_help_shows_examples_and_ends_well(capsys: Captured) -> None:
    assert main(["chart", "--help"]) == 0
    told = capsys.readouterr().out
    assert "controller-sim chart configs/booth.yaml -o booth.pdf" in told and all(part in told for part in PARTS)


def test_without_a_file_the_chart_is_printed(capsys: Captured) -> None:
    assert main(["chart", BOOTH]) == 0
    told = capsys.readouterr().out
    assert told.startswith("# Puppet booth: charts\n")
    for title in ("Puppet booth", "Map of modes", "What the names stand for", "MIDI Implementation Chart", "Where values are kept"):
        assert f"\n## {title}" in told


@pytest.mark.parametrize(
    ("ending", "begins"), [("md", "# Puppet"), ("html", "<!DOCTYPE html>"), ("svg", "<svg "), ("HTML", "<!DOCTYPE html>")]
)
def test_the_ending_of_the_file_says_what_it_becomes(ending: str, begins: str, tmp_path: Path, capsys: Captured) -> None:
    path = tmp_path / f"booth.{ending}"
    assert main(["chart", BOOTH, "-o", str(path)]) == 0
    assert path.read_text(encoding="utf-8").startswith(begins)
    assert capsys.readouterr() == ("", "")


def test_a_pdf_has_the_parts_that_were_asked_for_and_no_others(tmp_path: Path) -> None:
    path = tmp_path / "floor.pdf"
    assert main(["chart", BOOTH, "--part", "midi", "--part", "switches", "-o", str(path)]) == 0
    texts = [page.extract_text() for page in PdfReader(io.BytesIO(path.read_bytes())).pages]
    assert len(texts) == 2 and texts[0].startswith("Puppet booth") and texts[1].startswith("MIDI Implementation Chart")


def test_an_svg_has_the_parts_that_were_asked_for_else_the_map(tmp_path: Path) -> None:
    path = tmp_path / "floor.svg"
    assert main(["chart", BOOTH, "-o", str(path)]) == 0
    assert "<title>Map of modes</title>" in path.read_text(encoding="utf-8")
    assert main(["chart", BOOTH, "--part", "switches", "-o", str(path)]) == 0
    text = path.read_text(encoding="utf-8")
    assert "<title>Puppet booth</title>" in text and ">double:</text>" in text and "Map of modes" not in text


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["-o", "booth.doc"], "booth.doc: a chart can be .md, .html, .pdf or .svg, and .doc is none of these"),
        (["-o", "booth"], "booth: a chart can be .md, .html, .pdf or .svg, and a name without an ending is none of these"),
        (["-o", "no_such_folder/booth.md"], "no_such_folder/booth.md: No such file or directory"),
        (["-o", "no_such_folder/booth.pdf"], "no_such_folder/booth.pdf: No such file or directory"),
        (["--part", "feet"], "invalid choice: 'feet'"),
    ],
)
def test_wrong_usage_is_code_2_and_told(arguments: list[str], told: str, capsys: Captured) -> None:
    assert main(["chart", BOOTH, *arguments]) == 2
    shown = capsys.readouterr()
    assert shown.out == "" and told in shown.err


def test_a_part_that_the_design_has_nothing_for_is_told(tmp_path: Path, capsys: Captured) -> None:
    path = tmp_path / "plain.yaml"
    path.write_text("switches: [a]\nmodes: {only: {on: {press a: start()}}}\n", encoding="utf-8")
    assert main(["chart", str(path), "--part", "storage"]) == 2
    assert capsys.readouterr().err == f"error: {path}: there is nothing to tell of storage\n"
    assert main(["chart", str(path)]) == 0


@pytest.mark.parametrize(
    ("library", "arguments", "told"),
    [
        ("fpdf", ["chart", BOOTH, "-o", "booth.pdf"], "pip install 'controller-sim[pdf]'"),
        ("vcd", [*RUN, "--vcd", "evening.vcd"], "pip install 'controller-sim[waves]'"),
    ],
)
def test_a_missing_library_is_told_with_how_to_get_it(
    library: str, arguments: list[str], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in [name for name in sys.modules if name.partition(".")[0] == library]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, library, None)
    assert main(arguments) == 2
    assert told in capsys.readouterr().err and not list(tmp_path.iterdir())


def test_letters_that_a_pdf_lacks_are_named(tmp_path: Path, capsys: Captured) -> None:
    path = tmp_path / "stage.yaml"
    path.write_text("title: \u821e\u53f0\nswitches: [a]\nmodes: {only: {on: {press a: start()}}}\n", encoding="utf-8")
    assert main(["chart", str(path), "-o", str(tmp_path / "stage.pdf")]) == 0
    assert "lack \u53f0 \u821e, shown as ?" in capsys.readouterr().err


def test_a_waveform_changes_nothing_in_what_is_told(tmp_path: Path, capsys: Captured) -> None:
    path = tmp_path / "evening.vcd"
    assert main(RUN) == 0
    plain = capsys.readouterr().out
    assert main([*RUN, "--vcd", str(path)]) == 0
    assert capsys.readouterr().out == plain
    text = path.read_text(encoding="utf-8")
    assert "$timescale 1 us $end" in text and "mode: 0 show, 1 edit_cue, 2 settings" in text


def test_both_engines_write_the_same_waveform(tmp_path: Path) -> None:
    written = []
    for engine in ("fast", "reference"):
        path = tmp_path / f"{engine}.vcd"
        assert main([*RUN, "--engine", engine, "--vcd", str(path)]) == 0
        written.append(path.read_bytes())
    assert written[0] == written[1]


def test_a_waveform_that_cannot_be_written_is_code_2(capsys: Captured) -> None:
    assert main([*RUN, "--vcd", "no_such_folder/evening.vcd"]) == 2
    assert "no_such_folder/evening.vcd: No such file or directory" in capsys.readouterr().err


@dataclass(frozen=True)
class _Run:
    number: int


def test_latencies_are_those_that_the_check_of_designs_bounds(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    def check(design: Design) -> SimpleNamespace:
        """The press of `a` sends at two ports, that of `d` at none."""
        span, wait = (SimpleNamespace(best_us=low, worst_us=high) for low, high in ((0, 1000), (0, 46_000)))
        sending = [SimpleNamespace(last=SimpleNamespace(best_us=low, worst_us=high)) for low, high in ((640, 3000), (1001, 2500))]
        pressed = [n for n, binding in enumerate(design.bindings) if binding.gesture == "press" and binding.mode == 0]
        latencies = {
            _Run(pressed[0]): SimpleNamespace(decided=span, waits_for=(), sending=sending),
            _Run(pressed[-1]): SimpleNamespace(decided=wait, waits_for=("chord d+e",), sending=[]),
        }
        return SimpleNamespace(latencies=latencies)

    monkeypatch.setitem(sys.modules, "controller_sim.verify.checking", SimpleNamespace(check=check))
    assert main(["chart", BOOTH, "--part", "latency"]) == 0
    told = capsys.readouterr().out
    assert "| **show** | press a |  | 0.0-1.0 | 0.6-3.0 |" in told and "|  | press d | chord d+e | 0.0-46.0 | - |" in told
