"""The board bench: the demo designs as ATmega328P firmware, built and run in an emulated one, against what they may take."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benches.telling import BenchError

from controller_sim.design import load_design
from controller_sim.design.form import Design
from controller_sim.port import WRITERS
from controller_sim.port.avr import CYCLES_PER_US, build_firmware, missing_emulator
from controller_sim.port.budget import measure as measure_firmware
from controller_sim.port.budget import random_cases
from controller_sim.port.conform import Case
from controller_sim.port.errors import PortError
from controller_sim.port.longest import longest_poll
from controller_sim.port.polling import seen_by_polling
from controller_sim.port.stack import deepest_stack
from controller_sim.script import parse_script, play
from controller_sim.simulator import History

BUDGETS: dict[str, dict[str, float]] = {
    "starter": {"flash_bytes": 6_144, "ram_bytes": 384, "idle_poll_us": 40, "poll_us": 500, "poll_bound_us": 500},
    "booth": {"flash_bytes": 16_384, "ram_bytes": 1_024, "idle_poll_us": 40, "poll_us": 500, "poll_bound_us": 500},
}
"""What a design of configs/ may take at most: flash; RAM, with the deepest stack that its code allows; the longest poll in which nothing
is decided, the longest of all, and the longest that its code allows.
"""
COLUMNS = ("flash_bytes", "ram_bytes", "static_bytes", "stack_bytes", "idle_poll_us", "poll_us", "poll_bound_us", "pin_to_byte_us")
SHARES = 8
"""So many of the functions in which the longest poll spends most."""

Taken = dict[str, Any]


def cases(design: Design, path: Path, seconds: int, seed: int) -> list[Case]:
    """The press scripts of a design and random feet for so many seconds."""
    found = []
    for script in sorted(path.parent.glob(f"{path.stem}_*.press")):
        run = play(design, parse_script(script.read_text(encoding="utf-8"), design))
        found.append(Case(script.name, seen_by_polling(design, History(run.inputs, run.end_us))))
    return found + random_cases(design, seconds * 1_000_000, seed)


def taken(path: Path, seconds: int, seed: int, progress: Callable[[str], None]) -> Taken:
    """What the firmware of a design takes, measured over its scripts and random feet for so many seconds."""
    design = load_design(path)
    files = WRITERS["atmega328p"](design, path.read_text(encoding="utf-8"))
    firmware = build_firmware(files)
    longest = longest_poll(design, firmware.elf, files)
    worst = measure_firmware(design, files, cases(design, path, seconds, seed), progress)
    return {
        "flash_bytes": firmware.flash_bytes,
        "ram_bytes": firmware.static_bytes + deepest_stack(firmware.elf).bytes,
        "static_bytes": firmware.static_bytes,
        "stack_bytes": worst.stack_bytes,
        "idle_poll_us": worst.idle_poll_cycles / CYCLES_PER_US,
        "poll_us": worst.poll_cycles / CYCLES_PER_US,
        "poll_bound_us": longest.cycles / CYCLES_PER_US,
        "poll_bound_in": {name: cycles / CYCLES_PER_US for name, cycles in longest.shares},
        "pin_to_byte_us": worst.pin_to_byte_cycles / CYCLES_PER_US,
        "poll_in": worst.poll_in,
        "idle_poll_in": worst.idle_poll_in,
    }


def measure(root: Path, seconds: int, seed: int) -> dict[str, Taken]:
    """What each design takes, its budget, and whether it keeps to it."""
    missing = missing_emulator()
    if missing:
        raise BenchError(missing)
    result: dict[str, Taken] = {}
    for name, budget in BUDGETS.items():

        def progress(text: str, name: str = name) -> None:
            if sys.stderr.isatty():
                print(f"\r{name}: {text} ", end="", file=sys.stderr)

        try:
            each = taken(root / "configs" / f"{name}.yaml", seconds, seed, progress)
        except PortError as error:
            raise BenchError(f"{name}: {error}") from None
        progress("done\n")
        limits = {f"most_{key}": limit for key, limit in budget.items()}
        result[name] = {**each, **limits, "fits": all(each[key] <= limit for key, limit in budget.items())}
    return result


def table(result: dict[str, Taken]) -> str:
    lines = ["design    " + "".join(f"{column:>16}" for column in COLUMNS)]
    for name, each in result.items():
        lines.append(f"{name:<10}" + "".join(f"{each[column]:>16g}" for column in COLUMNS))
        lines.append(f"{'  at most':<10}" + "".join(f"{each.get(f'most_{column}', ''):>16}" for column in COLUMNS))
    over = [
        f"{name}: {key} is over its budget"
        for name, each in result.items()
        for key in COLUMNS
        if each[key] > each.get(f"most_{key}", each[key])
    ]
    lines += [
        f"{name}: the longest poll is in {each['poll_in']}; without a decision, in {each['idle_poll_in']}" for name, each in result.items()
    ]
    for name, each in result.items():
        shares = ", ".join(f"{function} {share:.0f} us" for function, share in list(each["poll_bound_in"].items())[:SHARES])
        lines.append(f"{name}: by its machine code the longest poll spends most in {shares}")
    return "\n".join([*lines, *(over or ["all budgets are kept"])])
