"""From edges to keys and from keys to gestures (semantics, sections 3, 4 and 9)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Protocol

from controller_sim.design.form import Design
from controller_sim.design.program import Expression
from controller_sim.reference.keys import Bound, KeyState, Life, Press, key_machine, repeat_period_us
from controller_sim.reference.timeouts import Kind, Timeout, Wait


class Stage(Protocol):
    """What gestures ask of the engine. `fire` runs the binding's action and any mode change it asks for."""

    now_us: int
    mode: int

    def truth(self, condition: Expression) -> bool: ...
    def fire(self, binding: int, pressed_us: int) -> None: ...
    def end_press(self, switch: int, fate: str) -> None: ...


class Group:
    """The pressed switches that may still become a chord."""

    def __init__(self, bound: Bound, opened_us: int, window_us: int) -> None:
        self.bound = bound
        self.presses: list[Press] = []
        self.due_us = opened_us + window_us

    @property
    def mask(self) -> int:
        return sum(1 << press.switch for press in self.presses)


class Gestures:
    def __init__(self, design: Design, stage: Stage) -> None:
        self.design = design
        self.stage = stage
        machine = key_machine()
        self.keys = [KeyState(machine, number, key.mask) for number, key in enumerate(design.keys)]
        self.presses: list[Press | None] = [None] * len(design.switches)
        """The press of each switch that is down, spent ones included."""
        self.group: Group | None = None
        self.slate = 0
        """Counts the mode changes: whoever sees another number after firing has been wiped."""

    def spend_at_power_on(self, switch: int) -> None:
        self.presses[switch] = press = Press(switch, self.stage.now_us)
        self._end(press, "spent")

    def press(self, switch: int) -> None:
        """A switch goes down. The steps are those of the semantics, and a mode change on the way ends them."""
        press = Press(switch, self.stage.now_us)
        self.presses[switch] = press
        slate = self.slate
        steps: tuple[Callable[[Press], None], ...] = (
            self._settle_taps_of_other_switches,
            self._close_group_that_does_not_fit,
            self._open_group,
            self._settle_taps_without_second_press,
            self._fire_eager,
            self._join_group,
            self._answer_taps,
            self._close_complete_group,
            self._settle_taps_whose_key_is_out,
        )
        for step in steps:
            step(press)
            if self.slate != slate:
                return

    def _settle_taps_of_other_switches(self, press: Press) -> None:
        self._settle_taps(("waiting",), lambda key: not key.mask >> press.switch & 1)

    def _close_group_that_does_not_fit(self, press: Press) -> None:
        if self.group is not None and not self.group.bound.can_grow(self.group.mask, 1 << press.switch):
            self._close_group()

    def _open_group(self, press: Press) -> None:
        if self.group is None:
            truths = [self.stage.truth(condition) for condition in self.design.modes[self.stage.mode].conditions]
            up = sum(1 << switch for switch, other in enumerate(self.presses) if other is None or other is press)
            bound = Bound(self.design, self.stage.mode, truths, up)
            self.group = Group(bound, press.time_us, self.design.timing.chord_us)

    def _settle_taps_without_second_press(self, press: Press) -> None:
        group = self._open()
        pressed = group.mask | 1 << press.switch

        def cannot_come(key: KeyState) -> bool:
            is_chord = key.mask.bit_count() > 1
            return is_chord and (key.key not in group.bound.chords or pressed & ~key.mask != 0)

        self._settle_taps(("waiting",), cannot_come)

    def _fire_eager(self, press: Press) -> None:
        bound = self._open().bound
        binding = bound.eager(press.switch)
        if binding is not None:
            press.eager_fired = press.fired = True
            press.owed_release = bound.find(press.switch, "release")
            self.stage.fire(binding, press.time_us)

    def _join_group(self, press: Press) -> None:
        self._open().presses.append(press)

    def _answer_taps(self, press: Press) -> None:
        pressed = self._open().mask
        for key in self.keys:
            if key.state == "waiting" and key.mask & ~pressed == 0:
                key.step("answer")

    def _close_complete_group(self, press: Press) -> None:
        group = self._open()
        if not group.bound.can_grow(group.mask):
            self._close_group()

    def _settle_taps_whose_key_is_out(self, press: Press) -> None:
        if self.group is not None:
            formed = {key for key, _ in self._form_keys(self.group)}
            self._settle_taps(("answered",), lambda key: key.key not in formed)

    def _open(self) -> Group:
        assert self.group is not None
        return self.group

    def _close_group(self) -> None:
        group, self.group, slate = self._open(), None, self.slate
        lives = self._form_keys(group)
        formed = {key for key, _ in lives}
        mask = group.mask
        self._settle_taps(("waiting", "answered"), lambda key: key.mask & mask != 0 and key.key not in formed)
        for key, life in lives:
            if self.slate != slate:
                return
            self._decide(self.keys[key], life)

    def _form_keys(self, group: Group) -> list[tuple[int, Life]]:
        """The keys that the group becomes, in the order of the presses of their last members."""
        order = {press.switch: place for place, press in enumerate(group.presses)}
        rest = group.mask
        formed: list[int] = []

        def last(key: int) -> int:
            return max(order[member] for member in self.design.keys[key].members)

        while chords := [chord for chord in group.bound.chords if self.design.keys[chord].mask & ~rest == 0]:
            chord = min(chords, key=lambda key: (-len(self.design.keys[key].members), last(key), key))
            formed.append(chord)
            rest &= ~self.design.keys[chord].mask
        formed += [switch for switch in order if rest >> switch & 1]
        return [
            (key, Life(key, [press for press in group.presses if self.design.keys[key].mask >> press.switch & 1], group.bound))
            for key in sorted(formed, key=last)
        ]

    def _decide(self, key: KeyState, life: Life) -> None:
        slate = self.slate
        first = key.waiting
        key.step("decide")
        key.life = life
        if life.press is not None:
            life.press_fired = True
            self._fire(life.press, life)
            if self.slate != slate:
                return
        if first is not None and first.double is not None:
            key.waiting = None
            life.taken = True
            _mark_fired(first)
            self._fire(first.double, life)
            return
        life.holds = [(self._later(life.time_us + hold_us), binding) for hold_us, binding in life.hold_plan]
        if life.repeat is not None:
            life.repeat_us = self._later(life.time_us + self.design.timing.repeat.first_us)

    def _later(self, deadline_us: int) -> int:
        return max(deadline_us, self.stage.now_us + 1)

    def release(self, switch: int) -> None:
        """A switch goes up: its group closes, the releases it owes fire, and its key goes up."""
        press = self.presses[switch]
        assert press is not None
        if self.group is not None and press in self.group.presses:
            self._close_group()
        if press.owed_release is not None:
            self.stage.fire(press.owed_release, press.time_us)
        for key in self.keys:
            if key.state == "owed" and key.mask >> switch & 1:
                self._pay(key)
        for key in self.keys:
            if key.state == "down" and key.mask >> switch & 1:
                self._go_up(key)
        self.presses[switch] = None

    def _pay(self, key: KeyState) -> None:
        life, key.life = key.life, None
        key.step("pay")
        assert life is not None and life.release is not None
        self._fire(life.release, life)

    def _go_up(self, key: KeyState) -> None:
        slate = self.slate
        life, key.life = key.life, None
        assert life is not None
        key.step("go_up")
        if life.release is not None:
            self._fire(life.release, life)
        if self.slate != slate or life.taken:
            return
        if life.double is None:
            self._end_as_tap(life)
        else:
            key.step("wait")
            key.waiting = life
            key.gap_us = self.stage.now_us + self.design.timing.double_us

    def _settle_taps(self, states: tuple[str, ...], which: Callable[[KeyState], bool]) -> None:
        """Fire the waiting taps of some keys, in key order, until one changes the mode."""
        slate = self.slate
        for key in self.keys:
            if self.slate == slate and key.state in states and key.waiting is not None and which(key):
                self._settle_tap(key)

    def _settle_tap(self, key: KeyState) -> None:
        life, key.waiting = key.waiting, None
        assert life is not None
        key.step("settle")
        self._end_as_tap(life)

    def _end_as_tap(self, life: Life) -> None:
        if life.tap is not None:
            self._fire(life.tap, life)
            return
        for press in life.members:
            self._end(press, "unbound")

    def _fire(self, binding: int, life: Life) -> None:
        _mark_fired(life)
        self.stage.fire(binding, life.time_us)

    def _end(self, press: Press, fate: str) -> None:
        if not press.fired and not press.ended:
            press.ended = True
            self.stage.end_press(press.switch, fate)

    def wipe(self) -> None:
        """A mode change: nothing pressed before it means anything after it, but releases of fired presses still come."""
        self.slate += 1
        self.group = None
        for key in self.keys:
            if key.waiting is not None:
                for press in key.waiting.members:
                    self._end(press, "cancelled")
                key.waiting = None
        for down in self.presses:
            if down is not None:
                self._end(down, "cancelled")
        for key in self.keys:
            if key.state == "down" and key.life is not None and key.life.press_fired and key.life.release is not None:
                key.step("owe")
            elif key.state in ("down", "waiting", "answered"):
                key.life = None
                key.step("wipe")

    def owed_releases(self) -> list[tuple[int, int]]:
        """(binding, time of the press) of the releases that fired presses owe after a wipe: eager ones, then those of keys."""
        eager = [(press.owed_release, press.time_us) for press in self.presses if press is not None]
        keys = [(key.life.release, key.life.time_us) for key in self.keys if key.state == "owed" and key.life is not None]
        return [(binding, time_us) for binding, time_us in eager + keys if binding is not None]

    def timeouts(self) -> Iterator[Timeout]:
        if self.group is not None:
            yield Timeout(self.group.due_us, Kind.CHORD_WINDOW, 0, self._close_group)
        for key in self.keys:
            if key.state == "waiting":
                yield Timeout(key.gap_us, Kind.DOUBLE_GAP, key.key, partial(self._settle_tap, key))
            if key.state == "down" and key.life is not None:
                if key.life.holds:
                    yield Timeout(key.life.holds[0][0], Kind.HOLD, key.key, partial(self._hold, key.life))
                if key.life.repeat_us is not None:
                    yield Timeout(key.life.repeat_us, Kind.REPEAT, key.key, partial(self._repeat, key.life))

    def waits(self) -> Iterator[Wait]:
        """The windows that are open now."""
        timing = self.design.timing
        if self.group is not None:
            yield Wait("chord", self.group.mask, self.group.due_us - timing.chord_us, self.group.due_us)
        for key in self.keys:
            if key.state == "waiting":
                yield Wait("double", key.mask, key.gap_us - timing.double_us, key.gap_us)
            if key.state == "down" and key.life is not None:
                for due_us, _ in key.life.holds:
                    yield Wait("hold", key.mask, key.life.time_us, due_us)
                if key.life.repeat_us is not None:
                    repeats = key.life.repeats
                    last_us = repeat_period_us(timing.repeat, repeats) if repeats else timing.repeat.first_us
                    yield Wait("repeat", key.mask, key.life.repeat_us - last_us, key.life.repeat_us)

    def _hold(self, life: Life) -> None:
        _, binding = life.holds.pop(0)
        life.taken = True
        self._fire(binding, life)

    def _repeat(self, life: Life) -> None:
        assert life.repeat is not None and life.repeat_us is not None
        life.taken = True
        life.repeats += 1
        life.repeat_us += repeat_period_us(self.design.timing.repeat, life.repeats)
        self._fire(life.repeat, life)


def _mark_fired(life: Life) -> None:
    for press in life.presses:
        press.fired = True
