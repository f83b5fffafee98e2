"""How large some things of a design get: the C says by these how often its loops go round at most."""

from __future__ import annotations

from controller_sim.design import program
from controller_sim.design.steps import run_by
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_tables import Bound


def largest(facts: Facts, bound: Bound) -> dict[str, int]:
    """Macros and their values; 0 of what the design has none of."""
    design = facts.design
    rows = bound.rows.values()
    chords = [[key for key, _, _ in bound.chords(mode)] for mode in range(len(design.modes))]
    numbers = [abs(end) for e in facts.shown_numbers() for end in (e.low, e.high)]
    names = [part.names for text in facts.shown_texts() for part in text.parts if isinstance(part, program.Field) and part.names]
    return {
        "CTL_MOST_ENTERED": max(_entered(facts, mode) for mode in range(len(design.modes))),
        "CTL_MOST_CHORDS": max(map(len, chords)),
        "CTL_MOST_TOGETHER": max((len(design.keys[key].members) for each in chords for key in each), default=0),
        "CTL_MOST_HOLDS": max((len(row.holds) for row in rows), default=0),
        "CTL_MOST_ALTERNATIVES": bound.longest_list,
        "CTL_MOST_STEPS": len(design.timing.repeat.steps),
        "CTL_MOST_DRAFTED": max(len(mode.draft) for mode in design.modes),
        "CTL_MOST_DIGITS": max((len(str(number)) for number in numbers), default=0),
        "CTL_MOST_NAMES": max(map(len, names), default=0),
        "CTL_NAMES_BYTES": max((sum(len(name.encode()) + 1 for name in each) for each in names), default=0),
    }


def _entered(facts: Facts, mode: int) -> int:
    """How many modes are entered, one after another by their own actions, when a mode is. No design enters modes in a circle."""
    enter = facts.design.modes[mode].enter
    further = {s.mode for s in run_by(facts.design, enter) if isinstance(s, program.Enter)} if enter else ()
    return 1 + max((_entered(facts, each) for each in further), default=0)
