"""The file that keeps values without power: the same bytes, written in the same order, as on any other chip (core/storage.py)."""

ERASED = 0xFF


class Image:
    """A file and a copy of it to read from. Where there is no such file, it is begun with `size` erased bytes."""

    def __init__(self, path, size):
        try:
            with open(path, "rb") as stream:
                self.memory = bytearray(stream.read())
        except OSError:
            self.memory = bytearray(bytes((ERASED,)) * size)
            with open(path, "wb") as stream:
                stream.write(self.memory)
        self.file = open(path, "r+b")

    def write(self, writes):
        """Do writes (address, byte) as they come. They are on the chip when this returns, and count all together or not at all."""
        any_written = False
        for address, byte in writes:
            self.memory[address] = byte
            self.file.seek(address)
            self.file.write(bytes((byte,)))
            any_written = True
        if any_written:
            self.file.flush()


def rows_with(layout, before, after):
    """The rows that hold a value in which two sets of kept values differ."""
    rows = []
    size = layout.row_bytes
    number = 0
    for _, place, width, _, _, count in layout.cells:
        for at in range(place, place + width * count, width):
            if before[number] != after[number]:
                for row in range(at // size, (at + width - 1) // size + 1):
                    if row not in rows:
                        rows.append(row)
            number += 1
    return sorted(rows)
