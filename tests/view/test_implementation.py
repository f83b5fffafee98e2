"""The MIDI Implementation Chart: it covers whatever a run sends, and has the rows of the form."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design, load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import SERIAL, USB, Design
from controller_sim.design.outputs import Message
from controller_sim.testing.compare import run
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.view.implementation import Traffic, implementation_chart, recognized, transmitted

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
# MIDI 1.0 Detailed Specification 4.2.1, p. A-8: the functions of the blank form, in its order.
FORM = (
    "Basic channel",
    "Mode",
    "Note number",
    "Velocity",
    "After touch",
    "Pitch bend",
    "Control change",
    "Program change",
    "System exclusive",
    "System common",
    "System real time",
    "Aux messages",
    "Notes",
)

# The same page: the items of each function. Those of the aux messages are from memory; numbers and notes are the design's own.
ITEMS = [
    *(("Basic channel", item) for item in ("default", "changed")),
    *(("Mode", item) for item in ("default", "messages", "altered")),
    *(("Note number", item) for item in ("", "true voice")),
    *(("Velocity", item) for item in ("note on", "note off")),
    *(("After touch", item) for item in ("keys", "channels")),
    ("Pitch bend", ""),
    *(("Program change", item) for item in ("", "true number")),
    ("System exclusive", ""),
    *(("System common", item) for item in ("song position", "song select", "tune")),
    *(("System real time", item) for item in ("clock", "commands")),
    *(("Aux messages", item) for item in ("local on/off", "all notes off", "active sense", "reset")),
]


def chart(design: Design) -> dict[tuple[str, str], tuple[str, str, str]]:
    """Function and item to what is transmitted, recognized and remarked; several notes are one."""
    told: dict[tuple[str, str], tuple[str, str, str]] = {}
    group = ""
    for row in implementation_chart(design).rows:
        function, item, sent, heard, remark = (" ".join(line.plain for line in cell.lines) for cell in row)
        group = function or group
        before = told.get((group, item))
        told[group, item] = (sent, heard, f"{before[2]}; {remark}" if before else remark)
    return told


def loaded(on: str, more: str = "") -> Design:
    return load_design_text(
        "switches: [a, b]\ndevices:\n"
        "  sampler: {channel: 10, programs: 0..63, numbers_from: 1, notes: 36..60, bank_select: both}\n"
        "  room: {channel: 3, port: usb, controllers: {wet: 91, level: {number: 7, bits: 14}}}\n"
        f"memory: {{at: {{range: 40..43, start: 40}}, strength: {{range: 1..90, start: 1}}}}\n{more}modes:\n  play:\n    on:\n      {on}\n"
    )


def covers(traffic: Traffic, message: Message) -> bool:
    inside = len(traffic.data) == len(message.data) - 1 - (message.data[0] == 0xF0)
    inside = inside or message.data[0] == 0xF0
    return (
        traffic.status == message.data[0]
        and not message.ports & ~traffic.ports
        and inside
        and all(low <= byte <= high for (low, high), byte in zip(traffic.data, message.data[1:], strict=False))
    )


@settings(max_examples=100)
@given(st.data())
def test_whatever_a_run_sends_is_on_the_chart(data: st.DataObject) -> None:
    design = data.draw(designs().filter(lambda design: not design.thru))
    known = transmitted(design)
    for output in run(FastEngine, design, data.draw(sessions(design))):
        if isinstance(output, Message):
            assert any(covers(traffic, output) for traffic in known), output


@settings(max_examples=60)
@given(designs())
def test_the_chart_has_the_rows_of_the_form(design: Design) -> None:
    table = implementation_chart(design)
    assert tuple(row[0].lines[0].plain for row in table.rows if row[0].lines) == FORM
    assert table.header == ("Function", "", "Transmitted", "Recognized", "Remarks")
    for _, _, sent, heard, _ in table.rows[:-1]:
        assert bool(sent.lines) == bool(heard.lines)
    items = [item for item in chart(design) if not item[0].startswith(("Control", "Notes"))]
    assert [item for item in items if item not in (("Aux messages", "all sound off"), ("Aux messages", "reset controllers"))] == ITEMS


@pytest.mark.parametrize(
    ("action", "row", "sent"),
    [
        ("note_on(sampler, at, strength)", ("Note number", ""), "40-43"),
        ("note_on(sampler, at, strength)", ("Velocity", "note on"), "o 9nH, v = 1-90"),
        ("note_off(sampler, 36)", ("Velocity", "note off"), "o 8nH, v = 64"),
        ("polytouch(sampler, at, 5)", ("After touch", "keys"), "o 5"),
        ("aftertouch(sampler, strength)", ("After touch", "channels"), "o 1-90"),
        ("pitchwheel(sampler, 0)", ("Pitch bend", ""), "o"),
        ("control_change(room, wet, strength)", ("Control change", "91"), "o"),
        ("program_change(sampler, at, bank=300)", ("Program change", ""), "o 40-43"),
        ("program_change(sampler, at, bank=300)", ("Control change", "0"), "o"),
        ("program_change(sampler, at, bank=300)", ("Control change", "32"), "o"),
        ("sysex(sampler, 125, 1)", ("System exclusive", ""), "o"),
        ("songpos(4)", ("System common", "song position"), "o"),
        ("song_select(4)", ("System common", "song select"), "o"),
        ("tune_request()", ("System common", "tune"), "o"),
        ("clock_start()", ("System real time", "clock"), "o"),
        ("continue_()", ("System real time", "commands"), "o"),
        ("panic()", ("Aux messages", "all notes off"), "o"),
        ("panic()", ("Aux messages", "reset controllers"), "o"),
        ("active_sensing()", ("Aux messages", "active sense"), "o"),
        ("reset()", ("Aux messages", "reset"), "o"),
    ],
)
def test_what_an_action_sends_is_transmitted_and_nothing_else_is(action: str, row: tuple[str, str], sent: str) -> None:
    told = chart(loaded(f"press a: {action}"))
    assert told[row][:2] == (sent, "x")
    quiet = chart(loaded("press a: pass"))
    assert quiet.get(row, ("x",))[0] == "x"


def test_what_is_answered_is_recognized_with_its_values() -> None:
    on = (
        "received program_change(sampler, 3): pass\n      received note_on(sampler, k in 36..43): pass\n"
        "      received control_change(room, wet, v): pass\n      received start: clock_start()"
    )
    told = chart(loaded(on, "tempo: {follow: serial, clock: usb}\n"))
    assert told["Basic channel", "default"] == ("x", "3, 10", "10 sampler, 3 room")
    assert told["Program change", ""] == ("x", "o 3", "sampler 3")
    assert told["Program change", "true number"] == ("**************", "3", "sampler counted from 1")
    assert told["Note number", ""] == ("x", "36-43", "sampler 36-43")
    assert told["Control change", "91"] == ("x", "o", "room wet 0-127")
    assert told["System real time", "clock"] == ("o", "o", "sets the tempo")
    assert told["System real time", "commands"] == ("x", "o", "answers start")


def test_both_halves_of_14_bits_have_a_row() -> None:
    told = chart(loaded("press a: control_change(room, level, 9000)"))
    assert told["Control change", "7"] == ("o", "x", "room level MSB 70")
    assert told["Control change", "39"] == ("o", "x", "room level LSB 40")


def test_what_nothing_runs_is_not_on_the_chart() -> None:
    told = chart(loaded("press a: pass", "procedures: {unused(): 'note_on(sampler, 36)'}\n"))
    assert told["Note number", ""][0] == "x"


def test_notes_say_what_passes_through() -> None:
    told = chart(load_design(str(CONFIGS / "touring.yaml")))
    passed = "passes on from serial to usb: note off, note on, pitchwheel"
    assert told["Notes", ""][2] == f"sends at serial, usb; running status at serial; {passed}"


def test_traffic_is_told_once_and_in_order() -> None:
    design = loaded("press a..b: |\n        note_on(sampler, 36)\n        control_change(room, wet, 5)\n        note_on(sampler, 36)")
    assert transmitted(design) == [Traffic(0x99, SERIAL, ((36, 36), (64, 64))), Traffic(0xB2, USB, ((91, 91), (5, 5)))]
    assert recognized(design) == []
