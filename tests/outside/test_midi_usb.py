"""USB packets against the Universal Serial Bus Device Class Definition for MIDI Devices 1.0 (1999), tables 4-1 and 4-2."""

import json
from pathlib import Path

import pytest

from controller_sim.midi.wire import usb_packets, usb_times

VECTORS = json.loads(Path(__file__).with_name("midi_vectors.json").read_text())["usb"]
BYTES_OF_CODE = {int(code, 16): size for code, size in VECTORS["bytes_of_code"].items()}

ONE_OF_EACH = {  # table 4-1: code index number, message
    0x2: "f3 07",
    0x3: "f2 04 00",
    0x5: "f6",
    0x6: "f0 f7",
    0x7: "f0 01 f7",
    0x8: "80 3c 00",
    0x9: "90 3c 27",
    0xA: "a0 3c 27",
    0xB: "b0 40 7f",
    0xC: "c0 05",
    0xD: "d0 05",
    0xE: "e0 00 40",
    0xF: "f8",
}


@pytest.mark.parametrize("example", VECTORS["packets"], ids=lambda example: example["midi"])
def test_example_packets_are_exact(example: dict[str, int | str | list[str]]) -> None:
    packets = usb_packets(bytes.fromhex(str(example["midi"])), cable=int(str(example["cable"])))
    assert [packet.hex(" ") for packet in packets] == example["packets"]


@pytest.mark.parametrize(
    ("cable", "message", "packets"),
    [
        (3, "f8", ["3f f8 00 00"]),
        (0, "f0 00 01 02 f7", ["04 f0 00 01", "06 02 f7 00"]),
        (0, "f0 55 f7", ["07 f0 55 f7"]),
        (0, "f1 23", ["02 f1 23 00"]),
    ],
)
def test_further_examples_of_table_4_2(cable: int, message: str, packets: list[str]) -> None:
    assert [packet.hex(" ") for packet in usb_packets(bytes.fromhex(message), cable)] == packets


@pytest.mark.parametrize(("code", "message"), ONE_OF_EACH.items())
def test_code_index_and_number_of_bytes_follow_table_4_1(code: int, message: str) -> None:
    (packet,) = usb_packets(bytes.fromhex(message))
    assert packet[0] == code
    assert BYTES_OF_CODE[code] == len(bytes.fromhex(message))


def test_every_packet_carries_its_own_status() -> None:
    """Section 4: no running status inside packets."""
    sent = usb_times([(0, bytes.fromhex("90 3c 27")), (0, bytes.fromhex("90 40 2b"))])
    assert [packet.data.hex(" ") for message in sent for packet in message.packets] == ["09 90 3c 27", "09 90 40 2b"]


def test_frame_carries_sixty_four_bytes_of_packets() -> None:
    """64 bytes is the largest full-speed bulk transfer (USB 2.0, 5.8.3, from memory); one a frame is common practice, no source."""
    sent = usb_times([(0, b"\xf8")] * 17)
    first_us = sent[0].packets[0].frame_us
    assert first_us == 1000
    assert sum(len(packet.data) for message in sent for packet in message.packets if packet.frame_us == first_us) == 64
