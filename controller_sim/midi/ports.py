"""Live MIDI output. It needs a backend (the `live` extra) and a device; without either, NoPortError says what is missing."""

from __future__ import annotations

from types import TracebackType
from typing import Any

from controller_sim.midi.edge import to_mido


class NoPortError(Exception):
    """There is no such output; `str()` says what to do about it."""


class LiveOutput:
    """An open output. Close it, or use it in a `with` statement."""

    __slots__ = ("_port", "name")

    def __init__(self, port: Any) -> None:
        self._port = port
        self.name = str(port.name)

    def send(self, data: bytes) -> None:
        """Send one whole message now. Raises MidiError for other bytes, NoPortError if the device has gone."""
        message = to_mido(data)
        try:
            self._port.send(message)
        except Exception as error:  # backends raise their own kinds
            raise NoPortError(f"MIDI output {self.name!r} does not take messages any more: {error}") from None

    def close(self) -> None:
        self._port.close()

    def __enter__(self) -> LiveOutput:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()


def output_names() -> list[str]:
    """The outputs that there are now; raises NoPortError without a backend."""
    import mido

    try:
        return [str(name) for name in mido.get_output_names()]
    except Exception as error:  # backends raise their own kinds
        raise _no_backend(error) from None


def open_output(name: str | None = None) -> LiveOutput:
    """Open the output of that name, or the first one. Raises NoPortError."""
    import mido

    names = output_names()
    if not names:
        raise NoPortError("there is no MIDI output; connect a device")
    if name is None:
        name = names[0]
    elif name not in names:
        raise NoPortError(f"there is no MIDI output {name!r}; there is: {', '.join(map(repr, names))}")
    try:
        return LiveOutput(mido.open_output(name))
    except Exception as error:  # backends raise their own kinds
        raise NoPortError(f"MIDI output {name!r} cannot be opened: {error}") from None


def _no_backend(error: Exception) -> NoPortError:
    if isinstance(error, ImportError):
        return NoPortError("live MIDI output needs python-rtmidi; install it with: pip install controller-sim[live]")
    return NoPortError(f"the MIDI system of this machine cannot be used: {error}")
