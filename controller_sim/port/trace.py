"""What of a controller can be seen and heard from outside, with its times; the same for every engine and every port."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from controller_sim.design.form import PORT_NAMES, Design
from controller_sim.design.outputs import LedSet, Message, Shown
from controller_sim.design.storage import keeps
from controller_sim.midi.stream import Encoder
from controller_sim.midi.wire import usb_packets
from controller_sim.script.printer import duration_text
from controller_sim.simulator import History, Simulator

NOTHING = "nothing more"
_SHOWN_BYTES = 8

Happening = tuple[int, str]
"""A time in microseconds and what came then."""


@dataclass(slots=True)
class Trace:
    """`outputs`: what came through each way out in order: `serial` and `usb` (bytes), `display` (texts), `led NAME` (its level)."""

    outputs: dict[str, list[Happening]] = field(default_factory=dict)
    image: bytes | None = None
    """What the chip with the kept cells holds at the end; None where nothing is kept."""
    error: str = ""
    """Why a port has stopped before the end."""
    hung: bool = False
    """Whether it had to be stopped because it did not answer: then it is not worth while to try it again."""
    expected: Trace | None = None
    """What should have come, where what the controller has seen is not quite what happened: a board looks at its contacts now and then."""

    def add(self, way: str, time_us: int, what: str) -> None:
        self.outputs.setdefault(way, []).append((time_us, what))


@dataclass(frozen=True, slots=True)
class Difference:
    """The first thing in which a trace is not as it should be."""

    way: str
    time_us: int | None
    """None: of the image, or of the whole run."""
    expected: str
    came: str

    def __str__(self) -> str:
        return f"{self.way}: expected {self.expected}, came {self.came}"


def trace_of(design: Design, history: History, simulator: Simulator) -> Trace:
    """What a simulator has put out in a history that has happened to it."""
    trace = Trace()
    power_on_us = [entry.time_us for entry in history.inputs if entry.kind == "on"]
    serial = Encoder(design.running_status)
    for output in simulator.outputs:
        if isinstance(output, Message):
            if power_on_us and output.time_us > power_on_us[0]:
                # No message leaves at the instant of power-on itself: contacts have to settle first.
                power_on_us = [time_us for time_us in power_on_us if time_us >= output.time_us]
                serial = Encoder(design.running_status)
            _add_message(trace, serial, output)
        elif isinstance(output, Shown):
            trace.add("display", output.time_us, output.text)
        elif isinstance(output, LedSet):
            trace.add(f"led {design.leds[output.led]}", output.time_us, design.led_text(output.led, output.value))
    if keeps(design):
        trace.image = simulator.storage.image
    return trace


def _add_message(trace: Trace, serial: Encoder, message: Message) -> None:
    if message.ports & PORT_NAMES["serial"]:
        trace.add("serial", message.time_us, serial.encode(message.data).hex(" "))
    if message.ports & PORT_NAMES["usb"]:
        for packet in usb_packets(message.data):
            trace.add("usb", message.time_us, packet.hex(" "))


def first_difference(expected: Trace, came: Trace) -> Difference | None:
    """The earliest difference, or None; of several at one time the first way out by name."""
    found = [
        difference
        for way in sorted({*expected.outputs, *came.outputs})
        if (difference := _in_way(way, expected.outputs.get(way, ()), came.outputs.get(way, ()))) is not None
    ]
    if found:
        first = min(found, key=lambda difference: difference.time_us or 0)
        return replace(first, came=f"{first.came} ({came.error})") if came.error else first
    if came.error:
        return Difference("run", None, "no error", came.error)
    if expected.image != came.image:
        return Difference("image", None, *_image_bytes(expected.image, came.image))
    return None


def _in_way(way: str, expected: Sequence[Happening], came: Sequence[Happening]) -> Difference | None:
    for place in range(max(len(expected), len(came))):
        one = expected[place] if place < len(expected) else None
        other = came[place] if place < len(came) else None
        if one != other:
            time_us = min(happening[0] for happening in (one, other) if happening is not None)
            return Difference(way, time_us, _told(one), _told(other))
    return None


def _told(happening: Happening | None) -> str:
    return NOTHING if happening is None else f"{happening[1]!r} at {duration_text(happening[0])}"


def _image_bytes(expected: bytes | None, came: bytes | None) -> tuple[str, str]:
    if expected is None or came is None or len(expected) != len(came):
        return _size(expected), _size(came)
    place = next(place for place in range(len(expected)) if expected[place] != came[place])
    part = slice(place, place + _SHOWN_BYTES)
    return f"{expected[part].hex(' ')} from address {place:#05x} on", came[part].hex(" ")


def _size(image: bytes | None) -> str:
    return "no image" if image is None else f"an image of {len(image)} bytes"
