"""A design as the flat tables that the engine runs on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from controller_sim.core.engine import Engine
from controller_sim.core.kinds import MINUTE_US, NOTHING, TICKS_PER_QUARTER
from controller_sim.core.tables import Tables
from controller_sim.design import form, program
from controller_sim.design.form import Design
from controller_sim.design.handlers import HandlerWriter
from controller_sim.design.loop import LoopWriter
from controller_sim.design.plan import Plan
from controller_sim.design.python_code import PythonWriter
from controller_sim.design.steps import shown_in

_recent: list[tuple[Design, bool, Tables]] = []


def tables_of(design: Design, trace: bool) -> Tables:
    """The tables of a design, with or without functions that put out debounced edges; the last few are remembered."""
    for known, traced, tables in _recent:
        if known is design and traced == trace:
            return tables
    tables = _lower(design, trace)
    _recent.append((design, trace, tables))
    del _recent[:-4]
    return tables


def source_of(design: Design, trace: bool = False) -> str:
    """The design's own functions as Python source; `MODES` at its end names those of each mode."""
    return _source(design, Plan(design), trace)


def _source(design: Design, plan: Plan, trace: bool) -> str:
    writer = PythonWriter(design, plan)
    _write_actions(writer, design, plan)
    handlers = HandlerWriter(design, plan, writer.firing)
    modes = _write_modes(handlers, design)
    return "\n".join([*writer.lines, *handlers.lines, *LoopWriter(design, plan, trace).lines(), *modes])


def _write_actions(writer: PythonWriter, design: Design, plan: Plan) -> None:
    for i, procedure in enumerate(design.procedures):
        if i in plan.called:
            writer.procedure(f"p{i}", procedure)
    for i, mode in enumerate(design.modes):
        if mode.conditions:
            writer.conditions(f"conditions{i}", mode.conditions)
        if mode.enter:
            writer.action(f"enter{i}", mode.enter, follow=False)
        if mode.leave:
            writer.action(f"leave{i}", mode.leave)
        for j, timer in enumerate(mode.timers):
            again = [f"e._set({plan.timer_slot + j}, now + {timer.period_us})"] if timer.every else []
            writer.action(f"timer{i}_{j}", timer.action, before=again)
        if design.display_characters:
            writer.display(f"display{i}", mode.views)
        writer.show_leds(f"leds{i}", mode.leds)
    for i, held in enumerate(design.power_on):
        writer.action(f"power_on{i}", held.action, follow=False)
    if design.every_power_on:
        writer.action("every_power_on", design.every_power_on, follow=False)
    for i, response in enumerate(design.responses):
        writer.response(f"response{i}", response)


def _write_modes(writer: HandlerWriter, design: Design) -> list[str]:
    """Write the functions of switches and keys; the lines that name those of each mode are returned."""
    modes = []
    for i, mode in enumerate(design.modes):
        switches = [writer.switch_functions(i, s) for s in range(len(design.switches))]
        pressed, released = (_tuple(names) for names in zip(*switches, strict=True))
        keys = [writer.key_functions(i, key) for key in range(len(design.keys))]
        become, decide = (_tuple(names) for names in zip(*keys, strict=True))
        timeouts = _tuple([writer.close_function(i), *writer.timeouts(i), *(f"timer{i}_{j}" for j in range(len(mode.timers)))])
        conditions = f"conditions{i}" if mode.conditions else "None"
        display = f"display{i}" if design.display_characters else "None"
        names = [pressed, released, *writer.mode_functions(i), become, decide, timeouts, conditions, display, f"leds{i}"]
        modes += ["    (", *(f"        {name}," for name in names), "    ),"]
    rests = [writer.function(f"rest{p}", "e, now", [f"e.rest_ended({p}, now)"]) for p in range(len(design.pedals))]
    firing = [f"{binding}: {writer.binding_function(binding)}, " for binding in sorted(set(writer.plan.fired_by_number()))]
    return [f"RESTS = {_tuple(rests)}", f"FIRING = {{{''.join(firing)}}}", "MODES = (", *modes, ")"]


def _tuple(names: Iterable[str]) -> str:
    return f"({''.join(f'{name}, ' for name in names)})"


def _lower(design: Design, trace: bool) -> Tables:
    plan = Plan(design)
    names: dict[str, Any] = {}
    exec(compile(_source(design, plan, trace), f"<functions of {design.file}>", "exec"), names)
    tables = Tables()
    tables.trace = trace
    timing = design.timing
    tables.switches = len(design.switches)
    tables.leds = len(design.leds)
    tables.masks = [key.mask for key in design.keys]
    tables.members = [key.members for key in design.keys]
    tables.owned = [tuple(s for s in key.members if s in plan.chord_switches) for key in design.keys]
    tables.all_switches = (1 << tables.switches) - 1
    tables.power_on_us = max(timing.press.time_us, timing.release.time_us)
    tables.chord_us = timing.chord_us
    tables.double_us = timing.double_us
    tables.repeat_us = [timing.repeat.first_us, *(us for us, count in timing.repeat.steps for _ in range(count)), timing.repeat.last_us]
    tables.hold_slots, tables.repeat_slots, tables.gap_slots = plan.hold_slots, plan.repeat_slots, plan.gap_slots
    tables.timer_slot = plan.timer_slot
    tables.delayed_slot, tables.clock_slot, tables.notice_slot = plan.delayed_slot, plan.clock_slot, plan.notice_slot
    tables.pedal_slot = plan.pedal_slot
    tables.slots = plan.slots
    tables.nothing_due = plan.nothing_due
    tables.chord_switches = plan.chord_switches
    tables.nobody = [NOTHING] * len(design.switches)
    tables.choices = plan.choices
    tables.eager = frozenset(i for i, b in enumerate(design.bindings) if b.eager)
    tables.play = names["play"]
    tables.fire = names["FIRING"]
    tables.modes = [_mode(functions, names["RESTS"], plan) for functions in names["MODES"]]
    tables.timers = [tuple((plan.timer_slot + j, timer.period_us) for j, timer in enumerate(mode.timers)) for mode in design.modes]
    tables.draft = [
        tuple(i for c in mode.draft for i in range(design.cells[c].offset, design.cells[c].offset + design.cells[c].size))
        for mode in design.modes
    ]
    tables.draft_places = [{place: n for n, place in enumerate(places)} for places in tables.draft]
    tables.delayed_cancels = [mode.delayed == "cancel" for mode in design.modes]
    tables.every_power_on = names.get("every_power_on")
    tables.power_on = {binding.mask: names[f"power_on{i}"] for i, binding in enumerate(design.power_on)}
    tables.start = [value for cell in design.cells for value in cell.start_values]
    tables.kept = [i for cell in design.cells if cell.keep for i in range(cell.offset, cell.offset + cell.size)]
    tables.home = design.home
    tables.tempo_low, tables.tempo_high, tables.tempo_start = design.tempo.low, design.tempo.high, design.tempo.start
    tables.clock_ports = design.tempo.ports
    tables.delayed_messages = design.delayed_messages
    _lower_arrivals(design, tables)
    tables.responses = [names[f"response{i}"] for i in range(len(design.responses))]
    return tables


def _mode(functions: Sequence[Any], rests: Sequence[Any], plan: Plan) -> tuple[Any, ...]:
    """A mode's functions, with the engine's own for the deadlines that are not the mode's."""
    pressed, released, entered, left, become, decide, own, *others = functions
    timeouts = [Engine.power_on, own[0] or Engine.close_group, *own[1:]]
    timeouts += [None] * (plan.slots - len(timeouts))
    engine = ((plan.delayed_slot, Engine.send_delayed), (plan.clock_slot, Engine.tick), (plan.notice_slot, Engine.end_notice))
    for slot, function in engine:
        if slot >= 0:
            timeouts[slot] = function
    for place, function in enumerate(rests):
        timeouts[plan.pedal_slot + place] = function
    return (pressed, released, entered, left or Engine.wipe, become, decide, timeouts, *others)


def _lower_arrivals(design: Design, tables: Tables) -> None:
    shown = {part.pedal for part in shown_in(design) if isinstance(part, program.Position)}
    tables.opening = design.opening
    tables.pedals = tuple(
        (pedal.heel, pedal.toe, pedal.points, pedal.hysteresis, pedal.every_us, pedal.moves_first, p in shown)
        for p, pedal in enumerate(design.pedals)
    )
    tables.thru = tuple((thru.source, thru.ports, thru.kinds) for thru in design.thru)
    tables.follow = design.tempo.follow
    tables.follow_pause_us = 2 * MINUTE_US // (TICKS_PER_QUARTER * design.tempo.low)
    tables.moves = []
    tables.heard = []
    for mode in design.modes:
        moves: list[list[tuple[int, int]]] = [[] for _ in design.pedals]
        heard: dict[int, list[tuple[Any, ...]]] = {}
        for number in mode.responses:
            response = design.responses[number]
            condition = 0 if response.condition is None else 1 << response.condition
            if isinstance(response.cause, form.Moved):
                moves[response.cause.pedal].append((condition, number))
            else:
                cause = response.cause
                heard.setdefault(cause.status, []).append((cause.ports, cause.data, cause.bits == 14, condition, number))
        tables.moves.append([tuple(each) for each in moves])
        tables.heard.append({status: tuple(each) for status, each in heard.items()})
    causes = [response.cause for response in design.responses if isinstance(response.cause, form.Received)]
    tables.paired = frozenset(cause.status << 7 | cause.data[0][0] for cause in causes if cause.bits == 14)
    tables.echo_us = design.echo_us
