"""A strategy of random designs, always valid: what the loader would refuse is never drawn.

The times of a design lie on a grid of one unit, with few multiples, so that deadlines often coincide.
"""

from __future__ import annotations

from functools import cache
from itertools import combinations
from typing import Any

from hypothesis import strategies as st

from controller_sim.core.kinds import ALL_KINDS, CHANNEL_KINDS, REAL_TIME_KINDS
from controller_sim.design import form, program
from controller_sim.testing.expressions import PORTS, Allowed, Draw, Writer, between, one_of

UNITS_US = (1000, 1, 7, 20_000, 60_000)
PLACE = form.Place("random", 1, 1)


@st.composite
def designs(draw: Draw, debounce: st.SearchStrategy[Any] | None = None, restarts: bool = True) -> form.Design:
    """A valid design; `debounce` draws the pair of debouncers (press, release) instead of any pair at all, `restarts`: it may restart."""
    return _Maker(draw, debounce, restarts).design()


@cache
def debouncer(unit_us: int) -> st.SearchStrategy[form.Debounce]:
    return st.builds(form.Debounce, st.sampled_from(("settle", "lockout")), st.sampled_from((0, unit_us, 2 * unit_us, 3 * unit_us)))


@cache
def _chords(switches: int) -> st.SearchStrategy[list[tuple[int, ...]]]:
    sets = [chord for size in (2, 3, 4) for chord in combinations(range(switches), size)]
    return st.lists(st.sampled_from(sets), max_size=4, unique=True)


class _Maker:
    """Draws the parts of a design in the order in which they need each other."""

    def __init__(self, draw: Draw, debounce: st.SearchStrategy[Any] | None, restarts: bool) -> None:
        self.draw = draw
        self.restarts = restarts
        self.unit_us: int = draw(one_of(UNITS_US))
        self.switches = draw(between(2, 5))
        self.keys = self._keys()
        self.timing = self._timing(debounce)
        low, high = draw(one_of(((30, 240), (100, 130), (20, 300))))
        ports = draw(PORTS)
        self.listens = draw(between(0, 2)) == 2
        follow = draw(one_of((0, form.SERIAL, form.USB))) if self.listens else 0
        self.tempo = form.Tempo(low, high, draw(one_of((120, 101, 130))), ports, follow)
        self.pedals = self._pedals()
        self.writer = Writer(draw, self._cells(), self.tempo, self.unit_us, self.switches, self.pedals)
        self.responses: list[form.Response] = []
        self.procedures: list[form.Procedure] = []
        self.bindings: list[form.Binding] = []
        self.modes = draw(between(1, 3))
        self.leds = draw(between(0, 2))
        self.colours = tuple(draw(one_of(((), ("red", "amber"), ("red", "amber", "green")))) for _ in range(self.leds))
        self.display_lines = draw(between(0, 2))

    def design(self) -> form.Design:
        writer = self.writer
        for number in range(self.draw(between(0, 2))):
            parameters: tuple[tuple[int, int], ...] = self.draw(one_of((((0, 3),), (), ((-1, 1), (0, 7)))))
            self.procedures.append(writer.procedure(f"helper{number}", parameters, Allowed()))
            writer.helpers.append(parameters)
        modes = tuple(self._mode(index) for index in range(self.modes))
        home = writer.whole(0, self.modes - 1)
        power_on = self._power_on()
        every_power_on = self._action("power_on", self._at_power_on()) if writer.chance(4) else None
        return form.Design(
            title="random",
            file="random",
            switches=tuple("abcde"[: self.switches]),
            leds=tuple("abcde"[: self.leds]),
            display_lines=self.display_lines or 1,
            display_characters=40 if self.display_lines else 0,
            timing=self.timing,
            tempo=self.tempo,
            running_status=False,
            delayed_messages=writer.whole(1, 3),
            devices=(form.Device("pads", 0, form.SERIAL, (0, 127), None, (0, 127)),),
            cells=writer.cells,
            keys=self.keys,
            procedures=tuple(self.procedures),
            bindings=tuple(self.bindings),
            modes=modes,
            home=home,
            power_on=power_on,
            led_colours=self.colours,
            every_power_on=every_power_on,
            pedals=self.pedals,
            responses=tuple(self.responses),
            thru=self._thru(),
            echo_us=self._times(0, 9) if self.listens else 0,
        )

    def _keys(self) -> tuple[form.Key, ...]:
        names = "abcde"
        keys = [form.Key(names[switch], (switch,), 1 << switch) for switch in range(self.switches)]
        for chord in self.draw(_chords(self.switches)):
            keys.append(form.Key("+".join(names[switch] for switch in chord), chord, sum(1 << switch for switch in chord)))
        return tuple(keys)

    def _times(self, low: int, high: int) -> int:
        time_us: int = self.draw(between(low, high)) * self.unit_us
        return time_us

    def _timing(self, debounce: st.SearchStrategy[Any] | None) -> form.Timing:
        one = debouncer(self.unit_us)
        press, release = self.draw(debounce) if debounce is not None else (self.draw(one), self.draw(one))
        chord = self.draw(between(1, 3))
        over = chord + 1 if len(self.keys) > self.switches else 1
        steps = tuple((self._times(1, 2), self.draw(between(1, 3))) for _ in range(self.draw(between(0, 2))))
        return form.Timing(
            press=press,
            release=release,
            chord_us=chord * self.unit_us,
            hold_us=self._times(over, over + 3),
            double_us=self._times(1, 6),
            repeat=form.Repeat(self._times(over, over + 3), steps, self._times(1, 3)),
        )

    def _pedals(self) -> tuple[form.Pedal, ...]:
        return tuple(self._pedal(number) for number in range(self.draw(between(0, 2)) if self.listens else 0))

    def _pedal(self, number: int) -> form.Pedal:
        heel, toe = self.draw(one_of(((0, 1023), (20, 1000), (1000, 3), (0, 65_535), (5, 6), (512, 520))))
        points = self.draw(one_of(((0, 127), (0, 16_383), (127, 0), (0, 5, 30, 127), (-8192, 8191), (3, 3, 90))))
        hysteresis = self.draw(between(0, min(4, abs(toe - heel) - 1)))
        return form.Pedal(f"pedal{number}", heel, toe, points, hysteresis, self._times(1, 3), self.draw(between(0, 1)) == 1, (0, 65_535))

    def _thru(self) -> tuple[form.Thru, ...]:
        if not self.listens:
            return ()
        kinds = st.sampled_from((ALL_KINDS, CHANNEL_KINDS, REAL_TIME_KINDS))
        one: st.SearchStrategy[form.Thru] = st.builds(form.Thru, st.sampled_from((form.SERIAL, form.USB)), PORTS, kinds)
        return tuple(self.draw(st.lists(one, max_size=2)))

    def _respond(self, mode: int, conditions: int, allowed: Allowed) -> tuple[int, ...]:
        """Responses of a mode, of which an earlier one may take everything from a later one."""
        first = len(self.responses)
        for number in range(self.writer.whole(0, 4) if self.listens else 0):
            cause: form.Moved | form.Received
            cause = form.Moved(self.writer.whole(0, len(self.pedals) - 1)) if self.pedals and self.writer.either() else self._received()
            parameters: tuple[tuple[int, int], ...] = self.draw(one_of(((), ((0, 127),), ((0, 2), (-1, 127)))))
            self.procedures.append(self.writer.procedure(f"response{mode}_{number}", parameters, allowed))
            data = [program.Local(*ends, slot) for slot, ends in enumerate(cause.data)] if isinstance(cause, form.Received) else []
            values = [*data, program.Constant(1, 1), program.Constant(2, 2)]
            arguments = tuple(self.writer.fit(value, *ends) for value, ends in zip(values, parameters, strict=False))
            condition = self.writer.whole(0, conditions - 1) if conditions and self.writer.chance(3) else None
            self.responses.append(form.Response(mode, cause, len(self.procedures) - 1, arguments, PLACE, condition))
        return tuple(range(first, len(self.responses)))

    def _received(self) -> form.Received:
        """A message with two values, half of a pair of controllers, or a SysEx."""
        ranges: tuple[tuple[int, int], ...] = ((0, 127), (0, 127), (60, 60), (0, 63), (1, 127))
        status = self.writer.pick(0x90, 0x80, 0xB3, 0xB3, 0xC1, 0xE0, 0xF0, 0xF0, 0xF2, 0xF3, 0xF6, 0xF8, 0xFA, 0xFB)
        ports = self.draw(PORTS)
        if status == 0xB3 and self.writer.either():
            number = self.writer.whole(0, 2)
            return form.Received(status, ports, ((number, number), self.writer.pick((0, 16_383), (100, 9000))), 14)
        count = self.writer.whole(0, 4) if status == 0xF0 else 2
        return form.Received(status, ports, tuple(self.writer.pick(*ranges) for _ in range(count)))

    def _cells(self) -> tuple[form.Cell, ...]:
        cells: list[form.Cell] = []
        offset = 0
        for number in range(self.draw(between(1, 4))):
            low, high = self.draw(one_of(((0, 1), (0, 3), (-2, 2), (1, 5), (0, 127), (-1, 191), (70_000, 70_100))))
            shape = self.draw(one_of(((), (), (3,), (2, 2))))
            cell = form.Cell(
                name=f"cell{number}",
                low=low,
                high=high,
                start=self.draw(between(low, min(high, low + 2))),
                shape=shape,
                ends=self.draw(one_of(("wrap", "clamp", "proved"))),
                keep=self.draw(between(0, 1)) == 1,
                names=("off", "on") if (low, high) == (0, 1) else (),
                offset=offset,
                place=PLACE,
            )
            cells.append(cell)
            offset += cell.size
        return tuple(cells)

    def _action(self, name: str, allowed: Allowed) -> form.Action:
        writer = self.writer
        parameters: tuple[tuple[int, int], ...] = self.draw(one_of(((), ((0, 2),))))
        arguments = tuple(writer.whole(*ends) for ends in parameters)
        self.procedures.append(writer.procedure(name, parameters, allowed))
        return form.Action(len(self.procedures) - 1, arguments)

    def _mode(self, index: int) -> form.Mode:
        writer = self.writer
        every = tuple(range(self.modes))
        writer.slots = []
        draft = tuple(n for n in range(len(writer.cells)) if writer.chance(3))
        writer.drafted = draft
        drafts, shown = bool(draft), bool(self.display_lines)
        conditions = tuple(writer.truth() for _ in range(writer.whole(0, 2)))
        first = len(self.bindings)
        allowed = Allowed(every, True, self.restarts, drafts, shown)
        self._bind(index, len(conditions), allowed)
        responses = self._respond(index, len(conditions), allowed)
        timers = []
        for number in range(writer.pick(0, 0, 1, 2)):
            action = self._action(f"timer{index}_{number}", Allowed(every, draft=drafts, notices=shown))
            timers.append(form.Timer(self._times(3, 9), writer.pick(False, True), action))
        enter = leave = None
        if writer.chance(3):
            enter = self._action(f"enter{index}", Allowed(every[index + 1 :], draft=drafts, notices=shown))
        if writer.chance(3):
            leave = self._action(f"leave{index}", Allowed(draft=drafts, notices=shown))
        writer.slots = []
        return form.Mode(
            name=f"mode{index}",
            place=PLACE,
            bindings=tuple(range(first, len(self.bindings))),
            conditions=conditions,
            enter=enter,
            leave=leave,
            timers=tuple(timers),
            views=self._views(),
            leds=tuple(writer.fit(writer.number(1), 0, 4 * max(len(colours), 1) - 1) for colours in self.colours),
            draft=draft,
            on_other_exit=writer.pick("cancel", "save"),
            delayed=writer.pick("complete", "cancel"),
            responses=responses,
        )

    def _views(self) -> tuple[form.View, ...]:
        if not self.display_lines:
            return ()
        writer = self.writer
        views = []
        for _ in range(writer.whole(0, 2)):
            condition = writer.truth() if writer.pick(False, True) else None
            views.append(form.View(condition, tuple(writer.text() for _ in range(self.display_lines))))
            if condition is None:
                break
        return tuple(views)

    def _bind(self, mode: int, conditions: int, allowed: Allowed) -> None:
        """Draw bindings until enough; a slot that has an unconditional one takes no more."""
        writer = self.writer
        closed: set[tuple[int, str, int]] = set()
        used: set[tuple[int, str, int, int]] = set()
        for number in range(writer.whole(2, 9)):
            key = writer.whole(0, len(self.keys) - 1)
            gesture = writer.pick(*form.GESTURES)
            hold_us = self.timing.hold_us + self._times(0, 2) if gesture == "hold" else 0
            condition = writer.whole(0, conditions - 1) if conditions and writer.chance(3) else None
            slot = (key, gesture, hold_us)
            if slot in closed or (condition is not None and (*slot, condition) in used):
                continue
            if condition is None:
                closed.add(slot)
            else:
                used.add((*slot, condition))
            eager = gesture == "press" and key < self.switches and writer.chance(3)
            action = self._action(f"binding{mode}_{number}", allowed)
            self.bindings.append(form.Binding(mode, gesture, key, action, PLACE, condition, hold_us, eager))

    def _power_on(self) -> tuple[form.PowerOnBinding, ...]:
        writer = self.writer
        if not writer.chance(3):
            return ()
        masks = self.draw(st.lists(st.integers(1, (1 << self.switches) - 1), min_size=1, max_size=2, unique=True))
        return tuple(form.PowerOnBinding(mask, self._action(f"power_on{mask}", self._at_power_on()), PLACE) for mask in masks)

    def _at_power_on(self) -> Allowed:
        return Allowed(tuple(range(self.modes)), notices=bool(self.display_lines))
