import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.midi.messages import STATUS_TABLE, UNDEFINED_STATUSES, MidiError, is_message, is_real_time, message_length
from controller_sim.midi.stream import Decoder, Encoder


def _message_of(status: int) -> st.SearchStrategy[bytes]:
    length = message_length(status)
    if length is None:
        return st.lists(st.integers(0, 127), max_size=9).map(lambda body: bytes([status, *body, 0xF7]))
    return st.tuples(*[st.integers(0, 127)] * (length - 1)).map(lambda body: bytes([status, *body]))


MESSAGES = st.sampled_from(sorted(STATUS_TABLE)).flatmap(_message_of)
FEW_STATUSES = st.sampled_from([0x90, 0x91, 0xC0, 0xF0, 0xF6, 0xF8]).flatmap(_message_of)
RUNS = st.lists(MESSAGES | FEW_STATUSES, max_size=12)
REAL_TIME = st.sampled_from([0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF])


def encode(messages: list[bytes], running_status: bool) -> bytes:
    encoder = Encoder(running_status)
    return b"".join(encoder.encode(message) for message in messages)


@given(RUNS, st.booleans())
def test_decoding_gives_back_what_was_encoded(messages: list[bytes], running_status: bool) -> None:
    assert Decoder().feed(encode(messages, running_status)) == messages


@given(RUNS, st.booleans(), st.lists(st.integers(1, 5), min_size=1))
def test_pieces_of_any_size_decode_as_the_whole_does(messages: list[bytes], running_status: bool, sizes: list[int]) -> None:
    stream, decoder, found = encode(messages, running_status), Decoder(), []
    position = turn = 0
    while position < len(stream):
        size = sizes[turn % len(sizes)]
        found += decoder.feed(stream[position : position + size])
        position, turn = position + size, turn + 1
    assert found == messages


@given(RUNS, st.booleans(), st.lists(st.tuples(st.integers(0, 60), REAL_TIME), max_size=8))
def test_real_time_anywhere_loses_nothing(messages: list[bytes], running_status: bool, sprinkled: list[tuple[int, int]]) -> None:
    ordinary = [message for message in messages if not is_real_time(message[0])]
    stream = bytearray(encode(ordinary, running_status))
    for place, byte in sprinkled:
        stream.insert(place % (len(stream) + 1), byte)
    found = Decoder().feed(bytes(stream))
    assert [message for message in found if not is_real_time(message[0])] == ordinary
    assert [message for message in found if is_real_time(message[0])] == [bytes([byte]) for byte in stream if byte >= 0xF8]


@given(st.binary(max_size=40))
def test_any_bytes_decode_to_whole_messages_only(noise: bytes) -> None:
    assert all(is_message(message) for message in Decoder().feed(noise))


@given(st.binary(max_size=40), RUNS)
def test_the_first_message_with_a_status_gets_through_after_any_noise(noise: bytes, messages: list[bytes]) -> None:
    decoder = Decoder()
    decoder.feed(noise)
    tail = [b"\x90\x3c\x27", *messages]
    assert decoder.feed(encode(tail, running_status=False)) == tail


@given(RUNS)
def test_running_status_is_off_unless_asked_for(messages: list[bytes]) -> None:
    encoder = Encoder()
    assert [encoder.encode(message) for message in messages] == messages


@given(RUNS)
def test_only_the_status_of_a_channel_message_is_ever_left_out(messages: list[bytes]) -> None:
    encoder = Encoder(running_status=True)
    for message in messages:
        sent = encoder.encode(message)
        assert sent == message or (sent == message[1:] and message[0] < 0xF0)


@pytest.mark.parametrize("between", [b"\xf0\xf7", b"\xf1\x00", b"\xf2\x00\x00", b"\xf3\x00", b"\xf6"])
def test_sysex_and_system_common_end_running_status(between: bytes) -> None:
    note = b"\x90\x3c\x27"
    assert encode([note, between, note], running_status=True) == note + between + note


@pytest.mark.parametrize("between", [0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF])
def test_real_time_does_not_end_running_status(between: int) -> None:
    note = b"\x90\x3c\x27"
    assert encode([note, bytes([between]), note], running_status=True) == note + bytes([between]) + note[1:]


@pytest.mark.parametrize(("status", "goes_on"), [(0xF4, False), (0xF5, False), (0xF9, True), (0xFD, True)])
def test_undefined_statuses_are_never_given_out(status: int, goes_on: bool) -> None:
    assert status in UNDEFINED_STATUSES
    found = Decoder().feed(bytes([0x90, 0x3C, 0x27, status, 0x40, 0x2B]))
    assert found == [b"\x90\x3c\x27"] + [b"\x90\x40\x2b"] * goes_on


def test_refresh_sends_the_next_status_again() -> None:
    encoder = Encoder(running_status=True)
    encoder.encode(b"\x90\x3c\x27")
    assert encoder.encode(b"\x90\x3e\x27") == b"\x3e\x27"
    encoder.refresh()
    assert encoder.encode(b"\x90\x40\x27") == b"\x90\x40\x27"


def test_encoder_refuses_what_is_no_message() -> None:
    with pytest.raises(MidiError):
        Encoder().encode(b"\x90\x3c")
