"""Charts of switches and the other tables: what they say of a design, and that they say it of every design."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given, settings

from controller_sim.design import load_design, load_design_text
from controller_sim.design.form import Design, Moved
from controller_sim.design.program import Binary, CellValue, Compare, Constant, Local, Unary
from controller_sim.design.storage import keeps
from controller_sim.simulator.storage import Storage
from controller_sim.testing.designs import designs
from controller_sim.view.chart import EVERY_MODE, Delay, latency_table, storage_table, switch_tables
from controller_sim.view.sheet import Table
from controller_sim.view.storage import layout_json
from controller_sim.view.terms import Named, filled_in, known, opposite, together

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
HEAD = """\
title: Stage
switches: [a, b, c]
leds: [a]
display: {characters: 12}
devices:
  sampler: {channel: 10, programs: 0..63, numbers_from: 1, bank_select: both}
  room: {channel: 3, port: usb, controllers: {freeze: {number: 80, on: 64, off: 63}, level: {number: 7, bits: 14}}}
memory:
  lit: {range: -1..2, start: -1}
  act: {range: 0..7, ends: wrap, keep: yes}
  cue: {range: 0..63, size: [8, 3], keep: yes}
  frozen: {names: ["off", "on"], keep: yes}
"""


def loaded(body: str) -> Design:
    return load_design_text(HEAD + body)


def said(table: Table, row: int, column: int) -> list[str]:
    """The lines in a column of a row, whatever wide cell that lies in."""
    at = 0
    for cell in table.rows[row]:
        at += cell.span
        if column < at:
            return [line.plain for line in cell.lines]
    raise IndexError(column)


def rows_above(table: Table) -> int:
    """How many rows stand above those of the modes."""
    return int(said(table, 0, 0) == [EVERY_MODE])


def whole(table: Table) -> list[list[str]]:
    return [[" / ".join(line.plain for line in cell.lines) for cell in row] for row in table.rows]


def does(action: str, procedures: str = "") -> str:
    """What the chart says that a press of `a` does."""
    design = loaded(f"{procedures}modes:\n  play:\n    on:\n      press a: |\n        {action}\n  pause:\n    on: {{}}\n")
    return said(switch_tables(design)[0], 0, 1)[0].removeprefix("press: ")


@settings(max_examples=100)
@given(designs())
def test_every_bound_gesture_stands_in_the_cell_of_its_mode_and_key(design: Design) -> None:
    table = switch_tables(design)[0]
    bound = {binding.key for binding in design.bindings}
    keys = [number for number, key in enumerate(design.keys) if len(key.members) == 1 or number in bound]
    above = rows_above(table)
    assert len(table.rows) == above + len(design.modes)
    for row in table.rows:
        assert sum(cell.span for cell in row) == len(table.header)
    for binding in design.bindings:
        lines = [line for row in (binding.mode + above, *range(above)) for line in said(table, row, 1 + keys.index(binding.key))]
        assert any(binding.gesture in line.partition(":")[0] for line in lines)


@settings(max_examples=60)
@given(designs())
def test_a_cell_is_empty_exactly_where_nothing_is_bound(design: Design) -> None:
    table = switch_tables(design)[0]
    above = rows_above(table)
    for number in range(len(design.switches)):
        for mode_number, mode in enumerate(design.modes):
            bound = any(design.bindings[each].key == number for each in mode.bindings)
            told = [line for row in (mode_number + above, *range(above)) for line in said(table, row, 1 + number)]
            assert bool(told) == bound


def test_what_is_so_in_every_mode_is_told_once_above_the_modes() -> None:
    modes = "  one: {on: {tap a: start()}}\n  two: {on: {hold b: stop()}}\n"
    everywhere = "everywhere: {hold a 3s: panic(), press c: start()}\n"
    few = switch_tables(loaded(f"modes:\n{modes}{everywhere}"))[0]
    assert rows_above(few) == 0 and said(few, 0, 1) == ["tap: start", "hold 3s: panic"]
    table = switch_tables(loaded(f"modes:\n{modes}  three: {{}}\n{everywhere}"))[0]
    assert whole(table) == [
        ["every mode", "hold 3s: panic", "", "press: start"],
        ["one", "tap: start", "", ""],
        ["two", "", "hold: stop", ""],
        ["three", "", "", ""],
    ]
    assert rows_above(switch_tables(loaded(f"modes:\n{modes}  three: {{on: {{tap a: stop()}}}}\n"))[0]) == 0


def test_the_booth_reads_as_its_player_would_say_it() -> None:
    table = switch_tables(load_design(str(CONFIGS / "booth.yaml")))[0]
    assert table.header == ("", "a", "b", "c", "d", "e", "d+e", "a+c")
    assert whole(table) == [
        [
            "show",
            "press: if lit is this switch: recall house cue; else: recall cue (act, this switch) / hold: to edit cue",
            'press: tap tempo, shows "bpm.." / hold: clock on/off',
            "tap: frozen on/off, room freeze as frozen / double: cancel delayed, room wet 127, room beat on after 30ms, "
            "room wet 0 after 250ms / hold 3s: hush",
            "tap: act +1 / double: act -1 / hold: to settings",
            "",
        ],
        [
            "edit cue",
            "tap: if slot is this switch: next field; else: previous field / "
            'hold: if slot is this switch: save, shows "saved", to show; else: forget changes, recall cue (act, slot), to show',
            "press, repeat: value -1",
            "press, repeat: value +1",
            "",
            "hold 3s: away and hush",
        ],
        [
            "settings",
            "tap: save, restart",
            "tap: forget changes, restart",
            "",
            "press, repeat: value -1",
            "press, repeat: value +1",
            "",
            "hold 3s: away and hush",
        ],
    ]
    assert table.notes == (
        "hold: 700ms; double: second press within 280ms; repeat: while held, from 400ms on",
        'power on with c held: shows "booth1"',
        'power on with a+e held: factory values, shows "as new"',
    )


def test_names_of_procedures_are_explained_and_so_are_those_in_the_explanations() -> None:
    procedures = "procedures:\n  inner(): control_change(room, freeze, on)\n  outer(n in 0..7): |\n    act = n\n    inner()\n"
    design = loaded(procedures + "modes:\n  play:\n    on: {press a: outer(3)}\n")
    switches, words = switch_tables(design)
    assert said(switches, 0, 1) == ["press: outer 3"]
    assert whole(words) == [["outer", "set act, inner"], ["inner", "room freeze on"]]


def test_messages_are_told_by_device_and_name() -> None:
    assert does("program_change(sampler, 4, bank=200)") == "sampler program 5"
    assert does("control_change(room, freeze, off, delay_ms=250)") == "room freeze off after 250ms"
    assert does("control_change(room, level, 9000)") == "room level 8960"
    assert does("note(sampler, 36, length_ms=2000)") == "sampler note 36 for 2s"
    assert does("note_off(sampler, 36)") == "sampler note 36 off"
    assert does("program_change(sampler, cue[act, 1])") == "sampler program from cue"
    assert does("start()") == "start"


def test_memory_is_told_by_what_changes_in_it() -> None:
    assert does("act += 1") == "act +1"
    assert does("act -= 2") == "act -2"
    assert does("frozen = not frozen") == "frozen on/off"
    assert does("frozen = on") == "frozen on"
    assert does("cue[act, 2] = 5") == "cue (act, 2) = 5"
    assert does("lit = min(lit + 1, 2)") == "lit +1"


def test_what_only_the_memory_keeps_is_left_out_beside_what_is_heard_or_seen() -> None:
    assert does('lit = 1; notice("hello")') == 'shows "hello"'
    assert does("lit = 1; enter(pause)") == "to pause"
    assert does("lit = 1") == "lit = 1"


def test_branches_are_told_with_their_condition() -> None:
    assert does("if lit == a: start()") == "start if lit is 0"
    both = "if frozen:\n          start()\n        else:\n          stop()"
    assert does(both) == "if frozen: start; else: stop"
    assert does("clock_toggle()") == "clock on/off"


def test_what_the_switch_itself_decides_is_decided() -> None:
    body = "modes:\n  play:\n    on:\n      press a..c: |\n        act += 2 * position - 1\n"
    table = switch_tables(loaded(body))[0]
    assert whole(table) == [["play", "press: act -1", "press: act +1", "press: act +3"]]


def test_conditions_that_speak_of_each_switch_are_told_once_for_all() -> None:
    body = "modes:\n  play:\n    on:\n      tap a..c when lit == position: start()\n      tap a..c when lit != position: stop()\n"
    table = switch_tables(loaded(body))[0]
    assert whole(table) == [["play", "tap: if lit is this switch: start; else: stop"]]
    alike = "modes:\n  play:\n    on:\n      tap a..c when lit == 2: start()\n"
    assert whole(switch_tables(loaded(alike))[0]) == [["play", "tap: if lit is 2: start"]]


def test_pedals_have_columns_and_what_comes_without_a_foot_has_a_table() -> None:
    design = load_design(str(CONFIGS / "touring.yaml"))
    switches, _, alone = switch_tables(design)
    assert switches.header[-2:] == ("swell (pedal)", "arm (pedal)")
    assert rows_above(switches) == 1
    assert said(switches, 0, len(switches.header) - 2) == ["move: if damped is open: room wet from swell"]
    assert ["", "received control change from organ: damp on", "damp 1"] in whole(alone)
    assert {response.cause for response in design.responses if isinstance(response.cause, Moved)} == {Moved(0), Moved(1)}


def test_kept_values_have_a_map_and_designs_without_have_none() -> None:
    table = storage_table(load_design(str(CONFIGS / "booth.yaml")))
    assert table is not None
    assert whole(table)[1] == ["cue", "0 to 39", "8 x 3", "24", "2-4", "0x014-0x02F"]
    assert storage_table(load_design_text("switches: [a]\nmodes: {only: {on: {press a: start()}}}\n")) is None


@settings(max_examples=60)
@given(designs().filter(keeps))
def test_values_lie_in_the_chip_where_the_chart_says(design: Design) -> None:
    facts = layout_json(design)
    table = storage_table(design)
    assert table is not None
    storage = Storage(design)
    storage.power_on()
    row_bytes, step = facts["row_bytes"], facts["home_bytes"] // facts["rows"]
    # A new chip has the first values at home: rows from 0x000 on, each with its checksum behind it, without which they are one stream.
    stream = b"".join(storage.image[row * step : row * step + row_bytes] for row in range(facts["rows"]))
    kept = [cell for cell in design.cells if cell.keep]
    for cell, row in zip(kept, whole(table), strict=True):
        ends = [int(text, 16) for text in row[5].split("-")]
        first, last = (end // step * row_bytes + end % step for end in (ends[0], ends[-1]))
        assert row[0] == cell.name and last - first + 1 == int(row[3])
        wide = int(row[3]) // cell.size
        values = [cell.low + int.from_bytes(stream[first + at * wide :][:wide], "big") for at in range(cell.size)]
        assert values == list(cell.start_values)


def test_delays_are_rounded_outwards_and_alike_ones_share_a_row_of_their_mode() -> None:
    design = load_design_text("switches: [a, b, c, e]\nmodes: {show: {}}\n")
    delays = [Delay("show", "hold {} 3s", key, (), (0, 5999), (640, 7919)) for key in ("a", "b", "c", "a+e")]
    delays.append(Delay("show", "tap {}", "e", ("double e",), (0, 280_000), None))
    table = latency_table(design, delays)
    assert table is not None
    assert whole(table) == [["show", "hold a..c, a+e 3s", "", "0.0-6.0", "0.6-8.0"], ["", "tap e", "double e", "0.0-280.0", "-"]]
    assert latency_table(design, []) is None


def test_terms_are_worked_out_as_far_as_they_are_known() -> None:
    cell, two = CellValue(0, 7, 0, None), Constant(2, 2)
    assert known(filled_in(Binary(0, 9, "+", Local(0, 7, 0), two), [Named(3, 3, "this switch")])) == 5
    half = filled_in(Binary(0, 9, "+", cell, Local(0, 7, 0)), [two])
    assert half == Binary(0, 9, "+", cell, two) and known(half) is None
    assert known(filled_in(Unary(0, 1, "not", Local(0, 1, 0)), [Constant(0, 0)])) == 1


def test_terms_of_several_switches_are_one_where_they_differ_by_the_switch_alone() -> None:
    def compared(number: int, other: int = 5) -> Compare:
        return Compare(0, 1, "==", Constant(number, number), Constant(other, other))

    members = [compared(n) for n in (3, 4)]
    assert together(members, [(3, 4), (0, 1)], "this") == Compare(0, 1, "==", Named(3, 3, "this"), Constant(5, 5))
    assert together(members, [(2, 4), (0, 1)], "this") is None
    assert together([compared(1), compared(1)], [(0, 1)], "this") == compared(1)


def test_opposite_conditions_are_known_by_their_form() -> None:
    a, b = CellValue(0, 7, 0, None), Constant(2, 2)
    assert opposite(Compare(0, 1, "==", a, b), Compare(0, 1, "!=", a, b))
    assert opposite(Compare(0, 1, "<", a, b), Compare(0, 1, ">=", a, b))
    assert opposite(Unary(0, 1, "not", a), a) and opposite(a, Unary(0, 1, "not", a))
    assert not opposite(Compare(0, 1, "<", a, b), Compare(0, 1, ">", a, b))
