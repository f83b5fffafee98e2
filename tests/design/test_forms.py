"""Forms and colours in a design file: what they become, and each rule by the whole error that breaking it gives."""

from __future__ import annotations

from typing import Any

import pytest

from controller_sim.core.kinds import midi_bytes
from controller_sim.design import DesignError, load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import SERIAL

HEAD = """\
switches: [a, b, c]
leds: [a, b]
display: {characters: 6}
timing: {debounce: {press: none, release: none}}
devices: {sampler: {channel: 1, programs: 0..63, numbers_from: 1}, room: {channel: 2}}
memory:
  n: {range: 0..7, ends: wrap}
  row: {range: -1..99, size: 8, ends: clamp}
  lit: {names: [none, left]}
modes:
"""
FIELD = "{label: n, cell: n}"


def edit(form: str, rest: str = "", head: str = HEAD) -> str:
    """A design with one mode that has a form; `rest` is the rest of the mode. Line 11 holds the mode, line 12 the form."""
    return f"{head}  m:\n    form: {form}\n{rest}"


REFUSED: dict[str, tuple[str, str]] = {
    "no list": (edit("3"), "design:12:11: form is a list: [a, b]"),
    "no fields": (edit("[]"), "design:12:11: the form has 0 fields, but must have 1..32"),
    "key": (edit("[{lable: n, cell: n}]"), "design:12:13: a field has no key 'lable'; did you mean 'label'?"),
    "no cell": (
        edit("[{label: n}]"),
        "design:12:12: a field needs a 'label' and a 'cell', for example {label: cue, cell: 'cue[act, slot]'}",
    ),
    "label": (
        edit("[{label: number, cell: n}, {label: numbers, cell: n}]"),
        "design:12:46: the label has 7 characters, but the display has 6",
    ),
    "unknown cell": (edit("[{label: n, cell: rwo}]"), "design:12:29: there is no memory cell 'rwo'; did you mean 'row'?"),
    "array": (edit("[{label: n, cell: row}]"), "design:12:29: row is an array: write row[i]"),
    "no place": (edit("[{label: n, cell: n + 1}]"), "design:12:29: a field edits a memory cell or an element of one, not n + 1"),
    "index": (
        edit("[{label: n, cell: 'row[n + 1]'}]"),
        "design:12:34: index n + 1 is 1..8, but row accepts 0..7: narrow it, for example with 'if n + 1 <= 7:'",
    ),
    "switch in a cell": (
        edit("[{label: n, cell: 'row[switch]'}]"),
        "design:12:34: 'switch' has no meaning here: it needs a single switch or a group",
    ),
    "itself": (edit("[{label: n, cell: field}]"), "design:12:29: field belongs to the form itself and is no cell for a field"),
    "device": (edit("[{label: n, cell: n, shown: smapler}]"), "design:12:39: there is no device 'smapler'; did you mean 'sampler'?"),
    "range": (edit("[{label: n, cell: n, range: 2..8}]"), "design:12:39: the range 2..8 leaves that of n, 0..7"),
    "range of a device": (edit("[{label: n, cell: n, range: sampler}]"), "design:12:39: the range 0..63 leaves that of n, 0..7"),
    "no programs": (edit("[{label: n, cell: n, range: room}]"), "design:12:39: room declares no programs: write the range itself, lo..hi"),
    "ends": (edit("[{label: n, cell: n, ends: warp}]"), "design:12:38: ends is wrap or clamp, not 'warp'; did you mean 'wrap'?"),
    "then": (
        edit("[{label: n, cell: 'row[n]', then: 'program_change(sampler, row[n])'}]"),
        "design:12:70: program row[n] is -1..99, but sampler accepts 0..63: narrow it, for example with 'if 0 <= row[n] <= 63:'",
    ),
    "then goes on": (
        edit("[{label: n, cell: n, then: form_value(1)}]"),
        "design:12:38: form_value() does not work here: it would run after its own change",
    ),
    "value too long": (
        edit("[{label: n, cell: big}]", head=HEAD.replace("lit:", "big: {range: 0..9999999}\n  lit:")).replace("label: n", "label: x"),
        "design:13:29: the value can be 7 characters long, but the display has 6",
    ),
    "own display too long": (
        edit(f"[{FIELD}, {{label: long, cell: n}}]", "    display: '{field_label} {field_value:2}'\n"),
        "design:13:14: the text can be 7 characters long at the field 'long', but the display has 6",
    ),
    "width of a label": (
        edit(f"[{FIELD}]", "    display: '{field_label:2}'\n"),
        "design:13:27: a width is for numbers, and this shows a label, of the field 'n'",
    ),
    "width of a name": (
        edit("[{label: n, cell: lit}]", "    display: '{field_value:2}'\n"),
        "design:13:27: a width is for numbers, and this shows a name, of the field 'n'",
    ),
    "no form": (
        HEAD + "  m: {on: {tap a: form_next()}}\n",
        "design:11:19: form_next() only works in a mode with a form, and this also runs where there is none",
    ),
    "release": (
        edit(f"[{FIELD}]", "    on: {release a: form_value(1)}\n"),
        "design:13:21: form_value() does not work here: a release may come when the form has been left",
    ),
    "leave": (edit(f"[{FIELD}]", "    leave: form_next()\n"), "design:13:12: form_next() does not work here: a leave action runs it"),
    "step": (
        edit(f"[{FIELD}]", "    on: {tap a: form_value(40000)}\n"),
        "design:13:28: step is 40000, but form_value accepts -32767..32767",
    ),
    "field set": (
        edit(f"[{FIELD}]", "    on: {tap a: field = 0}\n"),
        "design:13:17: field is set by form_next, form_previous, form_value alone and cannot be assigned",
    ),
    "text outside": (
        edit(f"[{FIELD}]", "    on: {tap a: 'notice(\"{field_value}\")'}\n"),
        "design:13:27: 'field_value' has a meaning only as a field of its own in the display of a mode with a form: {field_value}",
    ),
    "name taken": (
        edit(f"[{FIELD}]", head=HEAD.replace("lit:", "field:")),
        "design:9:3: 'field' cannot name a memory cell: forms have a memory cell of that name\ndesign:12:5: a form stands here",
    ),
    "two forms": (
        edit(
            f"[{FIELD}]",
            f"    on: {{tap a: by()}}\n  o:\n    form: [{FIELD}]\n    on: {{tap a: by()}}\nprocedures: {{by(): form_next()}}\n",
        ),
        "design:17:20: form_next() would edit the forms of m and o here, and a procedure can edit one only",
    ),
    "unused": (
        edit(f"[{FIELD}]", "procedures: {by(): form_next()}\n"),
        "design:13:20: form_next() does not work here: no mode with a form runs this",
    ),
    "circle": (
        edit("[{label: n, cell: n, then: by()}]", "    on: {tap a: by()}\nprocedures: {by(): form_value(1)}\n"),
        "design:14:20: form_value() does not work here: it would run after its own change",
    ),
    "no draft": (
        HEAD + "  m: {leds: {a: changed()}}\n",
        "design:11:17: nothing is drafted here, so this is never true: the mode needs a 'draft'",
    ),
    "not drafted": (
        HEAD + "  m: {draft: [n], leds: {a: changed(row)}}\n",
        "design:11:29: row is not drafted here, so this is never true: name it in the mode's 'draft'",
    ),
    "changed what": (
        HEAD + "  m: {draft: [n], leds: {a: changed(rwo)}}\n",
        "design:11:37: a memory cell or an element of one belongs here, not rwo; did you mean 'row'?",
    ),
    "no field drafted": (
        edit(f"[{FIELD}]", "    draft: [row]\n    leds: {a: changed(field)}\n"),
        "design:14:15: no field's cell is drafted here, so this is never true: name them in the mode's 'draft'",
    ),
    "label time": (
        HEAD.replace("timing: {", "timing: {label: 10us, ") + "  m: {}\n",
        "design:4:17: '10us' is too short: at least 1ms, since one message takes nearly that long on the wire",
    ),
}
COLOURS = HEAD.replace("display:", "colours: {b: [red, amber]}\ndisplay:")
REFUSED_COLOURS: dict[str, tuple[str, str]] = {
    "plain LED": (
        COLOURS + "  m: {leds: {a: red}}\n",
        "design:12:17: the LED a has no colour red; it has none: declare them under 'colours'",
    ),
    "no such": (COLOURS + "  m: {leds: {b: amebr}}\n", "design:12:17: unknown name 'amebr'; did you mean 'amber'?"),
    "no such to blink": (COLOURS + "  m: {leds: {b: blink(n)}}\n", "design:12:23: the LED b has no colour n; its colours are red, amber"),
    "steady": (COLOURS + "  m: {leds: {b: on(red)}}\n", "design:12:17: a colour alone is steady: write red"),
    "elsewhere": (COLOURS + "  m: {on: {tap a: n = red}}\n", "design:12:23: red is a colour, and only the value of an LED has one"),
    "number": (
        COLOURS + "  m: {leds: {b: n + 1}}\n",
        "design:12:17: the LED's value is 1..8, but an LED takes 0..7 (off, on, blink, dim, red, amber)",
    ),
    "by cell": (
        COLOURS + "  m: {leds: {lit: red}}\n",
        "design:12:19: the LED a has no colour red; it has none: declare them under 'colours'",
    ),
    "LED": (HEAD.replace("display:", "colours: {d: [red]}\ndisplay:") + "  m: {}\n", "design:3:11: there is no LED 'd'"),
    "none": (
        HEAD.replace("display:", "colours: {b: []}\ndisplay:") + "  m: {}\n",
        "design:3:14: a list of colours has 0 entries, but must have 1..16",
    ),
    "twice": (
        HEAD.replace("display:", "colours: {a..b: [red], b: [red]}\ndisplay:") + "  m: {}\n",
        "design:3:24: the LED b has its colours already\ndesign:3:11: they stand here",
    ),
    "same": (
        HEAD.replace("display:", "colours: {b: [red, red]}\ndisplay:") + "  m: {}\n",
        "design:3:20: the colour 'red' stands in this list twice",
    ),
    "name": (
        HEAD.replace("display:", "colours: {b: [row]}\ndisplay:") + "  m: {}\n",
        "design:3:15: the name 'row' is taken\ndesign:9:3: it names a memory cell here",
    ),
}


@pytest.mark.parametrize("wrong", [*REFUSED, *(f"colour {name}" for name in REFUSED_COLOURS)])
def test_what_is_wrong_is_refused_with_its_place_and_what_would_be_right(wrong: str) -> None:
    text, message = REFUSED.get(wrong) or REFUSED_COLOURS[wrong.removeprefix("colour ")]
    with pytest.raises(DesignError) as error:
        load_design_text(text)
    assert str(error.value) == message


def opened(text: str) -> Any:
    engine = FastEngine(load_design_text(text))
    engine.advance(0, 0)
    engine.advance(1, 0)
    return engine


def shown(engine: Any, *times_us: int) -> list[str]:
    texts = []
    for time_us in times_us:
        engine.advance(time_us, 0)
        texts.append(engine.display)
    return texts


def test_the_label_shows_for_its_time_and_then_the_value_after_it() -> None:
    engine = opened(edit("[{label: cue, cell: n}]"))
    assert shown(engine, 999_999, 1_000_001) == ["cue", "cue 0"]
    engine = opened(edit("[{label: cue, cell: n}]").replace("timing: {", "timing: {label: 250ms, "))
    assert shown(engine, 249_999, 250_001) == ["cue", "cue 0"]


def test_a_value_that_does_not_fit_after_its_label_shows_alone() -> None:
    assert shown(opened(edit("[{label: cue no, cell: n}]")), 2, 2_000_000) == ["cue no", "0"]


def test_two_lines_show_the_label_above_the_value() -> None:
    engine = opened(edit("[{label: cue no, cell: n}]").replace("characters: 6", "characters: 6, lines: 2"))
    assert shown(engine, 2, 2_000_000) == ["cue no\n0"] * 2


def test_a_field_shows_its_device_s_count_and_a_named_cell_its_name() -> None:
    assert shown(opened(edit("[{label: n, cell: n, shown: sampler}]")), 2_000_000) == ["n 1"]
    assert shown(opened(edit("[{label: x, cell: lit}]")), 2_000_000) == ["x none"]


def test_moving_shows_the_label_anew_and_a_change_shows_the_value_at_once() -> None:
    engine = opened(edit(f"[{FIELD}, {{label: row, cell: 'row[n]'}}]", "    on: {press a: form_next(), press b: form_value(2)}\n"))
    engine.advance(900_000, 1)
    assert shown(engine, 1_899_999, 1_900_000) == ["row", "row 0"]
    engine.advance(2_000_000, 1)
    assert shown(engine, 2_100_000) == ["n"]
    engine.advance(2_200_000, 2)
    assert shown(engine, 2_200_001) == ["n 2"]


def test_a_display_of_one_s_own_shows_the_field_at_hand() -> None:
    display = "    display: [{when: label_shown, text: '{field_label}?'}, {when: n == 0, text: '{field_value:3}'}, '{field_label}']\n"
    engine = opened(
        edit(f"[{FIELD}, {{label: lit, cell: lit}}]", display + "    on: {press a: form_value(1)}\n").replace("_value:3", "_value")
    )
    assert shown(engine, 2, 1_500_000) == ["n?", "0"]
    engine.advance(2_000_000, 1)
    assert shown(engine, 2_100_000) == ["n"]


def test_a_label_does_not_outlive_its_mode() -> None:
    engine = opened(edit(f"[{FIELD}]", "    on: {press a: enter(o)}\n  o: {display: away}\n"))
    engine.advance(500_000, 1)
    assert shown(engine, 500_001) == ["away"]


def test_a_change_runs_then_with_the_new_value() -> None:
    engine = opened(
        edit(
            "[{label: n, cell: n, range: 0..5, then: 'program_change(sampler, n)'}]",
            "    on: {press a: form_value(1), press b: form_value(-1)}\n",
        )
    )
    engine.take_outputs()
    for time_us, word in ((10, 1), (20, 0), (30, 2), (40, 0), (50, 2), (60, 0)):
        engine.advance(time_us, word)
    assert [output.data for output in engine.take_outputs() if hasattr(output, "data")] == [b"\xc0\x01", b"\xc0\x00", b"\xc0\x05"]


def test_then_does_not_run_where_the_value_stays_at_its_end() -> None:
    engine = opened(edit("[{label: n, cell: n, ends: clamp, then: 'program_change(sampler, n)'}]", "    on: {press a: form_value(-1)}\n"))
    engine.take_outputs()
    engine.advance(10, 1)
    assert not any(hasattr(output, "data") for output in engine.take_outputs())
    assert engine.display == "n 0"


def test_a_procedure_that_one_mode_runs_may_edit_its_form() -> None:
    rest = "    on: {press a: by(3)}\nprocedures: {by(k in 0..9): form_value(k)}\n"
    engine = opened(edit(f"[{FIELD}]", rest))
    engine.advance(10, 1)
    assert engine.cells[0] == 3


def test_moves_and_messages_of_the_mode_may_edit_its_form() -> None:
    on = "    on:\n      received start: form_next()\n      received song_select(s in 0..9): form_value(s)\n"
    engine = opened(edit(f"[{FIELD}, {{label: row, cell: 'row[n]'}}]", on))
    engine.advance(10, 0, midi_bytes(SERIAL, bytes.fromhex("F3 04")))
    assert engine.cells[0] == 4
    engine.advance(20, 0, midi_bytes(SERIAL, b"\xfa"))
    assert shown(engine, 21) == ["row"]


def test_a_message_bound_everywhere_edits_no_form() -> None:
    with pytest.raises(DesignError, match="only works in a mode with a form"):
        load_design_text(edit(f"[{FIELD}]") + "everywhere: {received start: form_next()}\n")


def test_a_design_without_forms_has_no_cells_of_theirs_and_may_use_their_names() -> None:
    design = load_design_text(HEAD.replace("lit:", "field:") + "  m: {}\n")
    assert [cell.name for cell in design.cells] == ["n", "row", "field"]


def test_a_colour_is_steady_and_may_blink_or_be_dim() -> None:
    design = load_design_text(
        COLOURS + "  m: {leds: {b: amber if n == 1 else blink(amber) if n == 2 else dim(red) if n else off, a: on}}\n"
    )
    assert design.led_texts(0) == ("off", "on", "blink", "dim")
    assert design.led_texts(1) == ("off", "red", "blink red", "dim red", "amber", "blink amber", "dim amber")
    engine: Any = FastEngine(design)
    engine.advance(0, 0)
    for n, text in enumerate(("off", "amber", "blink amber", "dim red")):
        engine.cells[0] = n
        engine.dirty = True
        engine.advance(10 * n + 1, n & 1)
        assert design.led_text(1, engine.leds[1]) == text


def test_on_is_the_first_colour() -> None:
    design = load_design_text(COLOURS + "  m: {leds: {b: on}}\n")
    assert design.led_text(1, design.modes[0].leds[1].low) == "red"


@pytest.mark.parametrize(
    ("between", "known"),
    [
        ("pass", True),
        ("lit = left", True),
        ("n = 3", False),
        ("save()", False),
        ("cancel()", False),
        ("by()", False),
    ],
)
def test_what_is_known_of_a_draft_holds_until_something_may_have_changed_it(between: str, known: bool) -> None:
    action = f"        if changed(n) == 1:\n          {between}\n          lit = 2 - 2 * changed(n)\n"
    rest = f"    draft: [n, row]\n    on:\n      press a: |\n{action}"
    text = HEAD + "  m:\n" + rest + "procedures: {by(): pass}\n"
    if known:
        load_design_text(text)
    else:
        with pytest.raises(DesignError, match=r"is 0\.\.2, but lit"):
            load_design_text(text)
