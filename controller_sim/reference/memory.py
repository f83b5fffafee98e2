"""Memory cells, drafts and what survives power-off (semantics, sections 6 and 9)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from controller_sim.design.form import Cell, Design


def elements(cell: Cell) -> range:
    """Where a cell's elements stand in the flat memory."""
    return range(cell.offset, cell.offset + cell.size)


class Memory:
    """All cells in one flat list, and the snapshot of those that the current mode drafts.

    Raises ValueError when `kept` has another length than the kept cells have elements.
    """

    def __init__(self, design: Design, kept: Sequence[int] | None) -> None:
        self.design = design
        self.values = [0] * sum(cell.size for cell in design.cells)
        self.snapshot: dict[int, int] = {}
        """The values of the drafted elements that `cancel` restores, by their place in the flat memory."""
        for cell in design.cells:
            for place, value in zip(elements(cell), cell.start_values, strict=True):
                self.values[place] = value
        if kept is not None:
            for place, value in zip(self._kept_places(), kept, strict=True):
                self.values[place] = value

    def _kept_places(self) -> Iterator[int]:
        return (place for cell in self.design.cells if cell.keep for place in elements(cell))

    def saved(self) -> list[int]:
        """All cells, drafted ones as they were before the draft."""
        return [self.snapshot.get(place, value) for place, value in enumerate(self.values)]

    def kept(self) -> tuple[int, ...]:
        return tuple(self.snapshot.get(place, self.values[place]) for place in self._kept_places())

    def begin_draft(self, cells: Sequence[int]) -> None:
        """Take the snapshot of the cells that the mode entered drafts."""
        self.snapshot = {place: self.values[place] for cell in cells for place in elements(self.design.cells[cell])}

    def save_draft(self) -> None:
        """The present values become the snapshot."""
        self.snapshot = {place: self.values[place] for place in self.snapshot}

    def changed(self, cell: int | None, element: int | None) -> bool:
        """Whether an element, a whole cell (`element` None) or anything drafted (`cell` None) differs from the snapshot."""
        places: Iterable[int] = self.snapshot
        if cell is not None:
            places = elements(self.design.cells[cell]) if element is None else (self.design.cells[cell].offset + element,)
        return any(self.snapshot.get(place, self.values[place]) != self.values[place] for place in places)

    def cancel_draft(self) -> None:
        for place, value in self.snapshot.items():
            self.values[place] = value

    def factory_values(self, cells: Sequence[int]) -> None:
        """Give cells their first values, in the snapshot too."""
        for cell in (self.design.cells[number] for number in cells):
            for place, value in zip(elements(cell), cell.start_values, strict=True):
                self.values[place] = value
                if place in self.snapshot:
                    self.snapshot[place] = value
