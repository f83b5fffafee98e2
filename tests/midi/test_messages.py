import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.midi.messages import STATUS_TABLE, MidiError, check_message, describe, is_message, message_length, name_of


@given(st.binary(max_size=6))
def test_bytes_are_a_message_exactly_when_mido_makes_one_of_them(data: bytes) -> None:
    try:
        mido.Message.from_bytes(data)
    except (ValueError, IndexError):
        known = False
    else:
        known = True
    assert is_message(data) == known


@given(st.binary(max_size=6))
def test_every_string_of_bytes_has_a_one_line_description(data: bytes) -> None:
    text = describe(data)
    assert text and "\n" not in text
    assert is_message(data) != text.startswith("no MIDI message")


@pytest.mark.parametrize("status", sorted(STATUS_TABLE))
def test_names_are_those_of_mido(status: int) -> None:
    if status == 0xF0:
        data = b"\xf0\xf7"
    else:
        length = message_length(status)
        assert length is not None
        data = bytes([status]) + bytes(length - 1)
    assert name_of(data) == mido.Message.from_bytes(data).type


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ("c9 05", "program change ch 10: 5"),
        ("b2 50 40", "control change ch 3: 80 = 64"),
        ("91 3c 64", "note on ch 2: 60 velocity 100"),
        ("8f 3c 00", "note off ch 16: 60 velocity 0"),
        ("a0 3c 07", "polytouch ch 1: 60 = 7"),
        ("d0 07", "aftertouch ch 1: 7"),
        ("e0 00 40", "pitchwheel ch 1: 0"),
        ("e0 00 00", "pitchwheel ch 1: -8192"),
        ("f0 7d 01 f7", "sysex: 7D 01"),
        ("f0 f7", "sysex: empty"),
        ("f2 04 01", "song position: 132"),
        ("f3 07", "song select: 7"),
        ("f8", "clock"),
        ("fe", "active sensing"),
        ("90 3c", "no MIDI message: 90 3C"),
        ("", "no MIDI message"),
    ],
)
def test_description_reads_as_a_person_would_say_it(data: str, text: str) -> None:
    assert describe(bytes.fromhex(data)) == text


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ("", "a message has at least one byte"),
        ("40 40", "no message begins with 40, a data byte"),
        ("f4", "no message begins with F4, an undefined status"),
        ("f7", "no message begins with F7, the end of a SysEx"),
        ("90 3c", "note_on has 3 bytes, not 2: 90 3C"),
        ("90 3c 80", "data byte 80 in 90 3C 80 is over 7F"),
        ("f0 01", "SysEx F0 01 does not end with F7"),
        ("f0", "SysEx F0 does not end with F7"),
        ("f0 f8 f7", "data byte F8 in F0 F8 F7 is over 7F"),
    ],
)
def test_error_says_what_is_wrong_with_the_bytes(data: str, message: str) -> None:
    with pytest.raises(MidiError) as caught:
        check_message(bytes.fromhex(data))
    assert str(caught.value) == message
    assert caught.value.data in bytes.fromhex(data)


def test_a_number_that_is_no_byte_begins_no_message() -> None:
    with pytest.raises(MidiError, match="no byte"):
        message_length(256)
