"""The chip that keeps a controller's cells without power: its image, every byte written to it, and what power-on makes of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import chain

from controller_sim.core import storage as core
from controller_sim.design.form import Design
from controller_sim.design.storage import layout_of, map_of, rows_with
from controller_sim.simulator.errors import SimulatorError

BYTE_US = 3_300
"""How long an EEPROM takes to erase and write a byte: 26,368 cycles of the calibrated oscillator (ATmega328/P data sheet, Table 12-2)."""
ERASED = 0xFF
MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class Save:
    """What was written because kept cells changed at an instant."""

    time_us: int
    kept: tuple[int, ...]
    """The kept values from then on."""
    rows: int
    """Rows that changed."""
    written: int
    """Bytes written until all of it counts."""
    tidied: int
    """Bytes written after that, so that the next save need not wait."""
    parts: int
    """How many times a power cut finds something between old and new, plus 1: 1 is all or nothing."""


class Storage:
    """An image of the size that the design declares, 0xFF in every byte unless given.

    Raises SimulatorError for an image of another size.
    """

    def __init__(self, design: Design, image: bytes | None = None) -> None:
        self.design = design
        self.map = map_of(design)
        size = design.storage.bytes
        if image is not None and len(image) != size:
            raise SimulatorError(f"the image has {len(image)} bytes, but the design declares storage of {size}")
        self._memory = bytearray(image) if image is not None else bytearray([ERASED]) * size
        self._layout = layout_of(design)
        self._store = core.Store(self._memory, self._layout)
        self.saved_writes = [0] * size
        """How often saves have written each byte."""
        self.boot_writes = 0
        """How many bytes power-on has written so far: a fresh image, or cells taken over."""
        self.first: tuple[int, ...] = ()
        """The kept values when power first came on."""
        self.saves: list[Save] = []
        self.notes: list[str] = []
        """What power-on had to say about the image, if it was not simply as left."""

    @property
    def image(self) -> bytes:
        return bytes(self._memory)

    def power_on(self) -> tuple[int, ...]:
        """The kept values, in the order of the cells, from the image alone. Raises SimulatorError for an image that is refused."""
        store = core.Store(self._memory, self._layout)
        self._store = store
        for address, byte in store.boot():
            self._memory[address] = byte
            self.boot_writes += 1
        if store.values is None:
            raise SimulatorError(self._refusal(store))
        if store.state == core.OTHER:
            self.notes.append(self._taken_over(store))
        if store.torn:
            self.notes.append("the newest saves failed the checksum: what was kept before them counts")
        if store.lost:
            rows = "row" if len(store.lost) == 1 else "rows"
            self.notes.append(
                f"{rows} {_listed(store.lost)} failed the checksum: values in {_listed(self._cells_in(store.lost))} start anew"
            )
        values = tuple(store.values)
        self.first = self.first or values
        return values

    def save_cut_off(self, before: Sequence[int], after: tuple[int, ...], time_us: int, byte: int, leaving: int | None = None) -> int:
        """The same as `save`, but the power fails in its byte `byte` (from 1), which then holds `leaving`, or what it held before.

        Gives the number of bytes begun; below `byte`, the save was shorter and is whole.
        """
        rows = rows_with(self.map, before, after)
        begun = 0
        for address, value in chain(self._store.save(after, rows), self._store.tidy()):
            begun += 1
            self.saved_writes[address] += 1
            if begun == byte:
                self._memory[address] = self._memory[address] if leaving is None else leaving
                self.notes.append(f"the power failed in byte {byte} of a save")
                break
            self._memory[address] = value
        else:
            self.saves.append(Save(time_us, after, len(rows), begun, 0, self._parts(rows)))
        return begun

    def save(self, before: Sequence[int], after: tuple[int, ...], time_us: int) -> None:
        """Write the rows in which the kept values differ; `before` is what the image holds."""
        rows = rows_with(self.map, before, after)
        written = self._count(self._store.save(after, rows))
        tidied = self._count(self._store.tidy())
        self.saves.append(Save(time_us, after, len(rows), written, tidied, self._parts(rows)))

    def _parts(self, rows: Sequence[int]) -> int:
        return -(-len(rows) // self.map.rows_at_once)

    def _count(self, writes: Iterable[tuple[int, int]]) -> int:
        count = 0
        for address, byte in writes:
            self._memory[address] = byte
            self.saved_writes[address] += 1
            count += 1
        return count

    def _cells_in(self, rows: Iterable[int]) -> list[str]:
        damaged = set(rows)
        return [each.cell.name for each in self.map.cells if damaged.intersection(self.map.rows_of(each))]

    def _refusal(self, store: core.Store) -> str:
        version = self.design.storage.version
        match store.state:
            case core.DAMAGED:
                return "the image is damaged: what it says about its own layout fails its checksum"
            case core.OTHER_FORMAT:
                return f"the image is in format {self._memory[1]}, but only format {core.FORMAT} is known"
            case core.NEWER:
                return f"the image is of version {store.version}, newer than the design's version {version}"
            case core.TOO_OLD:
                oldest = self.design.storage.oldest
                return f"the image is of version {store.version}, but this design takes over nothing older than version {oldest}"
            case core.STRANGE:
                return f"the image is of another design: {self._differences(store)}"
        return (
            f"the image cannot be taken over where it is: {self._lack_of_room()} ({self._differences(store)}){self._what_would_fit(store)}"
        )

    def _lack_of_room(self) -> str:
        """Why the conversion of an older image does not fit into it."""
        store, rows = _conversion(self._memory, self._layout)
        if store.row_bytes != self._layout.row_bytes:
            return f"it has rows of {store.row_bytes} bytes, and the design's kept cells need rows of {self._layout.row_bytes}"
        room = core.rows_at_once(len(self._memory), store.row_bytes, max(store.rows, self._layout.rows))
        return f"{len(rows)} rows of {store.row_bytes} bytes would have to be written as one, and there is room for {room}"

    def _what_would_fit(self, store: core.Store) -> str:
        """The order of the design's cells in which the conversion would fit, in words, if there is one."""
        place = {each.index: there for each, there in zip(self.map.cells, store.taken, strict=True) if there >= 0}
        there = [self.design.cells[index] for index in sorted(place, key=lambda index: place[index])]
        others = [cell for index, cell in enumerate(self.design.cells) if index not in place]
        for cells, rest in (
            ((*there, *others), ", and all others after them" if others else ""),
            (tuple(there), ", and no other kept cells"),
        ):
            found, _ = _conversion(self._memory, layout_of(replace(self.design, cells=cells)))
            if found.state in (core.SAME, core.OTHER):
                return f"; it would fit with {_listed(cell.name for cell in there)} in this order{rest}"
        return ""

    def _taken_over(self, store: core.Store) -> str:
        taken = [each.cell.name for each, place in zip(self.map.cells, store.taken, strict=True) if place >= 0]
        return f"taken over from an image of version {store.version}: {_listed(taken)}; {self._differences(store)}"

    def _differences(self, store: core.Store) -> str:
        """What the design and the image that `store` has looked at do not have in common."""
        missing = [
            f"{each.cell.name} ({each.cell.low}..{each.cell.high}{''.join(f', size {size}' for size in each.cell.shape)})"
            for each, place in zip(self.map.cells, store.taken, strict=True)
            if place < 0
        ]
        parts = [f"not in it by name, range and size: {_listed(missing)}"] if missing else []
        if store.left:
            parts.append(f"only in it: {len(store.left)} {'cell' if len(store.left) == 1 else 'cells'} of {_listed(store.left)} bytes")
        return "; ".join(parts) or "there is nothing else in it"


def _conversion(memory: bytearray, layout: core.StorageLayout) -> tuple[core.Store, list[int]]:
    """What an image is to a layout, and the rows that taking it over would write; nothing is written."""
    store = core.Store(memory, layout)
    store.look()
    return store, store.take_over() if store.state == core.OTHER else []


def _listed(things: Iterable[object]) -> str:
    words = [str(thing) for thing in things]
    more = len(words) - MOST_NAMED
    return ", ".join(words[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
