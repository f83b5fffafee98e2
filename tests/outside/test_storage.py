"""The storage image against published figures for checksums and EEPROMs."""

from __future__ import annotations

import binascii
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.core import storage as core
from controller_sim.design import form
from controller_sim.design.storage import layout_of, map_of
from controller_sim.simulator import Storage
from controller_sim.simulator.image_files import from_intel_hex, to_intel_hex
from controller_sim.simulator.storage import BYTE_US, ERASED, Save
from controller_sim.simulator.wear import HOUR_US, LIFE_WRITES, wear_of
from controller_sim.testing.keeping import keeping
from controller_sim.testing.plain import PLACE


def test_the_checksum_is_crc_16_ibm_3740() -> None:
    """Catalogue of parametrised CRC algorithms (reveng), CRC-16/IBM-3740 alias CRC-16/CCITT-FALSE: check 0x29B1, residue 0x0000."""
    assert core.checksum(b"123456789") == 0x29B1
    assert core.checksum(b"123456789\x29\xb1") == 0


@given(st.binary(max_size=300))
def test_the_checksum_agrees_with_pythons_crc_hqx(data: bytes) -> None:
    """binascii.crc_hqx: polynomial x^16 + x^12 + x^5 + 1; begun with 0xFFFF it is CRC-16/IBM-3740."""
    assert core.checksum(data) == binascii.crc_hqx(data, 0xFFFF)


@pytest.mark.parametrize("byte", [0x00, 0xFF])
def test_no_blank_memory_carries_its_own_checksum(byte: int) -> None:
    """A never-written EEPROM reads 255 (Arduino EEPROM reference); a zeroed one reads 0."""
    blank = byte << 8 | byte
    assert ERASED == 255
    assert all(core.checksum(bytes([byte]) * length) != blank for length in range(1, 513))


@given(st.binary(min_size=1, max_size=128), st.data())
def test_any_two_wrong_bits_and_any_16_in_a_row_are_found(data: bytes, draw: st.DataObject) -> None:
    """What a CRC of 16 bits promises for blocks under 32,751 bits (Peterson and Brown 1961, from memory)."""
    bits = len(data) * 8
    whole = int.from_bytes(data, "big")
    first, second = draw.draw(st.integers(0, bits - 1)), draw.draw(st.integers(0, bits - 1))
    burst = draw.draw(st.integers(1, 0xFFFF)) << draw.draw(st.integers(0, bits - 1))
    for wrong in {1 << first | 1 << second, burst & (1 << bits) - 1} - {0}:
        assert core.checksum((whole ^ wrong).to_bytes(len(data), "big")) != core.checksum(data)


def test_a_byte_takes_3_3_ms_so_16_bytes_take_53() -> None:
    """ATmega328/P data sheet DS40001984A, Table 12-2: 26,368 cycles of the 8 MHz oscillator."""
    assert abs(BYTE_US - 26_368 / 8) <= 5
    assert round(16 * BYTE_US / 1000) == 53


def test_the_life_of_a_byte_saved_every_10_seconds_would_be_278_hours_and_the_journal_makes_it_months() -> None:
    """100,000 write and erase cycles: AVR data sheets."""
    assert round(LIFE_WRITES * 10 / 3600) == 278
    design = keeping([form.Cell("act", 0, 127, 0, (), "wrap", True, (), 0, PLACE)])
    storage = Storage(design)
    storage.power_on()
    for number in range(360):
        kept = ((number + 1) % 128,)
        storage.save((number % 128,), kept, number * 10_000_000)
    wear = wear_of(design, storage, HOUR_US)
    assert wear.saves == 360 and isinstance(storage.saves[0], Save)
    assert wear.years is not None and wear.years * 8766 > 30 * 278


def test_1_kib_of_eeprom_holds_a_hundred_presets_and_leaves_most_of_2_kib_of_ram() -> None:
    """ATmega328/P data sheet, features: 1 KiB of EEPROM, 2 KiB of SRAM."""
    preset = form.Cell("preset", 0, 127, 0, (100, 5), "clamp", True, (), 0, PLACE)
    switch = replace(preset, name="scene_of", shape=(80,), offset=500)
    set_up = [replace(preset, name=f"set_up{number}", shape=(), offset=580 + number) for number in range(12)]
    whole = map_of(keeping([preset, switch, *set_up], 1024))
    assert whole.least_bytes <= 1024
    assert whole.ram_bytes + whole.value_bytes < 1024, "most of it stays free even if all the values are held"
    assert len(layout_of(keeping([preset, switch, *set_up], 1024)).start) < 1024


def test_records_of_intel_hex_are_as_widely_printed() -> None:
    """A record printed in many descriptions of the format (Intel, Hexadecimal Object File Format Specification, 1988; from memory)."""
    line = ":10010000214601360121470136007EFE09D2190140\n"
    data = bytes.fromhex("214601360121470136007EFE09D21901")
    assert from_intel_hex(line + ":00000001FF\n", "x.hex") == b"\xff" * 0x100 + data
    assert line in to_intel_hex(bytes(0x100) + data) and to_intel_hex(data).endswith("\n:00000001FF\n")
