"""Kept values in a non-volatile image, so that a power cut at any byte leaves each save whole or undone.

The image holds a stream of bytes, cut into rows of `row_bytes`:

    home      from address 0 up: row after row, each followed by its checksum
    journal   from the last address down: entries of LIVE, count, (row number, row) * count, checksum

A row is what the newest entry with it says, else what its home says. The journal ends at the first byte that should be LIVE
and is not. An entry is written below that byte, what follows it is made not to be LIVE, and its own LIVE comes last: that one
byte decides, whatever a cut leaves in it. A full journal is brought home row by row and then ended at its first byte; until
then it still stands over the homes, so a cut in between changes nothing. Each byte of the journal is written at most twice
between two such tidyings and each byte of a home once: saves go round the journal, so no byte wears out before the others.

The stream begins with MAGIC, FORMAT, row_bytes, rows, version and a checksum of the layout; then for each kept cell in the
order of the design a number made of its name, range and shape (2 bytes), its length (2 bytes), and its values, each as its
distance from the low end. All numbers are big-endian. Zeros fill the last row; a cell's number is never 0.

A caller's duties:
1. Each (address, byte) that a method gives is written before the next one is asked for.
2. What reads as the image afterwards is what was written; only a byte during whose writing the power went may hold anything.
"""

MAGIC = 0xB5
FORMAT = 1
LIVE = 0x5A
END = 0xFF
"""What ends the journal; an erased byte."""
HEADER_BYTES = 7
CELL_BYTES = 4
"""Before each cell's values."""
CHECK_BYTES = 2
ENTRY_BYTES = 4
"""An entry of the journal without its rows."""
ROW_SIZES = (8, 16, 32, 64, 128)
MOST_ROWS = 255

NEW, SAME, OTHER, DAMAGED, OTHER_FORMAT, NEWER, TOO_OLD, STRANGE, NO_ROOM = range(9)
"""What an image is to a layout. The first three can be used: nothing stored yet, as laid out, cells to be taken over. The others
are refused and left as they are: STRANGE has none of the layout's cells, NO_ROOM would have to move too many rows at once.
"""

_NIBBLES = (
    0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
    0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF,
)  # fmt: skip


def add_to_check(check, byte):
    """A CRC-16 (polynomial 0x1021, high bit first, beginning with 0xFFFF) with one more byte."""
    check = (check << 4 & 0xFFFF) ^ _NIBBLES[check >> 12 ^ byte >> 4]
    return (check << 4 & 0xFFFF) ^ _NIBBLES[check >> 12 ^ byte & 15]


def checksum(data, check=0xFFFF):
    """The CRC-16 of some bytes. Blank memory does not pass for checked: no run of equal bytes carries itself as its checksum."""
    for byte in data:
        check = add_to_check(check, byte)
    return check


def entry_bytes(row_bytes, rows):
    """How many bytes of the journal an entry of so many rows takes."""
    return ENTRY_BYTES + rows * (row_bytes + 1)


def rows_at_once(size, row_bytes, rows):
    """How many rows one entry can hold in an image of `size` bytes; below 1 the rows do not fit."""
    journal = size - rows * (row_bytes + CHECK_BYTES)
    return min((journal - 1 - ENTRY_BYTES) // (row_bytes + 1), MOST_ROWS)


class StorageLayout:
    """What is stored where. It is only read, so a port keeps it in flash.

    row_bytes, rows    one of ROW_SIZES; 1..MOST_ROWS
    version, oldest    0..255: of the design, and of the oldest image whose values still mean the same
    start              the whole stream as it is on the first day, rows * row_bytes bytes
    cells              for each kept cell: (number << 16 | length, place of its values in the stream, bytes a value, low, high, count)
    """

    __slots__ = ("cells", "oldest", "row_bytes", "rows", "start", "version")

    def __init__(self, row_bytes, rows, version, oldest, start, cells):
        self.row_bytes = row_bytes
        self.rows = rows
        self.version = version
        self.oldest = oldest
        self.start = start
        self.cells = cells

    def row(self, values, row):
        """The bytes of a row when the kept cells hold `values`."""
        begin = row * self.row_bytes
        end = begin + self.row_bytes
        data = bytearray(self.start[begin:end])
        first = 0
        for _, place, width, low, _, count in self.cells:
            for at in range(max(begin, place), min(end, place + width * count)):
                which = (at - place) // width
                shift = (width - 1 - (at - place) % width) * 8
                data[at - begin] = values[first + which] - low >> shift & 255
            first += count
        return data

    def start_value(self, place, width, low):
        value = 0
        for at in range(place, place + width):
            value = value << 8 | self.start[at]
        return low + value


class Store:
    """The image under a layout. Between calls it holds where the journal ends and one row, and no values."""

    __slots__ = (
        "_row",
        "_row_number",
        "layout",
        "left",
        "lost",
        "memory",
        "row_bytes",
        "rows",
        "state",
        "tail",
        "taken",
        "torn",
        "values",
        "version",
    )

    def __init__(self, memory, layout):
        """`memory` is anything that gives a byte for an address and has a length; only the caller writes to it."""
        self.memory = memory
        self.layout = layout
        self.state = NEW
        self.torn = False
        """After `boot`: whether the journal ends at an entry whose checksum fails, which no power cut leaves."""
        self.values = None
        """After `boot`: the kept values; None when the image is refused."""
        self.lost = []
        """After `boot`: the rows whose checksums failed; values in them start anew."""
        self.taken = []
        """After `boot`: for each kept cell the place where the image had it, or -1."""
        self.left = []
        """After `boot`: the lengths in bytes of the cells that only the image has."""
        self.row_bytes = layout.row_bytes
        self.rows = layout.rows
        self.version = layout.version
        """After `boot`: the version of the image as it was found."""
        self.tail = 0
        self._row = None
        self._row_number = -1

    def boot(self):
        """Make the image ready and find `values`; gives the writes that this takes. `state` says what it was."""
        layout = self.layout
        self.look()
        if self.state == NEW:
            self.values = self._start_values()
            yield from self.format(self.values)
        elif self.state == SAME:
            if self.memory[0] != MAGIC:
                yield 0, MAGIC
            self.taken = [cell[1] for cell in layout.cells]
            self._check_rows()
            self._read()
            yield from self.save(self.values, self.lost)
        elif self.state == OTHER:
            rows = self.take_over()
            if self.state == OTHER:
                if self.tail:
                    yield from self._tidy()
                self.rows = layout.rows
                yield from self._append(self.values, rows)

    def look(self):
        """Find out what the image is: sets `state`, and of the image `row_bytes`, `rows`, `version` and the journal's end."""
        memory = self.memory
        self.tail = 0
        self.row_bytes = self.layout.row_bytes
        self._row_number = -1
        if memory[0] != MAGIC and not self._lacks_magic_only():
            self.state = NEW
            return
        self.state = DAMAGED
        self.row_bytes = memory[2]
        if self.row_bytes not in ROW_SIZES or self.row_bytes + CHECK_BYTES >= len(memory):
            return
        self._find_tail()
        self._row_number = -1
        header = self._fetch(0)
        if header is None or header[0] != MAGIC or header[2] != self.row_bytes or not header[3]:
            return
        self.rows = header[3]
        self.version = header[4]
        layout = self.layout
        if self.rows * (self.row_bytes + CHECK_BYTES) > len(memory):
            return
        if header[1] != FORMAT:
            self.state = OTHER_FORMAT
        elif header[:HEADER_BYTES] == layout.start[:HEADER_BYTES] and self._has_same_cells():
            self.state = SAME
        elif self.version > layout.version:
            self.state = NEWER
        elif self.version < layout.oldest:
            self.state = TOO_OLD
        else:
            self.state = OTHER

    def _lacks_magic_only(self):
        """Whether all of the header but its first byte is the layout's: then that byte was damaged, or the last one to be written."""
        for at in range(1, HEADER_BYTES):
            if self.memory[at] != self.layout.start[at]:
                return False
        return self._fetch(0) is not None

    def take_over(self):
        """Read what fits from an image of another layout; gives the rows that must be written, or sets `state` to why not."""
        layout = self.layout
        self._check_rows()
        if not self._find_cells():
            self.state = DAMAGED
            return []
        if max(self.taken or [-1]) < 0:
            self.state = STRANGE
            return []
        self._read()
        rows = [row for row in range(layout.rows) if row >= self.rows or self._differs(self.values, row)]
        most = rows_at_once(len(self.memory), self.row_bytes, max(self.rows, layout.rows))
        if self.row_bytes != layout.row_bytes or len(rows) > most:
            self.state = NO_ROOM
            self.values = None
        return rows

    def format(self, values):
        """Write the image anew. Until the header, its last row, is whole there is nothing stored."""
        memory = self.memory
        layout = self.layout
        self.row_bytes = layout.row_bytes
        self.rows = layout.rows
        self.tail = 0
        self._row_number = -1
        if memory[0] == MAGIC:
            yield 0, END
        if self._journal(0) == LIVE:
            yield self._address(0), END
        for row in range(self.rows - 1, -1, -1):
            data = layout.row(values, row)
            check = checksum(data, add_to_check(0xFFFF, row))
            base = row * (self.row_bytes + CHECK_BYTES)
            for at in range(0 if row else 1, self.row_bytes):
                if memory[base + at] != data[at]:
                    yield base + at, data[at]
            yield from self._write_check(base + self.row_bytes, check)
        yield 0, MAGIC

    def save(self, values, rows):
        """Write those of `rows` that differ from `values`, all or none of them; gives the writes.

        More rows than `rows_at_once` are written in several such saves, one after another.
        """
        changed = [row for row in rows if self._differs(values, row)]
        most = rows_at_once(len(self.memory), self.row_bytes, self.rows)
        for first in range(0, len(changed), most):
            part = changed[first : first + most]
            if not self.has_room(len(part)):
                yield from self._tidy()
            yield from self._append(values, part)

    def has_room(self, rows):
        """Whether an entry of so many rows can be added before the journal is brought home."""
        journal = len(self.memory) - self.rows * (self.row_bytes + CHECK_BYTES)
        return self.tail + entry_bytes(self.row_bytes, rows) < journal

    def tidy(self):
        """Bring the journal home if it has no room for one more row; gives the writes. Done after a save, the next one need not wait."""
        if not self.has_room(1):
            yield from self._tidy()

    def stored_row(self, row):
        """A copy of a row as it is stored, or None when its checksum fails."""
        data = self._fetch(row)
        return None if data is None else bytearray(data)

    def _address(self, place):
        """Places in the journal count down from the end of the image."""
        return len(self.memory) - 1 - place

    def _journal(self, place):
        return self.memory[len(self.memory) - 1 - place]

    def _find_tail(self):
        place = 0
        while self._journal(place) == LIVE:
            end = place + entry_bytes(self.row_bytes, self._journal(place + 1))
            if end >= len(self.memory):
                break
            check = 0xFFFF
            for at in range(place, end - CHECK_BYTES):
                check = add_to_check(check, self._journal(at))
            if check != self._journal(end - 2) << 8 | self._journal(end - 1):
                break
            place = end
        self.tail = place
        self.torn = self._journal(place) == LIVE

    def _find(self, row):
        """Where in the journal the newest bytes of a row stand, or -1."""
        found = -1
        place = 0
        step = self.row_bytes + 1
        while place < self.tail:
            count = self._journal(place + 1)
            for at in range(place + 2, place + 2 + count * step, step):
                if self._journal(at) == row:
                    found = at + 1
            place += entry_bytes(self.row_bytes, count)
        return found

    def _fetch(self, row):
        """A row as it is stored, or None when its checksum fails; the same buffer holds the next row."""
        if row == self._row_number:
            return self._row
        found = self._find(row)
        base = row * (self.row_bytes + CHECK_BYTES)
        data = bytearray(self.row_bytes)
        for at in range(self.row_bytes):
            data[at] = self._journal(found + at) if found >= 0 else self.memory[base + at]
        if found < 0:
            if row == 0:
                # What this byte really holds is judged before any row is read.
                data[0] = MAGIC
            stored = self.memory[base + self.row_bytes] << 8 | self.memory[base + self.row_bytes + 1]
            if checksum(data, add_to_check(0xFFFF, row)) != stored:
                data = None
        self._row = data
        self._row_number = row
        return data

    def _byte(self, place):
        """A byte of the stream, or -1 in a row whose checksum fails."""
        data = self._fetch(place // self.row_bytes)
        return -1 if data is None else data[place % self.row_bytes]

    def _differs(self, values, row):
        return self._fetch(row) != self.layout.row(values, row)

    def _check_rows(self):
        self.lost = [row for row in range(self.rows) if self._fetch(row) is None]

    def _start_values(self):
        values = []
        for _, place, width, low, _, count in self.layout.cells:
            for i in range(count):
                values.append(self.layout.start_value(place + i * width, width, low))
        return values

    def _has_same_cells(self):
        """Whether all labels that can be read are the layout's; the header's checksum of them could agree by chance."""
        for cell in self.layout.cells:
            for at in range(cell[1] - CELL_BYTES, cell[1]):
                byte = self._byte(at)
                if byte >= 0 and byte != self.layout.start[at]:
                    return False
        return True

    def _find_cells(self):
        """Where the image has the cells of the layout, in `taken`; False when it cannot be read through."""
        cells = self.layout.cells
        self.taken = [-1] * len(cells)
        self.left = []
        place = HEADER_BYTES
        end = self.rows * self.row_bytes
        while place + CELL_BYTES < end:
            label = 0
            for at in range(place, place + CELL_BYTES):
                byte = self._byte(at)
                if byte < 0:
                    return False
                label = label << 8 | byte
            if label >> 16 == 0:
                break
            place += CELL_BYTES
            for i in range(len(cells)):
                if cells[i][0] == label and self.taken[i] < 0:
                    self.taken[i] = place
                    break
            else:
                self.left.append(label & 0xFFFF)
            place += label & 0xFFFF
        return place <= end

    def _read(self):
        """All values: those that the image has, and the first ones for what is missing, damaged or out of range."""
        layout = self.layout
        self.values = []
        for i in range(len(layout.cells)):
            _, place, width, low, high, count = layout.cells[i]
            there = self.taken[i]
            for at in range(0, count * width, width):
                value = 0
                for byte_at in range(at, at + width):
                    byte = self._byte(there + byte_at) if there >= 0 else -1
                    if byte < 0:
                        value = -1
                        break
                    value = value << 8 | byte
                if value < 0 or value > high - low:
                    self.values.append(layout.start_value(place + at, width, low))
                else:
                    self.values.append(low + value)

    def _append(self, values, rows):
        """Add an entry to the journal, which has room for it."""
        self._row_number = -1
        place = self.tail
        end = place + entry_bytes(self.row_bytes, len(rows))
        if self._journal(place) == LIVE:
            yield self._address(place), END
        if self._journal(end) == LIVE:
            yield self._address(end), END
        check = add_to_check(add_to_check(0xFFFF, LIVE), len(rows))
        if self._journal(place + 1) != len(rows):
            yield self._address(place + 1), len(rows)
        at = place + 2
        for row in rows:
            data = self.layout.row(values, row)
            for i in range(-1, self.row_bytes):
                byte = row if i < 0 else data[i]
                check = add_to_check(check, byte)
                if self._journal(at) != byte:
                    yield self._address(at), byte
                at += 1
        for byte in (check >> 8, check & 255):
            if self._journal(at) != byte:
                yield self._address(at), byte
            at += 1
        yield self._address(place), LIVE
        self.tail = end

    def _tidy(self):
        """Bring every row in the journal home, then end the journal at its first byte."""
        memory = self.memory
        for row in range(self.rows):
            found = self._find(row)
            if found < 0:
                continue
            base = row * (self.row_bytes + CHECK_BYTES)
            check = add_to_check(0xFFFF, row)
            for at in range(self.row_bytes):
                byte = self._journal(found + at)
                check = add_to_check(check, byte)
                if memory[base + at] != byte:
                    yield base + at, byte
            yield from self._write_check(base + self.row_bytes, check)
        self._row_number = -1
        yield self._address(0), END
        self.tail = 0

    def _write_check(self, address, check):
        for byte in (check >> 8, check & 255):
            if self.memory[address] != byte:
                yield address, byte
            address += 1
