"""Power cuts at every byte that is written to the storage, with every torn value, on the firmware's own storage code."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from firmware_checks.building import compile_c, compiler, put, run, side_by_side
from firmware_checks.wild import Designs, folder_of, kept_cells, wild_files

NUMBERS = ("saves", "tidied", "cuts", "cuts_in_recovery", "cuts_while_changing", "boots")


def cuts(designs: Designs, saves: int, deep: bool, seed: int, jobs: int, folder: Path, tell: Callable[[str], None]) -> dict[str, Any]:
    """Cut the power in so many saves of each design that keeps anything, in as many that bring its journal home, and while cells change.

    Raises CheckError when what comes up is neither all old nor all new, or too old.
    """
    compiler()
    keeping = [name for name, design in designs.items() if kept_cells(design)]

    def cut(name: str) -> dict[str, Any]:
        place = put(wild_files(designs[name]), folder / folder_of(name))
        program = compile_c(compiler(), ("-O2", "-Wall", "-Wextra", "-Werror"), "cuts.c", "cuts", place)
        return {"design": name, **json.loads(run([str(program), str(seed), str(saves), str(int(deep))], place).stdout)}

    found = []
    for result in side_by_side(cut, keeping, jobs):
        found.append(result)
        tell(line_of(result))
    total = {key: sum(result[key] for result in found) for key in NUMBERS}
    tell(line_of({"design": "all", **total}))
    return {**total, "designs": found}


def line_of(result: dict[str, Any]) -> str:
    many = f"{result['saves']:,} saves, {result['cuts']:,} cuts and {result['cuts_in_recovery']:,} while these were put in order"
    restless = (
        f"; {result['cuts_while_changing']:,} while cells went on changing: as they were at one instant"
        if result["cuts_while_changing"]
        else ""
    )
    return f"{result['design']:16}{many}: all old or all new{restless}"
