"""`panic()`: after it nothing sounds, whatever was played before; both engines."""

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import Design, DesignError, form, load_design_text, program
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Message
from controller_sim.design.panic import silence
from controller_sim.reference import ReferenceEngine
from controller_sim.simulator.engines import Engine
from controller_sim.testing.compare import run
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs

both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])
Factory = Callable[[Design], Engine]

HEAD = """\
switches: [a, b, c, d, e, f, g, h]
timing: {debounce: {press: none, release: none}}
devices:
  sampler: {channel: 10, notes: 36..60}
  pads: {channel: 2, port: [serial, usb]}
  echo: {channel: 2, port: usb}
  room: {channel: 3, port: usb}
"""
BOARD = load_design_text(
    HEAD
    + """\
memory: {k: {range: 0..3, ends: wrap}}
procedures:
  strike(n in 0..3): note_on(sampler, 40 + 2 * n)
modes:
  m:
    on:
      press a: strike(k)
      press b: note_on(pads, 70)
      press c: note(pads, 71, length_ms=5000)
      press d: note_on(pads, 72, delay_ms=1000)
      press e: |
        k += 1
        control_change(pads, 64, 127)
        pitchwheel(pads, 500)
      press f: |
        start(pads)
        control_change(room, 20, 5, delay_ms=2000)
      release a..c: note_off(sampler, 36)
      press g: panic()
"""
)


def sent_bytes(outputs: list[Message]) -> list[str]:
    return [output.data.hex(" ").upper() for output in outputs]


def after_panic(engine: Engine, presses: list[str]) -> tuple[list[Message], list[Message]]:
    """The messages before panic, and those from it on."""
    engine.advance(0, 0)
    now_us = 100_000
    for name in [*presses, "g"]:
        if name == "g":
            before = [output for output in engine.take_outputs() if isinstance(output, Message)]
        now_us += 3000
        engine.advance(now_us, 1 << "abcdefgh".index(name))
        now_us += 1000
        engine.advance(now_us, 0)
    engine.advance(now_us + 60_000_000, 0)
    return before, [output for output in engine.take_outputs() if isinstance(output, Message)]


@both_engines
@given(st.lists(st.sampled_from("abcdef"), max_size=12))
def test_after_panic_nothing_sounds_no_pedal_is_down_and_nothing_follows(factory: Factory, presses: list[str]) -> None:
    before, after = after_panic(factory(BOARD), presses)
    sounding: set[tuple[int, int]] = set()
    silenced: set[int] = set()
    pedals: set[int] = set()
    for message in [*before, *after]:
        status, first, second = (*message.data, 0, 0)[:3]
        channel = status & 15
        if status & 0xF0 == 0x90:
            sounding.add((channel, first))
        elif status & 0xF0 == 0x80:
            sounding.discard((channel, first))
        elif status & 0xF0 == 0xB0 and first == 64:
            pedals = pedals | {channel} if second else pedals - {channel}
        elif status & 0xF0 == 0xB0 and first == 123:
            assert not any(on == channel for on, _ in sounding)
            assert channel not in pedals
            silenced.add(channel)
    assert not sounding
    assert silenced == {1, 2, 9}
    assert len({message.time_us for message in after}) == 1


@both_engines
def test_panic_sends_note_offs_then_pedals_then_the_channel_mode_messages(factory: Factory) -> None:
    _, after = after_panic(factory(BOARD), [])
    pads = ["81 46 40", "81 47 40", "81 48 40"]
    sampler = [f"89 {note:02X} 40" for note in range(40, 47)]
    both = form.SERIAL | form.USB
    assert sent_bytes(after) == [
        "FC",
        *pads,
        *[f"B1 {controller} 00" for controller in ("40", "42", "45", "7B", "78", "79")],
        "E1 00 40",
        *[f"B2 {controller} 00" for controller in ("7B", "78", "79")],
        *sampler,
        *[f"B9 {controller} 00" for controller in ("40", "42", "45", "7B", "78", "79")],
    ]
    assert {message.ports for message in after if message.data[0] & 15 == 1} == {both}


@both_engines
def test_a_note_that_waits_for_its_end_ends_first(factory: Factory) -> None:
    _, after = after_panic(factory(BOARD), ["c", "d"])
    assert sent_bytes(after)[:2] == ["81 47 40", "FC"]


def note_offs(body: tuple[program.Statement, ...]) -> set[tuple[int, int]]:
    """(channel, note) of all note-offs that a body sends."""
    found: set[tuple[int, int]] = set()
    for statement in body:
        loop = range(statement.start, statement.stop, statement.step) if isinstance(statement, program.For) else None
        for send in statement.body if isinstance(statement, program.For) else (statement,):
            if isinstance(send, program.Send) and send.data[0].low & 0xF0 == 0x80:
                found |= {(send.data[0].low & 15, note) for note in loop or (send.data[1].low,)}
    return found


@settings(max_examples=150)
@given(st.data())
def test_every_note_that_a_run_sends_has_its_note_off_in_panic(data: st.DataObject) -> None:
    design = data.draw(designs())
    offs = note_offs(silence(design.devices, design.procedures))
    for output in run(FastEngine, design, data.draw(sessions(design))):
        if isinstance(output, Message) and output.data[0] == 0x90 and output.data[2]:
            assert (0, output.data[1]) in offs


@pytest.mark.parametrize(
    ("action", "place"),
    [("on: {press a: panic()}", "2:27"), ("enter: panic()", "2:20"), ("timers: {after 1s: panic()}", "2:32")],
)
def test_panic_without_devices_is_refused(action: str, place: str) -> None:
    with pytest.raises(DesignError) as error:
        load_design_text(f"switches: [a]\nmodes: {{m: {{{action}}}}}\n")
    assert str(error.value).startswith(f"design:{place}: no device is declared, so there is nothing to silence")


@pytest.mark.parametrize("where", ["procedures: {hush(): panic()}\n", "power_on: {always: panic()}\n", "everywhere: {press a: panic()}\n"])
def test_panic_works_from_anywhere(where: str) -> None:
    design = load_design_text(f"switches: [a]\ndevices: {{pads: {{channel: 1}}}}\n{where}modes: {{m: {{}}}}\n")
    assert design.procedures[0].name == "panic"
    assert program.Call(0, ()) in [statement for procedure in design.procedures for statement in procedure.body]
