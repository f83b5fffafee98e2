"""Plain bytes to mido's messages and back. mido is imported only when one is asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller_sim.midi.messages import check_message

if TYPE_CHECKING:
    import mido


def to_mido(data: bytes, time: float = 0) -> mido.Message:
    """One whole message as mido's; `time` is in whatever unit the taker wants. Raises MidiError for other bytes."""
    import mido

    check_message(data)
    return mido.Message.from_bytes(data, time=time)


def from_mido(message: mido.Message) -> bytes:
    """The bytes of one of mido's messages; its time is dropped."""
    return bytes(message.bytes())
