"""The least and the most that an action sends, against every way through it."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from itertools import islice

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from controller_sim.design import form, program
from controller_sim.design.loader import load_design_text
from controller_sim.midi.stream import Encoder
from controller_sim.midi.wire import usb_packets
from controller_sim.testing.expressions import constant
from controller_sim.verify.bursts import Burst, Meter, most_delayed
from controller_sim.verify.latency import Latencies, title_of
from controller_sim.verify.reach import Reach

MOST_WAYS = 3000
OPEN = program.CellValue(0, 1, 0, None)
"""A condition that may be either each time it is read."""
STATUSES = (0xB0, 0xB1, 0xC0, 0xF8, 0xF0, 0xF6)

Body = tuple[program.Statement, ...]


def send(status: int, ports: int, delay_us: int) -> program.Send:
    data = {0xB0: (1, 2), 0xB1: (1, 2), 0xC0: (5,), 0xF0: (1, 2, 3, 0xF7)}.get(status, ())
    return program.Send(ports, tuple(constant(byte) for byte in (status, *data)), delay_us)


SENDS = st.builds(send, st.sampled_from(STATUSES), st.integers(1, 3), st.just(0))


def bodies(inner: st.SearchStrategy[program.Statement]) -> st.SearchStrategy[Body]:
    return st.lists(inner, max_size=3).map(tuple)


def nested(inner: st.SearchStrategy[program.Statement]) -> st.SearchStrategy[program.Statement]:
    conditions = st.sampled_from((OPEN, OPEN, OPEN, constant(0), constant(1)))
    return st.one_of(
        st.builds(program.If, conditions, bodies(inner), bodies(inner)),
        st.builds(lambda turns, body: program.For(0, 0, turns, 1, body), st.integers(0, 3), bodies(inner)),
        st.just(program.Call(0, ())),
    )


STATEMENTS = st.recursive(SENDS, nested, max_leaves=6)


def ways(body: Sequence[program.Statement], helper: Body) -> Iterator[tuple[program.Send, ...]]:
    """The messages of every way through a body; `helper` is what calls run."""
    if not body:
        yield ()
        return
    first, rest = body[0], body[1:]
    match first:
        case program.Send():
            heads: Iterator[tuple[program.Send, ...]] = iter([(first,)])
        case program.If(condition, then, otherwise):
            taken = [each for each, truth in ((then, 1), (otherwise, 0)) if condition.low <= truth <= condition.high]
            heads = (way for each in taken for way in ways(each, helper))
        case program.For(_, start, stop, step, inner):
            heads = ways(inner * len(range(start, stop, step)), helper)
        case _:
            heads = ways(helper, ())
    for head in heads:
        for tail in ways(rest, helper):
            yield (*head, *tail)


def with_action(helper: Body, body: Body, running_status: bool) -> form.Design:
    """A design of one gesture that runs `body`."""
    place = form.Place("booth.yaml", 1, 1)
    text = "switches: [a]\nmodes: {show: {on: {press a: pass}}}\ndevices: {pads: {channel: 1, port: [serial, usb]}}\n"
    design = load_design_text(text + f"wire: {{running_status: {'yes' if running_status else 'no'}}}", "booth.yaml")
    procedures = (form.Procedure("helper", 0, 0, helper, place), form.Procedure("show: press a", 0, 1, body, place))
    binding = form.Binding(0, "press", 0, form.Action(1, ()), place)
    cells = (form.Cell("open", 0, 1, 0, (), "wrap", True, (), 0, place),)
    return dataclasses.replace(design, procedures=procedures, bindings=(binding,), cells=cells)


def size(way: Sequence[program.Send], port: int, encoder: Encoder) -> int:
    total = 0
    for each in way:
        data = bytes(byte.low for byte in each.data)
        if each.ports & port:
            total += len(encoder.encode(data)) if port == form.SERIAL else len(usb_packets(data))
    return total


@given(bodies(SENDS), bodies(STATEMENTS), st.booleans())
def test_the_bounds_are_exactly_the_least_and_the_most_of_all_ways(helper: Body, body: Body, running_status: bool) -> None:
    design = with_action(helper, body, running_status)
    every = list(islice(ways(body, helper), MOST_WAYS + 1))
    assume(len(every) <= MOST_WAYS)
    reach = Reach(design)
    (run,) = (run for run in reach.all_runs if run.what == "binding")
    for port in (form.SERIAL, form.USB):
        sent = []
        for before in (0, 0xB0, 0xB1, 0xC0):
            # What was sent before the action may save its first status byte.
            for way in every:
                encoder = Encoder(running_status)
                if before:
                    encoder.encode(bytes([before, 1, 2][: 2 if before == 0xC0 else 3]))
                sent.append(size(way, port, encoder))
        burst, sounding = Meter(reach, port).burst(run), [each for each in sent if each]
        assert burst.may_be_silent == (0 in sent)
        assert (burst.least, burst.most) == (min(sounding, default=0), max(sounding, default=0))


def burst_of(text: str, title: str) -> Burst:
    design = load_design_text(text, "booth.yaml")
    latencies = Latencies(Reach(design))
    (run,) = (run for run in latencies.reach.all_runs if title_of(design, run) == title)
    return latencies.bursts[run, form.SERIAL]


BOOTH = """\
switches: [a, b]
devices: {{sampler: {{channel: 10, programs: 0..63}}}}
memory: {{act: {{range: 0..7, ends: wrap, keep: yes}}}}
wire: {{delayed_messages: 3}}
modes:
  show:
    delayed: {delayed}
    leave: {leave}
    on:
      press a: |
        {action}
      release b: {release}
      hold b: note(sampler, 60, length_ms=500)
  rest:
    enter: program_change(sampler, 1)
    on: {{tap a: enter(show)}}
"""
QUIET = {"delayed": "complete", "leave": "pass", "action": "pass", "release": "pass"}


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ({}, Burst(0, 0, True)),
        ({"action": "program_change(sampler, 2)"}, Burst(2, 2, False)),
        ({"action": "enter(rest)"}, Burst(2, 2, False)),
        ({"action": "if act: enter(rest)"}, Burst(2, 2, True)),
        ({"action": "enter(rest)", "leave": "program_change(sampler, 3)"}, Burst(4, 4, False)),
        ({"action": "if act: enter(rest)", "leave": "program_change(sampler, 3)"}, Burst(4, 4, True)),
        # Up to three note-offs wait, and leave at once when they are cancelled.
        ({"action": "cancel_delayed()"}, Burst(1, 9, True)),
        ({"action": "enter(rest)", "delayed": "cancel"}, Burst(2, 11, False)),
        # A delayed message may push out one that waits.
        ({"action": "program_change(sampler, 2, delay_ms=5)"}, Burst(1, 3, True)),
        # A restart leaves the mode, lets go of what is held, and cancels what waits.
        ({"action": "restart()", "release": "program_change(sampler, 2)"}, Burst(1, 13, True)),
    ],
)
def test_a_burst_holds_all_that_leaves_at_the_instant_of_an_action(parts: dict[str, str], expected: Burst) -> None:
    assert burst_of(BOOTH.format(**{**QUIET, **parts}), "press a in show") == expected


@given(st.integers(0, 5), st.integers(0, 5), st.integers(0, 3))
def test_the_most_delayed_messages_are_those_of_the_way_with_most(one: int, other: int, turns: int) -> None:
    later = send(0xC0, 1, 1000)
    body = (program.If(OPEN, (later,) * one, (later,) * other), program.For(0, 0, turns, 1, (later, send(0xC0, 1, 0))))
    assert most_delayed(Reach(with_action((), body, False)), 1) == max(one, other) + turns
