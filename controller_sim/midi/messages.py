"""The MIDI 1.0 message table: which bytes begin a message, how long it is and what it is called.

A message is plain `bytes`, whole and with its status byte. Channels are 1..16 in texts and 0..15 on the wire.
"""

from __future__ import annotations

from dataclasses import dataclass

SYSEX = 0xF0
END_OF_SYSEX = 0xF7
FIRST_REAL_TIME = 0xF8
UNDEFINED_STATUSES = (0xF4, 0xF5, 0xF9, 0xFD)


class MidiError(ValueError):
    """Bytes that are no MIDI message, or a run of messages that cannot be sent as it stands.

    `data` holds the bytes at fault.
    """

    def __init__(self, message: str, data: bytes = b"") -> None:
        super().__init__(message)
        self.message = message
        self.data = data


@dataclass(frozen=True, slots=True)
class Kind:
    """One row of the table: its name as mido spells it, and how many data bytes follow the status (None: any number)."""

    name: str
    data_bytes: int | None


_CHANNEL_KINDS = {
    0x80: Kind("note_off", 2),
    0x90: Kind("note_on", 2),
    0xA0: Kind("polytouch", 2),
    0xB0: Kind("control_change", 2),
    0xC0: Kind("program_change", 1),
    0xD0: Kind("aftertouch", 1),
    0xE0: Kind("pitchwheel", 2),
}
_SYSTEM_KINDS = {
    0xF0: Kind("sysex", None),
    0xF1: Kind("quarter_frame", 1),
    0xF2: Kind("songpos", 2),
    0xF3: Kind("song_select", 1),
    0xF6: Kind("tune_request", 0),
    0xF8: Kind("clock", 0),
    0xFA: Kind("start", 0),
    0xFB: Kind("continue", 0),
    0xFC: Kind("stop", 0),
    0xFE: Kind("active_sensing", 0),
    0xFF: Kind("reset", 0),
}
STATUS_TABLE: dict[int, Kind] = {
    **{status | channel: kind for status, kind in _CHANNEL_KINDS.items() for channel in range(16)},
    **_SYSTEM_KINDS,
}
"""Every byte that begins a message."""


def is_real_time(status: int) -> bool:
    """Whether a byte is a System Real Time status, which may stand between the bytes of another message."""
    return status >= FIRST_REAL_TIME


def is_channel(status: int) -> bool:
    """Whether a byte is the status of a channel message, the only messages with running status."""
    return 0x80 <= status < SYSEX


def message_length(status: int) -> int | None:
    """The bytes of a message that begins with `status`, status included; None for SysEx, whose length varies.

    Raises MidiError when no message begins with that byte.
    """
    kind = STATUS_TABLE.get(status)
    if kind is None:
        raise MidiError(f"no message begins with {_first_byte_text(status)}", bytes([status]) if 0 <= status <= 255 else b"")
    return None if kind.data_bytes is None else 1 + kind.data_bytes


def check_message(data: bytes) -> None:
    """Raise MidiError unless `data` is exactly one whole message."""
    if not data:
        raise MidiError("a message has at least one byte")
    length = message_length(data[0])
    body = data[1:]
    if length is None:
        if len(data) < 2 or data[-1] != END_OF_SYSEX:
            raise MidiError(f"SysEx {_hex(data)} does not end with F7", data)
        body = data[1:-1]
    elif len(data) != length:
        raise MidiError(f"{name_of(data)} has {length} bytes, not {len(data)}: {_hex(data)}", data)
    for byte in body:
        if byte > 0x7F:
            raise MidiError(f"data byte {byte:02X} in {_hex(data)} is over 7F", data)


def is_message(data: bytes) -> bool:
    """Whether `data` is exactly one whole message."""
    try:
        check_message(data)
    except MidiError:
        return False
    return True


def name_of(data: bytes) -> str:
    """The message's name as mido spells it, such as `control_change`; raises MidiError if no message begins so."""
    message_length(data[0])
    return STATUS_TABLE[data[0]].name


def describe(data: bytes) -> str:
    """A short text for people, such as `program change ch 10: 5`; also for bytes that are no message."""
    if not is_message(data):
        return f"no MIDI message: {_hex(data)}" if data else "no MIDI message"
    title = name_of(data).replace("_", " ")
    if is_channel(data[0]):
        return f"{title} ch {(data[0] & 15) + 1}: {_channel_values(data)}"
    if data[0] == SYSEX:
        return f"sysex: {_hex(data[1:-1])}" if len(data) > 2 else "sysex: empty"
    if data[0] == 0xF2:
        return f"song position: {data[1] | data[2] << 7}"
    return f"{title}: {data[1]}" if len(data) > 1 else title


def _channel_values(data: bytes) -> str:
    status = data[0] & 0xF0
    if status in (0x80, 0x90):
        return f"{data[1]} velocity {data[2]}"
    if status == 0xE0:
        return str((data[1] | data[2] << 7) - 8192)
    return f"{data[1]} = {data[2]}" if len(data) == 3 else str(data[1])


def _first_byte_text(status: int) -> str:
    if not 0 <= status <= 255:
        return f"{status}, which is no byte"
    if status < 0x80:
        return f"{status:02X}, a data byte"
    return f"{status:02X}, the end of a SysEx" if status == END_OF_SYSEX else f"{status:02X}, an undefined status"


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()
