"""The parts of a design, and what its memory costs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

from controller_sim.design.form import GESTURES, Debounce, Design, Moved, Response
from controller_sim.design.storage import map_of
from controller_sim.view.words import Paint, plural, unpainted

CELL_BYTES = 4
"""Every value is a signed 32-bit integer."""


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
