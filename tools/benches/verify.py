"""The bench of checking: how fast random feet are drawn, played and held to every property, against the engine alone."""

from __future__ import annotations

import gc
import platform
from itertools import count
from statistics import median
from time import process_time
from typing import Any

from benches import fuzz, workload
from benches.engine import DESIGN, engine_player

from controller_sim.design import load_design
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design
from controller_sim.verify.campaigns import CHUNK
from controller_sim.verify.drawing import SESSIONS, Feet
from controller_sim.verify.playing import play
from controller_sim.verify.searching import search

CHUNKS = 4
"""Chunks in a round."""
FIRST_CHUNKS = 40
"""A campaign's first chunks, of which the first sessions are looked at more closely: so many as one plays unless it is told otherwise."""

EXAMPLES = 2000
"""Histories that hypothesis draws in a round."""


def measure(seed: int, rounds: int) -> dict[str, object]:
    """Rates of debounced edges a second, taken in turn; the keys of the result are those of the JSON output."""
    design = load_design(DESIGN)
    columns = workload.make(100_000, seed)
    edges = workload.toggle_count(columns)
    firsts = count(CHUNK * FIRST_CHUNKS, CHUNK * CHUNKS)
    search(design, seed + 1, range(2))
    started = process_time()
    found = search(design, seed, range(CHUNK * FIRST_CHUNKS))
    first_rate = found.coverage.edges / (process_time() - started)
    engine_rates, campaign_rates, played_rates = [], [], []
    for _ in range(rounds):
        engine_rates.append(edges / _engine(design, columns))
        blocks = range(first := next(firsts), first + CHUNK * CHUNKS)
        gc.collect()
        started = process_time()
        found = search(design, seed, blocks)
        campaign_rates.append(found.coverage.edges / (process_time() - started))
        played_rates.append(found.coverage.edges / _played(design, seed, blocks))
    return {
        "campaign_edges_per_s": round(median(campaign_rates)),
        "engine_edges_per_s": round(median(engine_rates)),
        "campaign_to_engine": round(median(ours / theirs for ours, theirs in zip(campaign_rates, engine_rates, strict=True)), 3),
        "campaign_from_its_start_to_engine": round(first_rate / median(engine_rates), 3),
        "campaign_to_engine_on_its_sessions": round(
            median(ours / theirs for ours, theirs in zip(campaign_rates, played_rates, strict=True)), 3
        ),
        **{key: round(value, 3) for key, value in fuzz.fuzz_to_floor(examples=EXAMPLES, rounds=rounds).items()},
        "python": platform.python_version(),
        "rounds": rounds,
    }


def _engine(design: Design, columns: workload.Columns) -> float:
    """Seconds that the engine alone takes for the workload of its own bench."""
    player = engine_player(design)
    gc.collect()
    started = process_time()
    player(*columns)
    return process_time() - started


def _played(design: Design, seed: int, blocks: range) -> float:
    """Seconds that engines alone, made anew for each session, take for the sessions of some blocks."""

    def untraced(design: Design, now_us: int, kept: Any, trace: bool) -> FastEngine:
        return FastEngine(design, now_us, kept)

    feet = Feet(design, seed)
    sessions = [session for block in blocks for session in feet.block(block)]
    gc.collect()
    started = process_time()
    for session in sessions:
        play(untraced, design, session)
    return process_time() - started


def table(result: dict[str, object]) -> str:
    return "\n".join(
        [
            f"random feet, drawn, played and checked: {result['campaign_edges_per_s']:,} edges/s",
            f"to the engine alone on its own bench ({result['engine_edges_per_s']:,} edges/s): {result['campaign_to_engine']}",
            f"a whole campaign of {SESSIONS * CHUNK * FIRST_CHUNKS:,} sessions to that: {result['campaign_from_its_start_to_engine']}",
            f"to the engine alone on the same sessions: {result['campaign_to_engine_on_its_sessions']}",
            f"histories that hypothesis draws, played as against only drawn: {result['fuzz_to_floor']}",
            f"medians of {result['rounds']} rounds taken in turn, Python {result['python']}",
        ]
    )
