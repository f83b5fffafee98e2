"""Which kept cells a save holds as they were when it began, because more than feet can change them, and how old they get by that."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator

from controller_sim.core import storage as core
from controller_sim.design.form import Design
from controller_sim.design.program import FactoryValues, Restart, SaveDraft, SetCell, Statement
from controller_sim.design.storage import StorageMap
from controller_sim.port.c_types import type_bytes
from controller_sim.simulator.storage import BYTE_US
from controller_sim.verify.reach import Reach, Run

MOST_HELD_BYTES = 64
"""Of a small chip's RAM."""
LOOKS = 8
"""At so many rows of the journal in a poll."""
POLL_US = 100
"""From one poll with nothing else to do to the next, on average."""


class Kept:
    """What changes the kept cells of a design."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self._reach = Reach(design)
        self._undrafted = {id(statement) for run in self._runs() for statement, cells in self._changes(run) if cells}
        self.restless = frozenset(cell for run in self._tireless() for _, cells in self._changes(run) for cell in cells)
        """The kept cells that repeats, timers, moves and messages change outside of drafts: as fast as may be, for as long as may be."""
        self.restless_drafts = frozenset(cell for run in self._tireless() for cell in self._saved_by(run))
        """Those that they save from drafts."""

    def of(self, cells: Iterable[int]) -> frozenset[int]:
        """Those of some cells that are kept."""
        return frozenset(cell for cell in cells if self.design.cells[cell].keep)

    def changes(self, statement: Statement) -> bool:
        """Whether an assignment can change what survives without power: it does not where every mode that runs it drafts the cell."""
        return id(statement) in self._undrafted

    def _runs(self) -> Iterator[Run]:
        yield from self._reach.at_power_on
        for mode in range(len(self.design.modes)):
            yield from self._reach.runs(mode)

    def _tireless(self) -> Iterator[Run]:
        """All that runs without a foot doing something each time. A foot does some ten things a second."""
        again = [run for run in self._runs() if self._comes_again(run)]
        yield from again
        if any(self._reach.enters(run.procedure) or self._reach.may(run.procedure, Restart) for run in again):
            yield from (run for run in self._runs() if run.what in ("enter", "leave", "power_on"))

    def _comes_again(self, run: Run) -> bool:
        return run.what in ("timer", "response") or (run.what == "binding" and self.design.bindings[run.number].gesture == "repeat")

    def _saved_by(self, run: Run) -> frozenset[int]:
        """The kept cells whose drafts a run may save, or leave so that they are."""
        if run.mode is None:
            return frozenset()
        mode, leaves = self.design.modes[run.mode], self._reach.enters(run.procedure) or self._reach.may(run.procedure, Restart)
        saves = self._reach.may(run.procedure, SaveDraft) or (mode.on_other_exit == "save" and leaves)
        return self.of(mode.draft) if saves else frozenset()

    def _changes(self, run: Run) -> Iterator[tuple[Statement, frozenset[int]]]:
        """The statements of a run that change kept cells, and which of these are not drafted then."""
        # What a release is paired with may have been pressed in another mode.
        anywhere = run.what == "binding" and self.design.bindings[run.number].gesture == "release"
        drafted = frozenset() if run.mode is None or anywhere else frozenset(self.design.modes[run.mode].draft)
        for statement in self._reach.statements(run.procedure):
            match statement:
                case SetCell(cell=cell):
                    yield statement, self.of({cell}) - drafted
                case FactoryValues(cells=cells):
                    yield statement, self.of(cells)


def held(kept: Kept, types: list[str]) -> list[int]:
    """The cells that are held, which have these types in C: the restless ones, the smallest first where not all have room."""
    sizes = {cell: type_bytes(types[cell]) * kept.design.cells[cell].size for cell in kept.restless}
    found, left = [], MOST_HELD_BYTES
    for cell in sorted(sizes, key=lambda cell: (sizes[cell], cell)):
        if sizes[cell] <= left:
            found.append(cell)
            left -= sizes[cell]
    # The widest come first, so that there is nothing between them.
    return sorted(found, key=lambda cell: (-type_bytes(types[cell]), cell))


def stored_within_us(whole: StorageMap, cells: Collection[int]) -> int:
    """How old what is stored can be at most, in microseconds, while only these cells change, and are held.

    What was stored last was so when its save began; it is replaced when the next save is done, which may have to wait for the journal to be
    brought home. Each looks through all rows twice, and each byte waits for a poll in which nothing else happens.
    """
    rows = {row for each in whole.cells if each.index in cells for row in whole.rows_of(each)}
    return 2 * _entry_us(whole, len(rows)) + _tidy_us(whole)


def saved_after_us(whole: StorageMap, rows: int) -> int:
    """How long it takes at most until so many rows that have changed at once are stored, in microseconds, if nothing else changes then."""
    whole_entries, rest = divmod(rows, whole.rows_at_once)
    entries_us = whole_entries * _entry_us(whole, whole.rows_at_once) + _entry_us(whole, rest)
    return entries_us + (whole_entries + 1) * _tidy_us(whole)


def _entry_us(whole: StorageMap, rows: int) -> int:
    looks = 2 * whole.rows * (whole.row_bytes + 1 + _searches(whole))
    # What is no entry yet must not look like one: two bytes more.
    return looks * POLL_US + (int(core.entry_bytes(whole.row_bytes, rows)) + 2) * (BYTE_US + POLL_US)


def _tidy_us(whole: StorageMap) -> int:
    return (whole.home_bytes + 1) * (BYTE_US + POLL_US) + (whole.rows + 1) * _searches(whole) * POLL_US


def _searches(whole: StorageMap) -> int:
    """The most polls that it takes to look through the journal for a row."""
    return (whole.size - whole.home_bytes) // (whole.row_bytes + 1) // LOOKS + 1
