"""Standard MIDI Files 1.0 (RP-001), as quoted by second parties that agree; symusic reads what we write, mido reads the table's bytes."""

import json
from pathlib import Path
from typing import Any

import pytest
import symusic

from controller_sim.midi.files import MidiFileError, read_midi_file, write_midi_file

VECTORS = json.loads(Path(__file__).with_name("midi_vectors.json").read_text())
EXAMPLE = bytes.fromhex(VECTORS["smf_format0"]["bytes"])
EXAMPLE_EVENTS = [(tick, bytes.fromhex(data)) for tick, data in VECTORS["smf_format0"]["events"] if not data.startswith("ff")]
VLQ = {int(number, 16): bytes.fromhex(data) for number, data in VECTORS["vlq"]["cases"].items()}
NOTE = bytes.fromhex("90 3c 27")


def as_microseconds(tick: int, division: int = 96) -> int:
    return (2 * tick * 500_000 + division) // (2 * division)


def file_with_pause(pause: bytes, division: int = 96, after: bytes = b"") -> bytes:
    track = pause + NOTE + after + bytes.fromhex("00 ff 2f 00")
    return (
        b"MThd" + bytes.fromhex("00 00 00 06 00 00 00 01") + division.to_bytes(2, "big") + b"MTrk" + len(track).to_bytes(4, "big") + track
    )


def test_format_0_example_is_written_byte_for_byte(tmp_path: Path) -> None:
    path = tmp_path / "example.mid"
    write_midi_file(path, [(as_microseconds(tick), data) for tick, data in EXAMPLE_EVENTS], division=96)
    assert path.read_bytes().hex(" ") == EXAMPLE.hex(" ")
    assert len(EXAMPLE) == 81


def test_format_0_example_is_read_at_its_ticks(tmp_path: Path) -> None:
    path = tmp_path / "example.mid"
    path.write_bytes(EXAMPLE)
    assert read_midi_file(path) == [(as_microseconds(tick), data) for tick, data in EXAMPLE_EVENTS]
    assert read_midi_file(path)[-1][0] == 2_000_000


def test_independent_reader_finds_the_events_at_our_ticks(tmp_path: Path) -> None:
    path = tmp_path / "run.mid"
    write_midi_file(
        path,
        [
            (0, bytes.fromhex("91 3c 64")),
            (1_000, bytes.fromhex("b1 50 40")),
            (12_345, bytes.fromhex("81 3c 40")),
            (500_009, bytes.fromhex("e1 00 50")),
            (3_600_000_000, bytes.fromhex("b1 50 7f")),
        ],
    )
    score: Any = symusic.Score(str(path))
    assert score.ticks_per_quarter == 25_000
    (track,) = score.tracks
    assert [(note.start, note.end, note.pitch, note.velocity) for note in track.notes] == [(0, 617, 60, 100)]
    assert [(event.time, event.number, event.value) for event in track.controls] == [(50, 80, 64), (180_000_000, 80, 127)]
    assert [(event.time, event.value) for event in track.pitch_bends] == [(25_000, 2048)]
    assert [(event.time, event.mspq) for event in score.tempos] == [(0, 500_000)]


@pytest.mark.parametrize(("ticks", "data"), VLQ.items())
def test_variable_length_quantities_are_read_as_the_table_says(tmp_path: Path, ticks: int, data: bytes) -> None:
    path = tmp_path / "pause.mid"
    path.write_bytes(file_with_pause(data))
    assert read_midi_file(path) == [(as_microseconds(ticks), NOTE)]
    path.write_bytes(file_with_pause(data, after=bytes.fromhex("10 80 3c 40")))
    score: Any = symusic.Score(str(path))
    assert [(note.start, note.end) for note in score.tracks[0].notes] == [(ticks, ticks + 16)]


@pytest.mark.parametrize(("ticks", "data"), VLQ.items())
def test_variable_length_quantities_are_written_as_the_table_says(tmp_path: Path, ticks: int, data: bytes) -> None:
    path = tmp_path / "pause.mid"
    write_midi_file(path, [(as_microseconds(ticks), NOTE)], division=96)
    assert path.read_bytes().endswith(bytes.fromhex("07 a1 20") + data + NOTE + bytes.fromhex("00 ff 2f 00"))


def test_a_quantity_over_0fffffff_is_not_read_and_a_longer_pause_is_two_quantities(tmp_path: Path) -> None:
    """RP-001: 0FFFFFFF is the largest; a meta event (here FF 51 03, the same tempo again) may stand anywhere and has its own delta time."""
    path = tmp_path / "pause.mid"
    write_midi_file(path, [(as_microseconds(0x1000_0000), NOTE), (as_microseconds(0x1000_0010), bytes.fromhex("80 3c 40"))], division=96)
    tempo = bytes.fromhex("ff 51 03 07 a1 20")
    bridged = VLQ[0x0FFF_FFFF] + tempo + b"\x01" + NOTE + bytes.fromhex("10 80 3c 40 00 ff 2f 00")
    assert path.read_bytes().endswith(b"\x00" + tempo + bridged)
    score: Any = symusic.Score(str(path))
    assert [(note.start, note.end) for note in score.tracks[0].notes] == [(0x1000_0000, 0x1000_0010)]
    path.write_bytes(file_with_pause(bytes.fromhex("81 80 80 80 00")))
    with pytest.raises(MidiFileError):
        read_midi_file(path)


def test_time_formula_gives_32_seconds_for_6144_ticks(tmp_path: Path) -> None:
    example = VECTORS["smf_time"]
    assert example["us_per_quarter"] == 500_000
    path = tmp_path / "pause.mid"
    path.write_bytes(file_with_pause(bytes.fromhex("b0 00"), example["division"]))
    assert read_midi_file(path) == [(example["ms"] * 1000, NOTE)]


def test_tempo_changes_move_what_follows(tmp_path: Path) -> None:
    """Time is ticks times tempo over division; 132 beats a minute is 454,545 us a quarter note."""
    tempo = bytes.fromhex("60 ff 51 03") + (454_545).to_bytes(3, "big")
    track = tempo + b"\x60" + NOTE + bytes.fromhex("00 ff 2f 00")
    path = tmp_path / "tempo.mid"
    path.write_bytes(b"MThd" + bytes.fromhex("00 00 00 06 00 00 00 01 00 60") + b"MTrk" + len(track).to_bytes(4, "big") + track)
    assert read_midi_file(path) == [(500_000 + 454_545, NOTE)]


def test_status_is_written_again_after_sysex(tmp_path: Path) -> None:
    """SysEx and meta events cancel running status in a file; judged on bytes, since readers are lenient."""
    path = tmp_path / "run.mid"
    write_midi_file(path, [(0, NOTE), (0, bytes.fromhex("f0 7d 01 f7")), (0, NOTE)], division=96)
    assert path.read_bytes().endswith(bytes.fromhex("00 90 3c 27 00 f0 03 7d 01 f7 00 90 3c 27 00 ff 2f 00"))


def test_real_time_and_system_common_are_left_out_and_counted(tmp_path: Path) -> None:
    """A file has no event for them (they need an escape, which few readers take)."""
    path = tmp_path / "run.mid"
    messages = [(0, b"\xfa"), (0, b"\xf8"), (10, NOTE), (20, b"\xf2\x00\x00"), (30, b"\xf6")]
    assert write_midi_file(path, messages) == 4
    assert [data for _, data in read_midi_file(path)] == [NOTE]
