"""Which controllers are on only while a foot is down, and that an action written out says what it may send and set."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.core.kinds import FIRED, MESSAGE, MODE, RESPONDED
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design
from controller_sim.design.loader import load_design_text
from controller_sim.design.outputs import Message, decode_one
from controller_sim.design.program import Call, CancelDraft, FactoryValues, For, SetCell
from controller_sim.design.steps import statements_in
from controller_sim.simulator.engines import Seen
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.verify.momentary import CONTROL_CHANGE, held_to, sent_by, without_momentaries
from controller_sim.verify.remembered import MOST, remembered
from controller_sim.verify.unfolding import unfolded
from controller_sim.verify.watching import Item, Watcher, walk

BASE = """\
title: Booth
switches: [a, b]
devices:
  room: {channel: 4, controllers: {freeze: {number: 80, on: 127, off: 0}, wash: {number: 81, on: 100, off: 1}, wet: 91}}
  rig: {channel: 5}
memory: {page: {range: 0..7, ends: wrap}, level: {range: 1..100}}
modes:
  show:
    on:
"""


def design_with(*bindings: str, then: str = "") -> Design:
    return load_design_text(BASE + "".join(f"      {each}\n" for each in bindings) + then, "booth.yaml")


def ons(design: Design) -> list[tuple[int, tuple[int, int], tuple[int, int]]]:
    return [(on.channel, on.numbers, on.values) for on in held_to(design).ons]


@pytest.mark.parametrize(
    ("press", "release", "on"),
    [
        ("control_change(room, freeze, on)", "control_change(room, freeze, off)", (3, (80, 80), (127, 127))),
        ("control_change(room, wet, 90)", "control_change(room, wet, 20)", (3, (91, 91), (90, 90))),
        ("control_change(room, wet, level)", "control_change(room, wet, 0)", (3, (91, 91), (1, 100))),
        ("control_change(rig, 20 + page, 127)", "control_change(rig, 20 + page, 0)", (4, (20, 27), (127, 127))),
        ("control_change(room, freeze, on)", "control_change(room, wash, off)", (3, (80, 80), (127, 127))),
    ],
)
def test_a_controller_is_momentary_if_a_press_and_its_release_send_it_different_values(
    press: str, release: str, on: tuple[int, tuple[int, int], tuple[int, int]]
) -> None:
    assert ons(design_with(f"press a: {press}", f"release a: {release}")) == [on]


@pytest.mark.parametrize(
    "bindings",
    [
        ("press a: control_change(room, wet, level)", "release a: control_change(room, wet, level)"),
        ("press a: control_change(room, freeze, on)", "release b: control_change(room, freeze, off)"),
        ("tap a: control_change(room, freeze, on)", "release a: control_change(room, freeze, off)"),
        ("press a: control_change(room, wet, 90)", "release a: control_change(rig, 91, 0)"),
        ("press a when page == 0: control_change(room, freeze, on)", "release a: control_change(room, freeze, off)"),
    ],
)
def test_nothing_else_makes_a_controller_momentary(bindings: tuple[str, ...]) -> None:
    assert without_momentaries(design_with(*bindings)) == "no controller is on only while a foot is down"


@pytest.mark.parametrize(
    ("other", "then", "says"),
    [
        ("tap b: control_change(room, freeze, on)", "", "tap b of show"),
        ("hold b: page = 0", "    enter: control_change(room, freeze, on)\n", "entering show"),
        ("hold b: page = 0", "power_on: {always: 'control_change(room, freeze, on)'}\n", "power-on"),
        ("received control_change(room, wet, n): control_change(room, freeze, n)", "", "what arrives"),
    ],
)
def test_a_controller_that_something_else_may_leave_on_is_held_to_nothing(other: str, then: str, says: str) -> None:
    bindings = ("press a: control_change(room, freeze, on)", "release a: control_change(room, freeze, off)", other)
    assert without_momentaries(design_with(*bindings, then=then)) == f"{says} may leave freeze on as well"


class Kept(Watcher):
    """Where one binding alone fires, each control change sent and each cell changed is one that its action, written out, has."""

    def __init__(self, design: Design) -> None:
        super().__init__()
        self.design = design
        self.cells: list[int] = []
        self.waited = 1

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        numbers = [item for item in items if isinstance(item, int)]
        before, self.cells = self.cells, list(engine.cells)
        waited, self.waited = self.waited, len(getattr(engine, "delayed", ()))
        fired = [item >> 3 for item in numbers if item & 7 == FIRED]
        if waited or len(fired) != 1 or any(item & 7 in (MODE, RESPONDED) for item in numbers):
            return None
        action = self.design.bindings[fired[0]].action
        for item in numbers:
            message = decode_one(time_us, item) if item & 7 == MESSAGE else None
            if isinstance(message, Message) and message.data[0] & 0xF0 == CONTROL_CHANGE:
                self.reached += 1
                allowed = [each for each in sent_by(self.design, action) if each.is_for(message.ports, message.data)]
                if not any(each.values[0] <= message.data[2] <= each.values[1] for each in allowed):
                    return f"{message} is none of {allowed}"
        statements = list(statements_in(unfolded(self.design, action)))
        for c, cell in enumerate(self.design.cells):
            values = self.cells[cell.offset : cell.offset + cell.size]
            if before and values != before[cell.offset : cell.offset + cell.size]:
                sets = [each.value for each in statements if isinstance(each, SetCell) and each.cell == c]
                cancels = any(isinstance(each, CancelDraft) for each in statements)
                if not sets and not cancels and not any(isinstance(each, FactoryValues) and c in each.cells for each in statements):
                    return f"{cell.name} changes"
        return None


@settings(max_examples=100)
@given(st.data())
def test_what_an_action_written_out_may_send_and_set_takes_in_all_that_it_does(data: st.DataObject) -> None:
    design = data.draw(designs())
    if any(mode.timers for mode in design.modes) or design.thru:
        return
    session = data.draw(sessions(design))
    assert walk(FastEngine(design, session.start_us, None, True), session, [Kept(design)]) is None


@settings(max_examples=100)
@given(designs())
def test_an_action_written_out_calls_nothing(design: Design) -> None:
    for binding in design.bindings:
        assert not any(isinstance(each, Call) for each in statements_in(unfolded(design, binding.action)))


def test_short_loops_are_written_out_with_the_values_of_their_turns() -> None:
    design = design_with("tap a: 'for n in range(3): control_change(rig, 20 + n, 2 * n)'")
    found = list(sent_by(design, design.bindings[0].action))
    assert not any(isinstance(each, For) for each in unfolded(design, design.bindings[0].action))
    assert [(each.numbers, each.values) for each in found] == [((20 + n, 20 + n), (2 * n, 2 * n)) for n in range(3)]


def test_what_is_remembered_of_a_design_is_worked_out_once_as_long_as_it_is_among_the_last() -> None:
    made: list[Design] = []

    @remembered
    def named(design: Design) -> str:
        made.append(design)
        return design.title

    some = [design_with("tap a: page += 1") for _ in range(MOST + 1)]
    assert {named(each) for each in (*some[1:], *some[1:])} == {"Booth"}
    assert len(made) == MOST
    named(some[0])
    named(some[1])
    assert len(made) == MOST + 2
