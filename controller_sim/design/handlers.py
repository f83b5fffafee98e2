"""What switches and keys do in each mode of a design, written out as Python functions of the engine.

Each function holds only what can happen there: a press in a mode without doubles settles no waiting tap, a key without holds
waits for none. The rules are in reference/semantics.md, the steps that the functions share in core/recogniser.py.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller_sim.core.kinds import ENDED, NEVER, NOTHING, UNBOUND
from controller_sim.core.recogniser import GROUP_SLOT
from controller_sim.design.form import Design
from controller_sim.design.plan import Plan

Lines = list[str]


class HandlerWriter:
    """Writes the functions of one design; functions that would read the same are written once."""

    def __init__(self, design: Design, plan: Plan, firing: Callable[[int], Lines]) -> None:
        """`firing` gives the lines that fire a binding, in which `now` is the time."""
        self.design = design
        self.plan = plan
        self.firing = firing
        self.lines: Lines = []
        self._written: dict[tuple[str, ...], str] = {}

    def function(self, name: str, parameters: str, lines: Sequence[str]) -> str:
        """Write a function and return its name, or that of one that does the same."""
        text = (parameters, *lines)
        if text not in self._written:
            self._written[text] = name
            self.lines += [f"def {name}({parameters}):", *_indented(lines or ["pass"]), ""]
        return self._written[text]

    def switch_functions(self, mode: int, switch: int) -> tuple[str, str]:
        """Names of what a debounced press and a debounced release of a switch do."""
        name = f"{mode}_{switch}"
        return (
            self.function(f"pressed{name}", "e, now", self._press(mode, switch)),
            self.function(f"released{name}", "e, now", self._release(mode, switch)),
        )

    def _press(self, mode: int, switch: int) -> Lines:
        plan = self.plan
        bit = 1 << switch
        chords = tuple(chord for chord in plan.chords[mode] if chord[1] & bit)
        if plan.step_by_step(mode, switch):
            press = plan.choice(mode, switch, "press")
            eager = press if plan.is_eager(press) else NOTHING
            release = plan.choice(mode, switch, "release")
            return [f"e.press_step_by_step({switch}, {plan.chords[mode]}, {eager}, {release}, now)"]
        lines = [f"e.answered &= {~bit}"] if self._to_clear(switch) else []
        if not chords:
            if plan.chords[mode]:
                lines += [f"if e.group and e.interrupted({bit}, now):", "    return"]
            return lines + self._become(mode, switch, "now", f"conditions{mode}(e)" if plan.is_conditional(mode, switch) else "0")
        lines += self._press_in_pair(mode, switch, *chords[0][:2]) if plan.in_pairs[mode] else self._press_in_group(mode, switch)
        return [*lines, f"{self.become_function(mode, switch)}(e, now, now)"]

    def _press_in_group(self, mode: int, switch: int) -> Lines:
        """A press joins the open group, or opens one; returns unless it is no part of any."""
        bit = 1 << switch
        return [
            "if e.group:",
            f"    if e.fits(e.group | {bit}):",
            f"        e.join({switch}, {bit}, now)",
            "        return",
            f"    if e.interrupted({bit}, now):",
            "        return",
            *self._read_conditions(mode),
            f"chords = e.makeable({self.plan.chords[mode]}, {bit})",
            "if chords:",
            f"    e.open_group({switch}, {bit}, chords, now)",
            "    return",
        ]

    def _press_in_pair(self, mode: int, switch: int, chord: int, mask: int) -> Lines:
        """The same where a group can only be one switch that waits for its one partner."""
        bit = 1 << switch
        return [
            "if e.group:",
            f"    if e.group == {mask & ~bit}:",
            *_indented(self._take_group(), 2),
            f"        {self.become_function(mode, chord)}(e, now, now)",
            "        return",
            f"    if e.interrupted({bit}, now):",
            "        return",
            *self._read_conditions(mode),
            f"if not e.level & {mask & ~bit}:",
            f"    e.group = {bit}",
            f"    e.group_at[{switch}] = now",
            f"    e.due[{GROUP_SLOT}] = until = now + {self.design.timing.chord_us}",
            *_indented(_come_due("until")),
            "    return",
        ]

    def _take_group(self) -> Lines:
        return ["e.group = 0", f"e.due[{GROUP_SLOT}] = {NEVER}"]

    def _read_conditions(self, mode: int) -> Lines:
        return [f"e.group_conditions = conditions{mode}(e)"] if self.design.modes[mode].conditions else []

    def close_function(self, mode: int) -> str:
        """Name of what closes the group of a mode: its window is over, or a press cannot join it; None where the engine's own does."""
        if not self.plan.in_pairs[mode]:
            return "None"
        lines = ["group = e.group", *self._take_group()]
        for switch in range(len(self.design.switches)):
            if self.plan.is_grouped(mode, switch):
                lines += [f"if group == {1 << switch}:", *_indented(self._become_alone(mode, switch)), "    return"]
        return self.function(f"close{mode}", "e, now", lines)

    def _become_alone(self, mode: int, switch: int) -> Lines:
        return [f"at = e.group_at[{switch}]", *self._become(mode, switch, "at", "e.group_conditions")]

    def key_functions(self, mode: int, key: int) -> tuple[str, str]:
        """Names of what forms and decides a key, and of what decides it once it is formed; None where nothing asks for it."""
        grouped = self.plan.is_grouped(mode, key)
        alone = key < len(self.design.switches) and self.plan.step_by_step(mode, key)
        become = self.become_function(mode, key) if grouped or alone else "None"
        decide = self.function(f"decide{mode}_{key}", "e, at, now", self._decide(mode, key, "at")) if grouped else "None"
        return become, decide

    def become_function(self, mode: int, key: int) -> str:
        return self.function(f"become{mode}_{key}", "e, at, now", self._become(mode, key, "at", "e.group_conditions"))

    def _become(self, mode: int, key: int, at: str, conditions: str) -> Lines:
        """The switches of a key are now its own, and it is decided at once."""
        lines = [f"e.owner[{s}] = {key}" for s in self.design.keys[key].members if s in self.plan.chord_switches]
        lines += [f"e.live |= {1 << key}", f"e.key_at[{key}] = {at}"]
        if any(mode.conditions for mode in self.design.modes):
            lines.append(f"e.key_conditions[{key}] = {conditions}")
        return lines + self._decide(mode, key, at)

    def _decide(self, mode: int, key: int, at: str) -> Lines:
        """A key that has just been formed is decided; `at` names the time of its press."""
        plan = self.plan
        double = plan.choice(mode, key, "double")
        lines = [f"double = e.second_press({key})"] if double != NOTHING else []
        lines += self._owe_and_press(mode, key, at)
        if double != NOTHING:
            lines += ["if double >= 0:", f"    e.live &= {~(1 << key)}", f"    e.fire_at(double, {at}, now)", "    return"]
        holds = plan.holds(mode, key)
        slot = plan.hold_slots[key]
        if len(holds) == 1 and holds[0][1] >= 0:
            lines += [f"e.due[{slot}] = until = {at} + {holds[0][0]}", *_come_due("until")]
        elif holds:
            lines.append(f"e.next_hold({key}, 0, {slot}, {holds})")
        repeat = plan.choice(mode, key, "repeat")
        if repeat != NOTHING:
            first = [
                f"e.repeats[{key}] = 0",
                f"e.due[{plan.repeat_slots[key]}] = until = {at} + {self.design.timing.repeat.first_us}",
                *_come_due("until"),
            ]
            lines += _when_chosen(repeat, key, first)
        return lines

    def _owe_and_press(self, mode: int, key: int, at: str) -> Lines:
        """What a key owes when it goes up, and its press."""
        plan = self.plan
        press, release = plan.choice(mode, key, "press"), plan.choice(mode, key, "release")
        bit = 1 << key
        lines: Lines = []
        if release != NOTHING:
            owe = [f"e.owing |= {bit}", f"e.owed[{key}] = {release if release >= 0 else 'release'}"]
            if press < 0:
                owe.append(f"e.lapsing |= {bit}")
            if release < 0:
                lines.append(f"release = e.choose({release}, e.key_conditions[{key}])")
                owe = ["if release >= 0:", *_indented(owe)]
            lines += owe
        if press >= 0:
            taps = any(plan.choice(mode, key, gesture) != NOTHING for gesture in ("tap", "double"))
            lines.append(f"e.answered |= {self.design.keys[key].mask}" if taps else f"e.live &= {~bit}")
            lines += self._fire(press, at, after=True, shared=plan.is_grouped(mode, key))
        elif press != NOTHING:
            fire = [f"e.answered |= {self.design.keys[key].mask}", f"e.lapsing &= {~bit}"]
            fire += ["changes = e.changes", f"e.fire_at(press, {at}, now)", "if e.changes != changes:", "    return"]
            lines += [f"press = e.choose({press}, e.key_conditions[{key}])", "if press >= 0:", *_indented(fire)]
        if lines and plan.is_eager(press):
            lines = [f"if not e.eager_fired & {bit}:", *_indented(lines)]
        return lines

    def _fire(self, binding: int, at: str, after: bool = False, shared: bool = False) -> Lines:
        """Fire a binding, by its function where that is `shared`; with `after`, go on only if it did not change the mode."""
        lines = [f"e.gesture_at = {at}"] if self.plan.binding_taps_tempo(binding) else []
        fire = [f"{self.binding_function(binding)}(e, now)"] if shared else self.firing(binding)
        if after and self.plan.binding_may_enter(binding):
            return [*lines, "changes = e.changes", *fire, "if e.changes != changes:", "    return"]
        return [*lines, *fire]

    def binding_function(self, binding: int) -> str:
        return self.function(f"binding{binding}", "e, now", self.firing(binding))

    def _release(self, mode: int, switch: int) -> Lines:
        plan = self.plan
        bit = 1 << switch
        lines: Lines = []
        if any(mask & bit for _, mask, _, _ in plan.chords[mode]):
            alone = [f"{self.close_function(mode)}(e, now)"] if plan.in_pairs[mode] else ["e.close_group(now)"]
            lines += [f"if e.group & {bit}:", *_indented(alone)]
        if any(plan.is_eager(plan.choice(m, switch, "press")) for m in range(len(self.design.modes))):
            lines += [f"if e.eager_fired & {bit}:", f"    e.release_early({switch}, now)"]
        if switch not in plan.chord_switches:
            return lines + self._up(mode, switch)
        lines += [f"key = e.owner[{switch}]", f"if key == {switch}:", *_indented(self._up(mode, switch))]
        for key in range(len(self.design.switches), len(self.design.keys)):
            if switch in self.design.keys[key].members:
                lines += [f"elif key == {key}:", f"    {self.up_function(mode, key)}(e, now)"]
        return lines

    def up_function(self, mode: int, key: int) -> str:
        return self.function(f"up{mode}_{key}", "e, now", self._up(mode, key))

    def _up(self, mode: int, key: int) -> Lines:
        """A key goes up."""
        plan = self.plan
        bit = 1 << key
        lines = [f"e.owner[{s}] = {NOTHING}" for s in self.design.keys[key].members if s in plan.chord_switches]
        if plan.holds(mode, key):
            lines.append(f"e.due[{plan.hold_slots[key]}] = {NEVER}")
        if plan.choice(mode, key, "repeat") != NOTHING:
            lines.append(f"e.due[{plan.repeat_slots[key]}] = {NEVER}")
        if plan.anywhere(key, "release"):
            answered = self.design.keys[key].mask if self._answerable(key) else 0
            lines += [f"if e.owing & {bit} and not e.pay({key}, {answered}, now):", "    return"]
        return [*lines, f"if e.live & {bit}:", f"    e.live ^= {bit}", *_indented(self._tap(mode, key))]

    def _tap(self, mode: int, key: int) -> Lines:
        """Nothing has taken a key that went up: it taps, waits to become a double, or ends unbound."""
        tap, double = self.plan.choice(mode, key, "tap"), self.plan.choice(mode, key, "double")
        mask = self.design.keys[key].mask
        unbound = [f"e.end_unanswered({mask} & ~e.answered, {UNBOUND}, now)"]
        if mask == 1 << key and not self._answerable(key):
            unbound = [f"e.packed += (now, {(key << 2 | UNBOUND) << 3 | ENDED})"]
        if tap >= 0:
            lines = self._fire(tap, f"e.key_at[{key}]")
        elif tap == NOTHING:
            lines = unbound
        else:
            lines = [f"tap = e.choose({tap}, e.key_conditions[{key}])"]
            lines += ["if tap >= 0:", f"    e.fire_at(tap, e.key_at[{key}], now)", "else:"]
            lines += _indented(unbound)
        if double == NOTHING:
            return lines
        chosen = f"e.choose({tap}, e.key_conditions[{key}])" if tap < NOTHING else str(tap)
        if double >= 0:
            return [f"e.wait({key}, {chosen}, {double}, now)"]
        wait = [f"double = e.choose({double}, e.key_conditions[{key}])"]
        wait += ["if double >= 0:", f"    e.wait({key}, {chosen}, double, now)", "else:"]
        return [*wait, *_indented(lines)]

    def _answerable(self, key: int) -> bool:
        """Whether something can have fired for a key while it is still live, in some mode."""
        for mode in range(len(self.design.modes)):
            press, release, tap, double = (self.plan.choice(mode, key, gesture) for gesture in ("press", "release", "tap", "double"))
            always = press >= 0 and not self.plan.is_eager(press)
            if (press != NOTHING or release != NOTHING) and not (always and tap == double == NOTHING):
                return True
        return False

    def _to_clear(self, switch: int) -> bool:
        """Whether something can have fired for the last press of a switch while its key was live."""
        return any(self._answerable(k) for k, key in enumerate(self.design.keys) if switch in key.members)

    def mode_functions(self, mode: int) -> tuple[str, ...]:
        """Names of what entering and leaving a mode does; None where nothing, or on leaving nothing but the wiping."""
        declared = self.design.modes[mode]
        timers = range(self.plan.timer_slot, self.plan.timer_slot + len(declared.timers))
        entered = ["e.save_draft()"] if declared.draft else []
        entered += [f"e._set({slot}, now + {timer.period_us})" for slot, timer in zip(timers, declared.timers, strict=True)]
        entered += [f"enter{mode}(e, now)"] if declared.enter else []
        left = [f"e.cancel_delayed(now, {mode})"] if declared.delayed == "cancel" else []
        left += [f"leave{mode}(e, now)"] if declared.leave else []
        if declared.draft:
            left += ["e.drafted = ()"] if declared.on_other_exit == "save" else ["e.cancel_draft()", "e.drafted = ()"]
        if timers or left:
            left += ["e.wipe(now)", *(f"e.due[{slot}] = {NEVER}" for slot in timers)]
        names = f"entered{mode}", f"left{mode}"
        return tuple(self.function(name, "e, now", lines) if lines else "None" for name, lines in zip(names, (entered, left), strict=True))

    def timeouts(self, mode: int) -> list[str]:
        """Names of what the deadlines of keys do, from the first key's slot on."""
        plan = self.plan
        names = ["None"] * (plan.timer_slot - GROUP_SLOT - 1)
        first = GROUP_SLOT + 1
        for key in range(len(self.design.keys)):
            if plan.holds(mode, key):
                names[plan.hold_slots[key] - first] = self.function(f"hold{mode}_{key}", "e, now", self._hold(mode, key))
            repeat = plan.choice(mode, key, "repeat")
            if repeat != NOTHING:
                lines = [f"e.repeat({key}, {plan.repeat_slots[key]}, {repeat}, now)"]
                names[plan.repeat_slots[key] - first] = self.function(f"repeat{mode}_{key}", "e, now", lines)
            if plan.choice(mode, key, "double") != NOTHING:
                names[plan.gap_slots[key] - first] = self.function(f"gap{key}", "e, now", [f"e.end_wait({key}, now)"])
        return names

    def _hold(self, mode: int, key: int) -> Lines:
        holds = self.plan.holds(mode, key)
        if len(holds) == 1 and holds[0][1] >= 0:
            return [f"e.live &= {~(1 << key)}", *self._fire(holds[0][1], f"e.key_at[{key}]")]
        return [f"e.hold({key}, {self.plan.hold_slots[key]}, {holds}, now)"]


def _indented(lines: Sequence[str], times: int = 1) -> Lines:
    return [f"{'    ' * times}{line}" for line in lines]


def _come_due(until: str) -> Lines:
    return [f"if {until} < e.soonest:", f"    e.soonest = {until}"]


def _when_chosen(choice: int, key: int, lines: Lines) -> Lines:
    """Lines that run only when some binding of a choice is bound for the key."""
    if choice >= 0:
        return lines
    return [f"if e.choose({choice}, e.key_conditions[{key}]) >= 0:", *_indented(lines)]
