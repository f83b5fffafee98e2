"""Displays in C: neighbours that share a condition are written as one, and the first view that holds is still the one shown."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import form, load_design, program
from controller_sim.design.fast import FastEngine
from controller_sim.port.c99 import design_files
from controller_sim.port.native import Library, NativeEngine
from controller_sim.testing.plain import PLACE, plain_design

pytestmark = pytest.mark.needs("cc")

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
HIGHEST = (2, 1)
CELLS = tuple(
    form.Cell(name, 0, high, 0, (), "wrap", False, (), n, PLACE) for n, (name, high) in enumerate(zip("ab", HIGHEST, strict=True))
)
A, B = (program.CellValue(0, high, n, None) for n, high in enumerate(HIGHEST))
EQUALS = [
    *(program.Compare(0, 1, "==", A, program.Constant(value, value)) for value in range(3)),
    *(program.Compare(0, 1, "==", program.Constant(value, value), B) for value in range(2)),
    program.Compare(0, 1, "<", A, program.Constant(2, 2)),
    B,
]


def all_of(conditions: tuple[program.Expression, ...]) -> program.Expression | None:
    whole = None
    for each in conditions:
        whole = each if whole is None else program.Logic(0, 1, "and", whole, each)
    return whole


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("built")


@settings(max_examples=30)
@given(st.lists(st.lists(st.sampled_from(EQUALS), max_size=2).map(tuple).map(all_of), min_size=1, max_size=9))
def test_the_first_view_that_holds_is_shown(built: Path, conditions: list[program.Expression | None]) -> None:
    views = tuple(form.View(condition, (program.Text((f"view {n}",)),)) for n, condition in enumerate(conditions))
    steps = {
        ("press", name): (program.SetCell(n, None, program.Binary(1, high + 1, "+", cell, program.Constant(1, 1))),)
        for n, (name, high, cell) in enumerate(zip("ab", HIGHEST, (A, B), strict=True))
    }
    plain = plain_design(steps)
    design = replace(plain, cells=CELLS, display_characters=8, modes=(replace(plain.modes[0], views=views),))
    engines = [
        FastEngine(design, 0, None, False),
        NativeEngine(design, 0, None, False, Library(design, built, ("-O0", "-Wall", "-Werror"))),
    ]
    for engine in engines:
        engine.advance(0, 0)
        for turn in range(8):
            engine.advance((turn + 1) * 1_000_000, 1 + 2 * (turn % 4 == 3))
            engine.advance((turn + 1) * 1_000_000 + 100_000, 0)
    assert engines[0].take_outputs() == engines[1].take_outputs()


def test_a_form_asks_once_whether_it_shows_labels() -> None:
    text = design_files(load_design(CONFIGS / "booth.yaml"))["design.c"]
    display = re.search(r"void ctl_put_display\(void\)\n(.*?)\n}", text, re.S)
    assert display is not None
    assert display[1].count("label_shown") == 2, "once for each of the two forms"
    assert display[1].count("switch (cells.field)") == 2
