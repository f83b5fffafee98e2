"""Image files: raw bytes, and Intel HEX."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.simulator import SimulatorError
from controller_sim.simulator.image_files import MOST_BYTES, from_intel_hex, read_image, to_intel_hex, write_image


@given(st.binary(min_size=1, max_size=700))
def test_intel_hex_gives_back_what_was_written(image: bytes) -> None:
    assert from_intel_hex(to_intel_hex(image), "chip.hex") == image
    assert from_intel_hex(to_intel_hex(image).replace("\n", "\r\n").lower(), "chip.hex") == image


@pytest.mark.parametrize("name", ["chip.bin", "chip.eep", "chip.hex", "CHIP.HEX"])
def test_a_file_gives_back_what_was_written(name: str, tmp_path: Path) -> None:
    image = bytes(range(256)) * 4
    write_image(tmp_path / name, image)
    assert read_image(tmp_path / name) == image
    assert (tmp_path / name).read_bytes().startswith(b":10") == (name.lower().endswith(".hex"))


@given(st.data(), st.binary(min_size=1, max_size=64))
def test_a_changed_digit_is_found_by_the_records_checksum(data: st.DataObject, image: bytes) -> None:
    text = to_intel_hex(image)
    at = data.draw(st.sampled_from([at for at, character in enumerate(text) if character in "0123456789ABCDEF"]))
    other = data.draw(st.sampled_from([digit for digit in "0123456789ABCDEF" if digit != text[at]]))
    with pytest.raises(SimulatorError, match=r"^chip.hex:\d+: "):
        from_intel_hex(text[:at] + other + text[at + 1 :], "chip.hex")


def test_what_no_record_gives_reads_as_erased() -> None:
    assert from_intel_hex(":0100040001FA\n:0100000002FD\n:00000001FF\n", "x.hex") == b"\x02\xff\xff\xff\x01"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "x.hex: the end record ':00000001FF' is missing, so the file is not whole"),
        (":0100000002FD\n", "x.hex: the end record ':00000001FF' is missing, so the file is not whole"),
        ("no\n", "x.hex:1: this is no record of Intel HEX, such as ':00000001FF'"),
        (":0200000002FC\n", "x.hex:1: this is no record of Intel HEX, such as ':00000001FF'"),
        ("\n:0100000002FE\n", "x.hex:2: the record's checksum is wrong: FD is right for these bytes"),
        (":020000040001F9\n", "x.hex:1: this record lies beyond the 65536 bytes that an image can have"),
        (":00000009F7\n", "x.hex:1: there is no record type 09 in Intel HEX"),
    ],
)
def test_what_is_no_intel_hex_is_refused_with_its_line(text: str, told: str) -> None:
    with pytest.raises(SimulatorError) as error:
        from_intel_hex(text, "x.hex")
    assert str(error.value) == told


@pytest.mark.parametrize(("content", "told"), [(b"", "the image is empty"), (bytes(MOST_BYTES + 1), "more than 65536 bytes")])
def test_what_is_no_image_is_refused(content: bytes, told: str, tmp_path: Path) -> None:
    (tmp_path / "chip.bin").write_bytes(content)
    with pytest.raises(SimulatorError, match=told):
        read_image(tmp_path / "chip.bin")
