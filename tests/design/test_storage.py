"""How images are divided, what fits, and what becomes of the images of other designs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.core import storage as core
from controller_sim.design import Design, DesignError, form, load_design_text
from controller_sim.design.storage import first_kept, largest_save, layout_of, map_of, rows_with
from controller_sim.testing.keeping import changes, keeping, kept_cells, kept_values
from controller_sim.testing.plain import PLACE
from controller_sim.verify.power_cuts import torn_bytes

HUNDRED = """
switches: [a, b]
storage: {bytes: BYTES}
memory:
  preset: {range: 0..127, size: [100, 5], keep: yes}
  scene_of: {range: 0..99, size: [10, 8], keep: yes}
  bank: {range: 0..9, keep: yes}
  start_bank: {range: 0..9, keep: yes}
  volume: {range: 0..127, start: 100, keep: yes}
  hold_tenths: {range: 3..30, start: 6, keep: yes}
  brightness: {range: 0..15, start: 8, keep: yes}
  beats: {range: 30..300, start: 120, keep: yes}
  at: {range: 0..99}
procedures:
  store(n in 0..99): |
    for k in range(5):
      preset[n, k] = 7
modes:
  play:
    on:
      tap a: store(0)
"""


def boot(memory: bytearray, design: Design) -> core.Store:
    store = core.Store(memory, layout_of(design))
    for address, byte in store.boot():
        memory[address] = byte
    return store


def blank(design: Design) -> bytearray:
    return bytearray(b"\xff") * design.storage.bytes


def saved(design: Design, values: tuple[int, ...]) -> bytearray:
    """An image that holds these values."""
    memory = blank(design)
    store = boot(memory, design)
    for address, byte in store.save(values, rows_with(map_of(design), first_kept(design), values)):
        memory[address] = byte
    return memory


def test_a_hundred_presets_of_five_numbers_80_switches_and_set_up_values_fit_1_kib() -> None:
    design = load_design_text(HUNDRED.replace("BYTES", "1024"))
    whole = map_of(design)
    assert whole.least_bytes <= 1024 and whole.value_bytes == 500 + 80 + 7
    assert whole.rows_at_once >= 10, "ten rows of eight bytes can be written anew at once"
    assert whole.ram_bytes <= 64, "nearly all of 2 KiB of RAM stays free, even of the 587 bytes that the values would take"
    values = (*(at % 127 for at in range(500)), *range(80), 3, 4, 5, 6, 7, 255)
    assert tuple(boot(saved(design, values), design).values) == values


def test_a_design_that_needs_more_than_its_storage_is_refused_with_sizes() -> None:
    with pytest.raises(DesignError) as error:
        load_design_text(HUNDRED.replace("BYTES", "512"), "booth")
    assert str(error.value) == (
        "booth:3:1: the kept cells do not fit into 512 bytes of storage: 587 bytes of values in 8 cells take 804 with their checksums and "
        "the room to write a row anew; keep less, or write 'storage: {bytes: 1024}' if the chip has as many"
    )


def test_without_a_declaration_there_are_1024_bytes_of_version_1() -> None:
    design = load_design_text("{switches: [a], memory: {act: {range: 0..7, keep: yes}}, modes: {m: {}}}")
    assert design.storage == form.Storage(bytes=1024, version=1, oldest=1)
    with pytest.raises(DesignError, match="do not fit into 1024 bytes"):
        load_design_text("{switches: [a], memory: {act: {range: 0..7, size: 1000, keep: yes}}, modes: {m: {}}}")
    load_design_text("{switches: [a], memory: {act: {range: 0..7, size: 1000}}, modes: {m: {}}}")


@pytest.mark.parametrize(
    ("declared", "told"),
    [
        ("{bytes: 16}", "bytes is 16, but must be 32..65536"),
        ("{version: 0}", "version is 0, but must be 1..255"),
        ("{version: 3, oldest: 4}", "oldest is 4, but must be 1..3"),
        ("{size: 1024}", "storage has no key 'size': write bytes, version, oldest"),
        ("1024", "storage is a mapping of keys to values"),
    ],
)
def test_a_wrong_declaration_says_what_would_be_right(declared: str, told: str) -> None:
    with pytest.raises(DesignError) as error:
        load_design_text(f"switches: [a]\nstorage: {declared}\nmodes: {{m: {{}}}}")
    assert error.value.message == told and error.value.place.line == 2


def test_an_action_or_a_draft_that_may_change_more_than_is_written_at_once_is_warned_of() -> None:
    assert load_design_text(HUNDRED.replace("BYTES", "1024")).warnings == ()
    loops = "for m in range(100):\n        preset[m, k] = 7"
    design = load_design_text(HUNDRED.replace("BYTES", "1024").replace("preset[n, k] = 7", loops))
    assert len(design.warnings) == 1 and "'store' may change 63 rows" in design.warnings[0]
    drafting = HUNDRED.replace("BYTES", "1024").replace("  play:", "  play:\n    draft: [preset]")
    assert "saving the draft of mode 'play' may change 63 rows" in load_design_text(drafting).warnings[0]
    assert load_design_text(drafting.replace("1024", "4096")).warnings == ()


def test_factory_values_that_are_more_than_is_written_at_once_are_warned_of() -> None:
    text = HUNDRED.replace("BYTES", "1024").replace("tap a: store(0)", "tap a: store(0)\npower_on: {a: factory_values()}")
    whole = map_of(load_design_text(text))
    (warning,) = load_design_text(text).warnings
    assert f"may change {whole.rows} rows" in warning
    assert load_design_text(text.replace("factory_values()", "factory_values(bank)")).warnings == ()


def test_the_largest_save_counts_loops_branches_and_calls() -> None:
    text = """
switches: [a]
memory: {deep: {range: 0..300, size: 200, keep: yes}, act: {range: 0..7, keep: yes}, loose: {range: 0..9}}
procedures:
  one(n in 0..199): |
    deep[n] = 1
  some(): |
    for n in range(3):
      if act == n:
        one(n)
        loose = 1
      else:
        act = n
        loose = 2
modes: {m: {on: {tap a: some()}}}
"""
    largest = largest_save(load_design_text(text))
    assert largest is not None
    assert (largest.what, largest.rows) == ("'some'", 3 * 2 + 1), "three values of two bytes in two rows each, and the row of act"


@given(st.data(), kept_cells())
def test_every_value_has_bytes_of_its_own_after_its_cells_label(data: st.DataObject, cells: tuple[form.Cell, ...]) -> None:
    whole = map_of(keeping(cells))
    taken = [at for each in whole.cells for at in range(each.place - core.CELL_BYTES, each.place + each.length)]
    assert taken == list(range(core.HEADER_BYTES, core.HEADER_BYTES + len(taken)))
    assert 0 <= whole.rows * whole.row_bytes - (taken[-1] + 1) < whole.row_bytes
    for each in whole.cells:
        span = each.cell.high - each.cell.low
        assert span < 256**each.width, "wide enough"
        assert each.width == 1 or span >= 256 ** (each.width - 1), "and no wider"


@given(st.data(), kept_cells())
def test_the_rows_that_differ_are_those_with_values_that_differ(data: st.DataObject, cells: tuple[form.Cell, ...]) -> None:
    design = keeping(cells)
    before = data.draw(kept_values(design))
    after = data.draw(changes(design, before))
    layout, whole = layout_of(design), map_of(design)
    differing = [row for row in range(whole.rows) if layout.row(before, row) != layout.row(after, row)]
    found = rows_with(whole, before, after)
    assert set(differing) <= set(found)
    assert bool(found) == (before != after)


@pytest.mark.parametrize(("size", "row_bytes"), [(1_000, 8), (2_040, 16), (4_000, 16), (4_090, 32)])
def test_rows_grow_where_255_of_the_smallest_are_too_few(size: int, row_bytes: int) -> None:
    cell = form.Cell("far", 0, 255, 0, (size,), "wrap", True, (), 0, PLACE)
    whole = map_of(keeping([cell], 1 << 16))
    assert whole.row_bytes == row_bytes and whole.rows <= 255
    values = tuple(at % 256 for at in range(size))
    assert tuple(boot(saved(keeping([cell], 1 << 16), values), keeping([cell], 1 << 16)).values) == values


@given(st.data(), kept_cells(), kept_cells(most=3))
@settings(deadline=None)
def test_cells_of_the_same_name_range_and_size_are_taken_over_and_the_rest_starts_anew(
    data: st.DataObject, old_cells: tuple[form.Cell, ...], more: tuple[form.Cell, ...]
) -> None:
    old = keeping(old_cells)
    stay = data.draw(st.permutations([cell for cell in old_cells if cell.keep]))
    stay = stay[: data.draw(st.integers(1, len(stay)))]
    new_cells, offset = [], 0
    for cell in data.draw(st.permutations([*stay, *(replace(cell, name=f"new_{cell.name}") for cell in more)])):
        new_cells.append(replace(cell, offset=offset))
        offset += cell.size
    new = keeping(new_cells, version=data.draw(st.integers(1, 3)))
    values = data.draw(kept_values(old))
    store = boot(saved(old, values), new)
    assert store.state in (core.OTHER, core.SAME)
    assert _by_name(new, store.values) == _by_name(new, first_kept(new)) | {
        name: value for name, value in _by_name(old, values).items() if name in {cell.name for cell in stay}
    }


def _by_name(design: Design, kept: tuple[int, ...] | list[int]) -> dict[str, tuple[int, ...]]:
    values = iter(kept)
    return {cell.name: tuple(next(values) for _ in range(cell.size)) for cell in design.cells if cell.keep}


ACT = form.Cell("act", 0, 7, 3, (), "wrap", True, (), 0, PLACE)
CUE = form.Cell("cue", 0, 300, 9, (2, 3), "wrap", True, (), 1, PLACE)
FAR = form.Cell("far", -70_000, 70_000, 1, (2,), "wrap", True, (), 7, PLACE)
OLD = keeping([ACT, CUE, FAR], 256)
VALUES = (5, 1, 2, 3, 4, 5, 300, -70_000, 70_000)


@pytest.mark.parametrize(
    "changed",
    [replace(CUE, name="clue"), replace(CUE, high=301), replace(CUE, low=-1), replace(CUE, shape=(3, 2)), replace(CUE, shape=(6,))],
    ids=["name", "high end", "low end", "rows and columns", "one row"],
)
def test_a_cell_of_another_name_range_or_size_starts_anew(changed: form.Cell) -> None:
    store = boot(saved(OLD, VALUES), keeping([ACT, changed, FAR], 256))
    assert tuple(store.values) == (5, 9, 9, 9, 9, 9, 9, -70_000, 70_000)


@pytest.mark.parametrize(
    ("design", "state"),
    [
        (keeping([ACT, CUE, FAR], 256, version=3, oldest=3), core.TOO_OLD),
        (keeping([ACT, CUE, FAR], 256, version=1), core.NEWER),
        (keeping([replace(ACT, name="scene")], 256, version=2), core.STRANGE),
        (keeping([FAR, CUE, replace(ACT, name="scene")], 96, version=2), core.NO_ROOM),
    ],
    ids=["too old", "newer", "nothing in common", "no room to move"],
)
def test_an_image_that_cannot_be_taken_over_is_refused_and_left_as_it_is(design: Design, state: int) -> None:
    memory = saved(keeping([ACT, CUE, FAR], design.storage.bytes, version=2), VALUES)
    before = bytes(memory)
    store = boot(memory, design)
    assert store.state == state and store.values is None
    assert bytes(memory) == before


def test_taking_over_never_writes_over_rows_that_only_the_old_image_has() -> None:
    much = form.Cell("much", 0, 255, 0, (90,), "wrap", True, (), 1, PLACE)
    some = form.Cell("some", 0, 255, 9, (40,), "wrap", True, (), 1, PLACE)
    old = keeping([ACT, much], 200)
    assert map_of(old).rows_at_once < 7 < map_of(keeping([ACT, some], 200)).rows_at_once
    assert boot(saved(old, (5,) + (0,) * 90), keeping([ACT, some], 200)).state == core.NO_ROOM


def test_a_cut_at_any_byte_of_taking_over_ends_in_the_same_values() -> None:
    new = keeping([FAR, replace(ACT, name="scene"), CUE], 256, version=2)
    taken = (-70_000, 70_000, 3, 1, 2, 3, 4, 5, 300)
    start = saved(OLD, VALUES)
    memory = bytearray(start)
    for address, byte in core.Store(memory, layout_of(new)).boot():
        for torn in torn_bytes(memory[address], byte):
            left = bytearray(memory)
            left[address] = torn
            old_again = boot(bytearray(left), OLD)
            assert old_again.state == core.NEWER or tuple(old_again.values) == VALUES, "all old or all new, whoever looks"
            again = bytearray(left)
            for at, value in core.Store(again, layout_of(new)).boot():
                for second in (value, 0xFF, core.LIVE):
                    twice = bytearray(again)
                    twice[at] = second
                    assert tuple(boot(twice, new).values) == taken
                again[at] = value
            assert tuple(boot(again, new).values) == taken
        memory[address] = byte
    store = boot(memory, new)
    assert store.state == core.SAME and tuple(store.values) == taken
