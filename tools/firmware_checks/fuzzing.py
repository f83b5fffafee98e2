"""A coverage-guided fuzzer on the firmware's poll function, and how much of each file its inputs reach."""

from __future__ import annotations

import gzip
import json
import re
from collections import defaultdict
from collections.abc import Callable, Sequence
from itertools import groupby
from pathlib import Path
from random import Random
from typing import Any

from firmware_checks.building import SANITIZERS, CheckError, compile_c, need, put, run, side_by_side
from firmware_checks.wild import Designs, folder_of, wild_files

MOST_BYTES = 2_048
"""Of a session."""
BEGINNINGS = 24
NOT_FIRMWARE = ("wild_board.c", "wild_design.h", "replay.c")


def fuzz(
    designs: Designs, limit: Sequence[str], seed: int, jobs: int, folder: Path, corpus: Path | None, tell: Callable[[str], None]
) -> dict[str, Any]:
    """Fuzz each design; `limit` are libFuzzer's options that end it. `corpus` keeps inputs from one run to the next.

    Raises CheckError for what is found; its text says where the input lies.
    """
    need("clang", "gcc", "gcov")

    def fuzzed(name: str) -> dict[str, Any]:
        place = put(wild_files(designs[name]), folder / folder_of(name))
        inputs = (corpus or place) / f"{folder_of(name)}_inputs"
        inputs.mkdir(parents=True, exist_ok=True)
        begin(inputs, seed)
        compile_c(("clang",), ("-O1", "-fsanitize=fuzzer", *SANITIZERS), "fuzz.c", "fuzz", place)
        options = [
            *limit,
            f"-seed={seed}",
            f"-max_len={MOST_BYTES}",
            "-len_control=0",
            "-print_final_stats=1",
            f"-artifact_prefix={inputs}/bad_",
        ]
        try:
            said = run([str(place / "fuzz"), *options, str(inputs)], place).stderr
        except CheckError as error:
            bad = ", ".join(str(path) for path in sorted(inputs.glob("bad_*")))
            raise CheckError(f"{name}: {error}\nplay it again: {place / 'fuzz'} {bad}") from None
        runs = int(re.findall(r"stat::number_of_executed_units: (\d+)", said)[-1])
        blocks, features = map(int, re.findall(r"cov: (\d+) ft: (\d+)", said)[-1])
        files = reached(place, inputs)
        return {"design": name, "runs": runs, "blocks": blocks, "features": features, "inputs": len(list(inputs.iterdir())), "files": files}

    found = []
    for result in side_by_side(fuzzed, list(designs), jobs):
        found.append(result)
        tell(line_of(result))
    missed = missed_by_all([result["files"] for result in found])
    for name, lines in missed.items():
        tell(f"no design reaches {name}:{ranges(lines)}")
    return {"designs": found, "missed": missed}


def begin(inputs: Path, seed: int) -> None:
    """A few sessions to start from: mostly feet and times, as a fuzzer finds them only slowly."""
    dice = Random(seed)
    for number in range(BEGINNINGS):
        kinds = dice.choices((0x00, 0x40, 0x80, 0xC0), (8, 2, 4, dice.choice((0, 1))), k=512)
        (inputs / f"beginning_{seed}_{number}").write_bytes(bytes(kind + dice.randrange(64) for kind in kinds))


def reached(place: Path, inputs: Path) -> dict[str, dict[str, Any]]:
    """Of each file of the firmware: the lines that the inputs reach, and those that they do not."""
    compile_c(("gcc",), ("-O0", "--coverage"), "replay.c", "replay", place)
    for old in place.glob("*.gcda"):
        old.unlink()
    run([str(place / "replay"), *(str(path) for path in sorted(inputs.iterdir()))], place)
    run(["gcov", "--json-format", *(path.name for path in place.glob("*.gcda"))], place)
    files = {}
    for report in place.glob("*.gcov.json.gz"):
        for each in json.loads(gzip.decompress(report.read_bytes()))["files"]:
            if each["lines"] and each["file"] not in NOT_FIRMWARE:
                hit = {line["line_number"] for line in each["lines"] if line["count"]}
                files[each["file"]] = {"hit": sorted(hit), "missed": sorted({line["line_number"] for line in each["lines"]} - hit)}
    return files


def missed_by_all(reports: Sequence[dict[str, dict[str, Any]]]) -> dict[str, list[int]]:
    """The lines of the runtime that some design has and none reaches."""
    missed: dict[str, set[int]] = {}
    hit: dict[str, set[int]] = defaultdict(set)
    for report in reports:
        for name, each in report.items():
            if not name.startswith("design."):
                missed[name] = missed.get(name, set()) | set(each["missed"])
                hit[name] |= set(each["hit"])
    return {name: sorted(lines - hit[name]) for name, lines in sorted(missed.items()) if lines - hit[name]}


def ranges(lines: Sequence[int]) -> str:
    """Numbers of lines, those in a row as first-last."""
    groups = ([line for _, line in group] for _, group in groupby(enumerate(lines), lambda each: each[1] - each[0]))
    return ", ".join(f"{group[0]}-{group[-1]}" if len(group) > 1 else str(group[0]) for group in groups)


def line_of(result: dict[str, Any]) -> str:
    parts = []
    for what, names in (("runtime", [n for n in result["files"] if n != "design.c"]), ("design", ["design.c"])):
        hit = sum(len(result["files"][name]["hit"]) for name in names)
        lines = hit + sum(len(result["files"][name]["missed"]) for name in names)
        parts.append(f"{hit} of {lines} lines of the {what}")
    return f"{result['design']:16}{result['runs']:,} sessions, {result['inputs']} that differ, which reach {' and '.join(parts)}"
