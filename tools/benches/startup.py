"""The start bench: wall time of whole processes, in turn, so that a slow spell of the machine hits all alike."""

from __future__ import annotations

import platform
import subprocess
import sys
from pathlib import Path
from statistics import median
from time import perf_counter

from benches.telling import BenchError

DESIGN = Path("configs") / "booth.yaml"


def commands(root: Path) -> dict[str, list[str]]:
    command = Path(sys.executable).parent / "controller-sim"
    if not command.exists():
        raise BenchError(f"{command} is not there; install the project: pip install -e .")
    if not (root / DESIGN).exists():
        raise BenchError(f"{root / DESIGN} is not there")
    return {
        "python": [sys.executable, "-c", "pass"],
        "help": [str(command), "--help"],
        "check": [str(command), "check", str(DESIGN)],
    }


def _run(name: str, command: list[str], root: Path) -> float:
    started = perf_counter()
    ended = subprocess.run(command, cwd=root, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False)
    elapsed_ms = (perf_counter() - started) * 1000
    if ended.returncode:
        last_words = "".join(ended.stderr.strip().splitlines()[-1:])
        raise BenchError(f"{' '.join(command)} ended with {ended.returncode}: {last_words}")
    return elapsed_ms


def measure(root: Path, rounds: int) -> dict[str, object]:
    """Medians in milliseconds; `*_extra_ms` is what a command takes beyond starting Python."""
    all_commands = commands(root)
    times: dict[str, list[float]] = {name: [] for name in all_commands}
    for name, command in all_commands.items():
        _run(name, command, root)
    for _ in range(rounds):
        for name, command in all_commands.items():
            times[name].append(_run(name, command, root))
    medians = {name: median(taken) for name, taken in times.items()}
    result: dict[str, object] = {f"{name}_ms": round(taken_ms, 1) for name, taken_ms in medians.items()}
    result["help_extra_ms"] = round(medians["help"] - medians["python"], 1)
    result["check_extra_ms"] = round(medians["check"] - medians["python"], 1)
    result["python"] = platform.python_version()
    result["rounds"] = rounds
    return result


def table(result: dict[str, object]) -> str:
    return "\n".join(
        [
            f"python -c pass                          {result['python_ms']:>8} ms",
            f"controller-sim --help                   {result['help_ms']:>8} ms   {result['help_extra_ms']:>8} ms more",
            f"controller-sim check {DESIGN}   {result['check_ms']:>8} ms   {result['check_extra_ms']:>8} ms more",
            f"medians of {result['rounds']} interleaved rounds, Python {result['python']}",
        ]
    )
