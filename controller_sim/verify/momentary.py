"""Controllers that are on for as long as a foot is down: which ones a design has, and where something else has a say in them.

A control change is momentary where a press sends it with one value and the release of the same key sends it with another; also
where a press sends the value that its device declares as `on`, and the release one that a device declares as `off`, be it of
another controller: then the release lets go of the wrong one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from controller_sim.core.kinds import kind_of
from controller_sim.design.form import Action, Controller, Design
from controller_sim.design.intervals import Interval
from controller_sim.design.program import Send
from controller_sim.design.steps import statements_in
from controller_sim.verify.remembered import remembered
from controller_sim.verify.unfolding import unfolded

CONTROL_CHANGE = 0xB0


@dataclass(frozen=True, slots=True)
class Control:
    """Control changes that an action may send: to some ports, on one channel, to one of some controllers, with one of some values."""

    ports: int
    channel: int
    """0..15, as on the wire."""
    numbers: Interval
    values: Interval

    def is_for(self, ports: int, data: bytes) -> bool:
        """Whether a message is for one of these controllers, whatever its value."""
        return bool(ports & self.ports) and data[0] == CONTROL_CHANGE | self.channel and self.numbers[0] <= data[1] <= self.numbers[1]

    def meets(self, other: Control) -> bool:
        """Whether both may be one and the same message, at some port."""
        return self.same_controller(other) and _overlap(self.values, other.values)

    def same_controller(self, other: Control) -> bool:
        return bool(self.ports & other.ports) and self.channel == other.channel and _overlap(self.numbers, other.numbers)


def _overlap(one: Interval, other: Interval) -> bool:
    return one[0] <= other[1] and other[0] <= one[1]


def sent_by(design: Design, action: Action) -> Iterator[Control]:
    """The control changes that an action may send."""
    for each in statements_in(unfolded(design, action)):
        if isinstance(each, Send) and each.data[0].low == each.data[0].high and each.data[0].low & 0xF0 == CONTROL_CHANGE:
            _, number, value = each.data
            yield Control(each.ports, each.data[0].low & 15, (number.low, number.high), (value.low, value.high))


class Momentaries:
    """The momentary controllers of a design. Those that something else may leave on are not held to anything."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.loose: list[str] = []
        """Of those that are not held to anything, why not."""
        self.ons: list[Control] = []
        pairs = {(on, number) for number, release in self._releases() for on in self._momentary(number, release)}
        others = list(self._others(pairs))
        for on in sorted({on for on, _ in pairs}, key=lambda on: (on.channel, on.ports, on.numbers, on.values)):
            name = next((name for name, control in others if control.meets(on)), None)
            if name is None:
                self.ons.append(on)
            else:
                self.loose.append(f"{name} may leave {self.named(on.ports, on.channel, on.numbers[0])} on as well")

    def _releases(self) -> Iterator[tuple[int, int]]:
        """Each press with the release of its key, by number, where both always come."""
        design = self.design
        releases = {(b.mode, b.key): number for number, b in enumerate(design.bindings) if b.gesture == "release" and b.condition is None}
        for number, b in enumerate(design.bindings):
            if b.gesture == "press" and b.condition is None and (b.mode, b.key) in releases:
                yield number, releases[b.mode, b.key]

    def _momentary(self, press: int, release: int) -> Iterator[Control]:
        offs = list(sent_by(self.design, self.design.bindings[release].action))
        lets_go = any(self._is_declared(off, "off") for off in offs)
        for on in sent_by(self.design, self.design.bindings[press].action):
            own = any(on.same_controller(off) and on.ports == off.ports and not _overlap(on.values, off.values) for off in offs)
            if own or (lets_go and self._is_declared(on, "on")):
                yield on

    def _others(self, pairs: set[tuple[Control, int]]) -> Iterator[tuple[str, Control]]:
        """What else the design may send: by what, and what."""
        design = self.design
        for number, b in enumerate(design.bindings):
            for control in sent_by(design, b.action):
                if (control, number) not in pairs:
                    yield f"{b.gesture} {design.keys[b.key].name} of {design.modes[b.mode].name}", control
        actions = [(f"entering {m.name}", m.enter) for m in design.modes] + [(f"leaving {m.name}", m.leave) for m in design.modes]
        actions += [(f"a timer of {m.name}", t.action) for m in design.modes for t in m.timers]
        actions += [("power-on", action) for action in (design.every_power_on, *(b.action for b in design.power_on))]
        actions += [("what arrives", Action(r.procedure, ())) for r in design.responses]
        for name, action in actions:
            if action is not None:
                for control in sent_by(design, action):
                    yield name, control

    def _controllers(self, ports: int, channel: int) -> Iterator[Controller]:
        for device in self.design.devices:
            if device.channel == channel and device.ports & ports:
                yield from device.controllers or ()

    def _is_declared(self, control: Control, what: str) -> bool:
        """Whether a control change is surely the one that a device declares as its `on` or `off`."""
        return any(
            control.numbers == (each.number, each.number) and control.values == (getattr(each, what),) * 2
            for each in self._controllers(control.ports, control.channel)
        )

    def named(self, ports: int, channel: int, number: int) -> str:
        """A controller in the design's words."""
        name = next((each.name for each in self._controllers(ports, channel) if each.number == number), None)
        return name or f"controller {number} on channel {channel + 1}"


@remembered
def held_to(design: Design) -> Momentaries:
    """The momentary controllers of a design, none of them held to anything where what arrives may switch them as well."""
    found = Momentaries(design)
    if any(thru.kinds >> kind_of(CONTROL_CHANGE) & 1 for thru in design.thru):
        found.loose[:0] = ["control changes that arrive go on to the outputs"]
        found.ons = []
    return found


def without_momentaries(design: Design) -> str | None:
    """Why no momentary controller can be held to anything, or None."""
    found = held_to(design)
    return None if found.ons else (*found.loose, "no controller is on only while a foot is down")[0]
