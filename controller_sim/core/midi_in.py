"""Bytes that arrive, one by one, to whole messages (MIDI 1.0 Detailed Specification 4.2.1, p. 5 and A-1 to A-3).

A message is packed as in an output item: its bytes, first byte lowest, topped by a 1.
"""

SYSEX = 0xF0
END_OF_SYSEX = 0xF7
LONGEST_SYSEX = 128
"""Bytes of a SysEx, F0 and F7 counted; a longer one is dropped."""


class Parser:
    """Of one port. `status` is the running or present status (0: none), `body` the `length` bytes that are there of a message."""

    __slots__ = ("body", "length", "status")

    def __init__(self):
        self.status = 0
        self.body = 0
        self.length = 0

    def feed(self, byte):
        """The message that is whole with this byte, or 0."""
        if byte >= 0xF8:
            return 0 if byte in (0xF9, 0xFD) else 0x100 | byte
        if byte < 0x80:
            return self._data(byte) if self.status else 0
        if byte == END_OF_SYSEX and self.status == SYSEX:
            self._add(byte)
            return self._whole()
        self.length = self.body = 0
        self.status = 0 if byte in (0xF4, 0xF5, END_OF_SYSEX) else byte
        if not self.status:
            return 0
        self._add(byte)
        return self._whole() if byte == 0xF6 else 0

    def _data(self, byte):
        if not self.length:
            self._add(self.status)
        self._add(byte)
        if self.status != SYSEX:
            return self._whole() if self.length > data_bytes(self.status) else 0
        if self.length == LONGEST_SYSEX:
            self.status = self.length = self.body = 0
        return 0

    def _add(self, byte):
        self.body |= byte << 8 * self.length
        self.length += 1

    def _whole(self):
        message = self.body | 1 << 8 * self.length
        self.length = self.body = 0
        if self.status >= SYSEX:
            self.status = 0
        return message


def data_bytes(status):
    """How many data bytes a channel or system common message has, SysEx apart."""
    if status < SYSEX:
        return 1 if 0xC0 <= status < 0xE0 else 2
    return 2 if status == 0xF2 else 1
