"""Waveforms, read back by vcdvcd, and the serial line by a reader of its own that knows only what a UART does."""

from __future__ import annotations

import signal
from bisect import bisect_right
from dataclasses import dataclass, replace

from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.core.kinds import pedal_reading
from controller_sim.design import form
from controller_sim.design.outputs import Edge, Ended, Fired, LedSet, Message, ModeEntered, Restarted
from controller_sim.midi.wire import WireByte
from controller_sim.simulator import Input, Simulator
from controller_sim.testing.designs import designs
from controller_sim.testing.plain import note, plain_design
from controller_sim.view.waveform import line_levels, waveform

# vcdvcd sets the process's way to take a broken pipe when it is imported.
_BEFORE = signal.getsignal(signal.SIGPIPE)
from vcdvcd import VCDVCD  # noqa: E402  # after what it spoils has been kept

signal.signal(signal.SIGPIPE, _BEFORE)

ONE_NOTE = plain_design({("press", "a"): (note(60),)})
PEDAL = form.Pedal("swell", 40, 980, (0, 127), 2, 10_000)


@dataclass(frozen=True)
class Trace:
    """A signal as it was read back: its changes, and its level between them."""

    changes: tuple[tuple[int, str], ...]

    def level(self, time_us: int) -> str:
        return self.changes[bisect_right(self.changes, time_us, key=lambda change: change[0]) - 1][1]

    def times(self, value: str = "1") -> list[int]:
        return [time_us for time_us, level in self.changes if level == value]


def read_back(text: str) -> dict[str, Trace]:
    vcd = VCDVCD(vcd_string=text)
    return {name: Trace(tuple(vcd[name].tv)) for name in vcd.references_to_ids}


def uart_bytes(line: Trace, baud: int = 31_250) -> list[tuple[int, int]]:
    """What a receiver makes of a line: (when the start bit began in microseconds, the byte). It looks at the middle of each bit."""
    bit_us = 1_000_000 // baud
    found, ready_us = [], 0
    for time_us, level in line.changes:
        if level != "0" or time_us < ready_us:
            continue
        middles = [line.level(time_us + bit_us // 2 + place * bit_us) for place in range(10)]
        assert middles[0] == "0" and middles[9] == "1", f"no byte is framed at {time_us} us: {middles}"
        found.append((time_us, sum(1 << place for place, bit in enumerate(middles[1:9]) if bit == "1")))
        ready_us = time_us + 10 * bit_us - bit_us // 2
    return found


@st.composite
def runs(draw: st.DrawFn) -> Simulator:
    """A random design under random feet, traced."""
    simulator = Simulator(draw(designs()), trace=True)
    for wait_us, word in draw(st.lists(st.tuples(st.integers(1, 20_000), st.integers(0, 31)), max_size=12)):
        simulator.wait(wait_us)
        simulator.change(word & (1 << len(simulator.design.switches)) - 1)
        if word == 31 and draw(st.booleans()):
            simulator.power_on()
    simulator.wait(20_000)
    return simulator


def told(simulator: Simulator) -> dict[str, Trace]:
    return read_back(waveform(simulator.design, simulator.inputs, simulator.outputs, simulator.now_us))


@settings(max_examples=60)
@given(runs())
def test_a_uart_at_the_line_reads_the_bytes_of_the_run_at_their_times(simulator: Simulator) -> None:
    sent = sorted((byte.start_us, byte.value) for message in simulator.serial_wire() for byte in message.sent)
    assert uart_bytes(told(simulator)["serial.line"]) == sent


@settings(max_examples=60)
@given(runs())
def test_every_packet_is_an_event_at_its_frame(simulator: Simulator) -> None:
    packets = [packet for message in simulator.usb_wire() for packet in message.packets]
    traces = told(simulator)
    assert traces["usb.packet"].times() == [packet.frame_us for packet in packets]
    if packets:
        assert int(traces["usb.data"].changes[-1][1], 2) == int.from_bytes(packets[-1].data, "big")


@settings(max_examples=60)
@given(runs())
def test_the_traces_say_what_the_run_says(simulator: Simulator) -> None:
    design, traces = simulator.design, told(simulator)
    for number, name in enumerate(design.switches):
        assert int(traces[f"contacts.{name}"].changes[-1][1]) == simulator.contacts >> number & 1
    fired = [output.time_us for output in simulator.outputs if isinstance(output, Fired)]
    gestures = [trace for name, trace in traces.items() if name.startswith("keys.") and name.rpartition(".")[2] in form.GESTURES]
    assert sorted(time_us for trace in gestures for time_us in trace.times()) == fired
    mode = traces["controller.mode"].changes[-1][1]
    assert (None if mode == "x" else design.modes[int(mode, 2)].name) == simulator.mode
    for led, name in enumerate(design.leds):
        assert design.led_text(led, int(traces[f"leds.{name}"].changes[-1][1], 2)) == simulator.leds[name]


@settings(max_examples=30)
@given(runs())
def test_the_same_run_gives_the_same_file(simulator: Simulator) -> None:
    first, second = (waveform(simulator.design, simulator.inputs, simulator.outputs, simulator.now_us) for _ in range(2))
    assert first == second and "$date" not in first


@given(st.integers(0, 255))
def test_a_byte_is_a_start_bit_its_bits_lowest_first_and_a_stop_bit(value: int) -> None:
    """MIDI 1.0 Detailed Specification 4.2.1, p. 1: 31,250 baud, a start bit, eight data bits, a stop bit: 320 us."""
    levels = list(line_levels(WireByte(1000, 1320, value)))
    assert [time_us for time_us, _ in levels] == list(range(1000, 1320, 32))
    assert [level for _, level in levels] == [0, *(value >> bit & 1 for bit in range(8)), 1]


def test_a_note_on_the_line_as_the_specification_draws_it() -> None:
    simulator = Simulator(ONE_NOTE)
    simulator.wait(1000)
    simulator.press("a")
    simulator.wait(5000)
    assert uart_bytes(told(simulator)["serial.line"]) == [(1000, 0x90), (1320, 60), (1640, 64)]


def test_what_happens_at_time_0_is_told_as_a_change() -> None:
    outputs = [Fired(0, 0), ModeEntered(0, 0), Message(0, form.SERIAL, b"\xf8")]
    traces = read_back(waveform(ONE_NOTE, [Input(0, "contacts", 1)], outputs, 1000))
    assert traces["keys.a.press"].times() == [0]
    assert traces["contacts.a"].level(0) == "1" and traces["controller.mode"].level(0) == "0"
    assert uart_bytes(traces["serial.line"]) == [(0, 0xF8)]


def test_without_power_there_is_no_mode_and_no_light_and_a_restart_lifts_every_level() -> None:
    design = replace(ONE_NOTE, leds=("lamp",))
    outputs = [ModeEntered(0, 0), LedSet(0, 0, 1), Edge(5, 0, True), Restarted(10), ModeEntered(20, 0), Ended(25, 1, "spent")]
    inputs = [Input(5, "contacts", 1), Input(40, "off", 1), Input(60, "on", 1)]
    traces = read_back(waveform(design, inputs, outputs, 100))
    assert [traces["levels.a"].level(at) for at in (4, 5, 10)] == ["0", "1", "0"]
    assert [traces["controller.mode"].level(at) for at in (9, 10, 20, 40)] == ["0", "x", "0", "x"]
    assert [traces["controller.power"].level(at) for at in (39, 40, 60)] == ["1", "0", "1"]
    assert traces["leds.lamp"].level(10) == "0" and traces["keys.b.spent"].times() == [25]


def test_pedals_show_what_they_read_and_untraced_runs_have_no_levels() -> None:
    design = replace(ONE_NOTE, pedals=(PEDAL,))
    traces = read_back(waveform(design, [Input(7, "arrived", 0, (pedal_reading(0, 512),))], [], 100, traced=False))
    assert [int(traces["pedals.swell"].level(at), 2) for at in (0, 7)] == [40, 512]
    assert not [name for name in traces if name.startswith("levels.")]


def test_names_that_clash_in_a_dump_are_told_apart_and_no_title_ends_its_comment() -> None:
    design = plain_design({("press", "b"): (), ("press", "ab"): ()})
    keys = (design.keys[0], replace(design.keys[1], name="a_and_b"), replace(design.keys[2], name="a+b"))
    twins = replace(design, keys=keys, switches=("a", "a_and_b"), title="fine $end print")
    traces = read_back(waveform(twins, [], [Fired(3, 1), Fired(5, 0)], 10))
    assert sorted(trace.times() for name, trace in traces.items() if "press" in name) == [[3], [5]]
