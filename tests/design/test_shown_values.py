"""Cells of which some values have a text of their own, in displays, forms and notices."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import Design, DesignError, load_design_text
from controller_sim.design.program import Notice
from controller_sim.design.steps import statements_in
from controller_sim.simulator import Simulator

both_engines = pytest.mark.parametrize("engine", ["fast", "reference"])


def design_of(low: int, high: int, texts: dict[int, str], shown: str = "{pad[n]:3}", more: str = "") -> Design:
    listed = ", ".join(f'{value}: "{text}"' for value, text in texts.items())
    return load_design_text(
        f"""
switches: [up, say]
display: {{characters: 14}}
devices: {{sampler: {{channel: 10, programs: 0..127, numbers_from: 1}}}}
memory:
  n: {{range: 0..1, start: 1}}
  pad: {{range: {low}..{high}, size: 2, start: {low}, ends: clamp, texts: {{{listed}}}}}
modes:
  m:
    display: "{shown}"
    on:
      press up: pad[n] += 1
      press say: notice("is {{pad[n]}}", ms=50)
{more}
"""
    )


@st.composite
def worded(draw: st.DrawFn) -> tuple[int, int, dict[int, str]]:
    low = draw(st.integers(-2, 3))
    high = low + draw(st.integers(0, 6))
    texts = st.dictionaries(st.integers(low, high), st.sampled_from(["off", "all", "-", "never"]), min_size=1, max_size=4)
    return low, high, draw(texts)


@both_engines
@given(case=worded())
def test_a_value_with_a_text_shows_it_and_every_other_value_its_number(engine: str, case: tuple[int, int, dict[int, str]]) -> None:
    low, high, texts = case
    box = Simulator(design_of(low, high, texts), engine)
    box.wait("100ms")
    for value in range(low, high + 1):
        assert box.display == texts.get(value, str(value)).rjust(3)
        box.tap("say", "30ms")
        assert box.display == f"is {texts.get(value, value)}"
        box.wait("100ms")
        box.tap("up", "30ms")
        box.wait("30ms")


@both_engines
def test_several_of_them_stand_in_one_text_and_on_several_lines(engine: str) -> None:
    design = design_of(-1, 2, {-1: "off", 2: "all"}, "{pad[0]} {pad[1]:03}{pad[n]}")
    box = Simulator(design, engine)
    box.wait("100ms")
    assert box.display == "off offoff"
    for expected in ("off 0000", "off 0011", "off allall"):
        box.tap("up")
        box.wait("20ms")
        assert box.display == expected


FORM = """    form:
      - {label: pad, cell: "pad[n]", shown: sampler}
"""


@both_engines
def test_a_form_shows_the_text_and_numbers_as_the_device_counts(engine: str) -> None:
    text = f"""
switches: [up]
display: {{characters: 4}}
devices: {{sampler: {{channel: 10, programs: 0..127, numbers_from: 1}}}}
memory:
  n: {{range: 0..1, start: 1}}
  pad: {{range: -1..128, size: 2, start: -1, ends: clamp, texts: {{-1: "off", 128: all}}}}
modes:
  m:
{FORM}
    on: {{press up: form_value(43)}}
"""
    box = Simulator(load_design_text(text), engine)
    box.wait("1500ms")
    shown = [box.display]
    for _ in range(3):
        box.tap("up")
        box.wait("20ms")
        shown.append(box.display)
    assert shown == ["off", "43", "86", "all"]


def test_a_condition_that_rules_a_value_out_needs_no_room_for_its_text() -> None:
    narrow = '      - {when: "pad[n] >= 0", text: "{pad[n]}{pad[n]}{pad[n]}{pad[n]}{pad[n]}{pad[n]}{pad[n]}"}\n'
    design = design_of(-1, 9, {-1: "nothing"}).modes[0]
    assert len(design.views) == 2
    cells = "memory:\n  n: {range: 0..0}\n  pad: {range: -1..9, size: 1, texts: {-1: nothing}}\n"
    text = f"switches: [a]\ndisplay: {{characters: 7}}\n{cells}"
    assert len(load_design_text(f"{text}modes:\n  m:\n    display:\n{narrow}").modes[0].views) == 1


def test_a_notice_is_written_out_so_that_engines_know_no_texts() -> None:
    design = design_of(-1, 9, {-1: "off"})
    notices = [each for procedure in design.procedures for each in statements_in(procedure.body) if isinstance(each, Notice)]
    assert [[part for part in notice.text.parts if isinstance(part, str)] for notice in notices] == [["is ", "off"], ["is "]]


@pytest.mark.parametrize(
    ("cell", "message"),
    [
        ("{range: 0..3, texts: {4: x}}", "2:37: a value is 4, but must be 0..3"),
        ("{range: 0..3, texts: {x: off}}", "2:37: a value is a whole number, not 'x'"),
        ("{range: 0..3, texts: {1: x, 01: y}}", "2:43: the value 1 has a text already"),
        ("{range: 0..3, texts: {}}", "2:36: texts has 0 entries, but must have 1..256"),
        ("{names: [a1, b1], texts: {0: x}}", "2:40: a cell whose values have names is shown by these: leave 'texts' out"),
        ('{range: 0..3, texts: {1: "a\\nb"}}', "2:40: what a display shows for a value is one line of at most 40 characters"),
    ],
)
def test_what_is_wrong_with_texts_is_refused_with_its_place(cell: str, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        load_design_text(f"switches: [a]\nmemory: {{pad: {cell}}}\nmodes: {{m: {{}}}}\n")
    assert str(caught.value).split("\n")[0] == f"design:{message}"


def test_the_longest_text_must_fit_the_display_and_the_ways_are_counted() -> None:
    with pytest.raises(DesignError, match="the text can be 17 characters long, and the display has 14"):
        design_of(-1, 9, {3: "fourteen chars"}, "{pad[0]}.")
    with pytest.raises(DesignError, match="this can look in more than 64 ways, by the texts of its values"):
        design_of(0, 9, dict.fromkeys(range(8), "x"), "{pad[0]}{pad[1]}")
