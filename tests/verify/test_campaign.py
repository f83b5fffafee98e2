"""A campaign's result depends on the seed alone; it complains of no right engine, and of wrong ones soon."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design
from controller_sim.testing.designs import designs
from controller_sim.testing.planted import OtherDesign
from controller_sim.verify.arrivals import listens
from controller_sim.verify.campaigns import CHUNK, campaign, on_processes
from controller_sim.verify.drawing import SESSIONS
from controller_sim.verify.properties import BY_NAME
from controller_sim.verify.searching import Found, search
from controller_sim.verify.watchers import InRange

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
BOOTH = load_design(CONFIGS / "booth.yaml")


def chord_off(by_us: int, design: Design) -> Design:
    return replace(design, timing=replace(design.timing, chord_us=design.timing.chord_us + by_us))


LATE, EARLY = OtherDesign(partial(chord_off, 1)), OtherDesign(partial(chord_off, -1))


@settings(max_examples=8, phases=[Phase.explicit, Phase.generate])
@given(st.data(), st.integers(0, 1000))
def test_nothing_is_found_in_a_right_engine_whatever_the_design(data: st.DataObject, seed: int) -> None:
    design = data.draw(designs())
    # While another's clock comes in, a foot may rest for seconds: what repeats every few microseconds would take minutes.
    assume(not listens(design) or design.timing.repeat.last_us >= 1000)
    # A random design may well begin a note that it never ends, or have no way home.
    findings = search(design, seed, range(1)).findings
    assert [finding.wrong for name, finding in findings.items() if not BY_NAME[name].of_design] == []


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("engine", [LATE, EARLY], ids=["late", "early"])
def test_a_chord_window_that_is_one_microsecond_off_is_found(engine: OtherDesign, seed: int) -> None:
    assert search(BOOTH, seed, range(1), engine).findings


class Falling(FastEngine):
    """Raises whenever the mode changes."""

    __slots__ = ()

    def change_mode(self, now_us: int) -> None:
        raise IndexError


def test_an_engine_that_falls_over_is_a_finding() -> None:
    found = campaign(BOOTH, 1, sessions=8 * CHUNK * SESSIONS, factory=Falling)
    assert "no accident" in found.findings


def facts_of(found: Found) -> tuple[Any, ...]:
    coverage = found.coverage
    return found.findings, coverage.sessions, coverage.edges, coverage.fired, coverage.changes, coverage.branches, coverage.reached


class Threads:
    """Carries work as a cluster would, in an order of its own."""

    def __init__(self) -> None:
        self.pool = ThreadPoolExecutor(1)

    def submit(self, function: Callable[..., Any], /, *arguments: Any) -> Future[Any]:
        return self.pool.submit(function, *arguments)


@pytest.mark.parametrize(
    ("path", "factory"),
    [("booth", LATE), ("booth", Falling), ("starter", FastEngine)],
    ids=["another design", "another engine", "nothing wrong"],
)
def test_the_same_seed_finds_the_same_on_any_number_of_processes(path: str, factory: Any) -> None:
    design, sessions = load_design(CONFIGS / f"{path}.yaml"), 2 * CHUNK * SESSIONS
    alone = campaign(design, 5, sessions, factory)
    with on_processes(2) as pool:
        assert facts_of(campaign(design, 5, sessions, factory, submitter=pool, processes=2)) == facts_of(alone)
    assert facts_of(campaign(design, 5, sessions, factory, submitter=Threads())) == facts_of(alone)


def test_a_campaign_goes_on_as_long_as_it_is_told_to() -> None:
    design = load_design(CONFIGS / "starter.yaml")
    found = campaign(design, 0, go_on=lambda found: found.coverage.sessions < 3 * CHUNK * SESSIONS)
    assert found.coverage.sessions == 3 * CHUNK * SESSIONS


class Never(InRange):
    """A promise that no run keeps."""

    def see(self, time_us: int, items: Any, engine: Any) -> str | None:
        super().see(time_us, items, engine)
        return "so it goes" if engine.mode > 0 else None


def test_promises_besides_are_watched_too() -> None:
    found = campaign(BOOTH, 0, CHUNK * SESSIONS, promises={"never leave home": Never})
    assert found.findings["never leave home"].wrong.text == "so it goes"
    assert found.coverage.reached["never leave home"]
