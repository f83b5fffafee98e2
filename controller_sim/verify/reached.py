"""How often each property had something to check: a promise that was never put to the test is no promise kept."""

from __future__ import annotations

from controller_sim.design.form import Design
from controller_sim.verify import accounts, ending, pairs, properties
from controller_sim.verify.coverage import Coverage
from controller_sim.verify.properties import ENDLESS, ONWARD, STATE, TWO_RUNS


def times_reached(name: str, coverage: Coverage, design: Design) -> int | None:
    """How often the premise of a property was there in the runs that were covered; None where running decides nothing."""
    known = properties.BY_NAME[name]
    if known.how in (STATE, TWO_RUNS, ONWARD) or name == pairs.ORDER:
        return coverage.reached[name]
    gestures = dict.fromkeys(("press", "release", "tap", "hold", "repeat", "double"), 0)
    chords = 0
    for number, times in coverage.fired.items():
        binding = design.bindings[number]
        gestures[binding.gesture] += times
        chords += times * (binding.key >= len(design.switches))
    fired = sum(gestures.values())
    counts = {
        accounts.ANSWERED: coverage.edges // 2,
        accounts.ONCE: fired,
        accounts.TIMELY: fired,
        accounts.ALONE: chords,
        accounts.PAIRED: gestures["release"],
        accounts.SLATE: coverage.changes.total() - sum(times for (start, _), times in coverage.changes.items() if start < 0),
        accounts.QUIET: coverage.fates[2],
        accounts.BELIEVED: coverage.edges,
        accounts.BYTES: coverage.messages,
        ending.NOTES: coverage.notes,
        ending.MOMENTARY: coverage.momentaries,
        ending.RESTFUL: coverage.rests,
        "listening": coverage.listening,
    }
    return None if known.how not in (properties.WATCHED, ENDLESS) else counts.get(name)
