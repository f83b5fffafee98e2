"""What a design file becomes: keys, bindings, conditions, LEDs, views, memory; and where errors in its texts stand."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from controller_sim.design import Design, DesignError, load_design, load_design_text
from controller_sim.design.form import Debounce, Repeat
from controller_sim.design.program import Choice, Constant

HEAD = """\
switches: [a, b, c]
leds: [a, b, c]
display: {characters: 12, lines: 2}
memory:
  lit: {range: -1..2, start: -1}
  cue: {range: 0..9, size: [2, 3], start: [[1, 2, 3], [4, 5, 6]], ends: wrap, keep: yes}
  frozen: {names: ["off", "on"]}
"""


def bound(design: Design, mode: int = 0) -> list[str]:
    """The bindings of a mode, as `gesture key hold_us? condition`."""
    found = []
    for index in design.modes[mode].bindings:
        each = design.bindings[index]
        hold = f" {each.hold_us}" if each.hold_us else ""
        condition = "" if each.condition is None else f" when {each.condition}"
        found.append(f"{each.gesture} {design.keys[each.key].name}{hold}{condition}")
    return found


def refused_at(text: str) -> tuple[int, int]:
    with pytest.raises(DesignError) as error:
        load_design_text(text)
    return error.value.place.line, error.value.place.column


def test_what_is_left_out_has_its_default() -> None:
    design = load_design_text("switches: [a]\nmodes: {m: {}}\n", "booth.yaml")
    assert (design.title, design.home, design.leds, design.display_characters) == ("booth", 0, (), 0)
    assert (design.timing.press, design.timing.release) == (Debounce("lockout", 5_000), Debounce("settle", 12_000))
    assert (design.timing.chord_us, design.timing.hold_us, design.timing.double_us) == (45_000, 500_000, 300_000)
    assert design.timing.repeat == Repeat(400_000, ((140_000, 8),), 50_000)
    assert (design.tempo.low, design.tempo.high, design.tempo.start) == (30, 240, 120)
    assert (design.running_status, design.delayed_messages) == (False, 16)


def test_cells_stand_one_after_another_in_memory() -> None:
    design = load_design_text(HEAD + "modes: {m: {}}\n")
    assert [(cell.name, cell.offset, cell.size, cell.ends) for cell in design.cells] == [
        ("lit", 0, 1, "proved"),
        ("cue", 1, 6, "wrap"),
        ("frozen", 7, 1, "proved"),
    ]
    assert design.cells[1].starts == (1, 2, 3, 4, 5, 6)
    assert design.cells[2].names == ("off", "on")


def test_a_group_is_one_procedure_and_a_binding_for_each_switch() -> None:
    design = load_design_text(HEAD + "modes: {m: {on: {'tap c, a': lit = position}}}\n")
    assert bound(design) == ["tap c", "tap a"]
    assert [binding.action.arguments for binding in design.bindings] == [(2, 0), (0, 1)]
    assert len({binding.action.procedure for binding in design.bindings}) == 1


def test_chords_come_after_the_switches_and_are_known_by_their_members() -> None:
    design = load_design_text(HEAD + "modes: {m: {on: {tap c+a: pass, chord a+c: pass, hold b+a: pass}}}\n")
    assert [(key.name, key.members, key.mask) for key in design.keys[3:]] == [("a+c", (0, 2), 5), ("a+b", (0, 1), 3)]
    assert bound(design) == ["tap a+c", "press a+c", "hold a+b 500000"]


def test_conditions_are_worked_out_for_each_switch_and_shared() -> None:
    text = (
        HEAD
        + "modes: {m: {on: {tap a..c when lit == position: pass, double a when lit == switch: pass, tap a..b when position == 1: pass}}}\n"
    )
    design = load_design_text(text)
    assert bound(design) == ["tap a when 0", "tap b when 1", "tap c when 2", "double a when 0", "tap b"]
    assert len(design.modes[0].conditions) == 3


def test_a_mode_has_at_most_30_conditions() -> None:
    lines = "".join(f"      tap a when cue[0, 0] + lit == {n}: pass\n" for n in range(-1, 11))
    lines += "".join(f"      tap b when cue[0, 1] + lit == {n}: pass\n" for n in range(-1, 11))
    lines += "".join(f"      tap c when cue[0, 2] + lit == {n}: pass\n" for n in range(-1, 11))
    head = HEAD.count("\n")
    assert refused_at(HEAD + "modes:\n  m:\n    on:\n" + lines) == (head + 3 + 31, len("      tap c when ") + 1)


def test_a_mode_inherits_what_it_does_not_bind_itself() -> None:
    modes = "modes:\n  m: {on: {tap a: pass, hold b 2s: pass}}\n  n: {}\n"
    everywhere = "everywhere: {tap a..b: lit = position, hold b: pass, hold b 2s: pass}\n"
    design = load_design_text(HEAD + modes + everywhere)
    assert bound(design, 0) == ["tap a", "hold b 2000000", "tap b", "hold b 500000"]
    assert bound(design, 1) == ["tap a", "tap b", "hold b 500000", "hold b 2000000"]
    own, inherited = design.bindings[2], design.bindings[5]
    assert own.action == inherited.action


def test_every_led_has_one_expression_and_the_first_entry_counts() -> None:
    design = load_design_text(HEAD + "modes: {m: {leds: {lit: blink, b..c: position, other: dim}}}\n")
    leds = design.modes[0].leds
    assert all(isinstance(led, Choice) and led.then == Constant(2, 2) for led in leds)
    assert [led.otherwise for led in leds if isinstance(led, Choice)] == [Constant(3, 3), Constant(0, 0), Constant(1, 1)]


def test_a_mode_without_leds_shows_none() -> None:
    assert load_design_text(HEAD + "modes: {m: {}}\n").modes[0].leds == (Constant(0, 0),) * 3


def test_a_view_is_narrowed_by_the_conditions_before_it() -> None:
    text = "modes: {m: {display: [{when: lit < 0, text: none}, {text: [\"{cue[0, lit]}\", 'of {lit}']}]}}\n"
    design = load_design_text(HEAD + text)
    assert [len(view.lines) for view in design.modes[0].views] == [1, 2]


def test_procedures_may_stand_in_any_order() -> None:
    design = load_design_text(HEAD + "procedures:\n  f(): g(1)\n  g(n in 0..2): lit = n\nmodes: {m: {on: {tap a: f()}}}\n")
    assert [procedure.name for procedure in design.procedures][:2] == ["g", "f"]


@pytest.mark.parametrize(
    ("action", "line", "column"),
    [
        ("lit = nn", 4, 20),
        ("'lit = nn'", 4, 21),
        ('"lit = nn"', 4, 21),
        ('"\\u006cit = nn"', 4, 26),
        ("|\n        lit = 0\n        lit = nn\n", 6, 15),
        ("|4\n          lit = nn\n", 5, 17),
        ("|\n\n        # why\n        lit = nn\n", 7, 15),
        ("lit = 1 if\n        nn else 0", 5, 9),
        ("'lit = 0\n\n        lit = nn'", 6, 15),
    ],
)
def test_an_error_in_an_action_stands_where_its_word_stands_in_the_file(action: str, line: int, column: int) -> None:
    found = refused_at(HEAD + f"modes:\n  m:\n    on:\n      tap a: {action}\n")
    assert found == (HEAD.count("\n") + line, column)


def test_a_missing_file_and_a_directory_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DesignError, match="there is no such file"):
        load_design(tmp_path / "none.yaml")
    with pytest.raises(DesignError, match="this is a directory, not a design file"):
        load_design(tmp_path)


def test_a_file_that_is_not_utf_8_is_refused_at_the_byte(tmp_path: Path) -> None:
    path = tmp_path / "booth.yaml"
    path.write_bytes(b"switches: [a]\ntitle: \xff\n")
    with pytest.raises(DesignError) as error:
        load_design(path)
    assert error.value.message == "the file is not UTF-8: byte 0xFF"
    assert (error.value.place.line, error.value.place.column) == (2, 8)


def test_a_file_of_more_than_a_mebibyte_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "booth.yaml"
    path.write_bytes(b"#" * ((1 << 20) + 1))
    with pytest.raises(DesignError, match="the file is larger than 1048576 bytes"):
        load_design(path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("title: " + "a" * 20_001, "design:1:8: this text is longer than 20000 characters"),
        ("? " + "a" * 1_001 + "\n: 1\n", "design:1:3: this key is longer than 1000 characters"),
        ("- [" + "a, " * 50_000 + "]", "design:1:119995: the design has more than 40000 keys and values"),
        ("a" * ((1 << 20) + 1), "design:1:1: the text is longer than 1048576 characters"),
    ],
    ids=["value", "key", "nodes", "text"],
)
def test_size_is_limited(text: str, message: str) -> None:
    with pytest.raises(DesignError) as error:
        load_design_text(text)
    assert str(error.value) == message


def test_importing_the_package_loads_no_yaml() -> None:
    script = "import sys, controller_sim.design; assert not [name for name in sys.modules if name.startswith('ruamel')]"
    subprocess.run([sys.executable, "-c", script], check=True)
