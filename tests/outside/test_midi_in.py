"""MIDI in against the published text (MIDI 1.0 Detailed Specification, version 4.2.1, pages as printed) and against mido's parser."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.core.kinds import midi_bytes, pedal_reading
from controller_sim.core.midi_in import Parser
from controller_sim.design import load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import SERIAL, USB
from controller_sim.design.outputs import Message
from controller_sim.midi.wire import serial_times
from controller_sim.reference import ReferenceEngine

CASES = json.loads(Path(__file__).with_name("midi_vectors.json").read_text())["wire_parse"]["cases"]
both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])
CHANNEL_MESSAGES = st.one_of(
    st.tuples(st.integers(0x80, 0xBF) | st.integers(0xE0, 0xEF), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(st.integers(0xC0, 0xDF), st.integers(0, 127)),
)
WHOLE = st.one_of(
    CHANNEL_MESSAGES,
    st.tuples(st.just(0xF2), st.integers(0, 127), st.integers(0, 127)),
    st.tuples(st.sampled_from((0xF1, 0xF3)), st.integers(0, 127)),
    st.sampled_from(((0xF6,), (0xF8,), (0xFA,), (0xFB,), (0xFC,), (0xFE,), (0xFF,))),
    st.lists(st.integers(0, 127), max_size=20).map(lambda data: (0xF0, *data, 0xF7)),
).map(bytes)


def parsed(data: bytes) -> list[bytes]:
    parser = Parser()
    found = []
    for message in map(parser.feed, data):
        if message:
            length = (message.bit_length() - 1) // 8
            found.append((message ^ 1 << 8 * length).to_bytes(length, "little"))
    return found


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_bytes_are_parsed_as_the_reference_parser_parsed_them(case: dict[str, Any]) -> None:
    assert [message.hex(" ") for message in parsed(bytes.fromhex(case["bytes"]))] == case["messages"]


@pytest.mark.parametrize(
    ("line", "messages"),
    [
        ("90 3c 27 40 2b 43 25", ["90 3c 27", "90 40 2b", "90 43 25"]),
        ("90 3c 27 3c 00 3e 29", ["90 3c 27", "90 3c 00", "90 3e 29"]),
    ],
)
def test_worked_examples_of_running_status_are_understood(line: str, messages: list[str]) -> None:
    """Page A-1."""
    assert [message.hex(" ") for message in parsed(bytes.fromhex(line))] == messages


@given(st.lists(WHOLE, max_size=12))
def test_whole_messages_are_parsed_as_mido_parses_them(messages: list[bytes]) -> None:
    """mido 1.3 knows no running status and loses messages with real time inside, so each message stands whole here."""
    stream = b"".join(messages)
    expected = [bytes(message.bytes()) for message in mido.parse_all(stream)]
    assert parsed(stream) == expected == messages


@given(st.lists(CHANNEL_MESSAGES.map(bytes), min_size=1, max_size=6), st.data())
def test_real_time_comes_at_once_and_leaves_the_message_around_it_whole(messages: list[bytes], data: st.DataObject) -> None:
    """Pages 5 and 30: real-time bytes may stand anywhere, and do not touch running status."""
    stream: list[int] = []
    clocks = 0
    for byte in b"".join(messages):
        for _ in range(data.draw(st.integers(0, 2))):
            stream.append(0xF8)
            clocks += 1
        stream.append(byte)
    found = parsed(bytes(stream))
    assert [message for message in found if message != b"\xf8"] == messages
    assert found.count(b"\xf8") == clocks


@both_engines
@given(readings=st.lists(st.integers(0, 1023), min_size=1, max_size=8))
def test_a_receiver_of_14_bit_controllers_ends_at_the_pedal_s_position(factory: Any, readings: list[int]) -> None:
    """Page 12: controllers 0..31 take the upper seven bits, 32..63 the lower; an upper byte sets the lower one to 0."""
    design = load_design_text(
        "switches: [a]\npedals: {arm: {gives: 0..16383, hysteresis: 0, first: moves}}\n"
        "devices: {lamps: {channel: 1, controllers: {level: {number: 7, bits: 14}}}}\n"
        "modes: {m: {on: {move arm: 'control_change(lamps, level, arm)'}}}\n"
    )
    engine = factory(design)
    engine.advance(0, 0)
    for place, value in enumerate(readings):
        engine.advance(1000 + 3000 * place, 0, (pedal_reading(0, value),))
    engine.advance(1_000_000, 0)
    level = 0
    for output in engine.take_outputs():
        if isinstance(output, Message):
            status, number, value = output.data
            assert (status, number in (7, 39)) == (0xB0, True)
            level = value << 7 if number == 7 else level & ~127 | value
    # 14 bits over 1023 steps, rounded half up.
    assert level == (2 * 16_383 * readings[-1] + 1023) // (2 * 1023)


@both_engines
@given(own=st.lists(st.integers(0, 40_000), max_size=5), passed=st.lists(WHOLE, max_size=5), data=st.data())
def test_what_goes_on_and_what_is_our_own_reach_the_line_as_whole_messages(
    factory: Any, own: list[int], passed: list[bytes], data: st.DataObject
) -> None:
    """Pages 5 and 6: nothing but real time may stand inside a message; a listener to our line hears every message of both, in order."""
    design = load_design_text(
        "switches: [a]\ndevices: {pads: {channel: 1}}\nwire: {running_status: yes, thru: {usb: serial}}\n"
        "timing: {debounce: {press: none, release: none}}\nmodes:\n"
        "  m: {on: {press a: 'note_on(pads, 60)', release a: 'note_off(pads, 60)'}}\n"
    )
    stream = b"".join(passed)
    times = sorted(data.draw(st.lists(st.integers(20_000, 60_000), min_size=len(stream), max_size=len(stream))))
    arriving: dict[int, list[int]] = {}
    for time_us, byte in zip(times, stream, strict=True):
        arriving.setdefault(time_us, []).extend(midi_bytes(USB, (byte,)))
    engine = factory(design)
    engine.advance(0, 0)
    word = 0
    for time_us in sorted({*arriving, *(20_000 + each for each in own)}):
        word ^= time_us - 20_000 in own
        engine.advance(time_us, word, tuple(arriving.get(time_us, ())))
    sent = [(output.time_us, output.data) for output in engine.take_outputs() if isinstance(output, Message) and output.ports & SERIAL]
    line = sorted((byte for message in serial_times(sent, True) for byte in message.sent), key=lambda byte: byte.start_us)
    heard = parsed(bytes(byte.value for byte in line))
    calm = [message for message in heard if message[0] < 0xF8]
    assert calm == [message for _, message in sent if message[0] < 0xF8]
    assert [message for message in heard if message[0] >= 0xF8] == [message for _, message in sent if message[0] >= 0xF8]
    assert [message for _, message in sent if message not in (b"\x90\x3c\x40", b"\x80\x3c\x40")] == [
        message for message in passed if message not in (b"\x90\x3c\x40", b"\x80\x3c\x40")
    ]
