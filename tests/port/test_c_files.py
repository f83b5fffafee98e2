"""What is written for C99: clean, the same every time, readable, and refused where it would be wrong."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import form, load_design, program
from controller_sim.design.loader import load_design_text
from controller_sim.port import WRITERS, boards
from controller_sim.port.c99 import design_files, runtime_files, write_c99
from controller_sim.port.compiler import COMPILERS, find_compiler
from controller_sim.port.errors import PortError
from controller_sim.port.names import RESERVED, distinct, identifier
from controller_sim.testing.designs import designs
from controller_sim.testing.plain import PLACE, plain_design

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
DESIGNS = sorted(CONFIGS.glob("*.yaml"))
C_LINES = re.compile(r"^[\w\s\*]+\b(\w+)\([^;{]*\)\n\{\n(.*?)^\}", re.M | re.S)


@settings(max_examples=60)
@given(designs())
def test_the_same_design_gives_the_same_files(design: form.Design) -> None:
    assert design_files(design) == design_files(design)


@settings(max_examples=60)
@given(designs())
def test_what_is_written_has_no_heap_no_floating_point_and_no_arrays_of_variable_length(design: form.Design) -> None:
    text = "".join(text for name, text in write_c99(design, "").items() if name.endswith((".c", ".h")))
    assert not re.search(r"\b(malloc|calloc|realloc|free|alloca|float|double|goto)\b", re.sub(r"/\*.*?\*/", "", text, flags=re.S))


@pytest.mark.parametrize("path", DESIGNS, ids=lambda path: path.stem)
def test_no_function_calls_itself_and_none_is_long(path: Path) -> None:
    files = write_c99(load_design(path), path.read_text(encoding="utf-8"))
    calls: dict[str, set[str]] = {}
    for name, text in files.items():
        for match in C_LINES.finditer(text) if name.endswith(".c") else ():
            calls[match[1]] = set(re.findall(r"\b(\w+)\(", match[2]))
            assert name == "design.c" or match[2].count("\n") <= 60, f"{name}: {match[1]} is too long"
    assert "ctl_run_binding" in calls and "fire" in calls
    for start in calls:
        reached, waiting = set(), set(calls[start])
        while waiting:
            one = waiting.pop()
            if one in calls and one not in reached:
                reached.add(one)
                waiting |= calls[one]
        assert start not in reached, f"{start} may call itself"


def test_the_design_s_own_names_and_lines_are_in_the_text() -> None:
    text = (
        "switches: [a, b]\ndevices: {s: {channel: 1, programs: 0..63}}\n"
        "memory: {act: {range: 0..7, ends: wrap}, pads: {range: -1..127, size: 40, keep: yes}}\n"
        "procedures:\n  recall(n in 0..39): |\n    if pads[n] >= 0 and pads[n] < 64:\n      program_change(s, pads[n])\n"
        "modes:\n  show:\n    on:\n      press a: act += 1\n      tap b: recall(act)\n"
    )
    files = write_c99(load_design_text(text, "show.yaml"), text)
    assert "cells.act = (uint8_t)((cells.act + 1) & 7);" in files["design.c"]
    assert "static void do_recall(uint8_t n)" in files["design.c"]
    assert "do_recall(cells.act);" in files["design.c"]
    assert "show.yaml:11: press a: act += 1" in files["design.c"]
    assert "int8_t pads[40]; /* -1..127, kept */" in files["design.h"]


@pytest.mark.parametrize(
    ("low", "high", "declared"),
    [
        (0, 255, "uint8_t level; /* 0..255 */"),
        (-128, 127, "int8_t level; /* -128..127 */"),
        (-1, 191, "uint8_t level; /* -1..191 as the distance from -1 */"),
        (-1, 254, "uint8_t level; /* -1..254 as the distance from -1 */"),
        (-1, 255, "int16_t level; /* -1..255 */"),
        (70_000, 135_535, "uint16_t level; /* 70000..135535 as the distance from 70000 */"),
        (70_000, 135_536, "int32_t level; /* 70000..135536 */"),
    ],
)
def test_a_cell_takes_no_more_bytes_than_its_range_needs(low: int, high: int, declared: str) -> None:
    cell = form.Cell("level", low, high, low, (), "clamp", False, (), 0, PLACE)
    step = program.SetCell(0, None, program.Binary(low - 1, high + 1, "+", program.CellValue(low, high, 0, None), program.Constant(1, 1)))
    design = replace(plain_design({("press", "a"): (step,)}), cells=(cell,))
    assert declared in design_files(design)["design.h"]


def test_what_a_design_does_not_use_costs_no_state(tmp_path: Path) -> None:
    small = plain_design({("press", "a"): ()})
    header = design_files(small)["design.h"]
    for feature in ("CHORDS", "EAGER", "CONDITIONS", "DELAYED", "NOTICES", "TEMPO", "CLOCK", "RESTART", "STORAGE", "MIDI_IN"):
        assert f"#define CTL_HAS_{feature} 0" in header


@given(st.text(max_size=30))
def test_any_text_becomes_a_name_of_c(text: str) -> None:
    name = identifier(text)
    assert re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", name) and name not in RESERVED


@given(st.lists(st.sampled_from(["a..b", "a to b", "int", "x", "1", "", "x_2"])))
def test_no_two_things_get_one_name(texts: list[str]) -> None:
    assert len(set(distinct(texts))) == len(texts)


def test_debouncing_beyond_the_counter_is_refused_with_its_place() -> None:
    design = plain_design({("press", "a"): ()})
    slow = form.Debounce("settle", 1_000_000_000)
    with pytest.raises(PortError, match=":1:1: the debounce times are too long"):
        write_c99(replace(design, timing=replace(design.timing, press=slow)), "")


def test_a_message_longer_than_a_byte_counts_is_refused_with_its_place() -> None:
    design = plain_design({("press", "a"): ()})
    zero = program.Constant(0, 0)
    long = form.Procedure("dump", 0, 0, (program.Send(form.SERIAL, (zero,) * 256),), PLACE)
    with pytest.raises(PortError, match="dump sends a message of 256 bytes"):
        write_c99(replace(design, procedures=(*design.procedures, long)), "")


def test_a_missing_compiler_is_told_with_how_to_get_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr("controller_sim.port.compiler.find_spec", lambda name: None)
    find_compiler.cache_clear()
    try:
        with pytest.raises(PortError, match=r"sudo apt install gcc.*pip install ziglang"):
            find_compiler()
    finally:
        find_compiler.cache_clear()
    assert COMPILERS


def test_the_runtime_reads_the_same_for_all() -> None:
    starter, booth = (write_c99(load_design(CONFIGS / f"{name}.yaml"), "") for name in ("starter", "booth"))
    assert {name: starter[name] for name in runtime_files()} == {name: booth[name] for name in runtime_files()}


def test_a_board_has_its_pins_named_and_refuses_what_it_has_no_pins_for() -> None:
    starter = load_design(CONFIGS / "starter.yaml")
    files = WRITERS["atmega328p"](starter, "")
    assert "| PC1 | switch | back |" in files["README.md"] and "board.c" in files
    many = replace(starter, leds=tuple(f"led{n}" for n in range(11)))
    with pytest.raises(PortError, match=r"the LEDs need 11 pins, one for each of their colours, but the board has 10 left"):
        WRITERS["atmega328p"](many, "")


@given(
    switches=st.integers(1, 6),
    colours=st.lists(st.sampled_from([(), ("red", "green"), ("red", "green", "blue")]), min_size=1, max_size=8),
    characters=st.sampled_from([0, 6]),
)
def test_every_colour_of_an_led_has_a_pin_that_nothing_else_has(switches: int, colours: list[tuple[str, ...]], characters: int) -> None:
    starter = load_design(CONFIGS / "starter.yaml")
    design = replace(
        starter,
        switches=tuple(f"s{n}" for n in range(switches)),
        leds=tuple(f"led{n}" for n in range(len(colours))),
        led_colours=tuple(colours),
        display_characters=characters,
    )
    needed = sum(max(len(each), 1) for each in colours)
    left = 6 + (6 - switches) + (0 if characters else 6)
    if needed > left:
        with pytest.raises(PortError, match=f"need {needed} pins.* has {left} left"):
            boards.led_pins(design)
        return
    pins = boards.led_pins(design)
    assert [len(each) for each in pins] == [max(len(each), 1) for each in colours]
    numbers = [pin for each in pins for pin in each]
    assert len(set(numbers)) == needed
    taken = {8 + n for n in range(switches)} | ({16, 17} if not characters else set(range(16, 24)))
    assert taken.isdisjoint(numbers) and {6, 7, 14, 15}.isdisjoint(numbers)


def test_a_two_coloured_led_has_a_pin_for_each_colour() -> None:
    files = WRITERS["atmega328p"](load_design(CONFIGS / "booth.yaml"), "")
    assert "| PB3 | LED | d green |\n| PB4 | LED | d amber |\n| PB5 | LED | e green |\n| PC5 | LED | e amber |" in files["README.md"]
    assert "{PB(5), PC(5)}, /* e: green, amber */" in files["pins.h"] and "#define LED_PINS_C 0x20u" in files["pins.h"]
