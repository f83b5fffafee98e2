"""The firmware of a design with a board whose feet, pedals, MIDI and power do what bytes say, as files to compile."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from controller_sim.design import load_design, program
from controller_sim.design.form import Cell, Design
from controller_sim.design.steps import statements_in
from controller_sim.design.storage import keeps
from controller_sim.port.c99 import design_files, runtime_files
from controller_sim.simulator import Storage
from controller_sim.testing.conformance import drawn
from controller_sim.testing.designs import designs
from controller_sim.verify.arrivals import Arrival, Reading, possible_arrivals
from controller_sim.verify.moves import times_us
from controller_sim.verify.thresholds import settled_us

Designs = dict[str, Design]
HERE = Path(__file__).parent
MOST_ARRIVALS = 256
LONGEST_US = 200_000_000
"""Between two polls; four minutes are too long for the firmware."""
MOST_TIMES = 4_000
OFTEN = 300
"""How often at most something comes round in the longest time, and in others."""


def named_designs(paths: Iterable[Path]) -> Designs:
    """The designs of these files, by name. Raises DesignError."""
    return {path.stem: load_design(path) for path in paths}


def random_designs(count: int, seed: int) -> Designs:
    """So many random designs, the same for the same seed."""
    # The first ones that are drawn are the plainest, and neighbours are alike.
    return {f"random {seed}.{number}": drawn(designs(), 8, 1000 * seed + number)[-1] for number in range(count)}


def folder_of(name: str) -> str:
    """The name of a design as that of a folder."""
    return "".join(character if character.isalnum() else "_" for character in name)


def wild_files(design: Design) -> dict[str, str]:
    """The firmware, the board, and what the board's bytes mean for this design."""
    runtime = {name: text for name, text in runtime_files().items() if name.endswith((".c", ".h"))}
    board = {path.name: path.read_text(encoding="utf-8") for path in HERE.glob("*.c")}
    return {**runtime, **design_files(design), **board, "wild_design.h": "\n".join(_header(design)) + "\n"}


def _header(design: Design) -> Iterator[str]:
    ranges, kept = ([(cell.low, cell.high) for cell in cells for _ in range(cell.size)] for cells in (design.cells, kept_cells(design)))
    # A time between two looks at the contacts, in which nothing that is pressed for a moment is lost.
    yield f"#define WILD_APART_US {settled_us(design) + 1}u"
    period_us = min(_periods_us(design), default=LONGEST_US)
    yield f"#define WILD_LONGEST_US {min(LONGEST_US, MOST_TIMES * period_us)}u"
    yield f"#define WILD_CELLS {len(ranges)}"
    for name, each in (("wild_ranges", ranges), ("wild_kept", kept)):
        yield from _table(f"struct {{ int64_t low, high; }} {name}", (f"{{{low}, {high}}}" for low, high in each or [(0, 0)]))
    yield from _table("uint32_t wild_waits_us", (f"{min(time_us, OFTEN * period_us)}u" for time_us in times_us(design)))
    yield "struct wild_arrival { uint8_t port, pedal, times, count; uint16_t reading; uint32_t every_us; uint8_t bytes[132]; };"
    arrivals = [text for arrival in possible_arrivals(design) if (text := _arrival(arrival))]
    yield from _table("struct wild_arrival wild_arrivals", (arrivals or ["{1, 0, 1, 1, 0, 0, {0xF8}}"])[:MOST_ARRIVALS])
    if keeps(design):
        images = (f"{{{', '.join(map(str, image))}}}" for image in _images(design))
        yield from _table("uint8_t wild_images[][CTL_STORAGE_BYTES]", images)


def kept_cells(design: Design) -> list[Cell]:
    return [cell for cell in design.cells if cell.keep]


def _periods_us(design: Design) -> Iterator[int]:
    # A design may begin anew as soon as it has begun.
    if any(isinstance(each, program.Restart) for procedure in design.procedures for each in statements_in(procedure.body)):
        yield max(design.timing.press.time_us, design.timing.release.time_us, 1)
    # A timer that comes once may lead to its own mode again.
    yield from (timer.period_us for mode in design.modes for timer in mode.timers)
    yield from (period_us for period_us, _ in design.timing.repeat.steps)
    yield from (pedal.every_us for pedal in design.pedals if pedal.every_us)


def _images(design: Design) -> Iterator[bytes]:
    """What the chip may hold from designs that were like this one: older, newer, with other cells."""
    versions = {design.storage.version + step for step in (-1, 0, 1)} & set(range(1, 256))
    relatives = [replace(design, storage=replace(design.storage, version=version, oldest=1)) for version in sorted(versions)]
    kept = [n for n, cell in enumerate(design.cells) if cell.keep]
    for n in {kept[0], kept[-1]}:
        cell = design.cells[n]
        # Held by another label, or by none.
        others = [replace(cell, high=cell.high - 1, start=cell.low, starts=())] if cell.high > cell.low else []
        others += [replace(cell, keep=False)] if len(kept) > 1 else []
        relatives += [replace(design, cells=(*design.cells[:n], other, *design.cells[n + 1 :])) for other in others]
    for relative in relatives:
        chip = Storage(relative)
        before = chip.power_on()
        for end in ("high", "low", "high"):
            after = tuple(getattr(cell, end) for cell in kept_cells(relative) for _ in range(cell.size))
            chip.save(before, after, 0)
            before = after
        yield chip.image


def _table(name: str, lines: Iterable[str]) -> Iterator[str]:
    yield f"static const {name}{'' if name.endswith(']') else '[]'} = {{"
    yield from (f"    {line}," for line in lines)
    yield "};"


def _arrival(arrival: Arrival) -> str | None:
    if isinstance(arrival, Reading):
        return None if arrival.value is None else f"{{0, {arrival.pedal}, 1, 0, {arrival.value}, 0, {{0}}}}"
    data = ", ".join(map(str, arrival.data))
    return f"{{{arrival.port}, 0, {arrival.times}, {len(arrival.data)}, 0, {arrival.every_us}, {{{data}}}}}"
