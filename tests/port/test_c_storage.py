"""Kept cells in the firmware: the same writes in the same order as the simulator's chip, and safe in the midst of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.core import storage as core
from controller_sim.design import form, load_design
from controller_sim.design.storage import first_kept, layout_of, map_of, rows_with
from controller_sim.port.native import Library, library_of
from controller_sim.testing.plain import PLACE, plain_design

pytestmark = pytest.mark.needs("cc")

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
Writes = list[tuple[int, int]]


def cell(name: str, low: int, high: int, size: int = 1, start: int | None = None) -> form.Cell:
    shape = (size,) if size > 1 else ()
    return form.Cell(name, low, high, low if start is None else start, shape, "clamp", True, (), 0, PLACE)


def keeping(*cells: form.Cell, size: int = 128, version: int = 1, oldest: int = 1) -> form.Design:
    design = plain_design({("press", "a"): ()})
    offset = 0
    placed = []
    for each in cells:
        placed.append(replace(each, offset=offset))
        offset += each.size
    return replace(design, cells=tuple(placed), storage=form.Storage(size, version, oldest))


WIDE = keeping(cell("deep", -(2**31), 2**31 - 1, 2), cell("flag", 0, 1), cell("level", -300, 300, 3, 7), cell("big", 0, 65_535))
FAR = keeping(cell("pads", -1, 191, 2, 5), cell("lowest", -(2**31), 200 - 2**31), cell("high", 70_000, 130_000))
OLDER = keeping(cell("level", -300, 300, 3, 7), cell("gone", 0, 9, 4), cell("flag", 0, 1))
NEWER = replace(WIDE, storage=form.Storage(128, 3, 2))
DESIGNS = {path.stem: load_design(path) for path in sorted(CONFIGS.glob("*.yaml"))}
KEEPING = {name: design for name, design in DESIGNS.items() if any(each.keep for each in design.cells)}
CASES = {**KEEPING, "wide": WIDE, "far": FAR, "older": OLDER, "newer": NEWER}


class Chip:
    """The firmware's storage of one design."""

    def __init__(self, design: form.Design) -> None:
        self.design = design
        self.library: Library = library_of(design)
        self.lib: Any = self.library.lib
        self.kept = len(first_kept(design))

    def power_on(self, image: bytes) -> bool:
        self.library.owner = None
        self.lib.host_store_take()
        return bool(self.lib.host_store_power_on(self.library.ffi.new("uint8_t[]", image)))

    def save(self, kept: Sequence[int]) -> None:
        self.lib.host_store_save(self.library.ffi.new("int32_t[]", list(kept)))

    def begin(self, kept: Sequence[int], steps: int) -> None:
        self.lib.host_store_begin(self.library.ffi.new("int32_t[]", list(kept)), steps)

    def writes(self) -> Writes:
        count = self.lib.host_store_take()
        first = self.lib.host_store_writes()
        return [(first[n] >> 8, first[n] & 255) for n in range(count)]

    def values(self) -> list[int]:
        values = self.library.ffi.new("int32_t[]", self.kept)
        self.lib.host_kept(values)
        return list(values)

    def image(self) -> bytes:
        return bytes(self.library.ffi.buffer(self.lib.host_store_chip(), self.design.storage.bytes))


def boot(design: form.Design, image: bytes) -> tuple[core.Store, bytearray, Writes]:
    memory = bytearray(image)
    store = core.Store(memory, layout_of(design))
    writes = []
    for address, byte in store.boot():
        memory[address] = byte
        writes.append((address, byte))
    return store, memory, writes


def compare_boot(chip: Chip, image: bytes) -> core.Store | None:
    store, memory, writes = boot(chip.design, image)
    accepted = chip.power_on(image)
    assert accepted == (store.values is not None)
    assert chip.writes() == writes
    assert chip.image() == bytes(memory)
    assert chip.values() == list(store.values if accepted else first_kept(chip.design))
    return store if accepted else None


def kept_values(data: st.DataObject, design: form.Design, before: Sequence[int]) -> list[int]:
    ends = [(each.low, each.high) for each in design.cells if each.keep for _ in range(each.size)]
    chosen = data.draw(st.sets(st.integers(0, len(ends) - 1), max_size=data.draw(st.sampled_from((1, 3, len(ends))))))
    random = data.draw(st.randoms(use_true_random=False))
    return [random.choice((*ends[n], random.randint(*ends[n]))) if n in chosen else before[n] for n in range(len(ends))]


def image_of(data: st.DataObject, design: form.Design, saves: int) -> bytes:
    """An image that has seen some saves."""
    store, memory, _ = boot(design, bytes([255]) * design.storage.bytes)
    before = list(store.values)
    for _ in range(saves):
        after = kept_values(data, design, before)
        for address, byte in store.save(after, rows_with(map_of(design), before, after)):
            memory[address] = byte
        before = after
    return bytes(memory)


@pytest.mark.parametrize("name", CASES)
@settings(max_examples=25)
@given(data=st.data())
def test_power_on_and_saves_write_what_the_simulator_writes(name: str, data: st.DataObject) -> None:
    chip = Chip(CASES[name])
    size = chip.design.storage.bytes
    damage = data.draw(st.lists(st.tuples(st.integers(0, size - 1), st.sampled_from((0, 0x5A, 0xB5, 255, 1))), max_size=3))
    image = bytearray(data.draw(st.sampled_from((bytes([255]) * size, bytes(size), image_of(data, chip.design, 6)))))
    for address, byte in damage:
        image[address] = byte
    store = compare_boot(chip, bytes(image))
    if store is None:
        return
    before, whole = list(store.values), map_of(chip.design)
    for _ in range(data.draw(st.integers(0, 12))):
        after = kept_values(data, chip.design, before)
        writes = []
        for address, byte in store.save(after, rows_with(whole, before, after)):
            store.memory[address] = byte
            writes.append((address, byte))
        for address, byte in store.tidy():
            store.memory[address] = byte
            writes.append((address, byte))
        chip.save(after)
        assert chip.writes() == writes
        before = after


@settings(max_examples=60)
@given(data=st.data())
def test_images_of_other_designs_are_taken_over_or_refused_alike(data: st.DataObject) -> None:
    others = (WIDE, OLDER, NEWER)
    chip = Chip(data.draw(st.sampled_from(others)))
    compare_boot(chip, image_of(data, data.draw(st.sampled_from(others)), data.draw(st.integers(0, 8))))


@pytest.mark.parametrize("name", ["booth", "wide", "older"])
@settings(max_examples=20)
@given(data=st.data())
def test_power_may_fail_at_any_byte_while_cells_go_on_changing(name: str, data: st.DataObject) -> None:
    chip = Chip(CASES[name])
    image = image_of(data, chip.design, data.draw(st.integers(0, 12)))
    assert chip.power_on(image)
    chip.writes()
    states = [chip.values()]
    memory = bytearray(chip.image())
    for _ in range(data.draw(st.integers(1, 4))):
        after = kept_values(data, chip.design, states[-1])
        if sum(a != b for a, b in zip(after, states[-1], strict=True)) <= map_of(chip.design).rows_at_once // 2:
            states.append(after)
            chip.begin(after, data.draw(st.integers(0, 120)))
    chip.save(states[-1])
    for address, byte in chip.writes():
        for torn in {byte, memory[address], data.draw(st.integers(0, 255))}:
            memory[address] = torn
            found = boot(chip.design, bytes(memory))[0].values
            assert found is not None and list(found) in states
        memory[address] = byte
    assert list(boot(chip.design, bytes(memory))[0].values) == states[-1]
