"""The message calls: their bytes, ports and delays."""

from __future__ import annotations

import pytest

from controller_sim.design.actions import compile_procedure
from controller_sim.design.errors import Source
from controller_sim.design.form import SERIAL, USB, Cell, Controller, Device, Place, Tempo
from controller_sim.design.program import CellValue, Choice, Constant, Send, Statement
from controller_sim.design.scope import Scope

PLACE = Place("booth.yaml", 1, 1)
SCOPE = Scope(
    "booth.yaml",
    {},
    {},
    (Cell("frozen", 0, 1, 0, (), "proved", False, ("off", "on"), 0, PLACE),),
    (
        Device("sampler", 9, SERIAL, (0, 63), None, None),
        Device("pads", 1, SERIAL | USB, (0, 127), None, (36, 60), "both"),
        Device("lamp", 4, USB, (0, 127), None, None, "msb"),
        Device("horn", 5, USB, (0, 127), None, None, "lsb"),
        Device("room", 2, USB, None, (Controller("freeze", 80, on=64, off=63), Controller("wet", 91), Controller("tap", 64, on=64)), None),
    ),
    {},
    {"off": 0, "on": 1},
    Tempo(),
    SERIAL | USB,
    {},
)


def body(text: str) -> tuple[Statement, ...]:
    source = Source(text, tuple(Place("booth.yaml", 31 + i, 9) for i in range(text.count("\n") + 1)))
    return compile_procedure(SCOPE, "x", (), source, by_gesture=True, may_enter=True, has_draft=True).body


def sends(text: str) -> list[tuple[int, ...]]:
    """The messages of an action made of constants only."""
    statements = body(text)
    assert all(isinstance(statement, Send) for statement in statements)
    return [tuple(byte.low for byte in statement.data) for statement in statements if isinstance(statement, Send)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # MIDI 1.0 Detailed Specification 4.2.1, tables I, II, V and VI (status bytes, data counts),
        # p. 13 (bank select), p. 19 (pitch bend, low byte first).
        ("program_change(sampler, 63)", [(0xC9, 63)]),
        ("program_change(pads, 5, bank=130)", [(0xB1, 0, 1), (0xB1, 32, 2), (0xC1, 5)]),
        ("program_change(lamp, 5, bank=127)", [(0xB4, 0, 127), (0xC4, 5)]),
        ("program_change(horn, 5, bank=127)", [(0xB5, 32, 127), (0xC5, 5)]),
        ("control_change(pads, 7, 100)", [(0xB1, 7, 100)]),
        ("control_change(room, wet, 127)", [(0xB2, 91, 127)]),
        ("control_change(room, freeze, on)", [(0xB2, 80, 64)]),
        ("control_change(room, freeze, off)", [(0xB2, 80, 63)]),
        ("control_change(room, tap, true)", [(0xB2, 64, 64)]),
        ("note_on(pads, 36)", [(0x91, 36, 64)]),
        ("note_on(pads, 36, velocity=1)", [(0x91, 36, 1)]),
        ("note_off(pads, 60, 3)", [(0x81, 60, 3)]),
        ("polytouch(pads, 40, 9)", [(0xA1, 40, 9)]),
        ("aftertouch(pads, 9)", [(0xD1, 9)]),
        ("pitchwheel(pads, 0)", [(0xE1, 0, 64)]),
        ("pitchwheel(pads, -8192)", [(0xE1, 0, 0)]),
        ("pitchwheel(pads, 8191)", [(0xE1, 127, 127)]),
        ("sysex(pads, 125, 1, 2)", [(0xF0, 125, 1, 2, 0xF7)]),
        ("start(); stop(); continue_(); reset()", [(0xFA,), (0xFC,), (0xFB,), (0xFF,)]),
        ("tune_request(); active_sensing()", [(0xF6,), (0xFE,)]),
        ("songpos(130)", [(0xF2, 2, 1)]),
        ("song_select(7, pads)", [(0xF3, 7)]),
    ],
)
def test_each_message_call_gives_its_bytes(text: str, expected: list[tuple[int, ...]]) -> None:
    assert sends(text) == expected


def test_bank_select_and_its_program_share_the_delay_and_the_ports() -> None:
    statements = body("program_change(pads, 1, bank=0, delay_ms=30)")
    assert [(s.ports, s.delay_us) for s in statements if isinstance(s, Send)] == [(SERIAL | USB, 30_000)] * 3


def test_a_system_message_goes_to_all_ports_in_use_unless_a_device_is_named() -> None:
    assert body("start(sampler)\nstart()") == (Send(SERIAL, (Constant(0xFA, 0xFA),)), Send(SERIAL | USB, (Constant(0xFA, 0xFA),)))


def test_an_on_off_controller_takes_a_truth() -> None:
    (send,) = body("control_change(room, freeze, frozen)")
    assert send == Send(
        USB,
        (
            Constant(0xB2, 0xB2),
            Constant(80, 80),
            Choice(63, 64, CellValue(0, 1, 0, None), Constant(64, 64), Constant(63, 63)),
        ),
    )
