"""The proof that the firmware's endless loop has no run-time errors, by Frama-C's analysis of values (Eva)."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from firmware_checks.building import CheckError, Missing, put, run, side_by_side
from firmware_checks.wild import Designs, folder_of

from controller_sim.design.form import Design
from controller_sim.design.storage import keeps
from controller_sim.port.c99 import design_files, runtime_files
from controller_sim.port.c_facts import Facts

HERE = Path(__file__).parent
INSTALL = "apt-get install --no-install-recommends frama-c-base"
MACHINES = ("x86_32", "gcc_x86_16")
"""Of 32 bits, and of 16 as the AVR."""
BOARD = "any_board.c"
STORAGE = ("image.c", "recovery.c", "storage.c")
SAYING = ("-eva-no-show-progress", "-eva-msg-key=-initial-state,-final-states")
ANALYSIS = (
    "-eva",
    *SAYING,
    "-eva-precision",
    "1",
    "-eva-auto-loop-unroll",
    "256",
    "-eva-split-return",
    "auto",
    "-eva-interprocedural-splits",
)
OF_LOOP = ("-eva-ilevel", "64")
OF_STORAGE = ("-eva-ilevel", "512", "-cpp-extra-args=-DOF_STORAGE")
"""Every value of a kept cell by itself: one below zero is stored as one far above."""
_NOTED = re.compile(r"^( *)((?:for|while|do)\b[^\n]*/\* at most (.*?) rounds?\b)", re.MULTILINE)
_COUNTED = re.compile(r"^( *)(for \(uint8_t (\w+) = 0; \3 < (CTL_\w+); \3\+\+\) \{)$", re.MULTILINE)
_ALARM = re.compile(r"^\[eva:alarm\] (.+(?:\n(?!\[| *Called from).+)*)", re.MULTILINE)


def proof_files(design: Design) -> dict[str, str]:
    """The firmware with a board of which nothing is known; its loops say to Frama-C what they say to a reader: how often they go round."""
    files = {name: text for name, text in {**runtime_files(), **design_files(design)}.items() if name.endswith((".c", ".h"))}
    sources = {name for name in files if name.endswith(".c")}
    for name in sources - set(STORAGE):
        rounds = _NOTED.sub(lambda loop: f"{loop[1]}/*@ loop unroll ({_rounds(loop[3])}); */ {loop[2]}", files[name])
        files[name] = _COUNTED.sub(r"\1/*@ loop unroll (\4); */ \2", rounds)
    controlling, storing = ("".join(f'#include "{name}"\n' for name in sorted(names)) for names in (sources - set(STORAGE), STORAGE))
    return {
        **files,
        BOARD: (HERE / BOARD).read_text(encoding="utf-8"),
        "any_firmware.h": f"#ifdef OF_STORAGE\n{storing}#endif\n{controlling}",
        "any_design.h": "\n".join(_any_values(Facts(design))) + "\n",
    }


def _rounds(said: str) -> str:
    """How often a loop goes round as far as Frama-C knows: not that a group is closed before more is in it than a chord has."""
    return said.replace("CTL_MOST_TOGETHER", "CTL_SWITCHES")


def _any_values(facts: Facts) -> Iterator[str]:
    """Functions that give cells any value of their ranges, and one that demands that kept cells are within theirs."""
    for name, kept in (("take_any_kept", True), ("take_any_others", False)):
        yield f"static void {name}(void)"
        yield "{"
        for number in facts.moving_cells:
            cell = facts.design.cells[number]
            if cell.keep == kept:
                low, high = _ends(facts, number)
                yield _each(facts, number, f"{{}} = ({facts.cell_types[number]})BETWEEN({low}, {high});")
        yield "}"
    yield "static void look_at_kept(void)"
    yield "{"
    for number in facts.moving_cells:
        if facts.design.cells[number].keep:
            low, high = _ends(facts, number)
            yield _each(facts, number, f"/*@ assert {low} <= {{}} <= {high}; */")
    yield "}"


def _ends(facts: Facts, number: int) -> tuple[int, int]:
    cell, zero = facts.design.cells[number], facts.cell_zeros[number]
    return cell.low - zero, cell.high - zero


def _each(facts: Facts, number: int, statement: str) -> str:
    """A statement for a cell, or for each element of it."""
    name = f"cells.{facts.cell_names[number]}"
    size = facts.design.cells[number].size
    if not facts.design.cells[number].shape:
        return f"    {statement.format(name)}"
    head = f"    /*@ loop unroll {size}; */ for (uint16_t i = 0; i < {size}; i++)"
    return f"{head} {{ {statement.format(f'{name}[i]')} }}"


def prove(designs: Designs, machines: Sequence[str], jobs: int, folder: Path, tell: Callable[[str], None]) -> dict[str, Any]:
    """Follow all runs of each design's loop, and of its storage, on each machine. Raises CheckError with all alarms."""
    if shutil.which("frama-c") is None:
        raise Missing(f"frama-c not found; {INSTALL} installs it (900 MB)")
    places = {name: put(proof_files(design), folder / folder_of(name)) for name, design in designs.items()}
    parts = [(name, part, machine) for name, design in designs.items() for part in _parts_of(design) for machine in machines]

    def proved(which: tuple[str, str, str]) -> dict[str, Any]:
        name, part, machine = which
        options = OF_STORAGE if part == "storage" else OF_LOOP
        began_s = time.monotonic()
        # It finds files from where PWD says that it is.
        said = run(["frama-c", *ANALYSIS, *options, "-machdep", machine, BOARD], places[name], PWD=str(places[name])).stdout
        return {"design": name, "part": part, "machine": machine, **_judged(said), "seconds": round(time.monotonic() - began_s)}

    tell(f"{len(parts)} analyses, some of which take minutes")
    results = []
    for result in side_by_side(proved, parts, jobs):
        results.append(result)
        where = f"{result['design']:16}{result['part']:9}{result['machine']:12}"
        reached = f"{result['reached']} of {result['statements']} statements"
        tell(f"{where}{len(result['alarms'])} alarms  {result['proved']} conditions proved  {reached}  {result['seconds']} s")
    found = [f"{each['design']}, {each['part']}, {each['machine']}: {alarm}" for each in results for alarm in each["alarms"]]
    if found:
        raise CheckError("\n".join([f"alarms: {len(found)}, each a run-time error or not proved to be none", *found]))
    return {"analyses": results}


def _parts_of(design: Design) -> tuple[str, ...]:
    return ("loop", "storage") if keeps(design) else ("loop",)


def _judged(said: str) -> dict[str, Any]:
    """What Frama-C says at the end: alarms, and how much it has looked at."""
    reached = re.search(r"(\d+) statements reached \(out of (\d+)\)", said)
    if reached is None:
        raise CheckError(f"Frama-C has not come to an end:\n{said[-2_000:]}")
    if lacking := re.findall(r"Neither code nor specification for function (\w+)", said):
        raise CheckError(f"the proof has gaps, as Frama-C does not know {', '.join(sorted(set(lacking)))}")
    alarms = [" ".join(alarm.split()) for alarm in _ALARM.findall(said)]
    proved = sum(map(int, re.findall(r"^ +(?:Assertions|Preconditions) +(\d+) valid", said, re.MULTILINE)))
    return {"alarms": alarms, "proved": proved, "reached": int(reached[1]), "statements": int(reached[2])}
