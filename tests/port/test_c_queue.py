"""How many delayed messages can wait: the proved number is the one that trying all ways finds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import form, load_design, program
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_queue import most_waiting
from controller_sim.testing.plain import PLACE

pytestmark = pytest.mark.needs("cc")

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
ZERO, EITHER = program.Constant(0, 0), program.Reading(0, 1, "clock_running")
DELAYED, AT_ONCE = (program.Send(form.SERIAL, (ZERO,), delay_us) for delay_us in (1000, 0))
Ends = dict[int, int]
"""The numbers that can wait at the end, and the most that waited on the way to each."""


def bodies(callees: int) -> st.SearchStrategy[tuple[program.Statement, ...]]:
    calls = [program.Call(number, ()) for number in range(callees)]
    plain = st.sampled_from((DELAYED, DELAYED, AT_ONCE, program.CancelDelayed(), *calls))

    def nested(inner: st.SearchStrategy[program.Statement]) -> st.SearchStrategy[program.Statement]:
        some = st.lists(inner, max_size=3).map(tuple)
        return st.builds(program.If, st.just(EITHER), some, some) | st.builds(
            program.For, st.just(0), st.just(0), st.integers(0, 3), st.just(1), some
        )

    return st.lists(st.recursive(plain, nested, max_leaves=5), max_size=4).map(tuple)


@st.composite
def procedures(draw: st.DrawFn) -> list[form.Procedure]:
    return [form.Procedure(f"p{n}", 0, 1, draw(bodies(n)), PLACE) for n in range(draw(st.integers(1, 4)))]


def after(body: Sequence[program.Statement], ends: Ends, all_of: Sequence[form.Procedure], cap: int) -> Ends:
    """Every way through some statements, one by one."""
    for statement in body:
        found: Ends = {}

        def note(count: int, most: int, into: Ends = found) -> None:
            into[count] = max(into.get(count, 0), most)

        for count, most in ends.items():
            match statement:
                case program.Send(delay_us=0):
                    note(count, most)
                case program.Send():
                    more = min(count + 1, cap)
                    note(more, max(most, more))
                case program.CancelDelayed():
                    note(0, most)
                case program.If(_, then, otherwise):
                    for each in (then, otherwise):
                        for end in after(each, {count: most}, all_of, cap).items():
                            note(*end)
                case program.For(_, start, stop, step, inner):
                    turned = {count: most}
                    for _ in range(start, stop, step):
                        turned = after(inner, turned, all_of, cap)
                    for end in turned.items():
                        note(*end)
                case program.Call(number, _):
                    for end in after(all_of[number].body, {count: most}, all_of, cap).items():
                        note(*end)
        ends = found
    return ends


@given(procedures(), st.integers(1, 6))
def test_the_proved_number_is_the_largest_that_any_order_of_actions_brings_about(all_of: list[form.Procedure], room: int) -> None:
    actions = range(len(all_of))
    reached, most, waiting = {0}, 0, [0]
    while waiting:
        count = waiting.pop()
        for action in actions:
            for end, highest in after(all_of[action].body, {count: count}, all_of, room + 1).items():
                most = max(most, highest)
                if end not in reached:
                    reached.add(end)
                    waiting.append(end)
    assert most_waiting(all_of, actions, room) == most


def test_the_booth_never_has_more_than_two_messages_waiting() -> None:
    assert Facts(load_design(CONFIGS / "booth.yaml")).waiting == 2
