"""Runs that are played on: the checks have something to decide, keep quiet where they should, and what they say is so."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller_sim.core.kinds import MODE
from controller_sim.design import load_design
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design
from controller_sim.design.loader import load_design_text
from controller_sim.reference import ReferenceEngine
from controller_sim.script import parse_script, play
from controller_sim.testing.designs import designs
from controller_sim.verify.arrivals import listens
from controller_sim.verify.dice import Dice
from controller_sim.verify.drawing import Feet
from controller_sim.verify.moving import pairs
from controller_sim.verify.onward import HOME, HUSHED, STEPS, UNEDITED, Played, editing, panics
from controller_sim.verify.pairs import Tally
from controller_sim.verify.playing import play as played
from controller_sim.verify.scripts import script_of, shows_on_reference
from controller_sim.verify.searching import Judge, search
from controller_sim.verify.shrinking import shrink_finding
from controller_sim.verify.watching import packed_outputs

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
ALL = (STEPS, UNEDITED, HUSHED, HOME)
LOOP = """\
title: Booth
switches: [a, b, c]
memory: {{page: {{range: 0..7, ends: {ends}}}, spare: {{range: 0..7, ends: wrap}}}}
modes:
  show:
    on:
{bindings}
"""


def one_mode(*bindings: str, ends: str = "wrap") -> Design:
    return load_design_text(LOOP.format(ends=ends, bindings="".join(f"      {each}\n" for each in bindings)), "booth.yaml")


def names(design: Design) -> list[tuple[str, str]]:
    def name(number: int) -> str:
        return f"{design.bindings[number].gesture} {design.keys[design.bindings[number].key].name}"

    return [(name(pair.up), name(pair.down)) for each in pairs(design).values() for pair in each]


@pytest.mark.parametrize("name", ALL)
def test_each_check_has_something_to_decide_on_an_example_and_finds_nothing(name: str) -> None:
    design, tally = load_design(CONFIGS / "touring.yaml"), Tally()
    checks, feet = Played(design), Feet(design, 3)
    for number in range(200):
        session = feet.block(number)[number % 64]
        assert checks.check(name, FastEngine, session, Dice(str(number)), tally) is None
        if tally.reached[name]:
            return
    pytest.fail("nothing was decided")


@pytest.mark.parametrize(
    ("up", "down"),
    [
        ("page += 1", "page -= 1"),
        ("page += 3; spare = 0", "spare = 0; page -= 3"),
        ("page = (page + 1) % 8", "page = (page - 1) % 8"),
        ("page = min(page + 2, 7)", "page = max(page - 2, 0)"),
        ("page = page + 1 if page < 7 else 0", "page -= 1"),
        ("'if page < 7: page += 1'", "'if page > 0: page -= 1'"),
    ],
)
def test_steps_are_known_by_what_they_add(up: str, down: str) -> None:
    assert names(one_mode(f"tap a: {up}", f"hold b: {down}")) == [("tap a", "hold b")]


@pytest.mark.parametrize(
    ("up", "down"),
    [
        ("page += 1", "page -= 2"),
        ("page += 1", "spare -= 1"),
        ("page += 1; spare += 1", "page -= 1; spare -= 1"),
        ("page = spare + 1", "page = spare - 1"),
        ("page += spare", "page -= spare"),
        ("page += 1; spare = 0", "page -= 1; spare = 1"),
        ("page = 1", "page = 0"),
    ],
)
def test_what_does_more_or_something_else_is_no_pair_of_steps(up: str, down: str) -> None:
    assert names(one_mode(f"tap a: {up}", f"tap b: {down}")) == []


def findings_of(name: str, design: Design) -> list[str]:
    tally, checks, feet, found = Tally(), Played(design), Feet(design, 1), []
    for number in range(24):
        session = feet.block(number)[number]
        wrong = checks.check(name, FastEngine, session, Dice(str(number)), tally)
        readable = checks.check(name, ReferenceEngine, session, Dice(str(number)), Tally())
        assert wrong == readable
        found += [wrong.text] if wrong is not None else []
    assert tally.reached[name] or found
    return found


def test_a_step_that_an_end_cuts_short_asks_for_nothing() -> None:
    assert findings_of(STEPS, one_mode("tap a: page += 3", "tap b: page -= 3", ends="clamp")) == []


def test_both_engines_find_a_step_that_does_not_lead_back() -> None:
    assert findings_of(STEPS, one_mode("tap a: page = (page + 1) % 6", "tap b: page -= 1"))


def test_both_engines_find_that_there_is_no_way_home() -> None:
    text = LOOP.format(ends="wrap", bindings="      tap a: page += 1\n      tap b: enter(rest)\n")
    assert findings_of(HOME, load_design_text(text + "  rest:\n    on: {tap c when page == 3: enter(show)}\n", "booth.yaml"))


@pytest.mark.parametrize(
    "way",
    ["tap b: enter(show)", "hold a+b 2s: enter(show)", "double c: enter(show)", "tap c when page < 8: enter(show)"],
)
def test_a_way_home_by_any_gesture_is_found(way: str) -> None:
    text = LOOP.format(ends="wrap", bindings="      tap a: page += 1\n      tap b: enter(rest)\n")
    assert findings_of(HOME, load_design_text(text + f"  rest:\n    on: {{{way}}}\n", "booth.yaml")) == []


def test_a_way_home_by_a_foot_while_another_is_down_is_found() -> None:
    text = LOOP.format(ends="wrap", bindings="      tap b: enter(rest)\n")
    rest = "  rest:\n    on: {press a: spare = 7, release a: spare = 0, tap c when spare == 7: enter(show)}\n"
    assert findings_of(HOME, load_design_text(text + rest, "booth.yaml")) == []


@settings(max_examples=40)
@given(st.data())
def test_where_no_way_home_is_said_to_be_random_feet_find_none(data: st.DataObject) -> None:
    design = data.draw(designs())
    # While another's clock comes in, a foot may rest for seconds: what repeats every few microseconds would take minutes.
    assume(not listens(design) or design.timing.repeat.last_us >= 1000)
    checks, feet = Played(design), Feet(design, data.draw(st.integers(0, 99)))
    for session in feet.block(0)[:4]:
        wrong = checks.check(HOME, FastEngine, session, Dice("0"), Tally())
        if wrong is None:
            continue
        for other in feet.block(1)[:8]:
            engine: Any = played(FastEngine, design, session)
            packed_outputs(engine)
            for time_us, word in zip(other.times_us, other.words, strict=True):
                if word.bit_count() <= 2:
                    engine.advance(session.end_us + 1 + time_us, word)
            entered = [item >> 3 for item in packed_outputs(engine)[1::2] if isinstance(item, int) and item & 7 == MODE]
            assert design.home not in entered


def test_editing_knows_what_edits_what_moves_on_and_what_cancels() -> None:
    design = load_design(CONFIGS / "booth.yaml")
    edit_cue = next(number for number, mode in enumerate(design.modes) if mode.name == "edit_cue")
    found = editing(design)[edit_cue]

    def titles(numbers: tuple[int, ...]) -> set[str]:
        return {f"{design.bindings[number].gesture} {design.keys[design.bindings[number].key].name}" for number in numbers}

    assert titles(found.edits) == {"press d", "press e", "repeat d", "repeat e"}
    assert titles(found.moves) == {"tap a", "tap b", "tap c"}
    assert titles(found.cancels) == {"hold a", "hold b", "hold c"}


def test_panic_is_at_hand_wherever_an_example_binds_it_and_surely_runs_it() -> None:
    design = load_design(CONFIGS / "touring.yaml")
    assert sorted(panics(design)) == list(range(len(design.modes)))


def test_a_finding_that_was_played_on_is_told_as_a_script_that_shows_it() -> None:
    design = one_mode("tap a: page = (page + 1) % 6", "tap b: page -= 1")
    judge = Judge(design)
    finding = shrink_finding(judge, search(design, 1, range(4)).findings[STEPS])
    assert shows_on_reference(judge, finding)
    run = play(design, parse_script(script_of(design, finding, True), design), engine="reference")
    last = int(finding.wrong.text.split(" after ")[-2].split()[-1])  # "page is 5, 0 after tap a, and 7 after tap b"
    assert run.cells is not None and run.cells[design.cells[0].offset] == last
