"""four.yaml on `python-statemachine`: a machine for each contact, one for each switch's press, one for the mode; timers on virtual time."""

from __future__ import annotations

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
from statemachine import State, StateMachine


class Contact(StateMachine):
    """Debounces one contact: press locks out, release settles."""

    allow_event_without_transition = True

    up = State(initial=True)
    locked = State()
    down = State()
    settling = State()

    close = up.to(locked) | settling.to(down, on="stop_settling")
    open = down.to(settling)
    unlock = locked.to(settling, cond="is_open") | locked.to(down)
    settle = settling.to(up)

    def __init__(self, floor: Floor, switch: int) -> None:
        self.floor = floor
        self.switch = switch
        self.closed = False
        self.wait = 0
        super().__init__()

    def is_open(self) -> bool:
        return not self.closed

    def on_enter_locked(self) -> None:
        self.floor.timers.start(LOCKOUT_US, DEBOUNCE, self.switch, self.unlock)

    def on_enter_settling(self) -> None:
        self.wait = self.floor.timers.start(SETTLE_US, DEBOUNCE, self.switch, self.settle)

    def stop_settling(self) -> None:
        self.floor.timers.cancel(self.wait)

    def after_close(self, source: State) -> None:
        if source == self.up:
            self.floor.press(self.switch)

    def after_settle(self) -> None:
        self.floor.presses[self.switch].release()


class Press(StateMachine):
    """Judges one switch's presses, one after another."""

    allow_event_without_transition = True

    idle = State(initial=True)
    pending = State()
    down = State()
    owing = State()
    done = State()

    press = (
        idle.to(pending, cond="chord_is_possible", after="start_hold")
        | idle.to(owing, cond="press_is_bound", after="fire_press")
        | idle.to(down, after="start_hold")
    )
    decide = pending.to(down)
    hold = down.to(done, after="fire_hold")
    release = (
        pending.to(idle, on="stop_hold", after="end_as_tap")
        | down.to(idle, on="stop_hold", after="end_as_tap")
        | owing.to(idle, after="fire_release")
        | done.to(idle)
    )
    join_chord = pending.to(done, on="stop_hold") | idle.to(done)
    wipe = pending.to(done, on="stop_hold", after="end_cancelled") | down.to(done, on="stop_hold", after="end_cancelled")

    def __init__(self, floor: Floor, switch: int) -> None:
        self.floor = floor
        self.booth = floor.booth
        self.switch = switch
        self.mode = SHOW
        self.window = self.hold_timer = 0
        super().__init__()

    def on_exit_idle(self) -> None:
        self.mode = self.booth.mode

    def chord_is_possible(self) -> bool:
        return self.booth.mode == SHOW and self.switch in (C, D) and self.floor.presses[C + D - self.switch].idle.is_active

    def press_is_bound(self) -> bool:
        return self.booth.bound(self.booth.mode, "press", self.switch)

    def on_enter_pending(self) -> None:
        self.window = self.floor.timers.start(CHORD_US, WINDOW, self.switch, self.decide)

    def on_exit_pending(self) -> None:
        self.floor.timers.cancel(self.window)

    def start_hold(self) -> None:
        if self.booth.bound(self.mode, "hold", self.switch):
            self.hold_timer = self.floor.timers.start(HOLD_US, HOLD, self.switch, self.hold)

    def stop_hold(self) -> None:
        if self.booth.bound(self.mode, "hold", self.switch):
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


class Mode(StateMachine):
    """Which mode is current; entering one wipes the slate."""

    show = State(initial=True)
    pad = State()
    space = State()

    enter_show = pad.to(show) | space.to(show)
    enter_pad = show.to(pad)
    enter_space = show.to(space)

    def __init__(self, floor: Floor) -> None:
        self.floor = floor
        super().__init__()

    def before_transition(self) -> None:
        for press in self.floor.presses:
            press.wipe()

    def after_enter_show(self) -> None:
        self.floor.booth.mode_entered(SHOW)

    def after_enter_pad(self) -> None:
        self.floor.booth.mode_entered(PAD)

    def after_enter_space(self) -> None:
        self.floor.booth.mode_entered(SPACE)


class Floor:
    """All machines of one controller."""

    def __init__(self) -> None:
        self.booth = Booth()
        self.timers = Timers(self.booth)
        self.presses: list[Press] = []
        self.contacts = [Contact(self, switch) for switch in range(4)]
        self.presses += [Press(self, switch) for switch in range(4)]
        self.mode = Mode(self)
        entries = (self.mode.enter_show, self.mode.enter_pad, self.mode.enter_space)
        self.booth.change_mode = lambda mode: entries[mode]()

    def change(self, switch: int, closed: bool) -> None:
        contact = self.contacts[switch]
        contact.closed = closed
        if closed:
            contact.close()
        else:
            contact.open()

    def press(self, switch: int) -> None:
        """A press either completes the pending chord, or closes the pending group and goes its own way."""
        for other in (C, D):
            if self.presses[other].pending.is_active:
                if switch in (C, D):
                    self.presses[other].join_chord()
                    self.presses[switch].join_chord()
                    self.booth.fire(SHOW, "press", CHORD)
                    return
                self.presses[other].decide()
        self.presses[switch].press()


def prepare() -> Play:
    floor = Floor()
    return player(floor.booth, floor.timers, floor.change)
