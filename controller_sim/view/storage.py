"""Where kept cells are stored, and what a run writes there, as text and plain data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from controller_sim.design.form import Cell, Design
from controller_sim.design.storage import StorageMap, StoredCell, largest_save, map_of
from controller_sim.simulator.wear import LIFE_WRITES, Wear
from controller_sim.view.words import Paint, plural, unpainted

_MOST_CHANGES = 40


def _address(whole: StorageMap, stored: StoredCell, place: int) -> int:
    return place // whole.row_bytes * whole.row_step + place % whole.row_bytes


def layout_json(design: Design) -> dict[str, Any]:
    """The division of a design's image; bytes and addresses."""
    whole = map_of(design)
    largest = largest_save(design)
    return {
        "bytes": whole.size,
        "version": design.storage.version,
        "oldest": design.storage.oldest,
        "row_bytes": whole.row_bytes,
        "rows": whole.rows,
        "home_bytes": whole.home_bytes,
        "journal_bytes": whole.size - whole.home_bytes,
        "value_bytes": whole.value_bytes,
        "spare_bytes": whole.size - whole.least_bytes,
        "rows_at_once": whole.rows_at_once,
        "ram_bytes": whole.ram_bytes,
        "largest_save": None if largest is None else {"rows": largest.rows, "what": largest.what},
        "cells": [
            {
                "name": each.cell.name,
                "low": each.cell.low,
                "high": each.cell.high,
                "shape": list(each.cell.shape),
                "bytes": each.length,
                "rows": [whole.rows_of(each)[0], whole.rows_of(each)[-1]],
                "address": _address(whole, each, each.place),
                "last_address": _address(whole, each, each.place + each.length - 1),
            }
            for each in whole.cells
        ],
    }


def layout_lines(design: Design, paint: Paint = unpainted) -> Iterator[str]:
    """The division of a design's image, line by line."""
    facts = layout_json(design)
    whole = map_of(design)
    yield paint(design.title, "strong") + paint(f"  {design.file}", "quiet")
    if not whole.cells:
        yield "  keeps nothing without power: no memory cell says 'keep: yes'"
        return
    oldest = "" if facts["oldest"] == facts["version"] else f"; images from version {facts['oldest']} on are taken over"
    yield f"  storage    {facts['bytes']} bytes, version {facts['version']}{oldest}"
    yield f"  values     {plural(facts['value_bytes'], 'byte')} in {plural(len(whole.cells), 'cell')}"
    yield (
        f"  rows       {whole.rows} of {whole.row_bytes} bytes, each with its checksum: {whole.home_bytes} bytes, "
        f"0x{0:03X}..0x{whole.home_bytes - 1:03X}"
    )
    yield (
        f"  journal    {facts['journal_bytes']} bytes, 0x{whole.home_bytes:03X}..0x{whole.size - 1:03X}: "
        f"up to {plural(whole.rows_at_once, 'row')} all or nothing; {facts['spare_bytes']} bytes more than one row needs"
    )
    if facts["largest_save"]:
        yield f"  largest    {facts['largest_save']['what']} may change {plural(facts['largest_save']['rows'], 'row')} at once"
    yield f"  RAM        {whole.ram_bytes} bytes to read and save; the values need not be held"
    yield ""
    names = [each.cell.name for each in whole.cells]
    width = max(len(name) for name in [*names, "cell"])
    yield paint(f"  {'cell':{width}}  {'range':>12}  {'size':>8}  bytes  {'rows':>7}  addresses", "quiet")
    for each, told in zip(whole.cells, facts["cells"], strict=True):
        cell = each.cell
        rows = _span(str(told["rows"][0]), str(told["rows"][1]))
        addresses = _span(f"0x{told['address']:03X}", f"0x{told['last_address']:03X}")
        size = " x ".join(map(str, cell.shape))
        yield f"  {cell.name:{width}}  {f'{cell.low}..{cell.high}':>12}  {size:>8}  {each.length:5}  {rows:>7}  {addresses}"


def _span(first: str, last: str) -> str:
    return first if first == last else f"{first}..{last}"


def kept_json(design: Design, kept: Sequence[int]) -> dict[str, Any]:
    """The kept values by cell: a number, a list, or a list of rows."""
    values = iter(kept)
    found: dict[str, Any] = {}
    for cell in design.cells:
        if cell.keep:
            own = [next(values) for _ in range(cell.size)]
            columns = cell.shape[-1] if len(cell.shape) == 2 else 0
            found[cell.name] = [own[at : at + columns] for at in range(0, len(own), columns)] if columns else own if cell.shape else own[0]
    return found


def change_lines(design: Design, kept: Sequence[int]) -> Iterator[str]:
    """The kept values that are not the design's first ones, one a line."""
    at = 0
    lines = []
    for cell in design.cells:
        if cell.keep:
            for number, start in enumerate(cell.start_values):
                if kept[at + number] != start:
                    lines.append(f"  {cell.name}{_indices(cell, number)} = {kept[at + number]}  (first {start})")
            at += cell.size
    yield from lines[:_MOST_CHANGES] or ["  none: every kept value is the design's first one"]
    if len(lines) > _MOST_CHANGES:
        yield f"  and {len(lines) - _MOST_CHANGES} more"


def _indices(cell: Cell, number: int) -> str:
    if len(cell.shape) == 2:
        return f"[{number // cell.shape[1]}, {number % cell.shape[1]}]"
    return f"[{number}]" if cell.shape else ""


def wear_json(wear: Wear) -> dict[str, Any]:
    return asdict(wear)


def wear_lines(wear: Wear) -> Iterator[str]:
    """What a run wrote and how long the chip lasts, line by line."""
    yield f"  saves      {wear.saves}, {plural(wear.writes, 'byte')} written: {wear.writes_per_hour:,.0f} bytes an hour"
    if wear.in_parts:
        yield f"  in parts   {plural(wear.in_parts, 'save')} too large to be all or nothing"
    if wear.years is None:
        yield "  most worn  no byte: nothing that is kept changed"
        return
    writes = plural(wear.most_worn_writes, "write")
    yield (
        f"  most worn  0x{wear.most_worn_address:03X}, {writes}; played over and over the most worn byte has "
        f"{wear.most_worn_per_hour:,.1f} an hour, so {LIFE_WRITES:,} after {_years(wear.years)} of day and night"
    )
    yield (
        f"  longest    save {_ms(wear.longest_save_us)}, tidying after a save {_ms(wear.longest_tidying_us)}; "
        f"a change was safe {_ms(wear.longest_wait_us)} after it at the latest"
    )


def _years(years: float) -> str:
    return f"{years:,.0f} years" if years >= 10 else f"{years:.2f} years"


def _ms(time_us: int) -> str:
    return f"{time_us / 1000:,.0f} ms"
