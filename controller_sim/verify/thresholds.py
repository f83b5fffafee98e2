"""The durations of a design that something is measured by, where a foot that is one microsecond off is understood differently."""

from __future__ import annotations

from controller_sim.core.kinds import TAP_BOUNCE_US, TAP_PAUSE_US
from controller_sim.design import program
from controller_sim.design.form import Debounce, Design
from controller_sim.design.steps import statements_in


def latency_us(debounce: Debounce) -> int:
    """From a contact's change to the edge that is believed."""
    return debounce.time_us if debounce.kind == "settle" else 0


def settled_us(design: Design) -> int:
    """How long contacts must be still after power-on."""
    return max(design.timing.press.time_us, design.timing.release.time_us, 1)


def rest_us(design: Design) -> int:
    """With every foot up and the last release believed this long ago, no group, tap or debouncer waits any more."""
    timing = design.timing
    return 2 * (timing.press.time_us + timing.release.time_us) + timing.chord_us + timing.double_us + 3


def holds(design: Design) -> tuple[int, ...]:
    """Every duration that a key can be held for, of holds and first repeats, shortest first."""
    found = {binding.hold_us for binding in design.bindings if binding.gesture == "hold"}
    if any(binding.gesture == "repeat" for binding in design.bindings):
        repeat = design.timing.repeat
        found |= {repeat.first_us, repeat.first_us + (repeat.steps[0][0] if repeat.steps else repeat.last_us)}
    return tuple(sorted(found))


def chord_us(design: Design) -> int | None:
    """The chord window, or None where no chord is bound."""
    return design.timing.chord_us if len(design.keys) > len(design.switches) else None


def double_us(design: Design) -> int | None:
    """The gap of a double, or None where no double is bound."""
    return design.timing.double_us if any(binding.gesture == "double" for binding in design.bindings) else None


def waits(design: Design) -> tuple[int, ...]:
    """What a design waits for besides gestures: mode timers, notices, delayed messages and the limits of tap tempo."""
    found = {timer.period_us for mode in design.modes for timer in mode.timers}
    for procedure in design.procedures:
        for statement in statements_in(procedure.body):
            if isinstance(statement, program.Notice):
                found.add(statement.duration_us)
            elif isinstance(statement, program.Send) and statement.delay_us:
                found.add(statement.delay_us)
            elif isinstance(statement, program.TapTempo):
                found |= {TAP_BOUNCE_US, TAP_PAUSE_US}
    return tuple(sorted(found))
