"""Saves, cuts, damage and wear of the image, on random cells."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.core import storage as core
from controller_sim.design import form
from controller_sim.design.storage import first_kept, layout_of, map_of, rows_with
from controller_sim.testing.keeping import RANGES, changes, keeping, kept_cells, kept_values
from controller_sim.testing.plain import PLACE
from controller_sim.verify.power_cuts import cut_everywhere

designs = kept_cells().map(keeping)
BLANKS = (0xFF, 0x00)
ALL_BYTES = range(256)


def tight(cells: tuple[form.Cell, ...], rows: int) -> form.Design:
    """A design whose journal has room for entries of `rows` rows at most."""
    whole = map_of(keeping(cells))
    return keeping(cells, whole.home_bytes + core.entry_bytes(whole.row_bytes, rows) + 1)


class Chip:
    """Memory that does what the store asks for, and counts."""

    def __init__(self, design: form.Design, blank: int = 0xFF) -> None:
        self.map, self.layout = map_of(design), layout_of(design)
        self.memory = bytearray([blank]) * design.storage.bytes
        self.count = [0] * len(self.memory)
        self.store = core.Store(self.memory, self.layout)
        self.values = self.boot()

    def boot(self) -> tuple[int, ...] | None:
        self.store = core.Store(self.memory, self.layout)
        self.write(self.store.boot())
        return None if self.store.values is None else tuple(self.store.values)

    def save(self, after: tuple[int, ...]) -> list[tuple[int, int]]:
        assert self.values is not None
        rows = rows_with(self.map, self.values, after)
        self.values = after
        done = self.write(self.store.save(after, rows))
        self.write(self.store.tidy())
        return done

    def write(self, writes: Iterator[tuple[int, int]]) -> list[tuple[int, int]]:
        done = []
        for address, byte in writes:
            assert self.memory[address] != byte, "a byte that is right already is not written"
            self.memory[address] = byte
            self.count[address] += 1
            done.append((address, byte))
        return done


@pytest.mark.parametrize("blank", BLANKS)
@given(data=st.data(), design=designs)
def test_a_blank_chip_starts_with_the_start_values_and_keeps_what_is_saved(blank: int, data: st.DataObject, design: form.Design) -> None:
    chip = Chip(design, blank)
    assert chip.values == first_kept(design)
    for _ in range(3):
        chip.save(data.draw(kept_values(design)))
        assert chip.boot() == chip.values
        assert chip.store.lost == [] and not chip.store.torn


@given(data=st.data(), design=designs)
def test_a_boot_from_what_was_left_writes_nothing(data: st.DataObject, design: form.Design) -> None:
    chip = Chip(design)
    chip.save(data.draw(kept_values(design)))
    assert list(core.Store(chip.memory, chip.layout).boot()) == []


@given(data=st.data(), design=designs)
def test_a_save_writes_the_changed_rows_only_and_the_byte_that_decides_comes_last(data: st.DataObject, design: form.Design) -> None:
    chip = Chip(design)
    before = first_kept(design)
    after = data.draw(changes(design, before))
    rows = [row for row in range(chip.map.rows) if chip.layout.row(before, row) != chip.layout.row(after, row)]
    written = chip.save(after)
    assert bool(written) == bool(rows)
    if rows:
        assert written[-1] == (len(chip.memory) - 1, core.LIVE)
        assert len(written) <= core.entry_bytes(chip.map.row_bytes, len(rows))
        entry = bytes(reversed(chip.memory[-core.entry_bytes(chip.map.row_bytes, len(rows)) :]))
        assert list(entry[2 : -core.CHECK_BYTES : chip.map.row_bytes + 1]) == rows


@given(kept_cells(), st.sampled_from(BLANKS))
@settings(max_examples=20)
def test_a_cut_anywhere_in_the_first_boot_leaves_a_chip_that_starts_anew(cells: tuple[form.Cell, ...], blank: int) -> None:
    design = tight(cells, 2)
    layout = layout_of(design)
    memory = bytearray([blank]) * design.storage.bytes
    for address, byte in core.Store(memory, layout).boot():
        for torn in {memory[address], byte, 0, 255, core.MAGIC, core.LIVE, byte ^ 1}:
            left = bytearray(memory)
            left[address] = torn
            store = core.Store(left, layout)
            for at, value in store.boot():
                left[at] = value
            assert tuple(store.values) == first_kept(design) and not store.lost
        memory[address] = byte


@given(st.data(), kept_cells(), st.integers(2, 6))
@settings(max_examples=15, deadline=None)
def test_a_cut_at_any_byte_of_any_save_gives_all_old_or_all_new(data: st.DataObject, cells: tuple[form.Cell, ...], rows: int) -> None:
    design = tight(cells, rows)
    whole = map_of(design)
    saves, values = [], first_kept(design)
    for _ in range(6):
        after = data.draw(changes(design, values))
        if len(rows_with(whole, values, after)) <= whole.rows_at_once:
            saves.append(after)
            values = after
    chip = Chip(design)
    cuts = cut_everywhere(design, bytes(chip.memory), saves)
    assert not cuts.neither, cuts.neither[:3]
    assert cuts.in_parts == 0


CELLS = (
    form.Cell("act", 0, 7, 3, (), "wrap", True, (), 0, PLACE),
    form.Cell("cue", -1, 300, 0, (2, 3), "wrap", True, (), 1, PLACE),
    form.Cell("far", -70_000, 70_000, 1, (2,), "wrap", True, (), 7, PLACE, (1, -2)),
)
CELLS_AT = core.HEADER_BYTES + core.CELL_BYTES
"""Where the value of the first cell stands in the stream."""
SAVES = (
    (4, 0, 0, 0, 0, 0, 0, 1, -2),
    (5, 9, 0, 0, 0, 0, 0, 1, -2),
    (5, 9, 0, 0, 90, 0, 0, 1, 70_000),
    (90 % 8, 0x5A, 0x5A - 1, 0x59, 90, 0xB5, 0x5A, 90, 90),
    (0, 0x5A, 0x5A - 1, 0x59, 90, 0xB5, 0x5A, 90, -70_000),
    (1, 0x5A, 0x5A - 1, 0x59, 90, 0xB5, 0x5A, 90, -70_000),
)


@pytest.mark.parametrize("rows", [5, 6, 9])
def test_every_byte_value_in_every_byte_being_written_gives_all_old_or_all_new(rows: int) -> None:
    design = tight(CELLS, rows)
    cuts = cut_everywhere(design, bytes(Chip(design).memory), SAVES, lambda before, after: ALL_BYTES)
    assert not cuts.neither, cuts.neither[:3]
    assert cuts.in_parts == 0
    assert cuts.old > 10_000 and cuts.new > 1_000


def test_what_comes_up_turns_from_old_to_new_at_one_byte_and_never_back() -> None:
    design = tight(CELLS, 6)
    chip = Chip(design)
    for after in SAVES:
        before = chip.values
        seen = []
        memory = bytearray(chip.memory)
        for address, byte in chip.save(after):
            memory[address] = byte
            store = core.Store(memory, chip.layout)
            assert list(store.boot()) == []
            seen.append(tuple(store.values))
        assert seen == [before] * (len(seen) - 1) + [after]


@given(st.data())
@settings(max_examples=30, deadline=None)
def test_life_goes_on_after_any_cut(data: st.DataObject) -> None:
    design = tight(CELLS, 5)
    chip = Chip(design)
    values = first_kept(design)
    for _ in range(8):
        after = data.draw(changes(design, values))
        rows = rows_with(chip.map, values, after)
        store = core.Store(chip.memory, chip.layout)
        list(store.boot())
        cut = data.draw(st.integers(0, 120))
        for number, (address, byte) in enumerate([*_writes(chip.memory, store, after, rows)]):
            chip.memory[address] = data.draw(st.integers(0, 255)) if number == cut else byte
            if number == cut:
                break
        found = chip.boot()
        assert found in (values, after)
        values = found


def _writes(memory: bytearray, store: core.Store, after: tuple[int, ...], rows: list[int]) -> Iterator[tuple[int, int]]:
    """The writes of a save, found on a copy of the memory."""
    copy = bytearray(memory)
    twin = core.Store(copy, store.layout)
    list(twin.boot())
    for steps in (twin.save(after, rows), twin.tidy()):
        for address, byte in steps:
            copy[address] = byte
            yield address, byte


def test_a_save_of_more_rows_than_there_is_room_for_is_whole_once_all_is_written() -> None:
    design = tight(CELLS, 2)
    chip = Chip(design)
    for after in SAVES:
        chip.save(after)
        assert chip.boot() == after


@pytest.mark.parametrize("spare", range(30))
def test_whatever_the_size_the_journal_never_reaches_into_the_homes(spare: int) -> None:
    design = tight(CELLS, 5)
    chip = Chip(replace(design, storage=form.Storage(design.storage.bytes + spare)))
    for after in SAVES * 3:
        chip.write(chip.store.save(after, range(chip.map.rows)))
        assert chip.store.tail < len(chip.memory) - chip.map.home_bytes, "the byte that ends it is its own"
        chip.write(chip.store.tidy())
        for row in range(chip.map.rows):
            home = chip.memory[row * chip.map.row_step : (row + 1) * chip.map.row_step]
            assert core.checksum(bytes([row]) + home) == 0, "a home carries its checksum between saves"
        assert chip.boot() == after


def test_what_an_erased_chip_has_left_in_its_journal_is_not_taken_for_new() -> None:
    chip = Chip(keeping(CELLS))
    chip.save(SAVES[3])
    chip.memory[: chip.map.home_bytes] = b"\xff" * chip.map.home_bytes
    assert chip.boot() == first_kept(keeping(CELLS))
    assert chip.boot() == first_kept(keeping(CELLS))


def test_a_value_out_of_range_starts_anew_even_if_its_row_is_whole() -> None:
    chip = Chip(keeping(CELLS))
    base = chip.map.row_step
    chip.memory[base + CELLS_AT % chip.map.row_bytes] = 8
    check = core.checksum(bytes([1]) + chip.memory[base : base + chip.map.row_bytes])
    chip.memory[base + chip.map.row_bytes : base + chip.map.row_step] = check.to_bytes(2, "big")
    assert chip.boot() == first_kept(keeping(CELLS)) and chip.store.lost == []


@pytest.mark.parametrize("flip", [0x01, 0x80, 0xFF])
def test_a_damaged_byte_is_refused_told_of_or_gives_values_that_were_kept_once(flip: int) -> None:
    design = tight(CELLS, 9)
    chip = Chip(design)
    once = [chip.values]
    for after in SAVES[:4]:
        chip.save(after)
        once.append(after)
    for address in range(len(chip.memory)):
        left = bytearray(chip.memory)
        left[address] ^= flip
        store = core.Store(left, chip.layout)
        for at, byte in store.boot():
            left[at] = byte
        assert store.state in (core.SAME, core.DAMAGED, core.OTHER_FORMAT, core.OTHER), "nothing is overwritten"
        if store.state == core.SAME and not store.lost:
            assert tuple(store.values) in once


@given(st.data(), st.sampled_from((64, 128, 200, 1024)))
def test_any_bytes_at_all_are_refused_or_give_values_in_their_ranges(data: st.DataObject, size: int) -> None:
    design = keeping(CELLS, max(size, map_of(keeping(CELLS)).least_bytes))
    chip = Chip(design)
    chip.save(data.draw(st.sampled_from(SAVES)))
    memory = (
        bytearray(data.draw(st.binary(min_size=len(chip.memory), max_size=len(chip.memory)))) if data.draw(st.booleans()) else chip.memory
    )
    for at in data.draw(st.lists(st.integers(0, len(memory) - 1), max_size=6)):
        memory[at] = data.draw(st.integers(0, 255))
    memory[:4] = bytes((core.MAGIC, core.FORMAT, *memory[2:4]))
    chip.memory[:] = memory
    values = chip.boot()
    if chip.store.state in (core.NEW, core.SAME, core.OTHER):
        limits = [(cell.low, cell.high) for cell in CELLS for _ in range(cell.size)]
        assert values is not None and all(low <= value <= high for value, (low, high) in zip(values, limits, strict=True))
        assert chip.boot() == values and chip.store.state == core.SAME and not chip.store.lost
    else:
        assert values is None


def test_a_damaged_home_costs_the_values_of_its_row_only_and_is_told_once() -> None:
    design = keeping(CELLS)
    chip = Chip(design)
    chip.memory[3 * chip.map.row_step + 1] ^= 4
    values = list(chip.values or ())
    found = chip.boot()
    assert chip.store.lost == [3]
    assert found == tuple(values), "what is lost starts anew, and these were the first values"
    assert chip.boot() == found and chip.store.lost == []


def test_a_damaged_entry_of_the_journal_ends_it_there() -> None:
    chip = Chip(keeping(CELLS))
    for after in SAVES[:3]:
        chip.save(after)
    step = core.entry_bytes(chip.map.row_bytes, 1)
    chip.memory[len(chip.memory) - 1 - step - 3] ^= 1
    assert chip.boot() == SAVES[0] and chip.store.torn
    chip.values = SAVES[0]
    chip.save(SAVES[5])
    assert chip.boot() == SAVES[5] and not chip.store.torn


@pytest.mark.parametrize("byte", sorted({0, 1, 0x55, 0xAA, core.LIVE, core.MAGIC, 0xFE, 0xFF}))
def test_memory_of_one_byte_over_and_over_is_never_taken_for_an_image(byte: int) -> None:
    design = keeping(CELLS)
    memory = bytearray([byte]) * 1024
    store = core.Store(memory, layout_of(design))
    store.look()
    assert store.state == (core.DAMAGED if byte == core.MAGIC else core.NEW)


@given(st.lists(st.integers(0, 8), min_size=200, max_size=400), st.integers(5, 30))
@settings(max_examples=10, deadline=None)
def test_no_byte_is_written_more_than_twice_for_each_time_the_journal_is_brought_home(which: list[int], rows: int) -> None:
    design = tight(CELLS, rows)
    chip = Chip(design)
    chip.count = [0] * len(chip.memory)
    rounds = 1
    for number, at in enumerate(which):
        after = list(chip.values or ())
        cell = next(cell for cell in reversed(CELLS) if cell.offset <= at)
        after[at] = cell.low + number % (cell.high - cell.low + 1)
        tail = chip.store.tail
        chip.save(tuple(after))
        rounds += chip.store.tail < tail or (tail and not chip.store.tail)
        assert max(chip.count) <= 2 * rounds


def test_a_value_saved_again_and_again_wears_no_byte_a_tenth_as_fast_as_it_is_saved() -> None:
    preset = form.Cell("preset", 0, 127, 0, (30, 5), "clamp", True, (), 0, PLACE)
    chip = Chip(keeping([preset], 512))
    chip.count = [0] * 512
    for number in range(5_000):
        chip.save(((number + 1) % 128, *(chip.values or ())[1:]))
    assert max(chip.count) <= 5_000 // 10
    preset_at = chip.map.cells[0].place % chip.map.row_bytes
    changing = chip.count[len(chip.memory) - 1 - 3 - preset_at]
    assert max(chip.count) <= 2 * (changing + 1), "the byte that decides is written at most twice where a byte of data is written once"


def test_the_ranges_tried_reach_one_to_four_bytes_a_value() -> None:
    widths = {map_of(keeping([replace(CELLS[0], low=low, high=high, start=low)])).cells[0].width for low, high in RANGES}
    assert widths == {1, 2, 3, 4}
