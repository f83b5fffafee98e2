"""Forms walked at random: values stay in their fields' ranges, cancelling and saving keep their word, both engines agree."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import Design, load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.reference import ReferenceEngine
from controller_sim.testing.compare import find_difference
from controller_sim.testing.contacts import sessions

SWITCHES = "abcdefgh"
NEXT, PREVIOUS, UP, DOWN, SAVE, CANCEL, LEAVE, OPEN = range(8)
CELLS = {"n": (0, 9, "wrap"), "m": (-1, 127, "clamp"), "row[n]": (3, 40, ""), "table[n, 1]": (0, 5, "wrap"), "lit": (0, 2, "")}
MEMORY = """
memory:
  n: {range: 0..9, ends: wrap, start: 4, keep: yes}
  m: {range: -1..127, ends: clamp, keep: yes}
  row: {range: 3..40, size: 10, start: 7, keep: yes}
  table: {range: 0..5, size: [10, 2], ends: wrap}
  lit: {names: [none, left, right]}
"""
FEW = settings(max_examples=60)
both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])


@dataclass(frozen=True)
class Field:
    cell: str
    low: int
    high: int
    ends: str

    def after(self, value: int, step: int) -> int:
        """What adding a step gives, worked out without intervals and engines."""
        if self.ends == "wrap":
            return self.low + (value + step - self.low) % (self.high - self.low + 1)
        return min(max(value + step, self.low), self.high)


@st.composite
def fields(draw: st.DrawFn) -> tuple[Field, str]:
    """A field and its line in the design."""
    cell = draw(st.sampled_from(sorted(CELLS)))
    low, high, ends = CELLS[cell]
    text = f"label: {cell[0]}, cell: '{cell}'"
    if draw(st.booleans()):
        low = draw(st.integers(low, high))
        high = draw(st.integers(low, high))
        text += f", range: {low}..{high}"
    if draw(st.booleans()):
        ends = draw(st.sampled_from(("wrap", "clamp")))
        text += f", ends: {ends}"
    return Field(cell, low, high, ends), f"      - {{{text}}}\n"


@st.composite
def designs(draw: st.DrawFn) -> tuple[tuple[Field, ...], int, Design]:
    found = draw(st.lists(fields(), min_size=1, max_size=5))
    step = draw(st.integers(1, 200))
    text = (
        f"switches: [{', '.join(SWITCHES)}]\nleds: [a, b]\ndisplay: {{characters: {draw(st.sampled_from((5, 9)))}}}\n"
        f"timing: {{debounce: {{press: none, release: none}}}}{MEMORY}"
        "modes:\n  show:\n    on: {press h: enter(edit)}\n  edit:\n    draft: [n, m, row, table, lit]\n"
        "    on_other_exit: cancel\n    leds: {a: blink if changed() else on, b: blink if changed(field) else on}\n    form:\n"
        + "".join(line for _, line in found)
        + f"    on:\n      press a: form_next()\n      press b: form_previous()\n      press c: form_value({step})\n"
        f"      press d: form_value(-{step})\n      press e: save()\n      press f: cancel()\n      press g: enter(show)\n"
    )
    return tuple(field for field, _ in found), step, load_design_text(text)


def values(design: Design, engine: Any) -> dict[str, list[int]]:
    return {cell.name: list(engine.cells[cell.offset : cell.offset + cell.size]) for cell in design.cells}


def place(cell: str, memory: dict[str, list[int]]) -> tuple[str, int]:
    """The cell's name and the element that a field edits."""
    name = cell.partition("[")[0]
    return name, {"row": memory["n"][0], "table": 2 * memory["n"][0] + 1}.get(name, 0)


class Foot:
    """Presses one switch after another."""

    def __init__(self, engine: Any) -> None:
        self.engine = engine
        self.now_us = 0
        engine.advance(0, 0)

    def tap(self, switch: int, wait_us: int = 10_000) -> None:
        self.now_us += wait_us
        self.engine.advance(self.now_us, 1 << switch)
        self.now_us += 1000
        self.engine.advance(self.now_us, 0)


@both_engines
@FEW
@given(designs(), st.lists(st.integers(NEXT, CANCEL), max_size=25))
def test_a_walk_through_a_form_does_what_its_fields_say(factory: Any, drawn: Any, walk: list[int]) -> None:
    fields, step, design = drawn
    foot = Foot(engine := factory(design))
    foot.tap(OPEN)
    at = 0
    expected = {name: own for name, own in values(design, engine).items() if name not in ("field", "label_shown")}
    saved = {name: list(own) for name, own in expected.items()}
    for move in walk:
        foot.tap(move)
        if move in (NEXT, PREVIOUS):
            at = (at + (1 if move == NEXT else -1)) % len(fields)
        elif move in (UP, DOWN):
            name, element = place(fields[at].cell, expected)
            expected[name][element] = fields[at].after(expected[name][element], step if move == UP else -step)
        elif move == SAVE:
            saved = {name: list(own) for name, own in expected.items()}
        else:
            expected = {name: list(own) for name, own in saved.items()}
        found = values(design, engine)
        assert found.pop("field") == [at]
        assert found.pop("label_shown") == [int(engine.display == fields[at].cell[0])]
        assert found == expected
        name, element = place(fields[at].cell, expected)
        assert list(engine.leds) == [1 + (expected != saved), 1 + (expected[name][element] != saved[name][element])]
        for cell in design.cells:
            assert all(cell.low <= value <= cell.high for value in engine.cells[cell.offset : cell.offset + cell.size])


@both_engines
@FEW
@given(designs(), st.lists(st.integers(NEXT, DOWN), max_size=15), st.sampled_from((SAVE, CANCEL, LEAVE)))
def test_saving_keeps_every_value_and_cancelling_or_leaving_restores_it(factory: Any, drawn: Any, walk: list[int], end: int) -> None:
    _, _, design = drawn
    foot = Foot(engine := factory(design))
    foot.tap(OPEN)
    before = values(design, engine)
    for move in walk:
        foot.tap(move)
    edited = values(design, engine)
    foot.tap(end)
    foot.tap(LEAVE)
    after = values(design, engine)
    for own in (before, edited, after):
        del own["field"], own["label_shown"]
    assert after == (edited if end == SAVE else before)


@FEW
@given(st.data(), designs())
def test_both_engines_agree_on_every_form(data: st.DataObject, drawn: Any) -> None:
    design = drawn[-1]
    difference = find_difference(design, (data.draw(sessions(design)),), ReferenceEngine, FastEngine)
    assert difference is None, difference
