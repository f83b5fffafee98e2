"""What a design's functions have to know before they are written: what is bound where, slots of deadlines, what actions can do."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import reduce
from operator import or_

from controller_sim.core.kinds import NEVER, NOTHING
from controller_sim.core.recogniser import FIRST_KEY_SLOT, GROUP_SLOT
from controller_sim.design import program
from controller_sim.design.form import Design
from controller_sim.design.program import Statement
from controller_sim.design.steps import statements_in

Chord = tuple[int, int, bool, int]
"""A chord of a mode: key, switches, whether it is bound under any condition, and the conditions that bind it."""
Hold = tuple[int, int]
"""A duration in microseconds and what is bound to it: a choice, as in `Plan.choice`."""


class Plan:
    """Derived from a design once; nothing in it changes."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.may_enter = [False] * len(design.procedures)
        self.taps_tempo = [False] * len(design.procedures)
        for i, procedure in enumerate(design.procedures):
            self.may_enter[i] = _reaches(procedure.body, program.Enter, self.may_enter)
            self.taps_tempo[i] = _reaches(procedure.body, program.TapTempo, self.taps_tempo)
        self.statements = [statement for procedure in design.procedures for statement in statements_in(procedure.body)]
        self.called = {statement.procedure for statement in self.statements if isinstance(statement, program.Call)}
        self.called.update(response.procedure for response in design.responses)
        """The procedures that some other calls, or an arrival."""
        self.choices: list[tuple[tuple[int, int], ...]] = []
        """Lists of conditional bindings, (condition bit or 0, binding); the choice -2-i stands for the i-th."""
        self._choice: list[dict[tuple[int, str], int]] = []
        self._holds: list[dict[int, tuple[Hold, ...]]] = []
        self.chords: list[tuple[Chord, ...]] = []
        for mode in range(len(design.modes)):
            self._bind(mode)
        self.in_pairs = [self._is_in_pairs(mode) for mode in range(len(design.modes))]
        chords = design.keys[len(design.switches) :]
        self.chord_switches = [s for s in range(len(design.switches)) if any(s in key.members for key in chords)]
        self._place_deadlines()

    def choice(self, mode: int, key: int, gesture: str) -> int:
        """What is bound: the number of a binding, NOTHING, or -2 - the index of a list of conditional ones."""
        return self._choice[mode].get((key, gesture), NOTHING)

    def holds(self, mode: int, key: int) -> tuple[Hold, ...]:
        """The holds of a key, shortest first."""
        return self._holds[mode].get(key, ())

    def binding_may_enter(self, binding: int) -> bool:
        return self.may_enter[self.design.bindings[binding].action.procedure]

    def binding_taps_tempo(self, binding: int) -> bool:
        return self.taps_tempo[self.design.bindings[binding].action.procedure]

    def fired_by_number(self) -> Iterator[int]:
        """The bindings that steps which do not know them may fire: chosen by conditions, owed, or waiting for something else."""
        for choice in self.choices:
            yield from (binding for _, binding in choice)
        for bound in self._choice:
            for (key, gesture), number in bound.items():
                late = gesture == "tap" and (key, "double") in bound
                if number >= 0 and (late or gesture in ("release", "repeat", "double") or self.is_eager(number)):
                    yield number
        for holds in self._holds:
            yield from (number for held in holds.values() if len(held) > 1 for _, number in held if number >= 0)

    def anywhere(self, key: int, gesture: str) -> bool:
        """Whether a gesture of a key is bound in some mode."""
        return any((key, gesture) in bound for bound in self._choice)

    def is_eager(self, choice: int) -> bool:
        """Whether a choice may come to an eager binding."""
        if choice >= NOTHING:
            return choice > NOTHING and self.design.bindings[choice].eager
        return any(self.design.bindings[binding].eager for _, binding in self.choices[-2 - choice])

    def is_conditional(self, mode: int, key: int) -> bool:
        """Whether anything of a key is bound under conditions, which are then read when it goes down."""
        choices = [choice for (bound, _), choice in self._choice[mode].items() if bound == key]
        return any(choice < NOTHING for choice in (*choices, *(choice for _, choice in self.holds(mode, key))))

    def is_grouped(self, mode: int, key: int) -> bool:
        """Whether a key can come out of a group of switches: it is a chord of the mode, or part of one."""
        return any(key == chord or (key < len(self.design.switches) and mask >> key & 1) for chord, mask, _, _ in self.chords[mode])

    def step_by_step(self, mode: int, switch: int) -> bool:
        """Whether a press of a switch in a mode may have to settle a waiting tap, or fires before it is known to be no chord."""
        return any(gesture == "double" for _, gesture in self._choice[mode]) or self.is_eager(self.choice(mode, switch, "press"))

    def _is_in_pairs(self, mode: int) -> bool:
        """Whether no switch of a mode has more than one partner, which it has under all conditions."""
        masks = [mask for _, mask, _, _ in self.chords[mode]]
        apart = sum(masks) == reduce(or_, masks, 0)
        pairs = all(mask.bit_count() == 2 and always for _, mask, always, _ in self.chords[mode])
        return apart and pairs and not any(self.step_by_step(mode, switch) for switch in range(len(self.design.switches)))

    def _bind(self, mode: int) -> None:
        mine: dict[tuple[int, str], list[int]] = {}
        held: dict[tuple[int, int], list[int]] = {}
        for i in self.design.modes[mode].bindings:
            binding = self.design.bindings[i]
            if binding.gesture == "hold":
                held.setdefault((binding.key, binding.hold_us), []).append(i)
            else:
                mine.setdefault((binding.key, binding.gesture), []).append(i)
        self._choice.append({where: self._choose(bindings) for where, bindings in mine.items()})
        holds: dict[int, tuple[Hold, ...]] = {}
        for (key, hold_us), bindings in sorted(held.items()):
            holds[key] = (*holds.get(key, ()), (hold_us, self._choose(bindings)))
        self._holds.append(holds)
        chords = []
        for key in range(len(self.design.switches), len(self.design.keys)):
            conditions = [self.design.bindings[i].condition for i in self.design.modes[mode].bindings if self.design.bindings[i].key == key]
            if conditions:
                bits = sum({1 << c for c in conditions if c is not None})
                chords.append((key, self.design.keys[key].mask, None in conditions, bits))
        self.chords.append(tuple(chords))

    def _choose(self, bindings: Sequence[int]) -> int:
        first = self.design.bindings[bindings[0]]
        if first.condition is None:
            return bindings[0]
        conditions = [self.design.bindings[i].condition for i in bindings]
        self.choices.append(tuple((0 if c is None else 1 << c, i) for c, i in zip(conditions, bindings, strict=True)))
        return -2 - (len(self.choices) - 1)

    def _place_deadlines(self) -> None:
        """Give each key the slots that it needs in some mode, kind by kind, in the order of equal deadlines."""
        place = FIRST_KEY_SLOT

        def slots(needs: Callable[[int], bool]) -> list[int]:
            nonlocal place
            found = []
            for key in range(len(self.design.keys)):
                found.append(place if needs(key) else -1)
                place += needs(key)
            return found

        self.hold_slots = slots(lambda key: any(key in holds for holds in self._holds))
        self.repeat_slots = slots(lambda key: self.anywhere(key, "repeat"))
        self.gap_slots = slots(lambda key: self.anywhere(key, "double"))
        self.timer_slot = place
        self.nothing_due = [NEVER] * (place - GROUP_SLOT)
        place += max(len(mode.timers) for mode in self.design.modes)
        self.delayed_slot = self.clock_slot = self.notice_slot = -1
        used = {type(statement) for statement in self.statements if not isinstance(statement, program.Send) or statement.delay_us}
        if program.Send in used:
            self.delayed_slot = place
            place += 1
        if program.ClockRun in used:
            self.clock_slot = place
            place += 1
        if program.Notice in used:
            self.notice_slot = place
            place += 1
        self.pedal_slot = place
        self.slots = place + len(self.design.pedals)


def _reaches(body: Sequence[Statement], kind: type[Statement], procedures: Sequence[bool]) -> bool:
    """Whether a statement of a kind can run in a body, or in a procedure that it calls."""
    return any(procedures[s.procedure] if isinstance(s, program.Call) else isinstance(s, kind) for s in statements_in(body))
