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
from controller_sim.port.polling import seen_by_polling
from controller_sim.script import parse_script, play
from controller_sim.simulator import History, Input
from controller_sim.simulator.history import is_possible
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.testing.plain import plain_design
from controller_sim.testing.planted import OtherDesign
from controller_sim.verify.accounts import Wrong
from controller_sim.verify.campaigns import campaign
from controller_sim.verify.drawing import Feet
from controller_sim.verify.histories import history_of, sessions_of
from controller_sim.verify.playing import outputs_of
from controller_sim.verify.properties import BY_NAME, PROPERTIES
from controller_sim.verify.scripts import script_of, shows_on_reference
from controller_sim.verify.searching import Finding, Judge
from controller_sim.verify.shrinking import shrink, shrink_finding, simpler

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
        (Stubborn, 4),
    ],
    ids=["hold", "gap", "draft"],
)
def test_a_finding_is_shrunk_to_the_fewest_presses(factory: Any, strokes: int) -> None:
    found = campaign(BOOTH, 2, 4000, factory)
    finding = next(iter(found.findings.values()))
    judge = Judge(BOOTH, factory)
    shrunk = shrink_finding(judge, finding)
    assert shrunk.name == finding.name
    assert all(entry.kind == "contacts" for entry in shrunk.history.inputs)
    assert sum(len(presses(shrunk.history, s)) for s in range(len(BOOTH.switches))) <= strokes
    assert judge.check(shrunk.name, judge.last_session(shrunk.history), f"{shrunk.seed}.{shrunk.session}") is not None
    assert not shows_on_reference(judge, shrunk)


@pytest.mark.parametrize("on_reference", [False, True])
def test_the_script_of_a_finding_parses_and_does_to_the_contacts_what_was_done(on_reference: bool) -> None:
    finding = next(iter(campaign(BOOTH, 2, 4000, LONG_GAP).findings.values()))
    shrunk = shrink_finding(Judge(BOOTH, LONG_GAP), finding)
    text = script_of(BOOTH, shrunk, on_reference)
    assert text.startswith(f"# {shrunk.name}: ")
    run = play(BOOTH, parse_script(text, BOOTH), trace=True)
    assert run.passed
    assert edges(run.outputs) == edges(decode(outputs_of(FastEngine, BOOTH, sessions_of(BOOTH, shrunk.history)[-1])))


def edges(outputs: Any) -> list[Any]:
    return [output for output in outputs if isinstance(output, Edge)]


@pytest.mark.parametrize("name", ["booth", "touring"])
@settings(max_examples=12)
@given(block=st.integers(0, 1000))
def test_scripts_of_random_histories_do_the_same_to_the_contacts(name: str, block: int) -> None:
    design = load_design(CONFIGS / f"{name}.yaml")
    sessions = Feet(design, 9).block(block)[block % 8 :][:2]
    finding = Finding(Wrong("on time", 0, "it is only tried"), history_of(sessions), 0, 0)
    run = play(design, parse_script(script_of(design, finding, True), design), trace=True)
    played = edges(run.outputs)
    for session in sessions:
        own = edges(decode(outputs_of(FastEngine, design, session)))
        began, played = played[: len(own)], played[len(own) :]
        by_us = began[0].time_us - own[0].time_us if began and own else 0
        assert [replace(edge, time_us=edge.time_us + by_us) for edge in own] == began
    assert played == []


@settings(max_examples=60)
@given(st.data())
def test_a_history_made_of_sessions_has_them_again_one_after_another(data: st.DataObject) -> None:
    design = data.draw(designs())
    drawn = data.draw(st.lists(sessions(design), min_size=1, max_size=3))
    again = sessions_of(design, history_of(drawn))
    assert len(again) == len(drawn)
    for one, other in zip(drawn, again, strict=True):
        assert other.shifted(one.start_us - other.start_us).changes == one.changes
        assert (other.end_us - other.start_us, other.at_rest) == (one.end_us - one.start_us, one.at_rest)


@given(st.integers(1, 10**8))
def test_simpler_times_take_no_more_digits_each_once(time_us: int) -> None:
    def digits(number: int) -> int:
        return len(str(number).rstrip("0"))

    found = list(simpler(time_us))
    assert len(set(found)) == len(found) and time_us not in found
    assert all(digits(each) <= digits(time_us) for each in found)


def test_every_property_has_one_name_and_one_line() -> None:
    assert len(BY_NAME) == len(PROPERTIES) + 1
    assert all(each.line.endswith(".") and "\n" not in each.line for each in PROPERTIES)
    assert all(len(earlier.line) < 120 and earlier.name != later.name for earlier, later in pairwise(PROPERTIES))


DESIGN = plain_design({("press", "a"): ()}, switches="abcd")
POLLED = partial(seen_by_polling, DESIGN)
TIMES = st.integers(1, 5_000_000)
WORDS = st.integers(0, 15)


def contacts(pairs: list[tuple[int, int]]) -> History:
    inputs = tuple(Input(time_us, "contacts", word) for time_us, word in sorted(dict(pairs).items()))
    return POLLED(History(inputs, 6_000_000))


HISTORIES = st.lists(st.tuples(TIMES, WORDS), min_size=1, max_size=25).map(contacts)


def presses(history: History, switch: int) -> list[int]:
    """When a switch goes down."""
    found, word = [], 0
    for entry in history.inputs:
        if entry.contacts & ~word & 1 << switch:
            found.append(entry.time_us)
        word = entry.contacts
    return found


def close(history: History) -> bool:
    """Whether b goes down 1 us to 45 ms after a."""
    return any(0 < b - a <= 45_000 for a in presses(history, 0) for b in presses(history, 1))


@settings(max_examples=60)
@given(st.lists(st.tuples(TIMES, WORDS), max_size=20), TIMES, st.integers(1, 45_000))
def test_two_presses_that_must_be_close_are_all_that_is_left(more: list[tuple[int, int]], at_us: int, gap_us: int) -> None:
    history = contacts([*more, (at_us - 1, 0), (at_us, 1), (at_us + gap_us, 3)])
    if not close(history):
        return
    found = shrink(history, close, POLLED)
    assert close(found)
    assert len(found.inputs) == 2 and found.inputs[0].contacts == 1
    assert len(str(found.inputs[1].time_us - found.inputs[0].time_us).rstrip("0")) == 1


@settings(max_examples=40)
@given(HISTORIES, st.integers(0, 3))
def test_what_was_seen_is_still_seen_and_shrinking_again_changes_nothing(history: History, switch: int) -> None:
    def seen(candidate: History) -> bool:
        return len(presses(candidate, switch)) >= 2

    if seen(history):
        found = shrink(history, seen, POLLED)
        assert seen(found) and is_possible(found)
        assert len(found.inputs) == 3
        assert shrink(found, seen, POLLED) == found


def test_trying_ends_when_it_may_go_on_no_longer() -> None:
    tried = []

    def seen(candidate: History) -> bool:
        tried.append(candidate)
        return False

    history = contacts([(1_000 * n, n & 15) for n in range(1, 200)])
    assert shrink(history, seen, POLLED, most_tries=50) == history
    assert len(tried) == 50


def test_power_goes_off_and_on_by_turns_whatever_is_left_out() -> None:
    inputs = []
    for number in range(6):
        inputs += [Input(1_000_000 * number + 500_000, "off", 0), Input(1_000_000 * number + 900_000, "on", 0)]
    history = History((*inputs, Input(7_000_000, "contacts", 1)), 8_000_000)
    found = shrink(history, lambda each: sum(entry.kind == "on" for entry in each.inputs) >= 2)
    assert [entry.kind for entry in found.inputs] == ["off", "on", "off", "on"]
