"""Gestures, responses and views that can never come, because something else always comes first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from controller_sim.design.form import Binding, Design, Mode
from controller_sim.design.program import Expression
from controller_sim.design.responses import covers
from controller_sim.verify.findings import ERROR, NOTE, WARNING, Finding
from controller_sim.verify.latency import larger_chords
from controller_sim.verify.reach import Reach
from controller_sim.view.words import duration, gesture_title, response_title


def hidden(reach: Reach) -> Iterator[Finding]:
    """Everything of modes that can be current and yet never comes, and what always comes along with something else."""
    for number, why in never_fires(reach).items():
        binding = reach.design.bindings[number]
        yield Finding(ERROR, "never-fires", (_title(reach.design, binding),), f"can never fire: {why}", binding.place)
    for mode in (reach.design.modes[number] for number in sorted(reach.modes)):
        yield from _on_the_way(reach.design, mode)
        yield from _responses(reach, mode)
        yield from _views(reach, mode)


def never_fires(reach: Reach) -> dict[int, str]:
    """The bindings of modes that can be current that no press ever fires, by number, and why."""
    found: dict[int, str] = {}
    for number in sorted(reach.modes):
        mode = reach.design.modes[number]
        for binding, why in (*_under_conditions(reach, mode), *_left_before(reach, mode), *_too_short(reach.design, mode)):
            found.setdefault(binding, why)
    return found


def _slots(design: Design, mode: Mode) -> dict[tuple[int, str, int], list[int]]:
    """The bindings of each gesture of each key, by number, in the order of the file."""
    slots: dict[tuple[int, str, int], list[int]] = defaultdict(list)
    for number in mode.bindings:
        binding = design.bindings[number]
        slots[binding.key, binding.gesture, binding.hold_us].append(number)
    return slots


def _never(reach: Reach, conditions: Sequence[Expression | None]) -> Iterator[tuple[int, str]]:
    """Of alternatives in turn, of which the first that holds is taken: those that never are, and why."""
    left = reach.known()
    for number, condition in enumerate(conditions):
        alone, here = reach.known(), left.copy()
        if condition is not None:
            alone.assume(condition, True)
            here.assume(condition, True)
        if alone.dead:
            yield number, "its condition is never true, whatever the memory can hold"
        elif here.dead:
            yield number, "whenever its condition is true, an earlier one takes it"
        if condition is None:
            left.dead = True
        else:
            left.assume(condition, False)


def _under_conditions(reach: Reach, mode: Mode) -> Iterator[tuple[int, str]]:
    for alternatives in _slots(reach.design, mode).values():
        bindings = [reach.design.bindings[number] for number in alternatives]
        conditions = [None if each.condition is None else mode.conditions[each.condition] for each in bindings]
        yield from ((alternatives[number], why) for number, why in _never(reach, conditions))


def _title(design: Design, binding: Binding) -> str:
    return f"{gesture_title(design, binding)} in {design.modes[binding.mode].name}"


def _left_before(reach: Reach, mode: Mode) -> Iterator[tuple[int, str]]:
    """A mode change wipes what its key could still become."""
    design, slots = reach.design, _slots(reach.design, mode)
    for number in mode.bindings:
        later = design.bindings[number]
        for alternatives in slots.values():
            earlier = [design.bindings[each] for each in alternatives]
            if number in alternatives or not _comes_before(design, earlier[0], later):
                continue
            bound = any(each.condition in (None, later.condition) for each in earlier)
            if bound and all(reach.always_leaves(each.action.procedure) for each in earlier):
                yield number, f"{gesture_title(design, earlier[0])} comes first and always leaves the mode, which forgets the press"


def _comes_before(design: Design, first: Binding, later: Binding) -> bool:
    """Whether `first` fires in every press in which `later` could."""
    repeat_us = design.timing.repeat.first_us
    if first.key != later.key:
        mask, larger = design.keys[first.key].mask, design.keys[later.key].mask
        return first.eager and mask & larger == mask
    after = {"hold": later.hold_us, "repeat": repeat_us}.get(later.gesture, -1)
    match first.gesture:
        case "press":
            return later.gesture in ("tap", "hold", "repeat", "double")
        case "release":
            return later.gesture in ("tap", "double")
        case "hold":
            return after > first.hold_us or (later.gesture == "repeat" and after == first.hold_us)
        case "repeat":
            return later.gesture == "hold" and after > repeat_us
    return False


def shortest_down_us(design: Design) -> int:
    """How long a debounced press lasts at least."""
    timing = design.timing
    return (timing.press.time_us if timing.press.kind == "lockout" else 0) + (
        timing.release.time_us if timing.release.kind == "settle" else 0
    )


def shortest_up_us(design: Design) -> int:
    """How long a switch is up at least between two debounced presses."""
    timing = design.timing
    return (timing.release.time_us if timing.release.kind == "lockout" else 0) + (
        timing.press.time_us if timing.press.kind == "settle" else 0
    )


def _too_short(design: Design, mode: Mode) -> Iterator[tuple[int, str]]:
    """What debouncing alone makes impossible."""
    down_us, up_us = shortest_down_us(design), shortest_up_us(design)
    for number in mode.bindings:
        binding = design.bindings[number]
        if binding.gesture == "double" and design.timing.double_us <= up_us:
            gap = duration(design.timing.double_us)
            yield number, f"debouncing keeps a switch up for {duration(up_us)}, and the double gap ends after {gap}"
        for other in (design.bindings[each] for each in mode.bindings) if binding.gesture == "tap" else ():
            if other.key == binding.key and other.gesture in ("hold", "repeat") and other.condition in (None, binding.condition):
                time_us = other.hold_us or design.timing.repeat.first_us
                if time_us <= down_us:
                    took = f"{_named(design, other)} takes it after {duration(time_us)}"
                    yield number, f"debouncing keeps a press down for {duration(down_us)}, and {took}"


def _named(design: Design, binding: Binding) -> str:
    return f"{binding.gesture} {design.keys[binding.key].name}"


def _on_the_way(design: Design, mode: Mode) -> Iterator[Finding]:
    """Gestures that also fire when another is meant, and windows that get in each other's way."""
    bindings, timing = [design.bindings[number] for number in mode.bindings], design.timing
    for binding in bindings:
        chords = larger_chords(design, mode, binding.key)
        if binding.eager and chords:
            says = f"fires at once, and {', '.join(chords)} may still come on top"
            yield Finding(NOTE, "eager-beside-chord", (_title(design, binding),), says, binding.place)
        if binding.gesture == "double" and chords and timing.chord_us >= timing.double_us:
            windows = f"the chord window ({duration(timing.chord_us)}) is not shorter than the double gap ({duration(timing.double_us)})"
            says = f"{windows}: {chords[0]} and the second press are hard to tell apart"
            yield Finding(WARNING, "chord-against-double", (_title(design, binding),), says, binding.place)
        if binding.gesture == "hold":
            for other in bindings:
                if other.key == binding.key and _on_way_to(design, other, binding) and other.condition in (None, binding.condition):
                    says = f"fires as well when hold {design.keys[binding.key].name} {duration(binding.hold_us)} is meant"
                    yield Finding(NOTE, "fires-on-the-way", (_title(design, other),), says, other.place)


def _on_way_to(design: Design, other: Binding, hold: Binding) -> bool:
    if other.gesture == "hold":
        return other.hold_us < hold.hold_us
    return other.gesture == "repeat" and design.timing.repeat.first_us <= hold.hold_us


def _responses(reach: Reach, mode: Mode) -> Iterator[Finding]:
    design = reach.design
    responses = [design.responses[number] for number in mode.responses]
    for place, later in enumerate(responses):
        takers = [each for each in responses[:place] if covers(each.cause, later.cause)]
        conditions = [None if each.condition is None else mode.conditions[each.condition] for each in (*takers, later)]
        for number, why in _never(reach, conditions):
            if number == len(takers):
                title = f"{response_title(design, later)} in {mode.name}"
                yield Finding(
                    ERROR,
                    "never-fires",
                    (title,),
                    f"can never come: {why if later.condition is not None else 'an earlier one takes it'}",
                    later.place,
                )


def _views(reach: Reach, mode: Mode) -> Iterator[Finding]:
    if any(procedure.name == f"{mode.name}: form_value" for procedure in reach.design.procedures):
        # A form's texts are written out for each of its fields, and some of these never come.
        return
    for number, why in _never(reach, [view.condition for view in mode.views]):
        yield Finding(WARNING, "never-shown", (f"text {number + 1} of the display in {mode.name}",), f"is never shown: {why}", mode.place)
