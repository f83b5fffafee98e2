"""The size bench: the demo designs as ATmega328P firmware, built with every warning an error, against what they may take."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from benches.telling import BenchError

from controller_sim.design import load_design
from controller_sim.port import WRITERS

BUDGETS = {"starter": (6_144, 192), "booth": (16_500, 1_060)}
"""Bytes of flash, and of RAM before the stack, that a design of configs/ may take."""


def build(root: Path, name: str, folder: Path) -> dict[str, int]:
    """Bytes of flash and RAM of a design's firmware, built in `folder`. Raises BenchError with the compiler's words."""
    path = root / "configs" / f"{name}.yaml"
    for file, text in WRITERS["atmega328p"](load_design(path), path.read_text(encoding="utf-8")).items():
        (folder / file).write_text(text, encoding="utf-8")
    done = subprocess.run(["make", "WARNINGS=-Werror", "firmware.hex"], cwd=folder, capture_output=True, text=True, check=False)
    if done.returncode:
        raise BenchError(f"{name} does not build:\n{done.stderr.strip()}")
    sizes = re.search(r"^\s*(\d+)\s+(\d+)\s+(\d+)\s", done.stdout, re.M)
    if sizes is None:
        raise BenchError(f"avr-size says nothing of {name}:\n{done.stdout.strip()}")
    text_bytes, data_bytes, bss_bytes = map(int, sizes.groups())
    return {"flash_bytes": text_bytes + data_bytes, "ram_bytes": data_bytes + bss_bytes}


def measure(root: Path) -> dict[str, dict[str, int | bool]]:
    """What each design takes, its budget, and whether it keeps to it."""
    missing = [tool for tool in ("avr-gcc", "avr-size", "avr-objcopy", "make") if shutil.which(tool) is None]
    if missing:
        raise BenchError(f"{', '.join(missing)} not found; sudo apt install gcc-avr avr-libc make")
    result: dict[str, dict[str, int | bool]] = {}
    for name, (flash, ram) in BUDGETS.items():
        with tempfile.TemporaryDirectory() as folder:
            taken = build(root, name, Path(folder))
        fits = taken["flash_bytes"] <= flash and taken["ram_bytes"] <= ram
        result[name] = {**taken, "flash_budget_bytes": flash, "ram_budget_bytes": ram, "fits": fits}
    return result


def table(result: dict[str, dict[str, int | bool]]) -> str:
    lines = ["design      flash B   budget   RAM B   budget   (RAM without the stack)"]
    for name, each in result.items():
        numbers = f"{each['flash_bytes']:>9}{each['flash_budget_bytes']:>9}{each['ram_bytes']:>8}{each['ram_budget_bytes']:>9}"
        lines.append(f"{name:<10}{numbers}   {'fits' if each['fits'] else 'TOO LARGE'}")
    return "\n".join(lines)
