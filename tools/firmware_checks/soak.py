"""Random feet, pedals, MIDI and power on the firmware with the sanitizers on, and without them: both must put out the same."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from firmware_checks.building import SANITIZERS, CheckError, checking_compiler, compile_c, compiler, put, run, side_by_side
from firmware_checks.wild import Designs, folder_of, wild_files

TO_DEMOS = 0.8
"""Of the edges; random designs share the rest. With one kind only it gets all."""


def soak(demos: Designs, others: Designs, edges: int, seed: int, jobs: int, folder: Path, tell: Callable[[str], None]) -> dict[str, Any]:
    """Play so many edges in all. Raises CheckError for what the sanitizers, the board, or the comparison find."""
    compiler()
    share = (TO_DEMOS if others else 1.0, 1 - TO_DEMOS if demos else 1.0)
    each = {name: 1 + int(edges * part / len(group)) for group, part in zip((demos, others), share, strict=True) for name in group}
    designs = {**demos, **others}

    def played(name: str) -> dict[str, Any]:
        place = put(wild_files(designs[name]), folder / folder_of(name))
        # -Wall at -O2 sees more than at other levels.
        compile_c(compiler(), ("-O2", "-Wall", "-Wextra", "-Werror"), "soak.c", "plain", place)
        compile_c(checking_compiler(), ("-O1", *SANITIZERS), "soak.c", "checked", place)
        results = [json.loads(run([str(place / program), str(seed), str(each[name])], place).stdout) for program in ("checked", "plain")]
        if results[0] != results[1]:
            raise CheckError(f"{name}: with the sanitizers came {results[0]}, without them {results[1]}")
        return {"design": name, **results[0]}

    found = []
    for result in side_by_side(played, list(designs), jobs):
        found.append(result)
        tell(line_of(result))
    total = {key: sum(result[key] for result in found) for key in ("edges", "polls", "messages", "power_ons", "cuts")}
    tell(line_of({"design": "all", **total}))
    return {**total, "designs": found}


def line_of(result: dict[str, Any]) -> str:
    numbers = ("edges", "polls", "messages", "power_ons", "cuts")
    return f"{result['design']:16}" + ", ".join(f"{result[key]:,} {key.replace('_', '-')}" for key in numbers)
