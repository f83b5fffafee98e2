"""The native bench: the firmware in C as a library, the same controller by hand in C, and the fast engine in Python."""

from __future__ import annotations

import gc
import platform
from array import array
from collections.abc import Callable
from functools import partial
from pathlib import Path
from statistics import median
from time import process_time
from typing import Any

from benches import workload
from benches.engine import DESIGN, engine_player, hash_of
from benches.telling import BenchError
from benches.workload import Columns

from controller_sim.design import load_design
from controller_sim.port.compiler import build_library, cache_folder
from controller_sim.port.errors import PortError
from controller_sim.port.native import Library, NativeEngine

SOURCE = Path(__file__).with_name("handwritten.c")
OPTIMISED = ("-O3",)
TURNS = 20
"""How often a version in C plays all columns at a time: once is too short to be timed."""
MOST_NUMBERS = 16
"""A version by hand never puts out more numbers than this an instant."""

Run = Callable[[], int]
"""Plays all columns once and gives how many numbers came out."""


def handwritten_player() -> Callable[[array[int], array[int]], list[int]]:
    """The version by hand as a function of the two columns that gives packed outputs."""
    return lambda times, words: _handwritten(times, words)[1]().tolist()


def _handwritten(times: array[int], words: array[int]) -> tuple[Run, Callable[[], array[int]]]:
    import cffi

    ffi = cffi.FFI()
    ffi.cdef("size_t play(const int64_t *times, const int64_t *words, size_t count, int64_t *out);")
    files = {SOURCE.name: SOURCE.read_text(encoding="utf-8")}
    library: Any = ffi.dlopen(str(build_library(files, SOURCE.name, cache_folder(), OPTIMISED)))
    out = array("q", bytes(8 * (MOST_NUMBERS * len(times) + MOST_NUMBERS)))
    columns = [ffi.from_buffer("int64_t[]", column) for column in (times, words)]
    place = ffi.from_buffer("int64_t[]", out)

    def run() -> int:
        return int(library.play(*columns, len(times), place))

    return run, lambda: out[: run()]


def _native(library: Library, times: array[int], words: array[int]) -> tuple[Run, Callable[[], list[Any]]]:
    columns = [library.ffi.from_buffer("int64_t[]", column) for column in (times, words)]
    engine = NativeEngine(library.design, library=library)

    def run() -> int:
        library.lib.host_start(0, False, library.ffi.NULL)
        library.lib.host_play(*columns, len(times))
        return int(library.lib.host_take())

    def packed() -> list[Any]:
        library.lib.host_start(0, False, library.ffi.NULL)
        library.lib.host_play(*columns, len(times))
        return engine.packed

    return run, packed


def measure(edges: int, seed: int, rounds: int) -> dict[str, object]:
    """All three in turn, `rounds` times; the keys of the result are those of the JSON output."""
    design = load_design(DESIGN)
    columns = workload.make(edges, seed)
    times, words = (array("q", column) for column in columns)
    try:
        library = Library(design, flags=OPTIMISED)
        by_hand, packed_by_hand = _handwritten(times, words)
    except PortError as error:
        raise BenchError(str(error)) from None
    ours, packed_by_us = _native(library, times, words)
    expected = hash_of(engine_player(design)(*columns))
    if not hash_of(packed_by_us()) == hash_of(packed_by_hand().tolist()) == expected:
        raise BenchError("the versions do not put out the same; their rates would mean nothing")
    toggles = workload.toggle_count(columns)
    rates: dict[str, list[float]] = {"native": [], "handwritten_c": [], "python": []}
    for _ in range(rounds):
        rates["native"].append(_rate(ours, TURNS, toggles))
        rates["handwritten_c"].append(_rate(by_hand, TURNS, toggles))
        rates["python"].append(_python_rate(partial(engine_player, design), columns, toggles))

    def ratio(name: str) -> float:
        return median(ours / theirs for ours, theirs in zip(rates["native"], rates[name], strict=True))

    return {
        "edges_per_s": round(median(rates["native"])),
        "to_handwritten_c": round(ratio("handwritten_c"), 3),
        "to_python": round(ratio("python"), 1),
        "implementations": {name: {"edges_per_s": round(median(each))} for name, each in rates.items()},
        "outputs_equal": True,
        "output_hash": expected,
        "state_bytes": int(library.lib.host_state_size()),
        "python": platform.python_version(),
        "rounds": rounds,
    }


def _rate(run: Run, turns: int, edges: int) -> float:
    gc.collect()
    started = process_time()
    for _ in range(turns):
        run()
    return edges * turns / (process_time() - started)


def _python_rate(prepare: Callable[[], Callable[..., Any]], columns: Columns, edges: int) -> float:
    play = prepare()
    gc.collect()
    started = process_time()
    play(*columns)
    return edges / (process_time() - started)


def table(result: dict[str, object]) -> str:
    implementations = result["implementations"]
    assert isinstance(implementations, dict)
    lines = [f"{'':22}{'edges/s':>14}"]
    lines += [f"{name:22}{numbers['edges_per_s']:>14,}" for name, numbers in implementations.items()]
    lines += [
        f"native to hand-written C: {result['to_handwritten_c']}",
        f"native to the fast engine in Python: {result['to_python']}",
        f"outputs equal; medians of {result['rounds']} interleaved rounds, Python {result['python']}",
    ]
    return "\n".join(lines)
