"""What an action may not say: each rule, with the place and the words of its message."""

from __future__ import annotations

import pytest

from controller_sim.design.actions import calls_of, compile_condition, compile_expression, compile_procedure
from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import SERIAL, USB, Cell, Controller, Device, Place, Procedure, Tempo
from controller_sim.design.scope import ProcedureSignature, Scope

PLACE = Place("booth.yaml", 1, 1)


def make_cell(name: str, low: int, high: int, shape: tuple[int, ...] = (), ends: str = "proved") -> Cell:
    return Cell(name, low, high, low, shape, ends, False, (), 0, PLACE)


CELLS = (
    make_cell("act", 0, 7, ends="wrap"),
    make_cell("lit", -1, 2),
    make_cell("deep", -(1 << 31), (1 << 31) - 1, ends="clamp"),
    make_cell("turn", -2, 5, ends="wrap"),
    make_cell("cue", 0, 39, (8, 3)),
    make_cell("prog", -1, 127, (40,)),
)
DEVICES = (
    Device("sampler", 9, SERIAL, (0, 63), None, None, "none", 1),
    Device("pads", 1, SERIAL | USB, (0, 127), None, (36, 60), "both"),
    Device("lamp", 4, USB, (0, 127), None, None, "msb"),
    Device("room", 2, USB, None, (Controller("wet", 91), Controller("size", 16, 0, 100), Controller("tap", 64, on=64)), None),
)
SWITCHES = {name: i for i, name in enumerate("abcde")}


def scope(ports_in_use: int = SERIAL | USB) -> Scope:
    return Scope(
        "booth.yaml",
        SWITCHES,
        SWITCHES,
        CELLS,
        DEVICES,
        {"show": 0, "edit_cue": 1},
        {"off": 0, "on": 1},
        Tempo(),
        ports_in_use,
        {"recall": ProcedureSignature(0, (("n", 0, 39),)), "panic": ProcedureSignature(1, ())},
        display_characters=6,
    )


def source(text: str) -> Source:
    return Source(text, tuple(Place("booth.yaml", 31 + i, 9) for i in range(text.count("\n") + 1)))


PARAMETERS = (("n", 0, 39), ("switch", 0, 2))


def procedure(text: str, *, everything: bool = True, ports_in_use: int = SERIAL | USB) -> Procedure:
    flags = {"by_gesture": everything, "may_enter": everything, "has_draft": everything}
    return compile_procedure(scope(ports_in_use), "x", PARAMETERS, source(text), **flags)


def error(text: str, *, everything: bool = True, ports_in_use: int = SERIAL | USB) -> str:
    """`line:column: message`, both from 0 in the text."""
    with pytest.raises(DesignError) as caught:
        procedure(text, everything=everything, ports_in_use=ports_in_use)
    place = caught.value.place
    assert place.file == "booth.yaml"
    return f"{place.line - 31}:{place.column - 9}: {caught.value.message}"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "program_change(sampler, prog[n])",
            "0:24: program prog[n] is -1..127, but sampler accepts 0..63: narrow it, for example with 'if 0 <= prog[n] <= 63:'",
        ),
        (
            "if prog[n] >= 0: program_change(sampler, prog[n])",
            "0:41: program prog[n] is 0..127, but sampler accepts 0..63: narrow it, for example with 'if prog[n] <= 63:'",
        ),
        ("program_change(sampler, 64)", "0:24: program is 64, but sampler accepts 0..63"),
        (
            "act = cue[act, lit]",
            "0:15: index lit is -1..2, but cue accepts 0..2: narrow it, for example with 'if lit >= 0:'",
        ),
        ("act = prog[40]", "0:11: index is 40, but prog accepts 0..39"),
        (
            "lit = act",
            "0:6: the value act is 0..7, but lit (which neither wraps nor clamps) accepts -1..2: "
            "narrow it, for example with 'if act <= 2:'",
        ),
        (
            "lit += 1",
            "0:0: the value lit + 1 is 0..3, but lit (which neither wraps nor clamps) accepts -1..2: "
            "narrow it, for example with 'if lit + 1 <= 2:'",
        ),
        ("turn = deep", "0:7: deep is -2147483648..2147483647: wrapping it into turn leaves 32 bits"),
        ("act = deep + 1", "0:6: deep + 1 is -2147483647..2147483648, which leaves signed 32 bits (-2147483648..2147483647)"),
        ("act = -deep", "0:6: -deep is -2147483647..2147483648, which leaves signed 32 bits (-2147483648..2147483647)"),
        ("act = 2147483648", "0:6: the number 2147483648 does not fit signed 32 bits (-2147483648..2147483647)"),
        ("act = 8 // lit", "0:11: the divisor lit is -1..2 and may be 0: narrow it, for example with 'if lit > 0:'"),
        ("act = 8 % 0", "0:10: the divisor 0 is 0 and may be 0"),
        ("recall(prog[0])", "0:7: n prog[0] is -1..127, but recall accepts 0..39: narrow it, for example with 'if 0 <= prog[0] <= 39:'"),
        ("note_on(pads, 35)", "0:14: note is 35, but pads accepts 36..60"),
        ("note_on(pads, 36, 128)", "0:18: velocity is 128, but pads accepts 0..127"),
        ("polytouch(pads, 36, -1)", "0:20: value is -1, but pads accepts 0..127"),
        ("pitchwheel(pads, 8192)", "0:17: pitch is 8192, but pads accepts -8192..8191"),
        ("control_change(pads, 128, 0)", "0:21: controller is 128, but pads accepts 0..127"),
        ("control_change(room, size, 101)", "0:27: value is 101, but room's size accepts 0..100"),
        ("control_change(room, tap, act)", "0:26: room's tap has no 'off': act must always be true, and is 0..1"),
        ("program_change(pads, 0, bank=16384)", "0:29: bank is 16384, but pads accepts 0..16383"),
        ("program_change(lamp, 0, bank=128)", "0:29: bank is 128, but lamp accepts 0..127"),
        ("sysex(pads, 128)", "0:12: byte is 128, but a system exclusive message accepts 0..127"),
        ("songpos(16384)", "0:8: beats is 16384, but songpos accepts 0..16383"),
        ("song_select(128)", "0:12: song is 128, but song_select accepts 0..127"),
    ],
)
def test_what_is_not_proved_is_named_with_its_interval(text: str, expected: str) -> None:
    assert error(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("act = atc", "0:6: unknown name 'atc'; did you mean 'act'?"),
        ("act = zebra", "0:6: unknown name 'zebra'"),
        ("act = sampler", "0:6: sampler is a device, not a number"),
        ("act = show", "0:6: show is a mode, not a number"),
        ("act = recall", "0:6: recall is to be called, with parentheses, and is not a number"),
        ("act = position", "0:6: 'position' has no meaning here: it needs a single switch or a group"),
        ("act = cue", "0:6: cue is an array: write cue[i, j]"),
        ("act = cue[0]", "0:6: cue has 2 index(es), not 1: write cue[i, j]"),
        ("act = lit[0]", "0:6: lit is a plain cell and takes no index"),
        ("act = prg[0]", "0:6: prg is no array of the memory; did you mean 'prog'?"),
        ("act = n[0]", "0:6: n is no array of the memory"),
        ("act = (1)[0]", "0:6: only a cell can be indexed, and 1 is none"),
        ("cue = 1", "0:0: cue is an array: assign one of its elements"),
        ("recal(1)", "0:0: unknown call 'recal'; did you mean 'recall'?"),
        ("act = mn(1, 2)", "0:6: unknown function 'mn'; did you mean 'min'?"),
        ("act = recall(1)", "0:6: recall gives no value: call it in a line of its own"),
        ("min(1, 2)", "0:0: min gives a value, which is not used here"),
        ("enter(shw)", "0:6: unknown mode 'shw'; did you mean 'show'?"),
        ("enter(1)", "0:6: a mode's name belongs here, not 1"),
        ("note_on(pad, 36)", "0:8: unknown device 'pad'; did you mean 'pads'?"),
        ("note_on(1, 36)", "0:8: a device's name belongs here, not 1"),
        ("control_change(room, wt, 1)", "0:21: room has no controller 'wt'; did you mean 'wet'?"),
        ("control_change(room, 91, 1)", "0:21: room takes only its named controllers (wet, size, tap), not 91"),
        ("program_change(room, 1)", "0:15: room declares no 'programs': it takes no program change"),
        ("program_change(sampler, 1, bank=0)", "0:32: sampler declares no 'bank_select': it takes no bank"),
        ("a = 1", "0:0: 'a' is a switch and cannot be assigned: choose another name"),
        ("pads = 1", "0:0: 'pads' is a device and cannot be assigned: choose another name"),
        ("on = 1", "0:0: 'on' is the name of a value and cannot be assigned: choose another name"),
        ("clock_running = 1", "0:0: 'clock_running' is a word of the language and cannot be assigned: choose another name"),
        ("switch = 1", "0:0: 'switch' is a word of the language and cannot be assigned"),
    ],
)
def test_a_wrong_name_is_told_what_it_is_or_what_is_nearest(text: str, expected: str) -> None:
    assert error(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("act = 1 / 2", "0:6: '/' gives fractions: write '//'"),
        ("act = 2 ** 3", "0:6: '**' is not part of the action language: multiply instead"),
        ("act **= 3", "0:0: '**' is not part of the action language: multiply instead"),
        ("act = 1 & 2", "0:6: '&' is not part of the action language: use 'and', or '%'"),
        ("act = 1 | 2", "0:6: '|' is not part of the action language: use 'or'"),
        ("act = 1 ^ 2", "0:6: '^' is not part of the action language: use '!='"),
        ("act = 1 << 2", "0:6: '<<' is not part of the action language: multiply by a power of two"),
        ("act = 1 >> 2", "0:6: '>>' is not part of the action language: use '//'"),
        ("act = 1 @ 2", "0:6: '@' is not part of the action language"),
        ("act = ~1", "0:6: '~' is not part of the action language"),
        ("act = 1 is 2", "0:6: 'is' is not part of the action language: use '=='"),
        ("act = 1 is not 2", "0:6: 'is not' is not part of the action language: use '!='"),
        ("act = 1 in 2", "0:6: 'in' is not part of the action language: compare, for example '0 <= n <= 7'"),
        ("act = 1 not in 2", "0:6: 'not in' is not part of the action language: compare, for example 'n < 0 or n > 7'"),
        ("act = lambda: 1", "0:6: lambda is not part of the action language"),
        ("act = n.real", "0:6: a dotted name is not part of the action language"),
        ("n.go()", "0:0: n.go cannot be called"),
        ("act = (k := 1)", "0:7: ':=' is not part of the action language"),
        ("act = min(*n)", "0:10: '*' before a value is not part of the action language"),
        ("act = min(**n)", "0:10: '**' is not part of the action language"),
        ("act = f'{n}'", "0:6: an f-string is not part of the action language"),
        ("act = [n]", "0:6: a list is not part of the action language"),
        ("act = [i for i in n]", "0:6: a comprehension is not part of the action language"),
        ("act = (1, 2)", "0:6: a tuple is not part of the action language"),
        ("act = {1}", "0:6: a set is not part of the action language"),
        ("act = {}", "0:6: a dictionary is not part of the action language"),
        ("act = prog[1:2]", "0:11: a slice is not part of the action language"),
        ("act = 'a'", "0:6: 'a': a string has no place here"),
        ("act = b'a'", "0:6: b'a': a string has no place here"),
        ("act = 1.5", "0:6: 1.5: numbers are whole"),
        ("act = 2j", "0:6: 2j: this is not part of the action language"),
        ("act = None", "0:6: None: this is not part of the action language"),
        ("act = ...", "0:6: ...: this is not part of the action language"),
        ("while n: pass", "0:0: 'while' (use 'for i in range(...)') is not part of the action language"),
        ("import os", "0:0: 'import' is not part of the action language"),
        ("from os import path", "0:0: 'import' is not part of the action language"),
        ("def f(): pass", "0:0: 'def' (write a procedure under 'procedures') is not part of the action language"),
        ("class C: pass", "0:0: 'class' is not part of the action language"),
        ("return 1", "0:0: 'return' is not part of the action language"),
        ("del act", "0:0: 'del' is not part of the action language"),
        ("assert act", "0:0: 'assert' is not part of the action language"),
        ("raise act", "0:0: 'raise' is not part of the action language"),
        ("try: pass\nfinally: pass", "0:0: 'try' is not part of the action language"),
        ("with n: pass", "0:0: 'with' is not part of the action language"),
        ("global g", "0:0: 'global' is not part of the action language"),
        ("match n:\n  case 1: pass", "0:0: 'match' is not part of the action language"),
        ("x: int = 1", "0:0: a type annotation is not part of the action language"),
        ("act = lit = 0", "0:0: one assignment for each line: 'a = b = c' is not part of the action language"),
        ("x, y = 1", "0:0: only a cell, a local or 'tempo' can be assigned, not (x, y)"),
        ("act == 1", "0:0: this does nothing: to assign, write '='"),
        ("act", "0:0: 'act' is not part of the action language"),
        ("for i in range(3): break", "0:19: 'break' is not part of the action language"),
    ],
)
def test_python_outside_the_language_is_refused_where_it_stands(text: str, expected: str) -> None:
    assert error(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("act =", "0:5: this cannot be read: invalid syntax"),
        ("", "0:0: an action is missing here"),
        ("act = 1\n  lit = 1", "1:2: this cannot be read: unexpected indent"),
        ("act = \0", "0:6: the character U+0000 cannot stand here"),
        ("act = 1\r", "0:7: the character U+000D cannot stand here"),
        ("act = " + "9" * 5000, "0:0: a number has too many digits"),
        ("act = " + "-" * 45 + "1", "0:45: this is nested more than 40 deep: split it"),
        ("act = 1" + " + 1" * 50, "0:54: this is nested more than 40 deep: split it"),
        ("pass;" * 5000, "0:0: the text has 25000 characters, more than 20000"),
        ("act = " + " and ".join(["n"] * 33), "0:6: more than 32 conditions in one 'and': split it"),
        ("act = " + " < ".join(["n"] * 34), "0:6: more than 32 comparisons in one chain: split it"),
    ],
)
def test_a_text_that_cannot_be_read_says_where(text: str, expected: str) -> None:
    assert error(text) == expected


DEEP_BRANCHES = "".join(" " * depth + "if n:\n" for depth in range(120))


@pytest.mark.parametrize("text", ["(" * 250 + ")" * 250, "-" * 19_000 + "1", "n" + ".n" * 9_000, DEEP_BRANCHES])
def test_extreme_nesting_is_a_design_error(text: str) -> None:
    for read in (procedure, lambda t: calls_of(source(t)), lambda t: compile_expression(scope(), source(t), {})):
        with pytest.raises(DesignError):
            read(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("act = x", "0:6: unknown name 'x'"),
        ("act = x\nx = 1", "0:6: x may be read here before it is set"),
        ("if n: x = 1\nact = x", "1:6: x may be read here before it is set"),
        ("for i in range(0): x = 1\nact = x", "1:6: x may be read here before it is set"),
        ("for i in range(3): pass\nact = i", "1:6: i may be read here before it is set"),
        ("x += 1", "0:0: x may be read here before it is set"),
    ],
)
def test_a_local_is_set_on_every_path_before_it_is_read(text: str, expected: str) -> None:
    assert error(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("for i in range(n): pass", "0:15: stop must be a constant, and n is not"),
        ("for i in range(0, 3, 0): pass", "0:21: step is 0, so the loop would never end"),
        ("for i in prog: pass", "0:9: a loop goes over 'range(...)' of constants, not prog"),
        ("for i in range(): pass", "0:9: write range(stop), range(start, stop) or range(start, stop, step)"),
        ("for act in range(3): pass", "0:4: a loop counts in a local of its own"),
        ("for i in range(3):\n  i = 1", "1:2: i counts the loop and cannot be assigned in it"),
        ("for i in range(3):\n  for i in range(2): pass", "1:6: i counts the loop and cannot be assigned in it"),
        ("for i in range(3): pass\nelse: pass", "1:6: 'else' of a loop is not part of the action language"),
        ("for i in range(10001): pass", "0:0: the loops run 10001 times, more than 10000"),
        ("for i in range(101):\n  for j in range(100): pass", "1:2: the loops run 10100 times, more than 10000"),
    ],
)
def test_a_loop_is_bounded_and_counts_in_its_own_local(text: str, expected: str) -> None:
    assert error(text) == expected


def test_loops_nest_no_deeper_than_four() -> None:
    lines = [f"{'  ' * depth}for i{depth} in range(1):" for depth in range(5)]
    assert error("\n".join([*lines, f"{'  ' * 5}pass"])) == "4:8: loops nest more than 4 deep"


def test_a_long_loop_that_sums_without_end_is_refused() -> None:
    assert "leaves signed 32 bits" in error("x = 0\nfor i in range(9999): x += n")


def test_loops_that_would_take_too_long_to_check_are_refused() -> None:
    text = "x = 0\n" + "for i in range(250):\n  x += 1\n" * 120
    assert "too long to be checked" in error(text)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("note_on(pads)", "0:0: note_on needs 'note': note_on(device, note, [velocity], [delay_ms])"),
        ("panic(1)", "0:6: panic takes at most 0 argument(s), not 1: panic()"),
        ("recall(m=1)", "0:7: recall takes no 'm': recall(n)"),
        ("recall(1, n=2)", "0:10: recall got 'n' twice"),
        ("note_on(pads, 36, 1, 2)", "0:21: note_on takes at most 3 argument(s) by position, not 4"),
        ("note_on(pads, 36, delay_ms=0)", "0:27: delay_ms is 0, but must be in 1..60000"),
        ("note_on(pads, 36, delay_ms=60001)", "0:27: delay_ms is 60001, but must be in 1..60000"),
        ("note_on(pads, 36, delay_ms=n)", "0:27: delay_ms must be a constant, and n is not"),
        ("notice(act)", "0:7: a text in quotes belongs here, not act"),
        ("notice('1234567')", "0:7: the text can be 7 characters long, and the display has 6"),
        ("notice('x', ms=0)", "0:15: ms is 0, but must be in 1..60000"),
        ("notice('{atc}')", "0:9: unknown name 'atc'; did you mean 'act'?"),
    ],
)
def test_a_call_takes_what_it_declares(text: str, expected: str) -> None:
    assert error(text) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("tap_tempo()", "0:0: tap_tempo() only works where a gesture, a move or a message runs it, and not all that runs this is one"),
        ("enter(show)", "0:0: enter() does not work here: a leave action runs it"),
        ("save()", "0:0: save() only works in a mode with a draft, and this also runs where there is none"),
        ("cancel()", "0:0: cancel() only works in a mode with a draft, and this also runs where there is none"),
    ],
)
def test_a_command_works_only_where_it_means_something(text: str, expected: str) -> None:
    assert error(text, everything=False) == expected
    procedure(text)


def test_without_devices_there_is_no_port_for_a_system_message() -> None:
    assert error("start()", ports_in_use=0) == "0:0: no device is declared, so there is no port to send to"


def test_columns_count_characters_not_bytes() -> None:
    assert error("notice('é'); act = zebra") == "0:19: unknown name 'zebra'"


def test_an_expression_s_place_counts_from_its_own_first_character() -> None:
    for text, column in (("  zebra", 2), ("act + zebra", 6), ("(1 +\nzebra)", 0)):
        with pytest.raises(DesignError) as caught:
            compile_expression(scope(), source(text), {})
        assert caught.value.place == Place("booth.yaml", 31 + text.count("\n"), 9 + column)


@pytest.mark.parametrize("text", ["", "  ", "act) + (lit", "act # all\n) + (lit", "act = 1", "act; lit", "pass", "1,"])
def test_a_condition_is_one_expression(text: str) -> None:
    with pytest.raises(DesignError):
        compile_condition(scope(), source(text), {})
