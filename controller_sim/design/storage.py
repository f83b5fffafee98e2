"""Where the kept cells of a design stand in its image, and whether they fit there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller_sim.core import storage as core
from controller_sim.design.errors import DesignError
from controller_sim.design.form import Cell, Design, Place
from controller_sim.design.program import Call, FactoryValues, For, If, SetCell, Statement


@dataclass(frozen=True, slots=True)
class StoredCell:
    """A kept cell in the stream of bytes that the rows hold."""

    cell: Cell
    index: int
    """In Design.cells."""
    number: int
    """Made of its name, range and shape; 1..65535."""
    place: int
    """Of its first value in the stream."""
    width: int
    """Bytes a value, 1..4."""

    @property
    def length(self) -> int:
        """Bytes of all its values."""
        return self.width * self.cell.size


@dataclass(frozen=True, slots=True)
class StorageMap:
    """How an image of `size` bytes is divided. Bytes everywhere; addresses count from 0."""

    size: int
    cells: tuple[StoredCell, ...]
    row_bytes: int
    rows: int

    @property
    def row_step(self) -> int:
        """From one row's home to the next: the row and its checksum."""
        return self.row_bytes + int(core.CHECK_BYTES)

    @property
    def home_bytes(self) -> int:
        """The homes of the rows are the addresses 0..home_bytes - 1, the journal is the rest."""
        return self.rows * self.row_step

    @property
    def value_bytes(self) -> int:
        return sum(cell.length for cell in self.cells)

    @property
    def least_bytes(self) -> int:
        """The smallest image in which a row can be written anew before the old one is given up."""
        return self.home_bytes + int(core.entry_bytes(self.row_bytes, 1)) + 1

    @property
    def ram_bytes(self) -> int:
        """What reading and saving need: a row and its number, the journal's end, and a bit for each row to be written."""
        return self.row_bytes + 1 + 2 + (self.rows + 7) // 8

    @property
    def rows_at_once(self) -> int:
        """The most rows that a save writes all or none of; below 1 the cells do not fit."""
        return max(int(core.rows_at_once(self.size, self.row_bytes, self.rows)), 0)

    def rows_of(self, cell: StoredCell, first: int = 0, count: int | None = None) -> range:
        """The rows that hold `count` (default: all) values of a cell from its value `first` on."""
        start = cell.place + first * cell.width
        end = start + (cell.cell.size - first if count is None else count) * cell.width
        return range(start // self.row_bytes, (end - 1) // self.row_bytes + 1)


@dataclass(frozen=True, slots=True)
class LargestSave:
    """The save of a design that can change the most rows, as far as can be told beforehand."""

    rows: int
    what: str
    place: Place


def storage_map(cells: Sequence[Cell], size: int) -> StorageMap:
    """The division of an image for the kept ones of some cells, whether they fit or not."""
    stored = []
    place = core.HEADER_BYTES
    for index, cell in enumerate(cells):
        if cell.keep:
            place += core.CELL_BYTES
            width = max((cell.high - cell.low).bit_length() + 7 >> 3, 1)
            stored.append(StoredCell(cell, index, _number(cell), place, width))
            place += width * cell.size
    for row_bytes in core.ROW_SIZES:
        rows = -(-place // row_bytes)
        if rows <= core.MOST_ROWS:
            break
    return StorageMap(size, tuple(stored), row_bytes, rows)


def keeps(design: Design) -> bool:
    """Whether a design has anything that survives without power."""
    return any(cell.keep for cell in design.cells)


def first_kept(design: Design) -> tuple[int, ...]:
    """The kept values of the first day, in the order of the cells."""
    return tuple(value for cell in design.cells if cell.keep for value in cell.start_values)


def map_of(design: Design) -> StorageMap:
    """The division of a design's image."""
    return storage_map(design.cells, design.storage.bytes)


def layout_of(design: Design) -> core.StorageLayout:
    """What the core knows of a design's storage."""
    whole = map_of(design)
    stream = bytearray(whole.rows * whole.row_bytes)
    labels = bytearray()
    for each in whole.cells:
        label = (each.number << 16 | each.length).to_bytes(4, "big")
        labels += label
        stream[each.place - len(label) : each.place] = label
        values = b"".join((value - each.cell.low).to_bytes(each.width, "big") for value in each.cell.start_values)
        stream[each.place : each.place + each.length] = values
    check = core.checksum(labels)
    header = (core.MAGIC, core.FORMAT, whole.row_bytes, whole.rows, design.storage.version, check >> 8, check & 255)
    stream[: len(header)] = bytes(header)
    cells = []
    for each in whole.cells:
        cells.append((each.number << 16 | each.length, each.place, each.width, each.cell.low, each.cell.high, each.cell.size))
    return core.StorageLayout(whole.row_bytes, whole.rows, design.storage.version, design.storage.oldest, bytes(stream), cells)


def rows_with(whole: StorageMap, before: Sequence[int], after: Sequence[int]) -> list[int]:
    """The rows that hold a value in which two sets of kept values differ."""
    rows: set[int] = set()
    first = 0
    for each in whole.cells:
        size = each.cell.size
        if before[first : first + size] != after[first : first + size]:
            for number in range(size):
                if before[first + number] != after[first + number]:
                    rows.update(whole.rows_of(each, number, 1))
        first += size
    return sorted(rows)


def largest_save(design: Design) -> LargestSave | None:
    """The draft or the action that can change the most rows at one instant; None where nothing is kept.

    Of an action it counts how often each cell is assigned, wherever in the cell: the truth may be less.
    """
    whole = map_of(design)
    found = list(_draft_saves(design, whole))
    changed: list[Counter[int]] = []
    sizes = [cell.size for cell in design.cells]
    for procedure in design.procedures:
        changed.append(_changed(procedure.body, changed, sizes))
        found.append(LargestSave(_rows_changed(whole, changed[-1]), f"'{procedure.name}'", procedure.place))
    return max(found, key=lambda save: save.rows, default=None) if whole.cells else None


def check_storage(design: Design, place: Place) -> tuple[str, ...]:
    """Warnings about a design's storage. Raises DesignError at `place` where the kept cells do not fit."""
    whole = map_of(design)
    if not whole.cells:
        return ()
    if whole.rows > core.MOST_ROWS or whole.least_bytes > whole.size:
        larger = 1 << (whole.least_bytes - 1).bit_length()
        message = (
            f"the kept cells do not fit into {whole.size} bytes of storage: {whole.value_bytes} bytes of values in "
            f"{len(whole.cells)} cells take {whole.least_bytes} with their checksums and the room to write a row anew; "
            f"keep less, or write 'storage: {{bytes: {larger}}}' if the chip has as many"
        )
        raise DesignError(message, place)
    largest = largest_save(design)
    if largest is None or largest.rows <= whole.rows_at_once:
        return ()
    at = f"{largest.place.file}:{largest.place.line}:{largest.place.column}"
    return (
        f"{at}: {largest.what} may change {largest.rows} rows of {whole.row_bytes} bytes at once, but {whole.size} bytes leave room to "
        f"write {whole.rows_at_once} as one: a larger save is written in parts, and a power cut may come between two of them",
    )


def _number(cell: Cell) -> int:
    text = f"{cell.name} {cell.low} {cell.high} {' '.join(map(str, cell.shape))}"
    # 0 means that no cell follows.
    return core.checksum(text.encode()) or 1


def _draft_saves(design: Design, whole: StorageMap) -> Iterator[LargestSave]:
    for mode in design.modes:
        rows = {row for each in whole.cells if each.index in mode.draft for row in whole.rows_of(each)}
        yield LargestSave(len(rows), f"saving the draft of mode '{mode.name}'", mode.place)


def _changed(body: Sequence[Statement], procedures: Sequence[Counter[int]], sizes: Sequence[int]) -> Counter[int]:
    """How many values of each cell may be assigned; `procedures` are those that the body may call, `sizes` the values of each cell."""
    total: Counter[int] = Counter()
    for statement in body:
        match statement:
            case SetCell(cell=cell):
                total[cell] += 1
            case FactoryValues(cells=cells):
                total += Counter({cell: sizes[cell] for cell in cells})
            case If(then=then, otherwise=otherwise):
                total += _changed(then, procedures, sizes) | _changed(otherwise, procedures, sizes)
            case For(start=start, stop=stop, step=step, body=inner):
                once, times = _changed(inner, procedures, sizes), len(range(start, stop, step))
                total += Counter({cell: count * times for cell, count in once.items()})
            case Call(procedure=procedure):
                total += procedures[procedure]
    return total


def _rows_changed(whole: StorageMap, changed: Counter[int]) -> int:
    rows = 0
    for each in whole.cells:
        # A value of several bytes may lie in two rows.
        rows += min(changed[each.index] * min(each.width, 2), len(whole.rows_of(each)))
    return min(rows, whole.rows)
