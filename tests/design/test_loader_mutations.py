"""Any file at all either loads or is refused with a DesignError that has its place in the file."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller_sim.design import Design, DesignError, load_design, load_design_text

ROOT = Path(__file__).resolve().parents[2]
CONFIGS = sorted((ROOT / "configs").glob("*.yaml"))
GOOD = [path.read_text(encoding="utf-8") for path in CONFIGS]
TOKEN = re.compile(r"\s+|\w+|.", re.DOTALL)
SPLITS: dict[str, Callable[[str], list[str]]] = {
    "characters": list,
    "lines": lambda text: text.splitlines(keepends=True),
    "tokens": TOKEN.findall,
}
PIECES = st.one_of(
    st.sampled_from(
        ["\t", "\n", "&a ", "*a", "<<: ", "!!int ", "| ", "> ", "|2", "---\n", "...\n", "%YAML 1.1\n", "?", "\x00", "\u2028", "\ufeff"]
    ),
    st.sampled_from(
        ["[", "]", "{", "}", ":", ": ", "#", "''", '"', "\\", '"\\x', ",", "- ", "{{", "}}", "+", "0", "-1", "99999999999", "a..c"]
    ),
    st.sampled_from(["other", "when", "eager", "enter(show)", "save()", "tap_tempo()", "switch", "position"]),
    st.sampled_from(["form_next()", "form_value(1)", "changed()", "changed(field)", "{field_value}", "field", "label_shown", "red"]),
    st.text(max_size=4),
)
BOUNDED = settings(max_examples=120, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


def check(text: str) -> None:
    try:
        design = load_design_text(text)
    except DesignError as error:
        assert error.message
        for place in (error.place, *(place for _, place in error.related)):
            assert place.file == "design"
            assert 1 <= place.line <= len(re.split("\r\n|\r|\n", text)) + 1
            assert place.column >= 1
        assert str(error).startswith(f"design:{error.place.line}:{error.place.column}: ")
    else:
        assert isinstance(design, Design)


@st.composite
def mutated(draw: st.DrawFn) -> str:
    parts = SPLITS[draw(st.sampled_from(sorted(SPLITS)))](draw(st.sampled_from(GOOD)))
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(parts) - 1))
        other = draw(st.integers(0, len(parts) - 1))
        match draw(st.sampled_from(["delete", "duplicate", "swap", "alter", "insert"])):
            case "delete" if len(parts) > 1:
                del parts[at]
            case "duplicate":
                parts.insert(at, parts[other])
            case "swap":
                parts[at], parts[other] = parts[other], parts[at]
            case "alter":
                parts[at] = draw(PIECES)
            case _:
                parts.insert(at, draw(PIECES))
    return "".join(parts)


@BOUNDED
@given(mutated())
def test_a_mutated_design_loads_or_is_refused(text: str) -> None:
    check(text)


@BOUNDED
@given(st.text(max_size=80))
def test_any_text_loads_or_is_refused(text: str) -> None:
    check(text)


@BOUNDED
@given(st.lists(PIECES, max_size=20).map("".join))
def test_any_heap_of_yaml_pieces_loads_or_is_refused(text: str) -> None:
    check(text)


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=60))
def test_any_bytes_in_a_file_load_or_are_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "any.yaml"
    path.write_bytes(data)
    with pytest.raises(DesignError):
        load_design(path)


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_the_examples_load_alike_from_file_and_text(path: Path) -> None:
    from_file, from_text = load_design(path), load_design_text(path.read_text(encoding="utf-8"), str(path))
    assert from_file == from_text


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_line_ends_and_a_byte_order_mark_change_nothing(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    plain = load_design_text(text)
    assert load_design_text(text.replace("\n", "\r\n")) == plain
    assert load_design_text(text.replace("\n", "\r")) == plain
    assert load_design_text("\ufeff" + text) == plain
