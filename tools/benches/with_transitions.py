"""four.yaml on `transitions`: a machine for each contact, one for each switch's press, one for the mode; timers on virtual time."""

from __future__ import annotations

import logging
from typing import Any

from benches.four import (
    CHORD,
    CHORD_US,
    DEBOUNCE,
    HOLD,
    HOLD_US,
    LOCKOUT_US,
    PAD,
    SETTLE_US,
    SHOW,
    SPACE,
    WINDOW,
    Booth,
    C,
    D,
    Play,
    Timers,
    player,
)
from transitions import Machine


class Contact:
    """Debounces one contact: press locks out, release settles."""

    state: str

    def __init__(self, floor: Floor, switch: int) -> None:
        self.floor = floor
        self.switch = switch
        self.closed = False
        self.wait = 0

    def is_open(self) -> bool:
        return not self.closed

    def lock(self) -> None:
        self.floor.timers.start(LOCKOUT_US, DEBOUNCE, self.switch, self.unlock)  # type: ignore[attr-defined]

    def press(self) -> None:
        self.floor.press(self.switch)

    def start_settling(self) -> None:
        self.wait = self.floor.timers.start(SETTLE_US, DEBOUNCE, self.switch, self.settle)  # type: ignore[attr-defined]

    def stop_settling(self) -> None:
        self.floor.timers.cancel(self.wait)

    def release(self) -> None:
        self.floor.presses[self.switch].release()  # type: ignore[attr-defined]


# A trigger that means nothing in a state is no mistake here.
# An ignored trigger is no news here, and writing it to the log would slow the library down.
logging.getLogger("transitions").setLevel(logging.ERROR)

QUIET: dict[str, Any] = {"ignore_invalid_triggers": True, "auto_transitions": False}

CONTACT_TRANSITIONS: list[Any] = [
    {"trigger": "close", "source": "up", "dest": "locked", "before": "lock", "after": "press"},
    {"trigger": "close", "source": "settling", "dest": "down", "before": "stop_settling"},
    {"trigger": "open", "source": "down", "dest": "settling", "after": "start_settling"},
    {"trigger": "unlock", "source": "locked", "dest": "settling", "conditions": "is_open", "after": "start_settling"},
    {"trigger": "unlock", "source": "locked", "dest": "down"},
    {"trigger": "settle", "source": "settling", "dest": "up", "after": "release"},
]


class Press:
    """Judges one switch's presses, one after another."""

    state: str

    def __init__(self, floor: Floor, switch: int) -> None:
        self.floor = floor
        self.booth = floor.booth
        self.switch = switch
        self.mode = SHOW
        self.window = self.hold_timer = 0

    def remember_mode(self) -> None:
        self.mode = self.booth.mode

    def chord_is_possible(self) -> bool:
        return self.mode == SHOW and self.switch in (C, D) and self.floor.presses[C + D - self.switch].state == "idle"

    def press_is_bound(self) -> bool:
        return self.booth.bound(self.mode, "press", self.switch)

    def hold_is_bound(self) -> bool:
        return self.booth.bound(self.mode, "hold", self.switch)

    def start_window(self) -> None:
        self.window = self.floor.timers.start(CHORD_US, WINDOW, self.switch, self.decide)  # type: ignore[attr-defined]
        self.start_hold()

    def stop_window(self) -> None:
        self.floor.timers.cancel(self.window)

    def start_hold(self) -> None:
        if self.hold_is_bound():
            self.hold_timer = self.floor.timers.start(HOLD_US, HOLD, self.switch, self.hold)  # type: ignore[attr-defined]

    def stop_hold(self) -> None:
        if self.hold_is_bound():
            self.floor.timers.cancel(self.hold_timer)

    def fire_press(self) -> None:
        self.booth.fire(self.mode, "press", self.switch)

    def fire_release(self) -> None:
        self.booth.fire(self.mode, "release", self.switch)

    def fire_hold(self) -> None:
        self.booth.fire(self.mode, "hold", self.switch)

    def end_as_tap(self) -> None:
        if self.booth.bound(self.mode, "tap", self.switch):
            self.booth.fire(self.mode, "tap", self.switch)
        else:
            self.booth.ended(self.switch, 0)

    def end_cancelled(self) -> None:
        self.booth.ended(self.switch, 1)


PRESS_TRANSITIONS: list[Any] = [
    {
        "trigger": "press",
        "source": "idle",
        "dest": "pending",
        "prepare": "remember_mode",
        "conditions": "chord_is_possible",
        "after": "start_window",
    },
    {"trigger": "press", "source": "idle", "dest": "owing", "conditions": "press_is_bound", "after": "fire_press"},
    {"trigger": "press", "source": "idle", "dest": "down", "after": "start_hold"},
    {"trigger": "decide", "source": "pending", "dest": "down"},
    {"trigger": "hold", "source": "down", "dest": "done", "after": "fire_hold"},
    {"trigger": "release", "source": "pending", "dest": "idle", "after": ["stop_window", "stop_hold", "end_as_tap"]},
    {"trigger": "release", "source": "down", "dest": "idle", "after": ["stop_hold", "end_as_tap"]},
    {"trigger": "release", "source": "owing", "dest": "idle", "after": "fire_release"},
    {"trigger": "release", "source": "done", "dest": "idle"},
    {"trigger": "join_chord", "source": "pending", "dest": "done", "after": ["stop_window", "stop_hold"]},
    {"trigger": "join_chord", "source": "idle", "dest": "done"},
    {"trigger": "wipe", "source": "pending", "dest": "done", "after": ["stop_window", "stop_hold", "end_cancelled"]},
    {"trigger": "wipe", "source": "down", "dest": "done", "after": ["stop_hold", "end_cancelled"]},
]


class Mode:
    """Which mode is current; entering one wipes the slate."""

    state: str

    def __init__(self, floor: Floor) -> None:
        self.floor = floor

    def wipe(self) -> None:
        for press in self.floor.presses:
            press.wipe()  # type: ignore[attr-defined]

    def on_enter_show(self) -> None:
        self.floor.booth.mode_entered(SHOW)

    def on_enter_pad(self) -> None:
        self.floor.booth.mode_entered(PAD)

    def on_enter_space(self) -> None:
        self.floor.booth.mode_entered(SPACE)


MODE_TRANSITIONS: list[Any] = [
    {"trigger": "enter_pad", "source": "show", "dest": "pad", "before": "wipe"},
    {"trigger": "enter_space", "source": "show", "dest": "space", "before": "wipe"},
    {"trigger": "enter_show", "source": ["pad", "space"], "dest": "show", "before": "wipe"},
]


class Floor:
    """All machines of one controller."""

    def __init__(self) -> None:
        self.booth = Booth()
        self.timers = Timers(self.booth)
        self.contacts = [Contact(self, switch) for switch in range(4)]
        self.presses = [Press(self, switch) for switch in range(4)]
        self.mode = Mode(self)
        contact_states = ["up", "locked", "down", "settling"]
        press_states = ["idle", "pending", "down", "owing", "done"]
        for contact in self.contacts:
            Machine(contact, contact_states, transitions=CONTACT_TRANSITIONS, initial="up", **QUIET)
        for press in self.presses:
            Machine(press, press_states, transitions=PRESS_TRANSITIONS, initial="idle", **QUIET)
        Machine(self.mode, ["show", "pad", "space"], transitions=MODE_TRANSITIONS, initial="show", auto_transitions=False)
        entries = (self.mode.enter_show, self.mode.enter_pad, self.mode.enter_space)  # type: ignore[attr-defined]
        self.booth.change_mode = lambda mode: entries[mode]()

    def change(self, switch: int, closed: bool) -> None:
        contact = self.contacts[switch]
        contact.closed = closed
        if closed:
            contact.close()  # type: ignore[attr-defined]
        else:
            contact.open()  # type: ignore[attr-defined]

    def press(self, switch: int) -> None:
        """A press either completes the pending chord, or closes the pending group and goes its own way."""
        for other in (C, D):
            if self.presses[other].state == "pending":
                if switch in (C, D):
                    self.presses[other].join_chord()  # type: ignore[attr-defined]
                    self.presses[switch].join_chord()  # type: ignore[attr-defined]
                    self.booth.fire(SHOW, "press", CHORD)
                    return
                self.presses[other].stop_window()
                self.presses[other].decide()  # type: ignore[attr-defined]
        self.presses[switch].press()  # type: ignore[attr-defined]


def prepare() -> Play:
    floor = Floor()
    return player(floor.booth, floor.timers, floor.change)
