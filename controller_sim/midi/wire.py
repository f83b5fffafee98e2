"""When each byte is on the wire: a serial line at 31,250 baud, or USB packets in full-speed frames."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller_sim.midi.messages import END_OF_SYSEX, SYSEX, MidiError, check_message, is_real_time
from controller_sim.midi.stream import Encoder

BYTE_US = 320
"""A start bit, eight data bits and a stop bit at 31,250 baud (MIDI 1.0 4.2.1, p. 1)."""
FRAME_US = 1000
"""A full-speed USB frame."""
PACKETS_PER_FRAME = 16
"""One bulk transfer of 64 bytes in a frame: common practice of simple devices; hosts may ask more or less often."""


@dataclass(frozen=True, slots=True)
class WireByte:
    """A byte on the serial line, from the start of its start bit to the end of its stop bit."""

    start_us: int
    end_us: int
    value: int


@dataclass(frozen=True, slots=True)
class WireMessage:
    """A message on the serial line: when it was handed over, what it is, and the bytes sent for it (fewer with running status)."""

    time_us: int
    data: bytes
    sent: tuple[WireByte, ...]

    @property
    def start_us(self) -> int:
        return self.sent[0].start_us

    @property
    def end_us(self) -> int:
        return self.sent[-1].end_us


@dataclass(frozen=True, slots=True)
class UsbPacket:
    """A four-byte packet and the start of the frame that carries it; it has arrived by the frame's end."""

    frame_us: int
    data: bytes


@dataclass(frozen=True, slots=True)
class UsbMessage:
    time_us: int
    data: bytes
    packets: tuple[UsbPacket, ...]


def serial_times(messages: Sequence[tuple[int, bytes]], running_status: bool = False, real_time_first: bool = True) -> list[WireMessage]:
    """Give every byte its time on a serial line, for messages handed over at `(time_us, message)`.

    The line takes bytes first in, first out. With `real_time_first` a waiting real-time byte goes next, even between
    the bytes of another message; nothing else ever does. The result is in the order of `messages`. Raises MidiError
    if times go back or something is not one whole message.
    """
    _check_order(messages)
    encoder = Encoder(running_status)
    encoded = [encoder.encode(data) for _, data in messages]
    sent: list[list[WireByte]] = [[] for _ in messages]
    ordinary: deque[tuple[int, int]] = deque()
    urgent: deque[tuple[int, int]] = deque()
    arrived, free_us = 0, 0
    while arrived < len(messages) or ordinary or urgent:
        if not (ordinary or urgent):
            free_us = max(free_us, messages[arrived][0])
        while arrived < len(messages) and messages[arrived][0] <= free_us:
            queue = urgent if real_time_first and is_real_time(messages[arrived][1][0]) else ordinary
            queue.extend((arrived, byte) for byte in encoded[arrived])
            arrived += 1
        number, byte = (urgent or ordinary).popleft()
        sent[number].append(WireByte(free_us, free_us + BYTE_US, byte))
        free_us += BYTE_US
    return [WireMessage(time_us, data, tuple(line)) for (time_us, data), line in zip(messages, sent, strict=True)]


def largest_queue_bytes(messages: Sequence[WireMessage]) -> int:
    """The most bytes that were handed over and not yet wholly sent, the one on the line included."""
    changes = [(message.time_us, 1, len(message.sent)) for message in messages]
    changes += [(byte.end_us, 0, -1) for message in messages for byte in message.sent]
    depth = largest = 0
    for _, _, change in sorted(changes):
        depth += change
        largest = max(largest, depth)
    return largest


def usb_packets(message: bytes, cable: int = 0) -> list[bytes]:
    """The four-byte packets of one message (USB Device Class Definition for MIDI Devices 1.0, table 4-1).

    `cable` is 0..15. Raises MidiError for another cable, or if `message` is not one whole message.
    """
    check_message(message)
    if not 0 <= cable <= 15:
        raise MidiError(f"cable {cable} is not 0..15", message)
    return [bytes([cable << 4 | code]) + piece.ljust(3, b"\0") for code, piece in _usb_pieces(message)]


def _usb_pieces(message: bytes) -> Iterator[tuple[int, bytes]]:
    """Each packet's code index number and its MIDI bytes."""
    if message[0] == SYSEX:
        for start in range(0, len(message), 3):
            piece = message[start : start + 3]
            yield (4 + len(piece) if piece[-1] == END_OF_SYSEX else 4), piece
    elif message[0] < SYSEX:
        yield message[0] >> 4, message
    elif is_real_time(message[0]):
        yield 0xF, message
    else:
        yield {1: 5, 2: 2, 3: 3}[len(message)], message


def usb_times(messages: Sequence[tuple[int, bytes]], cable: int = 0) -> list[UsbMessage]:
    """Give every packet its frame, for messages handed over at `(time_us, message)`.

    A packet leaves in the first frame that begins after it was handed over and still has room, in order. Frames begin
    at multiples of FRAME_US and carry PACKETS_PER_FRAME packets. Raises MidiError as `serial_times` does.
    """
    _check_order(messages)
    result = []
    frame, packets_in_frame = 0, 0
    for time_us, data in messages:
        packets = []
        for packet in usb_packets(data, cable):
            following = time_us // FRAME_US + 1
            if following > frame:
                frame, packets_in_frame = following, 0
            elif packets_in_frame == PACKETS_PER_FRAME:
                frame, packets_in_frame = frame + 1, 0
            packets_in_frame += 1
            packets.append(UsbPacket(frame * FRAME_US, packet))
        result.append(UsbMessage(time_us, data, tuple(packets)))
    return result


def _check_order(messages: Sequence[tuple[int, bytes]]) -> None:
    last_us = 0
    for time_us, data in messages:
        if time_us < last_us:
            raise MidiError(
                f"a message at {time_us} us comes after one at {last_us} us" if last_us else f"time {time_us} us is negative", data
            )
        last_us = time_us
