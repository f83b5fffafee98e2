"""What a key is doing (semantics, section 4): its state machine, its life from press to release, and its bindings."""

from __future__ import annotations

from collections.abc import Sequence

from transitions import Machine

from controller_sim.design.form import Binding, Design, Repeat
from controller_sim.reference.stateful import Row, Stateful, machine_of

STATES = ("up", "down", "waiting", "answered", "owed")
"""`waiting`: a tap waits for its double; `answered`: the second press has come; `owed`: wiped, but a release is to come."""
TRANSITIONS: tuple[Row, ...] = (
    {"trigger": "decide", "source": ["up", "answered"], "dest": "down"},
    {"trigger": "go_up", "source": "down", "dest": "up"},
    {"trigger": "wait", "source": "up", "dest": "waiting"},
    {"trigger": "answer", "source": "waiting", "dest": "answered"},
    {"trigger": "settle", "source": ["waiting", "answered"], "dest": "up"},
    {"trigger": "wipe", "source": ["down", "waiting", "answered"], "dest": "up"},
    {"trigger": "owe", "source": "down", "dest": "owed"},
    {"trigger": "pay", "source": "owed", "dest": "up"},
)


def key_machine() -> Machine:
    return machine_of(STATES, TRANSITIONS)


class Press:
    """One debounced press of a switch, until its fate is known and the switch is up again."""

    def __init__(self, switch: int, time_us: int) -> None:
        self.switch = switch
        self.time_us = time_us
        self.fired = False
        self.ended = False
        self.eager_fired = False
        self.owed_release: int | None = None
        """The binding of the release that an eager press owes."""


class Bound:
    """The bindings of a mode under its conditions, as read when the first switch of a group went down."""

    def __init__(self, design: Design, mode: int, truths: Sequence[bool], up: int) -> None:
        self.design = design
        self.up = up
        """The switches of which chords can be made: those up at that moment, and the one pressed."""
        numbered = ((number, design.bindings[number]) for number in design.modes[mode].bindings)
        self.bindings: list[tuple[int, Binding]] = [(n, b) for n, b in numbered if b.condition is None or truths[b.condition]]
        keys = {binding.key for _, binding in self.bindings}
        self.chords = sorted(key for key in keys if len(design.keys[key].members) > 1 and self.makeable(key))

    def makeable(self, key: int) -> bool:
        return self.design.keys[key].mask & ~self.up == 0

    def find(self, key: int, gesture: str) -> int | None:
        """The number of the first binding of the gesture."""
        return next((number for number, binding in self.bindings if binding.key == key and binding.gesture == gesture), None)

    def eager(self, key: int) -> int | None:
        press = self.find(key, "press")
        return press if press is not None and self.design.bindings[press].eager else None

    def holds(self, key: int) -> list[tuple[int, int]]:
        """(duration, number) of the first hold of each duration, the shortest first."""
        found: dict[int, int] = {}
        for number, binding in self.bindings:
            if binding.key == key and binding.gesture == "hold":
                found.setdefault(binding.hold_us, number)
        return sorted(found.items())

    def can_grow(self, group: int, newcomer: int = 0) -> bool:
        """Whether a bound chord holds the switches of `group` and `newcomer` (masks) and, without newcomer, still more."""
        wanted = group | newcomer
        masks = [self.design.keys[chord].mask for chord in self.chords]
        return any(wanted & ~mask == 0 and (newcomer or mask != wanted) for mask in masks)


class Life:
    """A key from the moment it is decided until it is up and its tap, if any, is settled."""

    def __init__(self, key: int, presses: list[Press], bound: Bound) -> None:
        self.presses = presses
        self.time_us = presses[-1].time_us
        self.press = bound.find(key, "press")
        self.release = bound.find(key, "release")
        self.tap = bound.find(key, "tap")
        self.double = bound.find(key, "double")
        self.repeat = bound.find(key, "repeat")
        self.hold_plan = bound.holds(key)
        self.press_fired = False
        self.taken = False
        """A hold, a repeat or a double has taken it: it is no tap."""
        self.holds: list[tuple[int, int]] = []
        """(deadline, binding) of the holds to come."""
        self.repeat_us: int | None = None
        self.repeats = 0
        if presses[0].eager_fired and len(presses) == 1:
            # Its press has fired, and the switch, not the key, owes the release.
            self.press, self.release, self.press_fired = None, None, True

    @property
    def members(self) -> list[Press]:
        """In switch order."""
        return sorted(self.presses, key=lambda press: press.switch)


class KeyState(Stateful):
    def __init__(self, machine: Machine, key: int, mask: int) -> None:
        super().__init__(machine)
        self.key = key
        self.mask = mask
        self.life: Life | None = None
        """Of the states down and owed."""
        self.waiting: Life | None = None
        """The life whose tap waits for a second press."""
        self.gap_us = 0
        """The end of its wait, in the state waiting."""


def repeat_period_us(repeat: Repeat, fired: int) -> int:
    """The wait after the repeat number `fired` (from 1) until the next."""
    for period_us, count in repeat.steps:
        if fired <= count:
            return period_us
        fired -= count
    return repeat.last_us
