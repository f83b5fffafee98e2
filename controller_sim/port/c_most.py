"""How large some things of a design get: the C says by these how often its loops go round at most."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from controller_sim.design import program
from controller_sim.design.form import Design
from controller_sim.design.steps import run_by
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_tables import Bound


def largest(facts: Facts, bound: Bound) -> dict[str, int]:
    """Macros and their values; 0 of what the design has none of."""
    modes = range(len(facts.design.modes))
    each = [_of_mode(facts, bound, mode) for mode in modes]
    numbers = [abs(end) for e in facts.shown_numbers() for end in (e.low, e.high)]
    names = [part.names for text in facts.shown_texts() for part in text.parts if isinstance(part, program.Field) and part.names]
    return {
        **{name: max(values[name] for values in each) for name in each[0]},
        "CTL_MOST_ENTERED": max(_entered(facts, mode) for mode in modes),
        "CTL_MOST_STEPS": len(facts.design.timing.repeat.steps),
        "CTL_MOST_DIGITS": max((len(str(number)) for number in numbers), default=0),
        "CTL_MOST_NAMES": max(map(len, names), default=0),
        "CTL_NAMES_BYTES": max((sum(len(name.encode()) + 1 for name in each) for each in names), default=0),
    }


def largest_in(facts: Facts, bound: Bound, mode: int) -> dict[str, int]:
    """Those that are smaller while a poll begins in a mode: in that, and of drafts also in modes that may then be entered."""
    drafts = [_of_mode(facts, bound, each) for each in {mode, *_enterable(facts.design, mode)}]
    return {**_of_mode(facts, bound, mode), **{name: max(values[name] for values in drafts) for name in OF_DRAFTS}}


OF_DRAFTS = ("CTL_DRAFT_BYTES", "CTL_MOST_DRAFTED")


def _of_mode(facts: Facts, bound: Bound, mode: int) -> dict[str, int]:
    design = facts.design
    chords = [key for key, _, _ in bound.chords(mode)]
    lists = Counter(
        (b.key, b.gesture, b.hold_us) for b in (design.bindings[n] for n in design.modes[mode].bindings) if b.condition is not None
    )
    return {
        "CTL_DRAFT_BYTES": sum(facts.cell_bytes(cell) for cell in design.modes[mode].draft),
        "CTL_MOST_DRAFTED": len(design.modes[mode].draft),
        "CTL_MOST_CHORDS": len(chords),
        "CTL_MOST_TOGETHER": max((len(design.keys[key].members) for key in chords), default=0),
        "CTL_MOST_HOLDS": max((len(row.holds) for (of, _), row in bound.rows.items() if of == mode), default=0),
        "CTL_MOST_ALTERNATIVES": max(lists.values(), default=0),
    }


def _enterable(design: Design, mode: int) -> Iterator[int]:
    """The modes that a poll that begins in a mode may enter: by its own actions, by a release that is owed, or by what entering runs."""
    own = design.modes[mode]
    actions = [b.action for b in design.bindings if b.mode == mode or b.gesture == "release"]
    actions += [timer.action for timer in own.timers]
    actions += [each.enter for each in design.modes if each.enter]
    procedures = {action.procedure for action in actions} | {design.responses[n].procedure for n in own.responses}
    for procedure in procedures:
        yield from (s.mode for s in run_by(design, procedure) if isinstance(s, program.Enter))


def _entered(facts: Facts, mode: int) -> int:
    """How many modes are entered, one after another by their own actions, when a mode is. No design enters modes in a circle."""
    enter = facts.design.modes[mode].enter
    further = {s.mode for s in run_by(facts.design, enter.procedure) if isinstance(s, program.Enter)} if enter else ()
    return 1 + max((_entered(facts, each) for each in further), default=0)
