"""Random feet reach the thresholds and both sides of them, and the same seed always draws the same."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design, load_design_text
from controller_sim.design.arrivals import MidiByte, unpack
from controller_sim.testing.designs import designs
from controller_sim.verify.coverage import Coverage, parts
from controller_sim.verify.dice import Dice
from controller_sim.verify.drawing import Feet
from controller_sim.verify.moves import decoded, moves_of
from controller_sim.verify.searching import Judge

CONFIGS = Path(__file__).resolve().parents[2] / "configs"


@settings(max_examples=20)
@given(st.data(), st.integers(0, 1 << 40), st.integers(0, 1 << 20))
def test_sessions_rise_in_time_and_are_the_same_for_the_same_seed(data: st.DataObject, seed: int, block: int) -> None:
    design = data.draw(designs())
    sessions = Feet(design, seed).block(block)
    assert sessions == Feet(design, seed).block(block)
    for session in sessions[::9]:
        assert all(earlier < later for earlier, later in pairwise(session.times_us))
        assert all(earlier < later for (earlier, _), (later, _) in pairwise(session.arrivals))
        assert all(0 <= time_us <= session.times_us[-1] for time_us, _ in session.arrivals)
        assert all(0 <= word < 1 << len(design.switches) for word in session.words)
        assert not session.at_rest or session.words[-1] == 0


@settings(max_examples=20)
@given(st.data(), st.integers(0, 1 << 20))
def test_a_session_is_what_its_moves_mean_read_figure_by_figure_or_all_at_once(data: st.DataObject, block: int) -> None:
    design = data.draw(designs())
    feet = Feet(design, 1)
    for session, written in list(zip(feet.block(block), feet.written(block), strict=True))[::9]:
        assert decoded(moves_of(design), written, cuts=False) == (session,)


def test_other_seeds_and_other_blocks_draw_other_sessions() -> None:
    design = load_design(CONFIGS / "booth.yaml")
    drawn = [Feet(design, seed).block(block)[0] for seed in range(4) for block in range(4)]
    assert len({session.times_us for session in drawn}) == len(drawn)


LISTENING = """\
switches: [a]
devices: {organ: {channel: 1, port: serial, controllers: {damp: {number: 81, on: 127, off: 0}, knee: {number: 4, bits: 14}}}}
wire: {echo: 50ms}
memory: {n: {range: 0..16383}}
modes:
  play:
    on:
      press a: control_change(organ, damp, on)
      received sysex(125, 1, v in 0..9): n = v
      received sysex(5): n = 1
      received control_change(organ, knee, v): n = v
      received control_change(organ, damp, off): n = 0
"""


def test_what_arrives_fits_causes_of_any_length_and_pairs_and_comes_back_as_echoes() -> None:
    design = load_design_text(LISTENING)
    coverage, judge, feet = Coverage(), Judge(design), Feet(design, 3)
    heard: set[int] = set()
    for block in range(30):
        for session in feet.block(block)[::5]:
            wrong, accounts, _ = judge.quick(session)
            assert wrong is None
            coverage.count(accounts)
            heard |= {arrival.byte for _, arrived in session.arrivals for arrival in unpack(arrived) if isinstance(arrival, MidiByte)}
    assert set(coverage.responded) == set(range(len(design.responses)))
    assert {0xF0, 0xF7, 0xB0, 4, 36, 81, 127} <= heard <= set(range(256))


@settings(max_examples=25)
@given(st.integers(1, 70), st.text(max_size=5))
def test_dice_reach_both_ends(end: int, key: str) -> None:
    dice = Dice(key)
    drawn = {dice.below(end) for _ in range(40 * end)}
    assert {0, end - 1} <= drawn <= set(range(end))


@pytest.mark.parametrize("name", ["booth", "starter", "touring"])
def test_every_gesture_and_every_boundary_of_an_example_is_reached_soon(name: str) -> None:
    design = load_design(CONFIGS / f"{name}.yaml")
    coverage, judge, feet = Coverage(), Judge(design), Feet(design, 1)
    never: list[str] = ["everything"]
    for block in range(150):
        for session in feet.block(block)[::5]:
            wrong, accounts, _ = judge.quick(session)
            assert wrong is None
            coverage.count(accounts)
        never = [text for part in parts(design, coverage) if part.name != "branches of actions" for text in part.never]
        if not never:
            break
    assert never == []
