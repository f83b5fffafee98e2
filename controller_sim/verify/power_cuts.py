"""Cut the power at every byte that a run's saves write, and look at what comes up again."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import chain

from controller_sim.core import storage as core
from controller_sim.design.form import Design
from controller_sim.design.storage import layout_of, map_of, rows_with
from controller_sim.simulator.storage import ERASED

Writes = Iterator[tuple[int, int]]


@dataclass(slots=True)
class Cuts:
    """What came up after the cuts: all kept values old, all new, or anything else."""

    old: int = 0
    new: int = 0
    in_parts: int = 0
    """Between the parts of a save that was too large to be written at once."""
    neither: list[str] = field(default_factory=list)
    """Each with the place of the cut; empty unless something is broken."""

    @property
    def total(self) -> int:
        return self.old + self.new + self.in_parts + len(self.neither)


def torn_bytes(before: int, after: int) -> Iterable[int]:
    """What the byte being written is tried to hold after a cut: itself, what it should become, and what means something there."""
    return sorted({before, after, 0x00, ERASED, core.LIVE, core.MAGIC, before ^ 0x80, after ^ 0x01})


def cut_everywhere(
    design: Design,
    image: bytes,
    saves: Sequence[tuple[int, ...]],
    torn: Callable[[int, int], Iterable[int]] = torn_bytes,
) -> Cuts:
    """Write saves one after another to an image and cut the power at every byte, with every torn value, tidying up included.

    `saves` are the kept values after each; `torn` gives values for the byte being written from what it held and should hold.
    Where the boot after a cut writes, power is cut there too.
    """
    layout, whole = layout_of(design), map_of(design)
    memory = bytearray(image)
    cuts = Cuts()
    old = _boot(memory, layout)
    for new in saves:
        rows = rows_with(whole, old or (), new)
        store = core.Store(memory, layout)
        _write(memory, store.boot())
        for address, byte in chain(store.save(new, rows), store.tidy()):
            for value in torn(memory[address], byte):
                left = bytearray(memory)
                left[address] = value
                for found in _after(left, layout, torn):
                    if found in (old, new):
                        cuts.old += found == old
                        cuts.new += found != old
                    elif len(rows) > whole.rows_at_once and found is not None:
                        cuts.in_parts += 1
                    else:
                        cuts.neither.append(f"address {address:#05x} holding {value:#04x} instead of {byte:#04x}")
            memory[address] = byte
        old = new
    return cuts


def _after(left: bytearray, layout: core.StorageLayout, torn: Callable[[int, int], Iterable[int]]) -> Iterator[tuple[int, ...] | None]:
    """What comes up from an image that a cut left, and from what cuts during that leave."""
    memory = bytearray(left)
    store = core.Store(memory, layout)
    for address, byte in store.boot():
        for value in torn(memory[address], byte):
            again = bytearray(memory)
            again[address] = value
            yield _boot(again, layout)
        memory[address] = byte
    yield None if store.values is None else tuple(store.values)


def _boot(memory: bytearray, layout: core.StorageLayout) -> tuple[int, ...] | None:
    store = core.Store(memory, layout)
    _write(memory, store.boot())
    return None if store.values is None else tuple(store.values)


def _write(memory: bytearray, writes: Writes) -> None:
    for address, byte in writes:
        memory[address] = byte
