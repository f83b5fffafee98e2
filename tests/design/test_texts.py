"""Texts with fields: what they show, how wide they get, and what they may not say."""

from __future__ import annotations

import hypothesis.strategies as st
import pytest
from hypothesis import given

from controller_sim.design.actions import compile_condition, compile_text, text_width
from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import Cell, Device, Place, Tempo
from controller_sim.design.program import CellValue, Constant, Field, Text
from controller_sim.design.scope import Scope

PLACE = Place("booth.yaml", 1, 1)
CELLS = (
    Cell("act", 0, 7, 0, (), "wrap", False, (), 0, PLACE),
    Cell("lit", -1, 2, -1, (), "proved", False, (), 1, PLACE),
    Cell("frozen", 0, 1, 0, (), "proved", False, ("off", "on"), 2, PLACE),
    Cell("cue", 0, 39, 0, (8, 3), "proved", False, (), 3, PLACE),
)
SCOPE = Scope(
    "booth.yaml",
    {"a": 0, "b": 1},
    {},
    CELLS,
    (Device("sampler", 9, 1, (0, 63), None, None, "none", 1),),
    {"show": 0},
    {"off": 0, "on": 1},
    Tempo(),
    1,
    {},
)


def source(text: str) -> Source:
    return Source(text, tuple(Place("booth.yaml", 31 + i, 9) for i in range(text.count("\n") + 1)))


def text_of(text: str) -> Text:
    return compile_text(SCOPE, source(text), {"switch": 1})


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=20))
def test_a_text_without_fields_shows_itself(text: str) -> None:
    escaped = text.replace("{", "{{").replace("}", "}}")
    compiled = text_of(escaped)
    assert "".join(part for part in compiled.parts if isinstance(part, str)) == text
    assert text_width(compiled) == len(text)


@given(st.text("{}:0123 actli+", max_size=14))
def test_no_text_gives_anything_but_a_text_or_a_design_error(text: str) -> None:
    try:
        compiled = text_of(text)
    except DesignError as error:
        assert 9 <= error.place.column <= 9 + len(text)
    else:
        assert text_width(compiled) >= 0


def test_a_field_has_its_width_and_fill() -> None:
    act = CellValue(0, 7, 0, None)
    assert text_of("{act}").parts == (Field(act),)
    assert text_of("{act:3}").parts == (Field(act, 3),)
    assert text_of("{act:02}").parts == (Field(act, 2, "0"),)
    assert text_of("x{switch}y").parts == ("x", Field(Constant(1, 1)), "y")


def test_a_bare_cell_with_names_shows_its_name_and_a_sum_shows_a_number() -> None:
    (bare,) = text_of("{frozen}").parts
    (added,) = text_of("{frozen + 0}").parts
    assert isinstance(bare, Field)
    assert isinstance(added, Field)
    assert (bare.names, added.names) == (("off", "on"), ())


@pytest.mark.parametrize(
    ("text", "width"),
    [("{act}", 1), ("{act + 3}", 2), ("{lit}", 2), ("{lit:04}", 4), ("{frozen}", 3), ("cue {cue[act, 0]:02}", 6), ("{tempo}", 3), ("", 0)],
)
def test_the_width_is_that_of_the_longest_text(text: str, width: int) -> None:
    assert text_width(text_of(text)) == width


def test_what_the_view_s_conditions_tell_holds_in_its_text() -> None:
    lit = compile_condition(SCOPE, source("lit >= 0"), {})
    text = compile_text(SCOPE, source("{act + 1}.{lit + 1} {cue[act, lit]:02}"), {}, holding=[lit])
    assert text_width(text) == 6
    with pytest.raises(DesignError, match=r"index lit is -1\.\.2"):
        compile_text(SCOPE, source("{cue[act, lit]}"), {})


@pytest.mark.parametrize(
    ("text", "column", "message"),
    [
        ("act {act", 4, "'{' without '}'; a brace itself is written '{{'"),
        ("act }", 4, "'}' without '{'; a brace itself is written '}}'"),
        ("{}", 1, "an expression is missing here"),
        ("{act:x}", 4, "':x' is no width: write 1..40, with a leading 0 for zeros, for example ':02'"),
        ("{act:41}", 4, "':41' is no width: write 1..40, with a leading 0 for zeros, for example ':02'"),
        ("{act:}", 4, "':' is no width: write 1..40, with a leading 0 for zeros, for example ':02'"),
        ("{frozen:3}", 7, "a width is for numbers, and this shows a name"),
        ("go {atc}", 4, "unknown name 'atc'; did you mean 'act'?"),
        ("go {act + }", 10, "this cannot be read: invalid syntax"),
        ("go\n", 2, "the character U+000A cannot be shown"),
        ("go {cue[act, lit]}", 13, "index lit is -1..2, but cue accepts 0..2: narrow it, for example with 'if lit >= 0:'"),
    ],
)
def test_a_wrong_text_says_where(text: str, column: int, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        text_of(text)
    assert (caught.value.message, caught.value.place) == (message, Place("booth.yaml", 31, 9 + column))
