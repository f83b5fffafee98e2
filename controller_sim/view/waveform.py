"""A run as a waveform: a Value Change Dump (IEEE 1364-2005, 18.2), which waveform viewers read. One unit of its time is a microsecond.

contacts   one wire a switch: 1 while it is pressed, bounce and all
levels     one wire a switch: the same after debouncing; only of a run that was traced
keys       one event for each gesture that a switch or chord can make, and for each fate of a switch's press
pedals     what each pedal last read
mode       the number of the mode; x while there is none. What numbers mean stands in a comment at the head
leds       the value of each LED: 0 off, 1 on, 2 blink, 3 dim, and 4 times the colour more
serial     `line`: every bit as a logic level, 1 at rest; `byte`: what the line carries
usb        one event a packet, at the start of its frame; `data`: its four bytes, first byte highest
power      1 while there is power
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import SERIAL, USB, Design
from controller_sim.design.outputs import FATES, Edge, Ended, Fired, LedSet, Message, ModeEntered, Output, Restarted
from controller_sim.midi.wire import BYTE_US, WireByte, serial_times, usb_times
from controller_sim.simulator import Input

if TYPE_CHECKING:
    from vcd.writer import Variable, VCDWriter

BIT_US = BYTE_US // 10
"""31,250 bits a second: a start bit 0, eight data bits, lowest first, a stop bit 1 (MIDI 1.0 Detailed Specification 4.2.1, p. 1)."""
UNKNOWN = "x"


def line_levels(byte: WireByte) -> Iterator[tuple[int, int]]:
    """The line's levels for one byte: when each bit begins, in microseconds, and what it is."""
    bits = (0, *(byte.value >> n & 1 for n in range(8)), 1)
    for place, bit in enumerate(bits):
        yield byte.start_us + place * BIT_US, bit


def waveform(design: Design, inputs: Sequence[Input], outputs: Sequence[Output], end_us: int, traced: bool = True) -> str:
    """The text of the VCD file for a run that ended at `end_us`.

    `traced` says that the outputs hold debounced edges; without it there are no levels. Needs the library pyvcd (ImportError). What
    comes from the power's last instant before a cut counts as before it.
    """
    from vcd.writer import VCDWriter

    text = io.StringIO()
    writer = VCDWriter(text, timescale="1 us", date="", version="controller-sim", comment="\n".join(_legend(design)))
    dump = _Dump(writer, design, traced)
    changes = list(dump.changes(inputs, outputs))
    changes.sort(key=lambda change: (change.time_us, change.rank))
    # Writes the header and the values at rest, so that what happens at time 0 is told as changes.
    writer.flush()
    for change in changes:
        writer.change(change.variable, change.time_us, change.value)
    writer.close(max([end_us, *(change.time_us for change in changes[-1:])]))
    return text.getvalue()


@dataclass(frozen=True, slots=True)
class _Change:
    time_us: int
    rank: int
    """Of one instant: what the feet do, what comes of it, the power."""
    variable: Variable[object]
    value: int | str


def _legend(design: Design) -> Iterator[str]:
    yield design.title.replace("$", "")
    yield "mode: " + ", ".join(f"{number} {mode.name}" for number, mode in enumerate(design.modes))
    for led, name in enumerate(design.leds):
        yield f"{name}: " + ", ".join(dict.fromkeys(f"{_value_of(design, led, text)} {text}" for text in design.led_texts(led)))


def _value_of(design: Design, led: int, text: str) -> int:
    return next(value for value in range(256) if design.led_text(led, value) == text)


@dataclass(slots=True)
class _Dump:
    """The variables of a design in a dump, by what they are and its number there, and what a run does to them."""

    writer: VCDWriter
    design: Design
    traced: bool
    at: dict[tuple[str, int], Variable[object]] = field(default_factory=dict)
    names: dict[str, set[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        design = self.design
        self._add_all("contacts", design.switches)
        self._add_all("levels", design.switches if self.traced else ())
        for key, gesture in sorted({(binding.key, binding.gesture) for binding in design.bindings}):
            self._add(gesture, key, f"keys.{design.keys[key].name.replace('+', '_and_')}", gesture, "event", 1, 1)
        for number, switch in enumerate(design.switches):
            for fate in FATES:
                self._add(fate, number, f"keys.{switch}", fate, "event", 1, 1)
        for number, pedal in enumerate(design.pedals):
            self._add("pedals", number, "pedals", pedal.name, "reg", 16, pedal.heel)
        self._add_all("leds", design.leds, "reg", 8)
        self._add("mode", 0, "controller", "mode", "reg", 8, UNKNOWN)
        self._add("power", 0, "controller", "power", "wire", 1, 1)
        self._add("line", 0, "serial", "line", "wire", 1, 1)
        self._add("byte", 0, "serial", "byte", "reg", 8, UNKNOWN)
        self._add("packet", 0, "usb", "packet", "event", 1, 1)
        self._add("data", 0, "usb", "data", "reg", 32, UNKNOWN)

    def _add_all(self, scope: str, names: Iterable[str], kind: str = "wire", bits: int = 1) -> None:
        for number, name in enumerate(names):
            self._add(scope, number, scope, name, kind, bits, 0)

    def _add(self, what: str, number: int, scope: str, name: str, kind: str, bits: int, rest: int | str) -> None:
        """A variable; where another of the scope has its name already it gets a number too."""
        taken = self.names.setdefault(scope, set())
        free = name
        while free in taken:
            free = f"{free}_{len(taken)}"
        taken.add(free)
        self.at[what, number] = self.writer.register_var(scope, free, kind, size=bits, init=rest)

    def _change(self, time_us: int, rank: int, what: str, number: int, value: int | str) -> Iterator[_Change]:
        """A change, where the dump has such a variable."""
        if (what, number) in self.at:
            yield _Change(time_us, rank, self.at[what, number], value)

    def changes(self, inputs: Iterable[Input], outputs: Sequence[Output]) -> Iterator[_Change]:
        """Everything that changes; of one instant in the right order, if sorted by time and rank."""
        for item in inputs:
            yield from self._input(item)
        for output in outputs:
            yield from self._output(output)
        for byte in _line_bytes(self.design, outputs):
            yield from self._change(byte.start_us, 1, "byte", 0, byte.value)
            for time_us, level in line_levels(byte):
                yield from self._change(time_us, 1, "line", 0, level)
        for message in usb_times(_messages(outputs, USB)):
            for packet in message.packets:
                yield from self._change(packet.frame_us, 1, "data", 0, int.from_bytes(packet.data, "big"))
                yield from self._change(packet.frame_us, 1, "packet", 0, 1)

    def _input(self, item: Input) -> Iterator[_Change]:
        if item.kind == "contacts":
            for switch in range(len(self.design.switches)):
                yield from self._change(item.time_us, 0, "contacts", switch, item.contacts >> switch & 1)
        elif item.kind == "arrived":
            for arrival in unpack(item.arrived):
                if isinstance(arrival, PedalReading):
                    yield from self._change(item.time_us, 0, "pedals", arrival.pedal, arrival.value)
        else:
            yield from self._change(item.time_us, 2, "power", 0, int(item.kind == "on"))
            yield from self._dark(item.time_us, 2)

    def _dark(self, time_us: int, rank: int) -> Iterator[_Change]:
        """What the end of a power cycle, or a restart, does."""
        yield from self._change(time_us, rank, "mode", 0, UNKNOWN)
        for what, names in (("levels", self.design.switches), ("leds", self.design.leds)):
            for number in range(len(names)):
                yield from self._change(time_us, rank, what, number, 0)

    def _output(self, output: Output) -> Iterator[_Change]:
        time_us = output.time_us
        match output:
            case Fired():
                binding = self.design.bindings[output.binding]
                yield from self._change(time_us, 1, binding.gesture, binding.key, 1)
            case Ended():
                yield from self._change(time_us, 1, output.fate, output.switch, 1)
            case ModeEntered():
                yield from self._change(time_us, 1, "mode", 0, output.mode)
            case LedSet():
                yield from self._change(time_us, 1, "leds", output.led, output.value)
            case Edge():
                yield from self._change(time_us, 1, "levels", output.switch, int(output.down))
            case Restarted():
                yield from self._dark(time_us, 1)


def _messages(outputs: Iterable[Output], port: int) -> list[tuple[int, bytes]]:
    return [(output.time_us, output.data) for output in outputs if isinstance(output, Message) and output.ports & port]


def _line_bytes(design: Design, outputs: Iterable[Output]) -> list[WireByte]:
    wires = serial_times(_messages(outputs, SERIAL), design.running_status)
    return sorted((byte for wire in wires for byte in wire.sent), key=lambda byte: byte.start_us)
