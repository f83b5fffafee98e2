"""What the accounts of any run of a design look up: facts of its bindings, its messages, and how to say what went wrong."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller_sim.design.form import PORT_NAMES, SERIAL, Controller, Design, Device, Moved
from controller_sim.design.outputs import FATES, Message, decode_one
from controller_sim.midi import MidiError, check_message, describe
from controller_sim.verify.facts import DOUBLED, HELD, REPEATED, Fact, facts, musts, restarts, unclear_switches
from controller_sim.verify.momentary import held_to
from controller_sim.verify.near import Near
from controller_sim.verify.thresholds import rest_us

BYTE_US = 320
"""Ten bits at 31,250 baud (MIDI 1.0 Detailed Specification 4.2.1, p. 1)."""
CONTROLLER = 1 << 20
"""Marks what lasts as a momentary controller."""
BANK_SELECT = (0, 32)
SILENCING = (64, 66, 69, 120, 121, 123)
"""The controllers that silence everything, which any device may be sent."""


class Book:
    """Worked out once for a design and shared by all accounts of it."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.bits = [1 << s for s in range(len(design.switches))]
        self.keys_of = [tuple(k for k, key in enumerate(design.keys) if key.mask >> s & 1) for s in range(len(design.switches))]
        self.facts = facts(design)
        self.handlers: list[tuple[Callable[..., Any], Fact]] = []
        """What the accounts do when a binding fires, filled in by the first of them."""
        self.musts = musts(design)
        self.pairs = 1 + max((fact.pair for fact in self.facts), default=-1)
        self.unclear = unclear_switches(design)
        self.quiet_us = rest_us(design)
        self.restarts = restarts(design)
        self.near = Near(design)
        self.messages: dict[int, int] = {}
        """For each message seen so far how long it takes on the serial line, in microseconds, or -1: it must not be sent."""
        self.momentaries = held_to(design)
        self.lasting: dict[int, tuple[frozenset[int], bool]] = {}
        """The messages among them that begin or end something that lasts: what, at each port, and whether it begins.

        A note is port << 16 | channel << 8 | note; a momentary controller is CONTROLLER | port << 16 | channel << 8 | number.
        """
        repeat = design.timing.repeat
        self._periods = [repeat.first_us, *(us for us, count in repeat.steps for _ in range(count)), repeat.last_us]

    def learn(self, item: int) -> int:
        """Judge a message seen for the first time; the answer is its entry in `messages`."""
        message = decode_one(0, item)
        assert isinstance(message, Message)
        data = message.data
        if self.fault(item) is not None:
            self.messages[item] = -1
            return -1
        if data[0] & 0xE0 == 0x80:
            self.lasting[item] = _lasting(0, message), data[0] >= 0x90 and data[2] > 0
        controls = [each for each in self.momentaries.ons if each.is_for(message.ports, data)]
        if controls:
            self.lasting[item] = _lasting(CONTROLLER, message), any(each.values[0] <= data[2] <= each.values[1] for each in controls)
        serial_us = BYTE_US * len(data) if message.ports & SERIAL else 0
        self.messages[item] = serial_us
        return serial_us

    def fault(self, item: int) -> str | None:
        """Why a message must not be sent, or None."""
        message = decode_one(0, item)
        assert isinstance(message, Message)
        try:
            check_message(message.data)
        except MidiError as error:
            return str(error)
        if message.data[0] >= 0xF0 or self.design.thru:
            return None
        devices = [device for device in self.design.devices if device.channel == message.data[0] & 15]
        if devices and not any(_takes(device, message.data) for device in devices):
            names = " or ".join(device.name for device in devices)
            return f"{describe(message.data)} is nothing that {names} declares"
        return None

    def begun(self, kind: int) -> int:
        """How many different notes (0) or momentary controllers (CONTROLLER) were seen to begin."""
        return len({thing for things, begins in self.lasting.values() if begins for thing in things if thing & CONTROLLER == kind})

    def period_us(self, count: int) -> int:
        """From a key's press, or from its last repeat, to the next, after so many repeats."""
        return self._periods[min(count, len(self._periods) - 1)]

    def switch(self, s: int) -> str:
        return self.design.switches[s]

    def switches(self, mask: int) -> str:
        return " and ".join(name for s, name in enumerate(self.design.switches) if mask >> s & 1)

    def key(self, key: int, s: int) -> str:
        """What has taken a press: a chord by its number, or (a negative one) the switch itself."""
        return self.design.keys[key].name if key >= 0 else f"{self.design.switches[s]} alone"

    def binding(self, fact: Fact) -> str:
        b = self.design.bindings[fact.number]
        return f"{b.gesture} {self.design.keys[b.key].name} of {self.design.modes[b.mode].name}"

    def response(self, number: int) -> str:
        response = self.design.responses[number]
        what = f"move {self.design.pedals[response.cause.pedal].name}" if isinstance(response.cause, Moved) else "what is received"
        return f"{what} of {self.design.modes[response.mode].name} (line {response.place.line})"

    def pair(self, pair: int) -> str:
        fact = next(fact for fact in self.facts if fact.pair == pair)
        return f"{self.design.keys[fact.key].name} in {self.design.modes[fact.mode].name}"

    def fate(self, fate: int) -> str:
        return FATES[fate]

    def took(self, done: int) -> str:
        return "a hold" if done & HELD else "a repeat" if done & REPEATED else "a double" if done & DOUBLED else "a tap"


def _lasting(kind: int, message: Message) -> frozenset[int]:
    """What a note or control change is about, at each port that it goes to."""
    what = kind | (message.data[0] & 15) << 8 | message.data[1]
    return frozenset(what | port << 16 for port in PORT_NAMES.values() if message.ports & port)


def _takes(device: Device, data: bytes) -> bool:
    kind = data[0] & 0xF0
    if kind == 0xC0:
        return device.programs is not None and device.programs[0] <= data[1] <= device.programs[1]
    if kind == 0x90 and data[2]:
        return device.notes is None or device.notes[0] <= data[1] <= device.notes[1]
    if kind == 0xB0 and device.controllers is not None:
        return data[1] in (*BANK_SELECT, *SILENCING) or any(_controls(controller, data[1], data[2]) for controller in device.controllers)
    return True


def _controls(controller: Controller, number: int, value: int) -> bool:
    if controller.bits == 14:
        return number in (controller.number, controller.lower_number)
    return number == controller.number and (controller.low <= value <= controller.high or value in (controller.on, controller.off))
