"""The wire against the published text: MIDI 1.0 Detailed Specification, document version 4.2.1 (pages as printed)."""

import json
from fractions import Fraction
from pathlib import Path

import pytest

from controller_sim.midi.messages import UNDEFINED_STATUSES, MidiError, describe, is_channel, is_real_time, message_length
from controller_sim.midi.stream import Decoder, Encoder
from controller_sim.midi.wire import BYTE_US, largest_queue_bytes, serial_times

CASES = json.loads(Path(__file__).with_name("midi_vectors.json").read_text())["wire_parse"]["cases"]

DATA_BYTES = {
    **dict.fromkeys([*range(0x80, 0xC0), *range(0xE0, 0xF0), 0xF2], 2),
    **dict.fromkeys([*range(0xC0, 0xE0), 0xF1, 0xF3], 1),
    **dict.fromkeys([0xF6, 0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF], 0),
}
"""Tables I, II, V and VI."""
WORKED_EXAMPLES = {  # page A-1
    "90 3c 27 / 90 40 2b / 90 43 25": "90 3c 27 40 2b 43 25",
    "90 3c 27 / 90 3c 00 / 90 3e 29": "90 3c 27 3c 00 3e 29",
}


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_stream_is_parsed_as_the_reference_parser_parsed_it(case: dict[str, str | list[str]]) -> None:
    found = Decoder().feed(bytes.fromhex(str(case["bytes"])))
    assert [message.hex(" ") for message in found] == case["messages"]


@pytest.mark.parametrize(("messages", "line"), WORKED_EXAMPLES.items())
def test_worked_examples_of_running_status_encode_exactly(messages: str, line: str) -> None:
    encoder = Encoder(running_status=True)
    assert b"".join(encoder.encode(bytes.fromhex(message)) for message in messages.split("/")).hex(" ") == line


@pytest.mark.parametrize("first", range(256))
def test_length_of_every_first_byte_is_that_of_the_status_tables(first: int) -> None:
    if first == 0xF0:
        assert message_length(first) is None
    elif first in DATA_BYTES:
        assert message_length(first) == 1 + DATA_BYTES[first]
    else:
        assert first < 0x80 or first in (*UNDEFINED_STATUSES, 0xF7)
        with pytest.raises(MidiError):
            message_length(first)
    assert is_real_time(first) == (first >= 0xF8)
    assert is_channel(first) == (0x80 <= first <= 0xEF)


def test_undefined_statuses_are_the_four_of_page_6() -> None:
    assert UNDEFINED_STATUSES == (0xF4, 0xF5, 0xF9, 0xFD)


def test_byte_takes_ten_bits_at_31250_baud() -> None:
    assert Fraction(10 * 1_000_000, 31_250) == BYTE_US == 320


def test_three_byte_message_takes_960_us() -> None:
    """Page 9."""
    (message,) = serial_times([(0, bytes.fromhex("90 3c 27"))])
    assert message.end_us - message.start_us == 960


@pytest.mark.parametrize(("running_status", "end_us", "queue_bytes"), [(False, 2880, 9), (True, 2240, 7)])
def test_three_simultaneous_controllers_take_as_long_as_their_bytes(running_status: bool, end_us: int, queue_bytes: int) -> None:
    """Arithmetic on page 1 (320 us a byte) and page 5 (running status)."""
    sent = serial_times([(0, bytes([0xB2, number, 64])) for number in (80, 81, 82)], running_status)
    assert sent[-1].end_us == end_us
    assert largest_queue_bytes(sent) == queue_bytes


@pytest.mark.parametrize(("running_status", "end_us"), [(False, 2560), (True, 2240)])
def test_bank_and_program_cost_eight_bytes_or_seven(running_status: bool, end_us: int) -> None:
    """Page 13: Bank Select as a pair, then the program change; the time is arithmetic."""
    messages = [bytes.fromhex(text) for text in ("b1 00 01", "b1 20 02", "c1 05")]
    assert serial_times([(0, message) for message in messages], running_status)[-1].end_us == end_us


@pytest.mark.parametrize(("beats_a_minute", "microseconds"), [(120, "20833.33"), (132, "18939.39")])
def test_clock_gets_through_while_a_message_is_on_the_line(beats_a_minute: int, microseconds: str) -> None:
    """Page 30: 24 clocks a quarter note. A long SysEx delays none of them by a byte or more."""
    interval_us = Fraction(60_000_000, 24 * beats_a_minute)
    assert f"{float(interval_us):.2f}" == microseconds
    clocks = [(int(interval_us * number), b"\xf8") for number in range(48)]
    sysex = [(0, b"\xf0\x7d" + bytes(2000) + b"\xf7")]
    sent = serial_times(sorted(sysex + clocks, key=lambda item: item[0]))
    assert all(0 <= message.start_us - message.time_us < BYTE_US for message in sent if message.data == b"\xf8")


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ("c0 00", "program change ch 1: 0"),
        ("cf 7f", "program change ch 16: 127"),
        ("e0 00 40", "pitchwheel ch 1: 0"),
        ("f2 04 00", "song position: 4"),
    ],
)
def test_channels_count_from_one_and_pitch_from_its_centre(data: str, text: str) -> None:
    """Pages T-1, 18, 19 and 27: channel nibble plus one, programs from 0, centre at 2000H, low seven bits first."""
    assert describe(bytes.fromhex(data)) == text


@pytest.mark.parametrize(
    ("data", "length", "duration_us"),
    [
        ("f0 7f 7f 06 02 f7", 6, 1920),
        ("f0 7e 7f 06 01 f7", 6, 1920),
        ("f0 7e 00 06 02 7d 00 00 00 00 00 00 00 00 f7", 15, 4800),
    ],
)
def test_universal_sysex_messages_have_their_published_lengths(data: str, length: int, duration_us: int) -> None:
    """MIDI Machine Control (RP-013) play; identity request and reply, MIDI 1.0 4.2.1, p. 40. The time is arithmetic."""
    message = bytes.fromhex(data)
    assert len(message) == length and Decoder().feed(message) == [message]
    assert serial_times([(0, message)])[0].end_us == duration_us
