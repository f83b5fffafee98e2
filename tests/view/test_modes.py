"""The map of modes: it has every way that a run takes, and its lines and words do not cover each other."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design, load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design
from controller_sim.design.outputs import ModeEntered, Restarted
from controller_sim.testing.compare import run
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.view.fitting import width_of
from controller_sim.view.modes import POWER_ON, Way, diagram, mode_map, ways
from controller_sim.view.sheet import Box, Dot, Label, Stroke

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
BOOTH = load_design(str(CONFIGS / "booth.yaml"))


@settings(max_examples=80)
@given(st.data())
def test_every_change_of_mode_in_a_run_is_a_way_on_the_map(data: st.DataObject) -> None:
    design = data.draw(designs())
    found = {(way.source, way.target) for way in ways(design)}
    mode = POWER_ON
    for output in run(FastEngine, design, data.draw(sessions(design))):
        match output:
            case ModeEntered(mode=entered):
                # Several changes may follow each other in one instant; each of them is put out.
                assert (mode, entered) in found
                mode = entered
            case Restarted():
                assert (mode, POWER_ON) in found
                mode = POWER_ON


@settings(max_examples=80)
@given(designs())
def test_no_lane_runs_through_a_word_and_no_box_through_another(design: Design) -> None:
    drawing = mode_map(design)
    boxes = sorted((mark for mark in drawing.marks if isinstance(mark, Box)), key=lambda box: box.y)
    assert all(upper.y + upper.height < lower.y for upper, lower in pairwise(boxes))
    lanes = [mark.points for mark in drawing.marks if isinstance(mark, Stroke) and mark.points[0][0] == mark.points[1][0]]
    for label in (mark for mark in drawing.marks if isinstance(mark, Label)):
        end = label.x + width_of(label.text, label.size, label.bold)
        assert all(end < lane[0][0] for lane in lanes) and end < drawing.width and label.y < drawing.height
    for x, (low, high) in [(lane[0][0], sorted((lane[0][1], lane[1][1]))) for lane in lanes]:
        assert x < drawing.width and 0 < low <= high < drawing.height


@settings(max_examples=80)
@given(designs())
def test_lanes_at_one_place_do_not_meet(design: Design) -> None:
    lanes: dict[float, list[tuple[float, float]]] = {}
    for mark in mode_map(design).marks:
        if isinstance(mark, Stroke) and mark.points[0][0] == mark.points[1][0]:
            low, high = sorted(point[1] for point in mark.points)
            assert all(high < other_low or other_high < low for other_low, other_high in lanes.get(mark.points[0][0], []))
            lanes.setdefault(mark.points[0][0], []).append((low, high))


@settings(max_examples=40)
@given(designs())
def test_the_diagram_has_an_arrow_for_every_way_between_modes(design: Design) -> None:
    lines = diagram(design).splitlines()
    for way in ways(design):
        if way.source != POWER_ON:
            target = "power_on" if way.target == POWER_ON else f"mode_{way.target}"
            assert any(line.strip().startswith(f"mode_{way.source} --> {target}: ") for line in lines)


def test_the_ways_of_the_booth() -> None:
    assert ways(BOOTH) == [
        Way(POWER_ON, 0, ("",)),
        Way(0, 1, ("hold a..c",)),
        Way(0, 2, ("hold d+e",)),
        Way(1, 0, ("hold a..c", "hold a+c 3s")),
        Way(2, POWER_ON, ("tap a, b",)),
        Way(2, 0, ("hold a+c 3s",)),
    ]


def test_what_leads_on_without_a_foot_says_so() -> None:
    design = load_design_text(
        "switches: [a, b]\ndevices: {organ: {channel: 1, programs: 0..7}}\nmodes:\n"
        "  one: {enter: enter(two)}\n  two:\n    timers: {after 2s: enter(end)}\n"
        "    on: {'received program_change(organ, 3)': enter(one), press a..b: 'if position: enter(end)'}\n  end: {}\n"
        "power_on: {a: enter(end), always: enter(two)}\n"
    )
    assert ways(design) == [
        Way(POWER_ON, 0, ("",)),
        Way(POWER_ON, 2, ("a held",)),
        Way(POWER_ON, 1, ("every power-on",)),
        Way(0, 1, ("at once",)),
        Way(1, 2, ("press b", "after 2s")),
        Way(1, 0, ("received program change from organ: 3",)),
    ]
    # `end` is a word of the diagram's language: modes go by numbers there.
    assert 'state "end" as mode_2' in diagram(design)


def test_a_release_that_is_owed_leads_on_from_the_mode_that_was_entered_meanwhile() -> None:
    design = load_design_text(
        "switches: [a, b]\nmodes:\n  plain:\n    on: {press a: enter(shifted), release a: enter(plain)}\n"
        "  shifted: {on: {press b: start()}}\n"
    )
    assert Way(1, 0, ("release a of plain",)) in ways(design)


def test_a_dot_marks_only_where_lines_join() -> None:
    drawing = mode_map(BOOTH)
    lanes = [mark.points for mark in drawing.marks if isinstance(mark, Stroke) and mark.points[0][0] == mark.points[1][0]]
    for dot in (mark for mark in drawing.marks if isinstance(mark, Dot)):
        assert any(dot.x == lane[0][0] and lane[0][1] < dot.y < lane[1][1] for lane in lanes)


def test_the_map_in_words_has_every_way() -> None:
    table = mode_map(BOOTH).table
    assert table is not None
    assert [[" ".join(line.plain for line in cell.lines) for cell in row] for row in table.rows] == [
        ["power on", "", "show"],
        ["show", "hold a..c", "edit cue"],
        ["", "hold d+e", "settings"],
        ["edit cue", "hold a..c, hold a+c 3s", "show"],
        ["settings", "tap a, b", "power on"],
        ["", "hold a+c 3s", "show"],
    ]


def test_the_same_design_gives_the_same_map() -> None:
    assert mode_map(BOOTH) == mode_map(load_design(str(CONFIGS / "booth.yaml")))
