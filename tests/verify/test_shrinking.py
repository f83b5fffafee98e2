"""What a finding is shrunk to still shows it, with the fewest presses; its script does the same again."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design
from controller_sim.design.outputs import Edge, decode
from controller_sim.script import parse_script, play
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.testing.planted import OtherDesign
from controller_sim.testing.watched import as_session
from controller_sim.verify.accounts import Wrong
from controller_sim.verify.campaigns import campaign
from controller_sim.verify.drawing import Feet
from controller_sim.verify.playing import outputs_of
from controller_sim.verify.properties import BY_NAME, PROPERTIES
from controller_sim.verify.scripts import script_of, shows_on_reference
from controller_sim.verify.searching import Finding, Judge
from controller_sim.verify.shrinking import FIRST_US, Shrinker, Stroke, events_of, fewer, rounder, session_of

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
BOOTH = load_design(CONFIGS / "booth.yaml")


def hold_off(by_us: int, design: Design) -> Design:
    return replace(design, bindings=tuple(replace(b, hold_us=b.hold_us + by_us) if b.hold_us else b for b in design.bindings))


def gap_off(by_us: int, design: Design) -> Design:
    return replace(design, timing=replace(design.timing, double_us=design.timing.double_us + by_us))


LONG_GAP = OtherDesign(partial(gap_off, 1))


class Stubborn(FastEngine):
    """Keeps what has been edited though it is cancelled."""

    __slots__ = ()

    def cancel_draft(self) -> None:
        return


@pytest.mark.parametrize(
    ("factory", "strokes"),
    [
        (OtherDesign(partial(hold_off, 1)), 1),
        (LONG_GAP, 1),
        (Stubborn, 5),
    ],
    ids=["hold", "gap", "draft"],
)
def test_a_finding_is_shrunk_to_the_fewest_presses(factory: Any, strokes: int) -> None:
    found = campaign(BOOTH, 2, 4000, factory)
    finding = next(iter(found.findings.values()))
    judge = Judge(BOOTH, factory)
    shrunk = Shrinker(judge, finding).shrunk()
    assert shrunk.name == finding.name
    assert len(shrunk.history) == 1
    assert sum(isinstance(event, Stroke) for event in events_of(shrunk.history[-1])) <= strokes
    assert judge.check(shrunk.name, shrunk.history[-1], f"{shrunk.seed}.{shrunk.session}") is not None
    assert not shows_on_reference(judge, shrunk)


@pytest.mark.parametrize("on_reference", [False, True])
def test_the_script_of_a_finding_parses_and_does_to_the_contacts_what_was_done(on_reference: bool) -> None:
    finding = next(iter(campaign(BOOTH, 2, 4000, LONG_GAP).findings.values()))
    shrunk = Shrinker(Judge(BOOTH, LONG_GAP), finding).shrunk()
    text = script_of(BOOTH, shrunk, on_reference)
    assert text.startswith(f"# {shrunk.name}: ")
    run = play(BOOTH, parse_script(text, BOOTH), trace=True)
    assert run.passed
    assert edges(run.outputs) == edges(decode(outputs_of(FastEngine, BOOTH, shrunk.history[-1])))


def edges(outputs: Any) -> list[Any]:
    return [output for output in outputs if isinstance(output, Edge)]


@pytest.mark.parametrize("name", ["booth", "touring"])
@settings(max_examples=12)
@given(block=st.integers(0, 1000))
def test_scripts_of_random_histories_do_the_same_to_the_contacts(name: str, block: int) -> None:
    design = load_design(CONFIGS / f"{name}.yaml")
    sessions = Feet(design, 9).block(block)[block % 8 :][:2]
    finding = Finding(Wrong("on time", 0, "it is only tried"), tuple(sessions), 0, 0)
    run = play(design, parse_script(script_of(design, finding, True), design), trace=True)
    played = edges(run.outputs)
    for session in sessions:
        own = edges(decode(outputs_of(FastEngine, design, session)))
        began, played = played[: len(own)], played[len(own) :]
        by_us = began[0].time_us - own[0].time_us if began and own else 0
        assert [replace(edge, time_us=edge.time_us + by_us) for edge in own] == began
    assert played == []


@settings(max_examples=80)
@given(st.data())
def test_strokes_and_arrivals_make_the_session_again(data: st.DataObject) -> None:
    design = data.draw(designs())
    session = as_session(data.draw(sessions(design)))
    again = session_of(session, events_of(session))
    assert outputs_of(FastEngine, design, again) == outputs_of(FastEngine, design, session)


@given(st.lists(st.integers(0, 30), max_size=30), st.sets(st.integers(0, 30), max_size=3))
def test_fewer_leaves_just_what_is_needed(items: list[int], needed: set[int]) -> None:
    needed &= set(items)
    left = fewer(items, lambda some: needed <= set(some))
    assert sorted(left) == sorted(needed)


@given(st.integers(1, 10**8), st.booleans())
def test_rounder_times_are_rounder_and_never_nothing(time_us: int, first: bool) -> None:
    def zeros(number: int) -> int:
        return len(str(number)) - len(str(number).rstrip("0"))

    assert all(each > 0 and (each == FIRST_US or zeros(each) >= zeros(time_us)) for each in rounder(time_us, first))


def test_every_property_has_one_name_and_one_line() -> None:
    assert len(BY_NAME) == len(PROPERTIES) + 1
    assert all(each.line.endswith(".") and "\n" not in each.line for each in PROPERTIES)
    assert all(len(earlier.line) < 120 and earlier.name != later.name for earlier, later in pairwise(PROPERTIES))
