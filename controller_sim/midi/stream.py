"""Messages to a stream of bytes and back, with running status and real time inside messages (MIDI 1.0 4.2.1, p. 5 and A-1 to A-3)."""

from __future__ import annotations

from controller_sim.midi.messages import END_OF_SYSEX, SYSEX, UNDEFINED_STATUSES, check_message, is_channel, is_real_time, message_length


class Encoder:
    """Turns whole messages into the bytes that go on a line.

    With `running_status` a channel message leaves out its status byte when it is the same as that of the channel
    message before. SysEx and system common end that, real time does not.
    """

    __slots__ = ("_running_status", "_status")

    def __init__(self, running_status: bool = False) -> None:
        self._running_status = running_status
        self._status = 0

    def encode(self, message: bytes) -> bytes:
        """The bytes to send for one message; raises MidiError if it is not one whole message."""
        check_message(message)
        status = message[0]
        if is_real_time(status):
            return message
        if not is_channel(status):
            self._status = 0
            return message
        if self._running_status and status == self._status:
            return message[1:]
        self._status = status
        return message

    def refresh(self) -> None:
        """Make the next channel message carry its status, as a sender should every few seconds for late listeners."""
        self._status = 0


class Decoder:
    """Turns a stream of bytes, in pieces of any size, into whole messages.

    A message is given out when its last byte arrives. A SysEx that anything but F7 ends is dropped, and so are
    data bytes without a status, an F7 on its own and undefined statuses (F4 and F5 end running status, F9 and FD do not).
    """

    __slots__ = ("_length", "_message", "_status")

    def __init__(self) -> None:
        self._status = 0
        self._length: int | None = 0
        self._message = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        """The messages that are whole with these bytes, in the order of their last bytes."""
        whole = []
        for byte in data:
            message = self._byte(byte)
            if message is not None:
                whole.append(message)
        return whole

    def _byte(self, byte: int) -> bytes | None:
        if is_real_time(byte):
            return None if byte in UNDEFINED_STATUSES else bytes([byte])
        if byte < 0x80:
            return self._data_byte(byte)
        if byte == END_OF_SYSEX and self._status == SYSEX:
            self._message.append(byte)
            return self._finish()
        self._begin(byte)
        return self._finish() if self._length == 1 else None

    def _data_byte(self, byte: int) -> bytes | None:
        if not self._status:
            return None
        if not self._message:
            self._message.append(self._status)
        self._message.append(byte)
        return self._finish() if len(self._message) == self._length else None

    def _begin(self, status: int) -> None:
        if status in UNDEFINED_STATUSES or status == END_OF_SYSEX:
            self._status = 0
            return
        self._status = status
        self._length = message_length(status)
        self._message[:] = [status]

    def _finish(self) -> bytes:
        message = bytes(self._message)
        self._message.clear()
        if not is_channel(self._status):
            self._status = 0
            self._length = 0
        return message
