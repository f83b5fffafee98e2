from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.midi.messages import STATUS_TABLE, MidiError, is_real_time, message_length
from controller_sim.midi.stream import Decoder, Encoder
from controller_sim.midi.wire import (
    BYTE_US,
    FRAME_US,
    PACKETS_PER_FRAME,
    WireMessage,
    largest_queue_bytes,
    serial_times,
    usb_packets,
    usb_times,
)


def _message_of(status: int) -> st.SearchStrategy[bytes]:
    length = message_length(status)
    if length is None:
        return st.lists(st.integers(0, 127), max_size=9).map(lambda body: bytes([status, *body, 0xF7]))
    return st.tuples(*[st.integers(0, 127)] * (length - 1)).map(lambda body: bytes([status, *body]))


MESSAGES = st.sampled_from(sorted(STATUS_TABLE)).flatmap(_message_of) | st.sampled_from([b"\xf8", b"\x90\x01\x02"])
TIMED = st.lists(st.tuples(st.integers(0, 9000), MESSAGES), max_size=15).map(lambda items: sorted(items, key=lambda item: item[0]))
BURSTS = st.lists(st.tuples(st.sampled_from([0, 999, 1000, 1001]), MESSAGES), max_size=60).map(
    lambda items: sorted(items, key=lambda item: item[0])
)


def on_the_line(sent: list[WireMessage]) -> list[tuple[int, int, int]]:
    return sorted((byte.start_us, byte.end_us, byte.value) for message in sent for byte in message.sent)


@given(TIMED, st.booleans(), st.booleans())
def test_bytes_last_320_us_and_never_overlap(messages: list[tuple[int, bytes]], running_status: bool, real_time_first: bool) -> None:
    line = on_the_line(serial_times(messages, running_status, real_time_first))
    assert all(end - start == BYTE_US for start, end, _ in line)
    assert all(before[1] <= after[0] for before, after in pairwise(line))


@given(TIMED, st.booleans(), st.booleans())
def test_what_is_heard_is_what_was_sent(messages: list[tuple[int, bytes]], running_status: bool, real_time_first: bool) -> None:
    heard = Decoder().feed(bytes(value for _, _, value in on_the_line(serial_times(messages, running_status, real_time_first))))
    given_over = [data for _, data in messages]
    if not real_time_first:
        assert heard == given_over
    for urgent in (True, False):
        assert [data for data in heard if is_real_time(data[0]) == urgent] == [
            data for data in given_over if is_real_time(data[0]) == urgent
        ]


@given(TIMED, st.booleans())
def test_only_real_time_comes_between_the_bytes_of_a_message(messages: list[tuple[int, bytes]], running_status: bool) -> None:
    line = on_the_line(serial_times(messages, running_status))
    encoder = Encoder(running_status)
    ordinary = b"".join(encoder.encode(data) for _, data in messages if not is_real_time(data[0]))
    assert bytes(value for _, _, value in line if not is_real_time(value)) == ordinary


@given(TIMED, st.booleans(), st.booleans())
def test_line_is_idle_only_when_nothing_waits(messages: list[tuple[int, bytes]], running_status: bool, real_time_first: bool) -> None:
    sent = serial_times(messages, running_status, real_time_first)
    free_us = 0
    times = sorted(message.time_us for message in sent)
    bytes_sent = 0
    for start, end, _ in on_the_line(sent):
        assert start == free_us or (start in times and start > free_us)
        handed_over = sum(len(message.sent) for message in sent if message.time_us < start)
        assert start == free_us or handed_over == bytes_sent
        free_us, bytes_sent = end, bytes_sent + 1


@given(TIMED)
def test_waiting_real_time_goes_at_the_next_byte_boundary(messages: list[tuple[int, bytes]]) -> None:
    sent = serial_times(messages)
    clocks_us = [message.start_us for message in sent if is_real_time(message.data[0])]
    for message in sent:
        if is_real_time(message.data[0]):
            ahead = sum(message.time_us - BYTE_US < start < message.start_us for start in clocks_us)
            assert message.start_us - message.time_us < BYTE_US * (1 + ahead)


@given(TIMED, st.booleans(), st.booleans())
def test_queue_depth_is_the_most_bytes_not_yet_sent_at_any_instant(
    messages: list[tuple[int, bytes]], running_status: bool, real_time_first: bool
) -> None:
    sent = serial_times(messages, running_status, real_time_first)
    instants = [message.time_us for message in sent]
    waiting = [sum(byte.end_us > now for message in sent if message.time_us <= now for byte in message.sent) for now in instants]
    assert largest_queue_bytes(sent) == max(waiting, default=0)


def test_byte_that_ends_at_an_instant_waits_no_more_at_that_instant() -> None:
    note = b"\x90\x3c\x27"
    assert largest_queue_bytes(serial_times([(0, note), (960, note)])) == 3
    assert largest_queue_bytes(serial_times([(0, note), (959, note)])) == 4


@given(TIMED, st.integers(0, 10**9))
def test_later_run_is_the_same_run_shifted(messages: list[tuple[int, bytes]], shift_us: int) -> None:
    line = on_the_line(serial_times(messages))
    shifted = on_the_line(serial_times([(time + shift_us, data) for time, data in messages]))
    assert shifted == [(start + shift_us, end + shift_us, value) for start, end, value in line]


def test_clock_overtakes_the_bytes_that_wait() -> None:
    note, clock = serial_times([(0, b"\x90\x3c\x27"), (10, b"\xf8")])
    assert (clock.start_us, clock.end_us) == (320, 640)
    assert [byte.start_us for byte in note.sent] == [0, 640, 960]
    note, clock = serial_times([(0, b"\x90\x3c\x27"), (10, b"\xf8")], real_time_first=False)
    assert (note.end_us, clock.start_us) == (960, 960)


@given(MESSAGES, st.integers(0, 15))
def test_packets_carry_the_message_and_nothing_else(message: bytes, cable: int) -> None:
    sizes = {2: 2, 3: 3, 4: 3, 5: 1, 6: 2, 7: 3, 8: 3, 9: 3, 10: 3, 11: 3, 12: 2, 13: 2, 14: 3, 15: 1}
    packets = usb_packets(message, cable)
    assert all(len(packet) == 4 and packet[0] >> 4 == cable for packet in packets)
    assert b"".join(packet[1 : 1 + sizes[packet[0] & 15]] for packet in packets) == message
    assert all(not any(packet[1 + sizes[packet[0] & 15] :]) for packet in packets)


@given(BURSTS)
def test_packets_leave_in_order_in_a_later_frame_with_room(messages: list[tuple[int, bytes]]) -> None:
    sent = usb_times(messages)
    packets = [(message.time_us, packet.frame_us) for message in sent for packet in message.packets]
    frames = [frame for _, frame in packets]
    assert frames == sorted(frames)
    assert all(frame % FRAME_US == 0 and frame > time for time, frame in packets)
    assert all(frames.count(frame) <= PACKETS_PER_FRAME for frame in frames)
    for time, frame in packets:
        assert frame - time <= FRAME_US or frames.count(frame - FRAME_US) == PACKETS_PER_FRAME


def test_seventeenth_packet_waits_for_the_next_frame() -> None:
    sent = usb_times([(500, b"\x90\x01\x02")] * 17)
    assert [message.packets[0].frame_us for message in sent] == [1000] * 16 + [2000]


@pytest.mark.parametrize("times", [serial_times, usb_times])
@pytest.mark.parametrize(
    ("messages", "error"),
    [
        ([(5, b"\xf8"), (4, b"\xf8")], "a message at 4 us comes after one at 5 us"),
        ([(-1, b"\xf8")], "time -1 us is negative"),
        ([(0, b"\x90")], "note_on has 3 bytes, not 1: 90"),
    ],
)
def test_what_cannot_be_sent_is_refused(times: object, messages: list[tuple[int, bytes]], error: str) -> None:
    assert callable(times)
    with pytest.raises(MidiError) as caught:
        times(messages)
    assert str(caught.value) == error


def test_cable_is_0_to_15() -> None:
    with pytest.raises(MidiError, match=r"cable 16 is not 0\.\.15"):
        usb_packets(b"\xf8", cable=16)
