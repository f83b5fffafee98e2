"""What is written for MicroPython: the same for the same design, in the design's words, and with all that a builder has to know."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings

import controller_sim.core as core
from controller_sim.cli import main
from controller_sim.design import form, load_design, load_design_text
from controller_sim.design.lowering import tables_of
from controller_sim.port import BUILDERS_OWN, WRITERS
from controller_sim.port.micropython import MOST_COLUMNS, literal, ports_used
from controller_sim.testing.designs import designs

ROOT = Path(__file__).resolve().parents[2]
CORE = Path(core.__file__).parent

COLOURS = """
title: "Lamps \\"and\\" more"
switches: [go, {far: opens}]
leds: [go, far]
colours: {far: [red, amber]}
display: {characters: 6}
devices: {sampler: {channel: 1, port: usb, programs: 0..9}}
pedals: {swell: {reads: 0..1023, heel: 10, toe: 900}}
modes:
  show:
    display: "now"
    leds: {go: on, far: amber}
    on: {press go: "program_change(sampler, 3)", move swell: pass}
"""


def written(path: Path) -> dict[str, str]:
    return WRITERS["micropython"](load_design(str(path)), path.read_text(encoding="utf-8"))


def test_the_engine_is_copied_as_it_is(design_file: Path) -> None:
    files = written(design_file)
    copied = {name.removeprefix("core/"): text for name, text in files.items() if name.startswith("core/")}
    assert copied == {path.name: path.read_text(encoding="utf-8") for path in CORE.glob("*.py")}


def test_the_same_design_gives_the_same_files_in_another_process(design_file: Path) -> None:
    code = (
        "import sys, pathlib, hashlib; from controller_sim.design import load_design; from controller_sim.port import WRITERS\n"
        "text = pathlib.Path(sys.argv[1]).read_text(encoding='utf-8')\n"
        "files = WRITERS['micropython'](load_design(sys.argv[1]), text)\n"
        "print(hashlib.sha256(repr(files).encode()).hexdigest())"
    )
    digests = set()
    for seed in ("1", "2"):
        environment = {"PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)}
        done = subprocess.run([sys.executable, "-c", code, str(design_file)], env=environment, capture_output=True, text=True, check=True)
        digests.add(done.stdout)
    assert len(digests) == 1


def test_the_functions_stand_under_the_designs_own_words() -> None:
    text = written(ROOT / "configs" / "starter.yaml")["design.py"]
    assert '"""Cue by cue: ' in text and "from starter.yaml (SHA-256 " in text
    for comment, function in (("procedure move", "p0"), ("display of mode show", "display0"), ("back in mode show", "hold0_1")):
        assert f"# {comment}\ndef {function}(" in text


@settings(max_examples=25)
@given(designs())
def test_the_written_tables_are_those_of_the_engine(design: form.Design) -> None:
    module = ast.parse(WRITERS["micropython"](design, "")["design.py"])
    found = {
        ast.unparse(node.targets[0]).removeprefix("tables."): node.value
        for node in module.body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]).startswith("tables.")
    }
    tables = vars(tables_of(design, False))
    assert list(found) == list(tables)
    for name, value in tables.items():
        assert ast.dump(found[name]) == ast.dump(ast.parse(literal(value), mode="eval").body)


def test_long_tables_stand_one_entry_to_a_line(design_file: Path) -> None:
    lines = written(design_file)["design.py"].splitlines()
    tables = lines[lines.index("tables = Tables()") :]
    assert all(len(line) <= MOST_COLUMNS or "{" in line or "b'" in line for line in tables)


def test_what_has_no_literal_is_refused() -> None:
    with pytest.raises(TypeError, match="no literal"):
        literal(object())


def test_every_switch_led_and_pedal_has_a_pin_of_its_own_and_is_in_the_note() -> None:
    design = load_design_text(COLOURS, "lamps.yaml")
    files = WRITERS["micropython"](design, COLOURS)
    names: dict[str, object] = {}
    exec(files["pins.py"], names)
    assert names["SWITCHES"] == (2, 3) and names["LEDS"] == (((4,),), ((5,), (6,))) and names["PEDALS"] == (26,)
    assert names["USB"] is True and ports_used(design) & form.USB
    note = files["WIRING.md"]
    assert "| switch, opens when pressed | far | 3 |" in note and "| LED | far amber | 6 |" in note and "| pedal | swell | 26" in note


def test_the_note_warns_of_what_can_hurt(design_file: Path) -> None:
    note = written(design_file)["WIRING.md"]
    for word in ("mains", "volume", "headphones", "local codes", "machinery"):
        assert word in note
    assert all(len(line) <= 140 for line in note.splitlines())


def test_no_text_of_a_design_gets_out_of_its_comment() -> None:
    text = COLOURS.replace('title: "Lamps', 'title: "Lamps\\nimport os\\n')
    module = ast.parse(WRITERS["micropython"](load_design_text(text, 'odd"""\n.yaml'), text)["design.py"])
    assert not [node for node in ast.walk(module) if isinstance(node, ast.Import)]
    assert re.match("Lamps", ast.get_docstring(module) or "")


def test_written_again_the_pins_stay_as_the_builder_has_them(tmp_path: Path) -> None:
    command = ["port", str(ROOT / "configs" / "starter.yaml"), "--to", "micropython", "--out", str(tmp_path)]
    assert main(command) == 0
    files = written(ROOT / "configs" / "starter.yaml")
    assert all((tmp_path / name).read_text(encoding="utf-8") == text for name, text in files.items())
    (tmp_path / "pins.py").write_text("mine\n", encoding="utf-8")
    assert main(command) == 0
    assert (tmp_path / "pins.py").read_text(encoding="utf-8") == "mine\n"
    assert set(BUILDERS_OWN) & files.keys() == {"board.py", "pins.py"}
