"""A design as the flat tables that the engine runs on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

from controller_sim.core.kinds import GESTURES, HOLD, MINUTE_US, NOTHING, TICKS_PER_QUARTER
from controller_sim.core.tables import Tables
from controller_sim.design import form
from controller_sim.design.form import Design
from controller_sim.design.python_code import PythonWriter

_recent: list[tuple[Design, Tables]] = []


def tables_of(design: Design) -> Tables:
    """The tables of a design; those of the last few designs are remembered."""
    for known, tables in _recent:
        if known is design:
            return tables
    tables = _lower(design)
    _recent.append((design, tables))
    del _recent[:-4]
    return tables


def source_of(design: Design) -> str:
    """The design's own functions as Python source."""
    writer = PythonWriter(design, frozenset(part.cell for part in _shown(design) if isinstance(part, form.CellValue)))
    for i, procedure in enumerate(design.procedures):
        writer.procedure(f"p{i}", procedure)
    for i, binding in enumerate(design.bindings):
        writer.action(f"binding{i}", binding.action)
    for i, mode in enumerate(design.modes):
        if mode.conditions:
            writer.conditions(f"conditions{i}", mode.conditions)
        if mode.enter:
            writer.action(f"enter{i}", mode.enter)
        if mode.leave:
            writer.action(f"leave{i}", mode.leave)
        for j, timer in enumerate(mode.timers):
            writer.action(f"timer{i}_{j}", timer.action)
        writer.display(f"display{i}", mode.views)
        writer.led_values(f"leds{i}", mode.leds)
    for i, held in enumerate(design.power_on):
        writer.action(f"power_on{i}", held.action)
    for i, response in enumerate(design.responses):
        writer.response(f"response{i}", response)
    return "\n".join(writer.lines)


def _lower(design: Design) -> Tables:
    names: dict[str, Any] = {}
    exec(compile(source_of(design), f"<functions of {design.file}>", "exec"), names)
    tables = Tables()
    timing = design.timing
    tables.switches = len(design.switches)
    tables.keys = len(design.keys)
    tables.leds = len(design.leds)
    tables.masks = [key.mask for key in design.keys]
    tables.members = [key.members for key in design.keys]
    tables.press_settle_us, tables.press_lockout_us = _split(timing.press)
    tables.release_settle_us, tables.release_lockout_us = _split(timing.release)
    tables.power_on_us = max(timing.press.time_us, timing.release.time_us)
    tables.chord_us = timing.chord_us
    tables.double_us = timing.double_us
    tables.repeat_us = [timing.repeat.first_us, *(us for us, count in timing.repeat.steps for _ in range(count)), timing.repeat.last_us]
    _lower_bindings(design, tables)
    tables.eager = frozenset(i for i, b in enumerate(design.bindings) if b.eager)
    tables.eager_modes = [any(design.bindings[i].eager for i in mode.bindings) for mode in design.modes]
    tables.actions = [names[f"binding{i}"] for i in range(len(design.bindings))]
    tables.conditions = _optional(names, "conditions", design)
    tables.enter = _optional(names, "enter", design)
    tables.leave = _optional(names, "leave", design)
    tables.timers = [
        tuple((t.period_us, t.every, names[f"timer{i}_{j}"]) for j, t in enumerate(mode.timers)) for i, mode in enumerate(design.modes)
    ]
    tables.timer_slots = max(len(mode.timers) for mode in design.modes)
    tables.display = _optional(names, "display", design)
    tables.led_values = _optional(names, "leds", design)
    tables.draft = [
        tuple(i for c in mode.draft for i in range(design.cells[c].offset, design.cells[c].offset + design.cells[c].size))
        for mode in design.modes
    ]
    tables.draft_saves = [mode.on_other_exit == "save" for mode in design.modes]
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


def _lower_arrivals(design: Design, tables: Tables) -> None:
    shown = {part.pedal for part in _shown(design) if isinstance(part, form.Position)}
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
        heard: dict[int, list[tuple[int, ...]]] = {}
        for number in mode.responses:
            response = design.responses[number]
            condition = _condition_bit(response)
            if isinstance(response.cause, form.Moved):
                moves[response.cause.pedal].append((condition, number))
            else:
                first, second = response.cause.data
                heard.setdefault(response.cause.status, []).append((response.cause.ports, *first, *second, condition, number))
        tables.moves.append([tuple(each) for each in moves])
        tables.heard.append({status: tuple(each) for status, each in heard.items()})


def _split(debounce: form.Debounce) -> tuple[int, int]:
    """(settle, lockout) in microseconds; one of the two is 0."""
    return (debounce.time_us, 0) if debounce.kind == "settle" else (0, debounce.time_us)


def _optional(names: dict[str, Any], stem: str, design: Design) -> list[Callable[..., Any] | None]:
    return [names.get(f"{stem}{i}") for i in range(len(design.modes))]


def _lower_bindings(design: Design, tables: Tables) -> None:
    tables.choices = []
    tables.bind = []
    tables.holds = []
    tables.chords = []
    tables.plain_chords = []
    tables.chord_switches = []
    for mode in design.modes:
        bindings = [(i, design.bindings[i]) for i in mode.bindings]
        bind = [NOTHING] * (len(design.keys) * GESTURES)
        holds: list[tuple[tuple[int, int], ...]] = []
        for key in range(len(design.keys)):
            mine = [(i, b) for i, b in bindings if b.key == key]
            for column, gesture in enumerate(form.GESTURES):
                if column != HOLD:
                    bind[key * GESTURES + column] = _choice(tables, [(i, b) for i, b in mine if b.gesture == gesture])
            times = sorted({b.hold_us for _, b in mine if b.gesture == "hold"})
            holds.append(tuple((us, _choice(tables, [(i, b) for i, b in mine if b.gesture == "hold" and b.hold_us == us])) for us in times))
        tables.bind.append(bind)
        tables.holds.append(holds)
        chords = []
        for key in range(len(design.switches), len(design.keys)):
            mine = [(i, b) for i, b in bindings if b.key == key]
            if mine:
                bits = 0
                for _, b in mine:
                    bits |= _condition_bit(b)
                chords.append((key, design.keys[key].mask, any(b.condition is None for _, b in mine), bits))
        tables.chords.append(tuple(chords))
        tables.plain_chords.append(tuple((key, mask) for key, mask, _, _ in chords) if all(always for _, _, always, _ in chords) else ())
        switches = 0
        for _, mask, _, _ in chords:
            switches |= mask
        tables.chord_switches.append(switches)


def _condition_bit(binding: form.Binding | form.Response) -> int:
    return 0 if binding.condition is None else 1 << binding.condition


def _choice(tables: Tables, bindings: Sequence[tuple[int, form.Binding]]) -> int:
    """A binding's number, NOTHING, or -2 - the index of a new list of conditional bindings."""
    if not bindings:
        return NOTHING
    if bindings[0][1].condition is None:
        return bindings[0][0]
    tables.choices.append(tuple((_condition_bit(b), i) for i, b in bindings))
    return -2 - (len(tables.choices) - 1)


def _shown(design: Design) -> Iterator[form.Expression]:
    """Every part of every expression that some display or LED reads."""
    for mode in design.modes:
        yield from _parts([*mode.views, *mode.leds])


def _parts(things: Iterable[Any]) -> Iterator[form.Expression]:
    for thing in things:
        if isinstance(thing, form.Expression):
            yield thing
        if isinstance(thing, tuple | list):
            yield from _parts(thing)
        elif is_dataclass(thing):
            yield from _parts([getattr(thing, f.name) for f in fields(thing)])
