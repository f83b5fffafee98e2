from pathlib import Path
from tempfile import TemporaryDirectory

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.midi.files import DIVISION, MAX_DELTA_TICKS, MidiFileError, read_midi_file, write_midi_file
from controller_sim.midi.messages import STATUS_TABLE, message_length


def _message_of(status: int) -> st.SearchStrategy[bytes]:
    length = message_length(status)
    if length is None:
        return st.lists(st.integers(0, 127), max_size=200).map(lambda body: bytes([status, *body, 0xF7]))
    return st.tuples(*[st.integers(0, 127)] * (length - 1)).map(lambda body: bytes([status, *body]))


MESSAGES = st.sampled_from(sorted(STATUS_TABLE)).flatmap(_message_of)
TIMES_US = st.integers(0, 10**9) | st.integers(0, 10**12)
TIMED = st.lists(st.tuples(TIMES_US, MESSAGES), max_size=15).map(lambda items: sorted(items, key=lambda item: item[0]))
NOTE = b"\x90\x3c\x27"


@given(TIMED, st.sampled_from([1, 96, DIVISION, 0x7FFF]))
def test_file_gives_back_the_messages_within_one_tick(messages: list[tuple[int, bytes]], division: int) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder, "run.mid")
        left_out = write_midi_file(path, messages, division=division)
        found = read_midi_file(path)
        assert [entry.name for entry in Path(folder).iterdir()] == ["run.mid"]
    kept = [(time, data) for time, data in messages if data[0] <= 0xF0]
    assert [data for _, data in found] == [data for _, data in kept]
    assert left_out == len(messages) - len(kept)
    half_tick_us = 500_000 / division / 2
    assert all(abs(there - here) <= half_tick_us + 1 for (there, _), (here, _) in zip(found, kept, strict=True))


@given(st.binary(max_size=60), st.booleans())
def test_damaged_file_is_one_clear_error_or_messages(noise: bytes, headed: bool) -> None:
    with TemporaryDirectory() as folder:
        path = Path(folder, "noise.mid")
        header = b"MThd\0\0\0\6\0\0\0\1\0\x60MTrk" + len(noise).to_bytes(4, "big") if headed else b""
        path.write_bytes(header + noise)
        try:
            read_midi_file(path)
        except MidiFileError as error:
            assert str(error).startswith(f"{path}: ") and "\n" not in str(error)


@pytest.mark.parametrize(("pause_ticks", "bridges"), [(MAX_DELTA_TICKS, 0), (MAX_DELTA_TICKS + 1, 1), (3 * MAX_DELTA_TICKS + 7, 3)])
def test_a_pause_longer_than_a_delta_time_is_bridged_by_the_tempo_told_again(tmp_path: Path, pause_ticks: int, bridges: int) -> None:
    path = tmp_path / "long.mid"
    write_midi_file(path, [(0, NOTE), (20 * pause_ticks, NOTE)])
    assert read_midi_file(path) == [(0, NOTE), (20 * pause_ticks, NOTE)]
    events = list(mido.MidiFile(path).tracks[0])
    assert max(event.time for event in events) <= MAX_DELTA_TICKS
    assert sum(event.time for event in events) == pause_ticks
    assert [event.tempo for event in events if event.type == "set_tempo"] == [500_000] * (1 + bridges)


@pytest.mark.parametrize(
    ("arguments", "error"),
    [
        ({"messages": [(5, NOTE), (-100, NOTE)]}, "the message at -100 us comes before the one in front of it"),
        ({"messages": [(7, b"\x90")]}, "at 7 us: note_on has 3 bytes, not 1: 90"),
        ({"messages": [], "division": 0x8000}, "division 32768 is not 1..32767"),
        ({"messages": [], "tempo_us": 0x1000000}, "tempo of 16777216 us a quarter note is not 1..16777215"),
    ],
)
def test_error_names_the_file_and_what_is_wrong(tmp_path: Path, arguments: dict[str, object], error: str) -> None:
    path = tmp_path / "run.mid"
    with pytest.raises(MidiFileError) as caught:
        write_midi_file(path, **arguments)  # type: ignore[arg-type]
    assert str(caught.value) == f"{path}: {error}"
    assert caught.value.path == path
    assert list(tmp_path.iterdir()) == []


def test_missing_folder_and_missing_file_are_named(tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "run.mid"
    with pytest.raises(MidiFileError, match=r"run\.mid: No such file"):
        write_midi_file(path, [])
    with pytest.raises(MidiFileError, match=r"run\.mid: No such file"):
        read_midi_file(path)


def test_failed_write_leaves_nothing_behind(tmp_path: Path) -> None:
    (tmp_path / "run.mid").mkdir()
    with pytest.raises(MidiFileError):
        write_midi_file(tmp_path / "run.mid", [(0, NOTE)])
    assert [entry.name for entry in tmp_path.iterdir()] == ["run.mid"]


@pytest.mark.parametrize(
    ("header", "error"), [("00 02 00 01 00 60", "format 2 is not 0 or 1"), ("00 00 00 01 e7 28", "is not in ticks a quarter note")]
)
def test_files_that_have_no_one_time_line_are_refused(tmp_path: Path, header: str, error: str) -> None:
    path = tmp_path / "odd.mid"
    path.write_bytes(b"MThd" + bytes.fromhex("00 00 00 06" + header) + b"MTrk" + bytes.fromhex("00 00 00 04 00 ff 2f 00"))
    with pytest.raises(MidiFileError, match=error):
        read_midi_file(path)
