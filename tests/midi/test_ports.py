import sys
from typing import Any

import mido
import pytest

from controller_sim.midi.messages import MidiError
from controller_sim.midi.ports import NoPortError, open_output, output_names


class FakePort:
    def __init__(self, name: str) -> None:
        self.name = name
        self.sent: list[bytes] = []
        self.closed = False

    def send(self, message: Any) -> None:
        if self.closed:
            raise ValueError("send() called on closed port")
        self.sent.append(bytes(message.bytes()))

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[FakePort]:
    ports: list[FakePort] = []

    def open_fake(name: str) -> FakePort:
        if name == "busy":
            raise OSError("in use")
        ports.append(FakePort(name))
        return ports[-1]

    monkeypatch.setattr(mido, "get_output_names", lambda: ["room", "pads", "busy"])
    monkeypatch.setattr(mido, "open_output", open_fake)
    return ports


def test_message_goes_out_as_its_bytes_and_the_port_is_closed(opened: list[FakePort]) -> None:
    with open_output("pads") as output:
        output.send(b"\xc1\x05")
        assert output.name == "pads"
    assert opened[0].sent == [b"\xc1\x05"] and opened[0].closed


def test_without_a_name_the_first_output_is_opened(opened: list[FakePort]) -> None:
    assert open_output().name == "room"


def test_bytes_that_are_no_message_are_refused(opened: list[FakePort]) -> None:
    output = open_output()
    with pytest.raises(MidiError):
        output.send(b"\xf4")
    assert opened[0].sent == []


@pytest.mark.usefixtures("opened")
def test_error_says_which_outputs_there_are() -> None:
    with pytest.raises(NoPortError) as caught:
        open_output("organ")
    assert str(caught.value) == "there is no MIDI output 'organ'; there is: 'room', 'pads', 'busy'"


@pytest.mark.usefixtures("opened")
def test_busy_output_and_one_that_went_away_are_named() -> None:
    with pytest.raises(NoPortError, match="'busy' cannot be opened: in use"):
        open_output("busy")
    output = open_output("pads")
    output.close()
    with pytest.raises(NoPortError, match="'pads' does not take messages any more"):
        output.send(b"\xf8")


def test_no_device_is_said_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mido, "get_output_names", list)
    assert output_names() == []
    with pytest.raises(NoPortError, match="there is no MIDI output; connect a device"):
        open_output()


def test_missing_backend_says_what_to_install(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    monkeypatch.delitem(sys.modules, "mido.backends.rtmidi", raising=False)
    mido.set_backend("mido.backends.rtmidi")
    for attempt in (output_names, open_output):
        with pytest.raises(NoPortError) as caught:
            attempt()
        assert str(caught.value) == "live MIDI output needs python-rtmidi; install it with: pip install controller-sim[live]"
    assert capsys.readouterr() == ("", "")


def test_broken_midi_system_is_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken() -> list[str]:
        raise RuntimeError("no sequencer")

    monkeypatch.setattr(mido, "get_output_names", broken)
    with pytest.raises(NoPortError, match="cannot be used: no sequencer"):
        output_names()
