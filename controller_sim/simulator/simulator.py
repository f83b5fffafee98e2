"""A design under your feet: press switches, let time pass, look at what the controller shows and sends."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from controller_sim.core.kinds import midi_bytes, pedal_reading
from controller_sim.design.form import PORT_NAMES, Cell, Design
from controller_sim.design.outputs import Message, Output
from controller_sim.design.storage import first_kept, keeps
from controller_sim.simulator.engines import Engine, EngineFactory
from controller_sim.simulator.errors import SimulatorError
from controller_sim.simulator.storage import Storage

if TYPE_CHECKING:
    import mido

    from controller_sim.midi.wire import UsbMessage, WireMessage

TAP_US = 60_000
"""How long a tap lasts when nothing else is said."""
GAP_US = 100_000
"""From the first release of a double to its second press when nothing else is said."""
_DURATION = re.compile(r"([0-9]+(?:\.[0-9]+)?)(us|ms|s)")
_UNIT_US = {"us": 1, "ms": 1000, "s": 1_000_000}


@dataclass(frozen=True, slots=True)
class PowerCut:
    """The power fails while a save writes its byte `byte` (from 1), which then holds `leaving`; None: what it held before."""

    byte: int
    leaving: int | None = None


@dataclass(frozen=True, slots=True)
class Input:
    """What happened to the controller at an instant: `contacts` (the word that is now down), `arrived`, `off` or `on`."""

    time_us: int
    kind: str
    contacts: int
    arrived: tuple[int, ...] = ()
    """Pedal readings and MIDI bytes, packed as core.kinds says."""
    cut: PowerCut | None = None
    """Where in a save the power went off."""


def duration_us(text: int | str) -> int:
    """A duration as whole microseconds: an integer of microseconds, or a text such as `250us`, `60ms`, `1.5s`.

    Raises SimulatorError for anything else, and for a duration that is no whole number of microseconds or negative.
    """
    if isinstance(text, int):
        if text < 0:
            raise SimulatorError(f"a duration of {text} us is negative")
        return text
    match = _DURATION.fullmatch(text)
    if match is None:
        raise SimulatorError(f"{text!r} is no duration; write one like 250us, 60ms or 1.5s")
    exact = Fraction(match[1]) * _UNIT_US[match[2]]
    if exact.denominator != 1:
        raise SimulatorError(f"{text} is no whole number of microseconds")
    return int(exact)


def unknown_name(what: str, name: str, known: Iterable[str]) -> str:
    """The message for a name that is not there, with the nearest one that is."""
    names = list(known)
    nearest = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    if nearest:
        return f"there is no {what} {name!r}; did you mean {nearest[0]!r}?"
    return f"there is no {what} {name!r}" + (f"; there is {', '.join(names)}" if names else f"; the design has no {what}")


def cell_offset(design: Design, name: str, indices: Sequence[int]) -> tuple[Cell, int]:
    """A cell and where its element stands in an engine's flat memory. Raises SimulatorError."""
    cell = next((cell for cell in design.cells if cell.name == name), None)
    if cell is None:
        raise SimulatorError(unknown_name("memory cell", name, (cell.name for cell in design.cells)))
    if len(indices) != len(cell.shape):
        raise SimulatorError(f"{name} takes {_counted(len(cell.shape))}, not {len(indices)}")
    offset = 0
    for index, size in zip(indices, cell.shape, strict=True):
        if not 0 <= index < size:
            raise SimulatorError(f"index {index} of {name} is not in 0..{size - 1}")
        offset = offset * size + index
    return cell, cell.offset + offset


def _counted(indices: int) -> str:
    return ("no index", "one index", "two indices")[indices] if indices < 3 else f"{indices} indices"


class Memory:
    """The cells of a running controller: `memory["act"]`, `memory["cue", 1, 2]`."""

    def __init__(self, simulator: Simulator) -> None:
        self._simulator = simulator

    def __getitem__(self, key: str | tuple[str | int, ...]) -> int:
        name, *indices = (key,) if isinstance(key, str) else key
        if not isinstance(name, str) or not all(isinstance(index, int) for index in indices):
            raise SimulatorError('write memory["name"] or memory["name", 1, 2]')
        _, offset = cell_offset(self._simulator.design, name, [int(index) for index in indices])
        return self._simulator.powered_engine().cells[offset]


class Simulator:
    """A controller built to a design, powered on at time 0 with all switches up and all pedals at the heel.

    Times are whole microseconds since then. A duration is an int of microseconds or a text such as `500ms`. A switch
    is named as in the design; `a+c` names several. All that is done at one time is one instant; looking at
    the controller closes the instant, and what is done after that at the same time is a second instant of that time.
    `engine` is `fast`, `reference` or what makes another. `image` is what the chip with the kept cells holds at first;
    without it the chip is blank.
    Every method raises SimulatorError for names the design does not have; power-on does for an image that is refused.
    """

    def __init__(self, design: Design, engine: str | EngineFactory = "fast", trace: bool = False, image: bytes | None = None) -> None:
        self.design = design
        self.engine_name = engine if isinstance(engine, str) else engine.__name__
        self._make_engine = None if isinstance(engine, str) else engine
        self.inputs: list[Input] = []
        """Everything that happened to contacts and power, in order of time."""
        self._trace = trace
        self._now_us = 0
        self._word = 0
        self._seen_word = 0
        self._keeps = keeps(design)
        self._readings = [pedal.heel for pedal in design.pedals]
        self._kept: tuple[int, ...] | None = None
        """The kept values as last saved; None on a blank chip."""
        self._storage: Storage | None = None
        if image is not None:
            self._storage = Storage(design, image)
        self._outputs: list[Output] = []
        self._arrived: tuple[int, ...] = ()
        self._pending = True
        self._cut: PowerCut | None = None
        self._missed_cut: str | None = None
        self._engine: Engine | None = self._new_engine()

    def _new_engine(self) -> Engine:
        """An engine at power-on; it reads every pedal at once, as a controller does."""
        if self._storage is not None:
            self._kept = self._storage.power_on()
        self._seen_word = 0
        self._arrived = tuple(pedal_reading(number, value) for number, value in enumerate(self._readings))
        if self._make_engine is not None:
            return self._make_engine(self.design, self._now_us, self._kept, self._trace)
        if self.engine_name == "fast":
            from controller_sim.design.fast import FastEngine

            return FastEngine(self.design, now_us=self._now_us, kept=self._kept, trace=self._trace)
        if self.engine_name == "reference":
            from controller_sim.reference import ReferenceEngine

            return ReferenceEngine(self.design, now_us=self._now_us, kept=self._kept, trace=self._trace)
        raise SimulatorError(unknown_name("engine", self.engine_name, ("fast", "reference")))

    def press(self, *switches: str) -> None:
        """Close the contacts of switches that are up, now."""
        self.change(self._word | self._mask(switches, down=True))

    def release(self, *switches: str) -> None:
        """Open the contacts of switches that are down, now."""
        self.change(self._word & ~self._mask(switches, down=False))

    def tap(self, key: str, length: int | str = TAP_US) -> None:
        """Press a switch or chord, let `length` pass, release it."""
        length_us = duration_us(length)
        if length_us == 0:
            raise SimulatorError("a tap takes at least 1us")
        self.press(key)
        self.wait(length_us)
        self.release(key)

    def hold(self, key: str, length: int | str) -> None:
        """The same as `tap`, for those who say hold; the time is at the release afterwards."""
        self.tap(key, length)

    def wait(self, duration: int | str) -> None:
        """Let time pass."""
        self.advance_to(self._now_us + duration_us(duration))

    def advance_to(self, time_us: int) -> None:
        """Let time pass until `time_us`, which must not lie in the past."""
        if time_us < self._now_us:
            raise SimulatorError(f"{time_us} us has gone by; it is {self._now_us} us")
        if time_us > self._now_us:
            # Contacts that changed at this instant have been so since then: they must be seen before time moves.
            if self._arrived or (self.inputs and self.inputs[-1].time_us == self._now_us):
                self._settle()
            self._now_us = time_us
            self._pending = True

    def change(self, contacts: int) -> None:
        """Set all contacts at once, now: bit i is switch i, 1 is down."""
        if not 0 <= contacts < 1 << len(self.design.switches):
            raise SimulatorError(f"contacts {contacts:#x} name more than the {len(self.design.switches)} switches")
        if contacts == self._word:
            return
        self._word = contacts
        self._pending = True
        self.inputs.append(Input(self._now_us, "contacts", contacts))

    def turn(self, pedal: str, value: int) -> None:
        """A pedal is read, now: `value` is the raw reading, in what the design says it reads."""
        number = self._pedal(pedal)
        low, high = self.design.pedals[number].reads
        if not low <= value <= high:
            raise SimulatorError(f"{pedal} reads {low}..{high}; it never reads {value}")
        self._readings[number] = value
        self._arrive((pedal_reading(number, value),))

    def receive(self, data: bytes | str, port: str = "serial") -> None:
        """MIDI bytes (hexadecimal in a text, such as `C9 05`) arrive at a port, now; they need not be whole messages."""
        if isinstance(data, str):
            try:
                data = bytes.fromhex(data)
            except ValueError:
                raise SimulatorError(f"{data!r} is no row of hexadecimal bytes such as C9 05") from None
        self._arrive(midi_bytes(self._port(port), data))

    def _arrive(self, arrived: tuple[int, ...]) -> None:
        """Without power a pedal's new place is all that remains of it."""
        if not arrived:
            return
        self.inputs.append(Input(self._now_us, "arrived", self._word, arrived))
        if self._engine is not None:
            self._arrived += arrived
            self._pending = True

    def reading(self, pedal: str) -> int:
        """The last raw reading of a pedal."""
        return self._readings[self._pedal(pedal)]

    def _pedal(self, name: str) -> int:
        names = [pedal.name for pedal in self.design.pedals]
        if name not in names:
            raise SimulatorError(unknown_name("pedal", name, names))
        return names.index(name)

    def power_off(self) -> None:
        """Cut the power. What happened at this time before is seen and saved; kept cells survive."""
        self._settle()
        if self._engine is None:
            raise SimulatorError("the power is off already")
        self._engine = None
        self.inputs.append(Input(self._now_us, "off", self._word))

    def power_on(self, *held: str) -> None:
        """Give power with these switches held down besides those that are down; cuts it first if it is on."""
        mask = self._mask(held, down=True)
        if self.powered:
            self.power_off()
        self.inputs.append(Input(self._now_us, "on", self._word))
        self._engine = self._new_engine()
        self._pending = True
        self.change(self._word | mask)

    def cut_next_save(self, byte: int, leaving: int | None = None) -> None:
        """Let the power fail while the next save, one of this instant included, writes its byte `byte`, counted from 1.

        That byte then holds `leaving`, or what it held before; those before it are written. Raises SimulatorError where nothing is kept.
        """
        if not self._keeps:
            raise SimulatorError("the design keeps nothing without power")
        if byte < 1:
            raise SimulatorError("the bytes of a save count from 1")
        self._cut, self._missed_cut = PowerCut(byte, leaving), None

    def missed_cut(self) -> str | None:
        """Why the power has not failed as `cut_next_save` asked for; None if it has. What was asked for is then forgotten."""
        self._settle()
        missed = "no save" if self._cut is not None else self._missed_cut
        self._cut = self._missed_cut = None
        return missed

    def _mask(self, switches: Sequence[str], down: bool) -> int:
        mask = 0
        for name in (name for key in switches for name in key.split("+")):
            if name not in self.design.switches:
                raise SimulatorError(unknown_name("switch", name, self.design.switches))
            bit = 1 << self.design.switches.index(name)
            if bool((self._word ^ mask) & bit) == down:
                raise SimulatorError(f"switch {name!r} is {'down' if down else 'up'} already")
            mask |= bit
        return mask

    def _settle(self) -> None:
        """Let the engine catch up with the present instant."""
        engine = self._engine
        if self._pending and engine is not None:
            if self._keeps:
                # Instant by instant: what an instant changes in kept cells is saved at its end.
                while self._engine and (due_us := engine.next_deadline_us()) is not None and due_us < self._now_us:
                    engine.advance(due_us, self._seen_word)
                    self._save(engine, due_us, self._seen_word)
            if self._engine:
                engine.advance(self._now_us, self._word, self._arrived)
                if self._keeps:
                    self._save(engine, self._now_us, self._word)
            self._arrived = ()
            self._seen_word = self._word
            self._outputs += engine.take_outputs()
        self._pending = False

    def _save(self, engine: Engine, time_us: int, word: int) -> None:
        kept = tuple(engine.kept())
        if self._kept is None:
            self._kept = first_kept(self.design)
        if kept == self._kept:
            return
        cut, self._cut = self._cut, None
        if cut is None:
            self._chip().save(self._kept, kept, time_us)
        elif (written := self._chip().save_cut_off(self._kept, kept, time_us, cut.byte, cut.leaving)) < cut.byte:
            self._missed_cut = f"the next save, at {time_us} us, wrote {written} bytes"
        else:
            self._engine = None
            later = sum(entry.time_us > time_us for entry in self.inputs)
            self.inputs.insert(len(self.inputs) - later, Input(time_us, "off", word, cut=cut))
        self._kept = kept

    def powered_engine(self) -> Engine:
        """The engine, up to date. Raises SimulatorError while the power is off."""
        self._settle()
        if self._engine is None:
            raise SimulatorError("the power is off")
        return self._engine

    @property
    def now_us(self) -> int:
        return self._now_us

    @property
    def contacts(self) -> int:
        """The word of contacts that are down: bit i is switch i."""
        return self._word

    @property
    def powered(self) -> bool:
        if self._cut is not None:
            self._settle()
        return self._engine is not None

    @property
    def next_deadline_us(self) -> int | None:
        """When the controller will next do something by itself; None: never, or the power is off."""
        return self.powered_engine().next_deadline_us() if self.powered else None

    @property
    def outputs(self) -> list[Output]:
        """Everything put out so far, in order, over all power cycles. The same list each time: copy it to keep it."""
        self._settle()
        return self._outputs

    @property
    def display(self) -> str:
        """The display's text, lines separated by newlines; empty while the power is off."""
        return self.powered_engine().display if self.powered else ""

    @property
    def leds(self) -> dict[str, str]:
        """What each LED shows: off, on, blink or dim, or with colours off, red, blink red or dim red."""
        values = self.powered_engine().leds if self.powered else [0] * len(self.design.leds)
        return {name: self.design.led_text(led, value) for led, (name, value) in enumerate(zip(self.design.leds, values, strict=True))}

    @property
    def positions(self) -> dict[str, int]:
        """Where each pedal stands, in what it gives. Raises SimulatorError while the power is off."""
        return {pedal.name: position for pedal, position in zip(self.design.pedals, self.powered_engine().positions, strict=True)}

    @property
    def mode(self) -> str | None:
        """The current mode's name; None until the contacts have settled after power-on, and without power."""
        if not self.powered:
            return None
        number = self.powered_engine().mode
        return self.design.modes[number].name if number >= 0 else None

    @property
    def memory(self) -> Memory:
        return Memory(self)

    @property
    def storage(self) -> Storage:
        """The chip that holds the kept cells; saves are in it as soon as the instant that made them is over."""
        self._settle()
        return self._chip()

    def _chip(self) -> Storage:
        if self._storage is None:
            # A blank chip starts as the design does, so that it is only needed once something changes.
            self._storage = Storage(self.design)
            self._storage.power_on()
        return self._storage

    @property
    def tempo(self) -> int:
        """Beats a minute."""
        return self.powered_engine().tempo

    @property
    def clock_running(self) -> bool:
        return bool(self.powered_engine().clock_running)

    def sent(self, port: str | None = None) -> list[Message]:
        """The MIDI messages handed over so far, to all ports or to `serial` or `usb`."""
        ports = sum(PORT_NAMES.values()) if port is None else self._port(port)
        return [output for output in self.outputs if isinstance(output, Message) and output.ports & ports]

    @property
    def messages(self) -> list[mido.Message]:
        """What `sent` gives, as mido's messages; their time is in seconds since time 0."""
        from controller_sim.midi.edge import to_mido

        return [to_mido(message.data, message.time_us / 1_000_000) for message in self.sent()]

    def serial_wire(self) -> list[WireMessage]:
        """Every byte sent to the serial port with its start and end."""
        from controller_sim.midi.wire import serial_times

        return serial_times([(message.time_us, message.data) for message in self.sent("serial")], self.design.running_status)

    def usb_wire(self) -> list[UsbMessage]:
        """Every packet sent to the USB port with its frame."""
        from controller_sim.midi.wire import usb_times

        return usb_times([(message.time_us, message.data) for message in self.sent("usb")])

    def _port(self, name: str) -> int:
        if name not in PORT_NAMES:
            raise SimulatorError(unknown_name("port", name, PORT_NAMES))
        return PORT_NAMES[name]
