"""four.yaml on `simpy`: a process for each contact and for each press, timeouts for debouncing, windows and holds."""

from __future__ import annotations

from array import array
from collections.abc import Generator
from typing import Any

from benches.four import CHORD, CHORD_US, HOLD_US, LOCKOUT_US, SETTLE_US, SHOW, Booth, C, D, Play
from simpy import Environment
from simpy.events import Event

Process = Generator[Event, Any, None]

# simpy orders the events of one instant by priority: its own (0 and 1) first, then debouncing by switch, the input, and the instant's end.
DEBOUNCED, INPUT, END, AFTER = 3, 8, 9, 10


class Later(Event):
    """A timeout that comes after everything of a smaller priority at its instant."""

    def __init__(self, env: Environment, delay_us: int, priority: int) -> None:
        super().__init__(env)
        self._ok = True
        self._value = None
        env.schedule(self, priority, delay_us)  # type: ignore[arg-type]  # any number orders as well as simpy's own two


class Contact:
    """Debounces one contact: press locks out, release settles."""

    def __init__(self, floor: Floor, switch: int) -> None:
        self.floor = floor
        self.switch = switch
        self.closed = False
        self.down = False
        self.changed = floor.env.event()
        floor.env.process(self.run())

    def change(self, closed: bool) -> None:
        self.closed = closed
        changed, self.changed = self.changed, self.floor.env.event()
        changed.succeed()

    def run(self) -> Process:
        env, floor, switch = self.floor.env, self.floor, self.switch
        while True:
            yield self.changed
            self.down = True
            floor.press(switch)
            yield Later(env, LOCKOUT_US, DEBOUNCED + switch)
            while self.down:
                if self.closed:
                    yield self.changed
                else:
                    settle = Later(env, SETTLE_US, DEBOUNCED + switch)
                    yield settle | self.changed
                    self.down = not settle.processed
            floor.release(switch)


class Press:
    """One press of one switch, from its beginning to its release, to a wipe, or to a chord that takes it."""

    def __init__(self, floor: Floor, switch: int) -> None:
        self.floor = floor
        self.switch = switch
        self.mode = floor.booth.mode
        self.fired = False
        self.over = floor.env.event()
        floor.env.process(self.run())

    def run(self) -> Process:
        if self.bound("press"):
            self.fire("press")
            yield self.over
            self.fire("release")
            return
        if self.bound("hold"):
            hold = self.floor.env.timeout(HOLD_US)
            yield self.over | hold
            if not self.over.triggered:
                self.fire("hold")
                return
        else:
            yield self.over
        if self.over.value == "taken":
            return
        if self.bound("tap"):
            self.fire("tap")
        else:
            self.floor.at_now().ended(self.switch, 0)

    def bound(self, gesture: str) -> bool:
        return self.floor.booth.bound(self.mode, gesture, self.switch)

    def fire(self, gesture: str) -> None:
        self.fired = True
        self.floor.at_now().fire(self.mode, gesture, self.switch)


class Floor:
    """The environment, the contacts and the presses that are not over."""

    def __init__(self) -> None:
        self.env = Environment()
        self.booth = Booth()
        self.booth.change_mode = self.enter
        self.booth.power_on()
        self.presses: dict[int, Press] = {}
        self.pending: Press | None = None
        self.window: Event = self.env.event()
        self.contacts = [Contact(self, switch) for switch in range(4)]

    def at_now(self) -> Booth:
        self.booth.now_us = int(self.env.now)
        return self.booth

    def press(self, switch: int) -> None:
        """A press either completes the pending chord, or closes the pending group and goes its own way."""
        first, self.pending = self.pending, None
        if first and not self.window.processed and switch in (C, D):
            del self.presses[first.switch]
            first.over.succeed("taken")
            self.at_now().fire(SHOW, "press", CHORD)
            self.end_instant()
            return
        press = self.presses[switch] = Press(self, switch)
        if press.mode == SHOW and switch in (C, D) and not self.contacts[C + D - switch].down:
            self.pending = press
            self.window = self.env.timeout(CHORD_US)

    def release(self, switch: int) -> None:
        press = self.presses.pop(switch, None)
        if press:
            if press is self.pending:
                self.pending = None
            press.over.succeed("up")

    def enter(self, mode: int) -> None:
        """Wipes the slate: presses that have fired nothing end cancelled."""
        self.pending = None
        for switch, press in sorted(self.presses.items()):
            if not press.fired:
                del self.presses[switch]
                press.over.succeed("taken")
                self.booth.ended(switch, 1)
        self.booth.mode_entered(mode)
        self.end_instant()

    def end_instant(self) -> None:
        end = Later(self.env, 0, END)
        assert end.callbacks is not None
        end.callbacks.append(lambda _: self.at_now().end_instant())

    def feed(self, times: array[int], words: array[int]) -> Process:
        contacts = 0
        for time_us, word in zip(times, words, strict=True):
            yield Later(self.env, time_us - int(self.env.now), INPUT)
            changed, contacts = word ^ contacts, word
            for switch in range(4):
                if changed >> switch & 1:
                    self.contacts[switch].change(bool(word >> switch & 1))
        yield Later(self.env, 0, AFTER)

    def play(self, times: array[int], words: array[int]) -> list[int]:
        self.env.run(until=self.env.process(self.feed(times, words)))
        return self.booth.packed


def prepare() -> Play:
    return Floor().play
