from __future__ import annotations

import dataclasses
import json

from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import form
from controller_sim.design.outputs import Ended, Fired, LedSet, Message, ModeEntered, Output, Shown
from controller_sim.simulator import Input, Simulator
from controller_sim.testing.designs import designs
from controller_sim.view.timeline import BOUNCE_US, as_json, events, meaning_of, summary, timeline_lines, wire_json, wire_lines

PLACE = form.Place("booth.yaml", 7, 3)
SAMPLER = form.Device("sampler", 9, form.SERIAL, (0, 63), None, None)
ROOM = form.Device("room", 2, form.USB, None, (form.Controller("freeze", 80, on=64, off=63),), None)
SETTLE = form.Debounce("settle", 0)
BOOTH = form.Design(
    title="Booth",
    file="booth.yaml",
    switches=("a", "b"),
    leds=("a", "b"),
    display_lines=2,
    display_characters=6,
    timing=form.Timing(SETTLE, SETTLE, 45_000, 500_000, 300_000, form.Repeat(400_000, (), 50_000)),
    tempo=form.Tempo(),
    running_status=False,
    delayed_messages=16,
    devices=(SAMPLER, ROOM),
    cells=(),
    keys=(form.Key("a", (0,), 1), form.Key("b", (1,), 2), form.Key("a+b", (0, 1), 3)),
    procedures=(form.Procedure("quiet", 0, 0, (), PLACE),),
    bindings=(
        form.Binding(0, "press", 0, form.Action(0, ()), PLACE),
        form.Binding(0, "press", 2, form.Action(0, ()), PLACE),
        form.Binding(0, "hold", 1, form.Action(0, ()), PLACE, hold_us=3_000_000),
    ),
    modes=(form.Mode("show", PLACE, (0, 1, 2)),),
    home=0,
)


def lines(inputs: list[Input], outputs: list[Output]) -> list[str]:
    return list(timeline_lines(events(BOOTH, inputs, outputs)))


@st.composite
def runs(draw: st.DrawFn) -> Simulator:
    """A random design under random feet."""
    simulator = Simulator(draw(designs()), trace=draw(st.booleans()))
    for wait_us, word in draw(st.lists(st.tuples(st.integers(1, 20_000), st.integers(0, 31)), max_size=12)):
        simulator.wait(wait_us)
        simulator.change(word & (1 << len(simulator.design.switches)) - 1)
        if word == 31 and draw(st.booleans()):
            simulator.power_on()
    simulator.wait(20_000)
    return simulator


@settings(max_examples=15)
@given(runs())
def test_every_output_of_a_run_is_told_once_and_in_order_of_time(simulator: Simulator) -> None:
    happened = events(simulator.design, simulator.inputs, simulator.outputs)
    told = [event for event in happened if event.kind not in ("contact", "power")]
    assert sorted(event.time_us for event in told) == [output.time_us for output in simulator.outputs]
    assert [event.time_us for event in happened] == sorted(event.time_us for event in happened)


@settings(max_examples=15)
@given(runs())
def test_the_contacts_told_lead_to_the_contacts_at_the_end(simulator: Simulator) -> None:
    down = dict.fromkeys(simulator.design.switches, False)
    for event in events(simulator.design, simulator.inputs, simulator.outputs):
        if event.kind == "contact":
            assert event.facts["spike"] == (down[event.facts["switch"]] == event.facts["down"])
            down[event.facts["switch"]] = event.facts["down"]
    assert [name for name in down if down[name]] == [
        name for number, name in enumerate(simulator.design.switches) if simulator.contacts >> number & 1
    ]


@settings(max_examples=15)
@given(runs())
def test_plain_data_survives_json_and_lines_stay_lines(simulator: Simulator) -> None:
    happened = events(simulator.design, simulator.inputs, simulator.outputs)
    facts = [*as_json(happened), wire_json(simulator.design, simulator.outputs)]
    assert json.loads(json.dumps(facts)) == facts
    for line in [*timeline_lines(happened), *wire_lines(simulator.design, simulator.outputs), summary(happened)]:
        assert "\n" not in line and "\x1b" not in line


@settings(max_examples=15)
@given(runs())
def test_every_message_has_its_times_on_each_of_its_ports(simulator: Simulator) -> None:
    for event in events(simulator.design, simulator.inputs, simulator.outputs):
        if event.kind == "message":
            assert set(event.facts["wire"]) == set(event.facts["ports"])
            for times in event.facts["wire"].values():
                assert event.time_us <= times["start_us"] < times["end_us"]


def test_a_press_a_gesture_and_its_message_read_as_cause_and_effect() -> None:
    outputs: list[Output] = [
        ModeEntered(0, 0),
        Fired(100_000, 0),
        Message(100_000, form.SERIAL, b"\xc9\x05"),
        Shown(100_000, "act 1\ncue 5"),
        LedSet(100_000, 0, 1),
        LedSet(100_000, 1, 2),
        Ended(900_000, 1, "unbound"),
    ]
    assert lines([Input(100_000, "contacts", 1), Input(160_000, "contacts", 0)], outputs) == [
        "    0.000000      mode show",
        "    0.100000  down a",
        "                  press a  in show, line 7",
        "                  sampler  program change ch 10: 5  serial 0.100000..0.100640",
        "                  display  [act 1] / [cue 5]",
        "                  LEDs  a on, b blink",
        "    0.160000  up a",
        "    0.900000      press of b: unbound",
    ]


def test_a_pause_of_the_feet_leaves_a_line_free() -> None:
    told = lines([Input(100_000, "contacts", 1), Input(700_001, "contacts", 0)], [])
    assert told == ["    0.100000  down a", "", "    0.700001  up a"]


def test_bounce_is_one_move_and_a_spike_is_none() -> None:
    bouncing = [Input(time_us, "contacts", word) for time_us, word in ((1000, 1), (1200, 0), (1400, 1))]
    assert lines(bouncing, []) == ["    0.001000  down a, bouncing until 0.001400"]
    spike = [Input(1000, "contacts", 1), Input(1000 + BOUNCE_US - 1, "contacts", 0)]
    assert lines(spike, []) == ["    0.001000  a closes for a moment, until 0.010999"]
    slow = [Input(1000, "contacts", 1), Input(1000 + BOUNCE_US, "contacts", 0)]
    assert lines(slow, []) == ["    0.001000  down a", "    0.011000  up a"]


def test_a_power_cut_comes_after_what_happened_at_its_instant_and_before_what_follows() -> None:
    inputs = [Input(500, "contacts", 1), Input(500, "off", 1), Input(500, "on", 1), Input(500, "contacts", 3)]
    kinds = [event.text for event in events(BOOTH, inputs, [Shown(500, "bye")])]
    assert kinds == ["down a", "display  [bye]", "power off", "power on", "down b"]


def test_clock_ticks_in_a_row_are_counted() -> None:
    ticks: list[Output] = [Message(number * 20_000, form.USB, b"\xf8") for number in range(24)]
    assert lines([], ticks) == ["    0.000000      usb  24 clock ticks until 0.460000"]
    assert summary(events(BOOTH, [], ticks)) == "0 presses, 0 gestures, 0 messages, 24 clock ticks"


def test_a_message_names_who_hears_it_and_the_controller_by_its_name() -> None:
    assert meaning_of(BOOTH, Message(0, form.USB, b"\xb2\x50\x40")) == "room  control change ch 3: 80 = 64 (freeze)"
    assert meaning_of(BOOTH, Message(0, form.SERIAL, b"\xb2\x50\x40")) == "serial  control change ch 3: 80 = 64"
    assert meaning_of(BOOTH, Message(0, form.SERIAL | form.USB, b"\xfa")) == "serial, usb  start"


def test_the_wire_lists_every_byte_and_packet() -> None:
    outputs: list[Output] = [Message(0, form.SERIAL, b"\xc9\x05"), Message(0, form.USB, b"\xb2\x50\x40")]
    # MIDI 1.0 Detailed Specification, hardware: 31,250 baud, ten bits a byte, so 320 us; USB MIDI 1.0, table 4-1: CIN B.
    assert list(wire_lines(BOOTH, outputs)) == [
        "serial, 31,250 baud, at most 2 bytes waiting",
        "    0.000000 .. 0.000320  C9",
        "    0.000320 .. 0.000640  05",
        "USB packets, by the start of their frame",
        "    0.001000  0B B2 50 40",
    ]


def test_running_status_of_the_design_shortens_the_wire() -> None:
    outputs: list[Output] = [Message(0, form.SERIAL, b"\xc9\x05"), Message(0, form.SERIAL, b"\xc9\x06")]
    short = dataclasses.replace(BOOTH, running_status=True)
    assert len(wire_json(BOOTH, outputs)["serial"]) == 4
    assert len(wire_json(short, outputs)["serial"]) == 3
