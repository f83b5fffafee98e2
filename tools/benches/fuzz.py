"""Examples that hypothesis plays on a demo in a second of processor time, and those that it would reach if playing cost nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any

from hypothesis import HealthCheck, Phase, given, settings

from controller_sim import load_design
from controller_sim.design import Design
from controller_sim.design.fast import FastEngine
from controller_sim.testing.contacts import histories
from controller_sim.verify.watching import Session

CONFIGS = Path(__file__).resolve().parents[2] / "configs"


class NoEngine:
    """Takes the same calls as an engine and does nothing."""

    def __init__(self, design: Design, now_us: int = 0, kept: object = None, trace: bool = False) -> None:
        self.packed: list[Any] = []

    def advance(self, now_us: int, contacts: int, arrived: tuple[int, ...] = ()) -> None:
        pass

    def kept(self) -> tuple[int, ...]:
        return ()


def play(engine: Callable[..., Any], design: Design, history: tuple[Session, ...]) -> None:
    """A history on an engine, each contact and arrival at its own instant; deadlines in between are handled as they pass."""
    kept = None
    for session in history:
        running = engine(design, session.start_us, kept, False)
        for time_us, word, arrived in session.instants():
            running.advance(time_us, word, arrived)
        kept = running.kept() or None


def rate(engine: Callable[..., Any], design: Design, examples: int) -> float:
    """Examples in a second of processor time, which other programs on the machine leave alone."""
    played = 0

    @settings(max_examples=examples, database=None, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck))
    @given(histories(design))
    def example(history: tuple[Session, ...]) -> None:
        nonlocal played
        played += 1
        play(engine, design, history)

    begin_s = time.process_time()
    example()
    return played / (time.process_time() - begin_s)


def fuzz_to_floor(design: Path = CONFIGS / "booth.yaml", examples: int = 2000, rounds: int = 5) -> dict[str, float]:
    """Both rates, taken in turn, and `fuzz_to_floor`, the median of their ratios."""
    loaded = load_design(design)
    pairs = [(rate(FastEngine, loaded, examples), rate(NoEngine, loaded, examples)) for _ in range(rounds)]
    return {
        "fuzz_examples_per_s": median(fuzz for fuzz, _ in pairs),
        "floor_examples_per_s": median(floor for _, floor in pairs),
        "fuzz_to_floor": median(fuzz / floor for fuzz, floor in pairs),
    }
