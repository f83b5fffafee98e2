"""Standard MIDI Files, written and read through mido."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller_sim.midi.edge import from_mido, to_mido
from controller_sim.midi.messages import SYSEX, MidiError, check_message, is_channel

if TYPE_CHECKING:
    import mido

TEMPO_US = 500_000
"""Microseconds a quarter note in the files written: 120 beats a minute."""
DIVISION = 25_000
"""Ticks a quarter note in the files written: with TEMPO_US a tick is 20 us."""
MAX_DIVISION = 0x7FFF
MAX_DELTA_TICKS = 0x0FFF_FFFF
"""The largest variable-length quantity (Standard MIDI Files 1.0, RP-001)."""


class MidiFileError(Exception):
    """A MIDI file that cannot be read or written; `path` says which."""

    def __init__(self, message: str, path: str | Path) -> None:
        super().__init__(f"{path}: {message}")
        self.message = message
        self.path = Path(path)


def write_midi_file(path: str | Path, messages: Sequence[tuple[int, bytes]], *, division: int = DIVISION, tempo_us: int = TEMPO_US) -> int:
    """Write `(time_us, message)` pairs, sorted by time, as a format 0 file; return how many messages it cannot hold.

    An event stands at the tick nearest to its time, so at most half a tick off (10 us as a rule). Where a pause is longer than one
    delta time can say, the tempo is told again in between, which changes nothing. A file holds channel messages and SysEx; real
    time and system common are left out and counted. The file appears whole or not at all. Raises MidiFileError.
    """
    if not 1 <= division <= MAX_DIVISION:
        raise MidiFileError(f"division {division} is not 1..{MAX_DIVISION}", path)
    if not 1 <= tempo_us <= 0xFF_FFFF:
        raise MidiFileError(f"tempo of {tempo_us} us a quarter note is not 1..{0xFF_FFFF}", path)
    storable = []
    for time_us, data in messages:
        try:
            check_message(data)
        except MidiError as error:
            raise MidiFileError(f"at {time_us} us: {error.message}", path) from None
        if is_channel(data[0]) or data[0] == SYSEX:
            storable.append((time_us, data))
    _save(Path(path), _build(path, storable, division, tempo_us))
    return len(messages) - len(storable)


def _build(path: str | Path, messages: Sequence[tuple[int, bytes]], division: int, tempo_us: int) -> mido.MidiFile:
    import mido

    track = mido.MidiTrack()
    track.append(mido.MetaMessage("time_signature", numerator=4, denominator=4, clocks_per_click=24, notated_32nd_notes_per_beat=8))
    track.append(mido.MetaMessage("set_tempo", tempo=tempo_us))
    last_tick = 0
    for time_us, data in messages:
        tick = (2 * time_us * division + tempo_us) // (2 * tempo_us)
        delta = tick - last_tick
        if delta < 0:
            raise MidiFileError(f"the message at {time_us} us comes before the one in front of it", path)
        while delta > MAX_DELTA_TICKS:
            track.append(mido.MetaMessage("set_tempo", tempo=tempo_us, time=MAX_DELTA_TICKS))
            delta -= MAX_DELTA_TICKS
        track.append(to_mido(data, time=delta))
        last_tick = tick
    track.append(mido.MetaMessage("end_of_track"))
    return mido.MidiFile(type=0, ticks_per_beat=division, tracks=[track])


def _save(path: Path, file: mido.MidiFile) -> None:
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with open(unfinished, "wb") as stream:
            file.save(file=stream)
        os.replace(unfinished, path)
    except OSError as error:
        with suppress(OSError):
            os.unlink(unfinished)
        raise MidiFileError(error.strerror or str(error), path) from None


def read_midi_file(path: str | Path) -> list[tuple[int, bytes]]:
    """The channel and SysEx messages of a format 0 or 1 file, as sorted `(time_us, message)` pairs.

    Times follow the file's tempo changes, rounded to a microsecond. Raises MidiFileError.
    """
    import mido

    try:
        file = mido.MidiFile(path)
    except OSError as error:
        raise MidiFileError(error.strerror or str(error) or "ends in the middle", path) from None
    except Exception as error:  # mido lets many kinds escape from a damaged file
        raise MidiFileError(f"is no MIDI file that can be read ({error or type(error).__name__})", path) from None
    if file.type not in (0, 1):
        raise MidiFileError(f"format {file.type} is not 0 or 1", path)
    if file.ticks_per_beat < 1:
        raise MidiFileError(f"division {file.ticks_per_beat} is not in ticks a quarter note", path)
    if any(event.time > MAX_DELTA_TICKS for track in file.tracks for event in track):
        raise MidiFileError(f"has a pause of over {MAX_DELTA_TICKS} ticks", path)
    return _timed(mido.merge_tracks(file.tracks), file.ticks_per_beat)


def _timed(events: Any, division: int) -> list[tuple[int, bytes]]:
    now_us = Fraction(0)
    tempo_us = 500_000
    result = []
    for event in events:
        now_us += Fraction(event.time * tempo_us, division)
        if event.type == "set_tempo":
            tempo_us = event.tempo
        elif not event.is_meta:
            result.append((int(now_us + Fraction(1, 2)), from_mido(event)))
    return result
