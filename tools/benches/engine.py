"""The engine bench: the same controller six times over, on the same input, with outputs that must be equal."""

from __future__ import annotations

import gc
import hashlib
import platform
import sys
from array import array
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from pathlib import Path
from statistics import median
from time import process_time
from typing import Any

from benches import workload
from benches.four import Play
from benches.telling import BenchError
from benches.workload import Columns

from controller_sim.design import load_design
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design

DESIGN = Path(__file__).with_name("four.yaml")
ENGINE, HANDWRITTEN, SIMPY = "engine", "handwritten", "simpy"
HOUR_US, SECOND_US = 3_600_000_000, 1_000_000
IDLE_STEPS = 20_000
IDLE_TURNS = 7


@dataclass(frozen=True, slots=True)
class Version:
    """One implementation of four.yaml and how many edges of the workload it is given (slow ones get fewer)."""

    name: str
    module: str
    edges: int


VERSIONS = (
    Version(HANDWRITTEN, "benches.handwritten", sys.maxsize),
    Version(SIMPY, "benches.with_simpy", 40_000),
    Version("transitions", "benches.with_transitions", 10_000),
    Version("sismic", "benches.with_sismic", 1_000),
    Version("python-statemachine", "benches.with_statemachine", 1_000),
)


@dataclass(slots=True)
class Runner:
    """A version with its share of the input, the hash its output must have, and the rates measured so far."""

    name: str
    prepare: Callable[[], Play]
    """Sets up one controller, which is not measured, and gives the function that plays columns on it."""
    columns: Columns
    edges: int
    expected: str
    rates: list[float]

    def run(self) -> None:
        # Time of this process, not of the wall: what else the machine does then takes nothing from the rates.
        play = self.prepare()
        gc.collect()
        started = process_time()
        packed = play(*self.columns)
        elapsed = process_time() - started
        if hash_of(packed) != self.expected:
            raise BenchError(f"{self.name} does not put out what the engine puts out; its rate would mean nothing")
        self.rates.append(self.edges / elapsed)


def engine_player(design: Design) -> Play:
    engine: Any = FastEngine(design)

    def play(times: array[int], words: array[int]) -> list[int]:
        engine.play(times, words)
        packed: list[int] = engine.packed
        return packed

    return play


def hash_of(packed: list[int]) -> str:
    return hashlib.sha256(repr(packed).encode()).hexdigest()


def check_extras() -> None:
    missing = []
    for version in VERSIONS:
        try:
            import_module(version.module)
        except ModuleNotFoundError:
            missing.append(version.name)
    if missing:
        raise BenchError(f"not installed: {', '.join(missing)}; install the bench extra: pip install -e '.[bench]'")


def measure(edges: int, seed: int, rounds: int) -> dict[str, object]:
    """All versions in turn, `rounds` times; the keys of the result are those of the JSON output."""
    # pytest-benchmark runs all rounds of one function before those of the next; here a slow spell of the machine must hit all alike.
    check_extras()
    design = load_design(DESIGN)
    columns = workload.make(edges, seed)
    runners = [_runner(ENGINE, partial(engine_player, design), columns, design)]
    for version in VERSIONS:
        runners.append(_runner(version.name, import_module(version.module).prepare, workload.prefix(columns, version.edges), design))
    idle: dict[int, list[float]] = {HOUR_US: [], SECOND_US: []}
    for number in range(rounds):
        first = number % len(runners)
        for runner in runners[first:] + runners[:first]:
            runner.run()
        for _ in range(IDLE_TURNS):
            for step_us, times in idle.items():
                times.append(_idle(design, step_us))
    return _result(runners, idle, rounds)


def _runner(name: str, prepare: Callable[[], Play], columns: Columns, design: Design) -> Runner:
    expected = hash_of(engine_player(design)(*columns))
    return Runner(name, prepare, columns, workload.toggle_count(columns), expected, [])


def _idle(design: Design, step_us: int) -> float:
    """Seconds that it takes to advance again and again over a silence of `step_us`."""
    engine: Any = FastEngine(design)
    engine.advance(0, 0)
    engine.advance(SECOND_US, 0)
    instants = range(2 * SECOND_US, 2 * SECOND_US + IDLE_STEPS * step_us, step_us)
    started = process_time()
    for time_us in instants:
        engine.advance(time_us, 0)
    return process_time() - started


def _result(runners: list[Runner], idle: dict[int, list[float]], rounds: int) -> dict[str, object]:
    rates = {runner.name: median(runner.rates) for runner in runners}
    libraries = {name: rate for name, rate in rates.items() if name not in (ENGINE, HANDWRITTEN, SIMPY)}
    best = max(libraries, key=libraries.__getitem__)
    by_name = {runner.name: runner for runner in runners}

    def ratio(name: str) -> float:
        return median(ours / theirs for ours, theirs in zip(by_name[ENGINE].rates, by_name[name].rates, strict=True))

    return {
        "edges_per_s": round(rates[ENGINE]),
        "best_library": best,
        "to_best_library": round(ratio(best), 2),
        "to_simpy": round(ratio(SIMPY), 2),
        "to_handwritten": round(ratio(HANDWRITTEN), 3),
        "implementations": {
            runner.name: {"edges_per_s": round(rates[runner.name]), "edges": runner.edges, "to_engine": round(1 / ratio(runner.name), 4)}
            for runner in runners
        },
        "outputs_equal": True,
        "output_hash": by_name[ENGINE].expected,
        "idle_hour_to_idle_second": round(median(idle[HOUR_US]) / median(idle[SECOND_US]), 3),
        "python": platform.python_version(),
        "rounds": rounds,
    }


def table(result: dict[str, object]) -> str:
    implementations = result["implementations"]
    assert isinstance(implementations, dict)
    lines = [f"{'':22}{'edges/s':>12}{'to engine':>12}{'edges run':>12}"]
    for name, numbers in sorted(implementations.items(), key=lambda item: -item[1]["edges_per_s"]):
        lines.append(f"{name:22}{numbers['edges_per_s']:>12,}{numbers['to_engine']:>12.4f}{numbers['edges']:>12,}")
    lines += [
        f"engine to {result['best_library']}, the best state-machine library: {result['to_best_library']}",
        f"engine to simpy: {result['to_simpy']}",
        f"engine to hand-written Python: {result['to_handwritten']}",
        f"an idle hour to an idle second: {result['idle_hour_to_idle_second']}",
        f"outputs equal; medians of {result['rounds']} interleaved rounds, Python {result['python']}",
    ]
    return "\n".join(lines)
