"""What `check` says of a design: its parts, what its memory costs, and which gestures wait for which others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from controller_sim.design.form import GESTURES, Binding, Debounce, Design, Moved, Response
from controller_sim.design.storage import map_of
from controller_sim.view.words import Paint, duration, gesture_title, plain, plural, unpainted

CELL_BYTES = 4
"""Every value is a signed 32-bit integer."""


@dataclass(frozen=True, slots=True)
class Wait:
    """A gesture that may be decided later than its last edge, by at most `up_to_us`, because of other gestures on the same switches."""

    modes: tuple[str, ...]
    gesture: str
    waits_for: tuple[str, ...]
    up_to_us: int


@dataclass(frozen=True, slots=True)
class Eager:
    """A press that fires at the edge although a chord may still take the switch."""

    modes: tuple[str, ...]
    gesture: str
    chords: tuple[str, ...]


def waits(design: Design) -> list[Wait]:
    """Every gesture that may wait for others, those of several modes that are alike in one.

    Conditions are taken as true: a gesture whose rival is not bound at the moment does not wait.
    """
    found: dict[tuple[str, tuple[str, ...], int], list[str]] = {}
    for mode in design.modes:
        bound = [design.bindings[number] for number in mode.bindings]
        for binding in bound:
            for rivals, up_to_us in _rivals(design, bound, binding):
                names = found.setdefault((gesture_title(design, binding), rivals, up_to_us), [])
                if mode.name not in names:
                    names.append(mode.name)
    return [Wait(tuple(modes), title, rivals, up_to_us) for (title, rivals, up_to_us), modes in found.items()]


def eager_presses(design: Design) -> list[Eager]:
    """The eager presses of switches that some chord of the same mode contains."""
    found: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for mode in design.modes:
        bound = [design.bindings[number] for number in mode.bindings]
        for binding in bound:
            chords = _larger_chords(design, bound, binding)
            if binding.eager and chords:
                names = found.setdefault((gesture_title(design, binding), chords), [])
                if mode.name not in names:
                    names.append(mode.name)
    return [Eager(tuple(modes), title, chords) for (title, chords), modes in found.items()]


def _rivals(design: Design, bound: list[Binding], binding: Binding) -> Iterator[tuple[tuple[str, ...], int]]:
    """Who makes this gesture wait: only `press` and `double` are decided with the key, only `tap` after it."""
    timing = design.timing
    chords = _larger_chords(design, bound, binding)
    if binding.gesture in ("press", "double") and chords and not binding.eager:
        yield chords, timing.chord_us
    if binding.gesture == "tap" and any(other.key == binding.key and other.gesture == "double" for other in bound):
        yield (f"double {design.keys[binding.key].name}",), timing.double_us


def _larger_chords(design: Design, bound: list[Binding], binding: Binding) -> tuple[str, ...]:
    mask = design.keys[binding.key].mask
    keys = {other.key for other in bound}
    return tuple(
        f"chord {key.name}" for number, key in enumerate(design.keys) if number in keys and key.mask != mask and key.mask & mask == mask
    )


def as_json(design: Design) -> dict[str, Any]:
    """The report as plain data: the same facts as the text, times in microseconds."""
    timing = design.timing
    return {
        "title": design.title,
        "file": design.file,
        "switches": list(design.switches),
        "leds": list(design.leds),
        "colours": {name: list(colours) for led, name in enumerate(design.leds) if (colours := design.colours_of(led))},
        "pedals": {pedal.name: {"low": pedal.low, "high": pedal.high, "every_us": pedal.every_us} for pedal in design.pedals},
        "display": {"lines": design.display_lines, "characters": design.display_characters},
        "home": design.modes[design.home].name,
        "modes": [
            {
                "name": mode.name,
                "bindings": dict(Counter(design.bindings[number].gesture for number in mode.bindings)),
                "responses": dict(Counter(_cause_word(design.responses[number]) for number in mode.responses)),
                "timers": len(mode.timers),
                "draft": [design.cells[number].name for number in mode.draft],
                "delayed": mode.delayed,
            }
            for mode in design.modes
        ],
        "power_on": len(design.power_on),
        "every_power_on": design.every_power_on is not None,
        "devices": [device.name for device in design.devices],
        "memory": _memory(design),
        "delayed_messages": design.delayed_messages,
        "debounce": {"press_adds_us": _added_us(timing.press), "release_adds_us": _added_us(timing.release)},
        "waits": [plain(asdict(wait)) for wait in waits(design)],
        "eager": [plain(asdict(eager)) for eager in eager_presses(design)],
        "warnings": list(design.warnings),
    }


def _led_names(design: Design) -> Iterator[str]:
    for led, name in enumerate(design.leds):
        colours = design.colours_of(led)
        yield f"{name} ({' '.join(colours)})" if colours else name


def _cause_word(response: Response) -> str:
    return "move" if isinstance(response.cause, Moved) else "received"


def _memory(design: Design) -> dict[str, int]:
    values = sum(cell.size for cell in design.cells)
    kept = sum(cell.size for cell in design.cells if cell.keep)
    drafted = max((sum(design.cells[number].size for number in mode.draft) for mode in design.modes), default=0)
    return {
        "cells": len(design.cells),
        "values": values,
        "bytes": values * CELL_BYTES,
        "kept_values": kept,
        "kept_bytes": map_of(design).value_bytes,
        "storage_bytes": design.storage.bytes if kept else 0,
        "largest_draft_bytes": drafted * CELL_BYTES,
    }


def _added_us(debounce: Debounce) -> int:
    return debounce.time_us if debounce.kind == "settle" else 0


def report_lines(design: Design, paint: Paint = unpainted) -> Iterator[str]:
    """The report as text, line by line; `paint` may colour a piece of text for a named style."""
    yield paint(design.title, "strong") + paint(f"  {design.file}", "quiet")
    yield f"  switches   {', '.join(_switch_words(design))}"
    if design.pedals:
        yield f"  pedals     {', '.join(f'{pedal.name} ({pedal.low}..{pedal.high})' for pedal in design.pedals)}"
    if design.leds:
        yield f"  LEDs       {', '.join(_led_names(design))}"
    if design.display_characters:
        yield f"  display    {plural(design.display_lines, 'line')} of {plural(design.display_characters, 'character')}"
    if design.devices:
        yield f"  devices    {', '.join(f'{device.name} (channel {device.channel + 1})' for device in design.devices)}"
    memory = _memory(design)
    yield (
        f"  memory     {plural(memory['cells'], 'cell')}, {plural(memory['values'], 'value')}, {memory['bytes']} bytes; "
        f"kept without power: {plural(memory['kept_bytes'], 'byte')} in {memory['storage_bytes']} of storage; "
        f"largest draft: {memory['largest_draft_bytes']} bytes"
    )
    yield ""
    yield paint("modes", "strong")
    yield from _mode_lines(design)
    yield ""
    yield paint("what each gesture waits for", "strong")
    yield from _wait_lines(design)
    if design.warnings:
        yield ""
        yield paint("warnings", "warn")
        yield from (f"  {warning}" for warning in design.warnings)


def _switch_words(design: Design) -> Iterator[str]:
    for number, name in enumerate(design.switches):
        yield f"{name} (opens)" if design.opening >> number & 1 else name


def _mode_lines(design: Design) -> Iterator[str]:
    width = max(len(mode.name) for mode in design.modes)
    for number, mode in enumerate(design.modes):
        counts = Counter(design.bindings[binding].gesture for binding in mode.bindings)
        facts = [f"{counts[gesture]} {gesture}" for gesture in GESTURES if counts[gesture]]
        causes = Counter(_cause_word(design.responses[response]) for response in mode.responses)
        facts += [f"{causes[word]} {word}" for word in ("move", "received") if causes[word]]
        if mode.timers:
            facts.append(plural(len(mode.timers), "timer"))
        if mode.draft:
            facts.append("drafts " + ", ".join(design.cells[cell].name for cell in mode.draft))
        if mode.delayed == "cancel":
            facts.append("leaving cancels delayed messages")
        home = " (home)" if number == design.home else ""
        yield f"  {mode.name:{width}}  {', '.join(facts) or 'no bindings'}{home}"
    if design.power_on:
        yield f"  and {plural(len(design.power_on), 'power-on gesture')}"
    if design.every_power_on:
        yield "  and an action at every power-on"


def _wait_lines(design: Design) -> Iterator[str]:
    for name, debounce in (("press", design.timing.press), ("release", design.timing.release)):
        if debounce.time_us == 0:
            yield f"  every {name}: counts at once, contacts are not debounced"
        elif debounce.kind == "settle":
            yield f"  every {name}: {duration(debounce.time_us)} until the contact has settled"
        else:
            yield f"  every {name}: counts at once, then the contact is not believed for {duration(debounce.time_us)}"
    every_mode = tuple(mode.name for mode in design.modes)
    for wait in waits(design):
        where = "" if wait.modes == every_mode else f"  (in {', '.join(wait.modes)})"
        yield f"  {wait.gesture}: up to {duration(wait.up_to_us)} for {', '.join(wait.waits_for)}{where}"
    for eager in eager_presses(design):
        where = "" if eager.modes == every_mode else f"  (in {', '.join(eager.modes)})"
        yield f"  {eager.gesture}: waits for nothing; {', '.join(eager.chords)} may still come on top{where}"
    if not waits(design):
        yield "  nothing else: every gesture is decided at its last edge or its own time"
