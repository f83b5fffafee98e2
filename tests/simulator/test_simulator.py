import subprocess
import sys
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design.form import Design
from controller_sim.design.outputs import Message
from controller_sim.simulator import Simulator, SimulatorError, duration_us

ENGINES = ["fast", "reference"]
FEET = st.lists(
    st.tuples(st.sampled_from("abcde"), st.sampled_from([1, 3000, 12_000, 40_000, 60_000, 500_000, 2_000_000])), min_size=1, max_size=12
)


def stamp(simulator: Simulator, name: str) -> None:
    down = simulator.contacts >> simulator.design.switches.index(name) & 1
    (simulator.release if down else simulator.press)(name)


@given(FEET, st.sampled_from(ENGINES))
def test_waiting_in_small_pieces_and_looking_on_the_way_changes_nothing(booth: Design, feet: list[tuple[str, int]], engine: str) -> None:
    whole, pieces = Simulator(booth, engine), Simulator(booth, engine)
    for name, wait_us in feet:
        for simulator in (whole, pieces):
            stamp(simulator, name)
        whole.wait(wait_us)
        for part in (wait_us // 3, wait_us - wait_us // 3):
            pieces.wait(part)
            if part > 1 and part != wait_us - wait_us // 3:
                _ = pieces.display, pieces.leds, pieces.mode
    assert pieces.outputs == whole.outputs


@given(FEET)
def test_both_engines_show_the_same(booth: Design, feet: list[tuple[str, int]]) -> None:
    fast, reference = Simulator(booth, "fast"), Simulator(booth, "reference")
    for name, wait_us in feet:
        for simulator in (fast, reference):
            stamp(simulator, name)
            simulator.wait(wait_us)
        assert (fast.display, fast.leds, fast.mode) == (reference.display, reference.leds, reference.mode)
        assert [fast.memory["act"], fast.memory["cue", 1, 2], fast.tempo] == [
            reference.memory["act"],
            reference.memory["cue", 1, 2],
            reference.tempo,
        ]
    assert fast.outputs == reference.outputs


@settings(max_examples=30)
@given(st.permutations("ace"), st.sampled_from(ENGINES))
def test_changes_made_at_one_time_are_one_instant(booth: Design, order: list[str], engine: str) -> None:
    one, several = Simulator(booth, engine), Simulator(booth, engine)
    for simulator in (one, several):
        simulator.wait("100ms")
    one.press("a+c", "e")
    for name in order:
        several.press(name)
    for simulator in (one, several):
        simulator.wait("1s")
    assert one.outputs == several.outputs


@pytest.mark.parametrize("engine", ENGINES)
def test_an_evening_by_hand(booth: Design, engine: str) -> None:
    simulator = Simulator(booth, engine)
    assert (simulator.mode, simulator.display, simulator.now_us) == (None, "", 0)
    simulator.wait("100ms")
    assert (simulator.mode, simulator.display, simulator.leds) == ("show", "act 1", {"a": "off", "slot": "off"})
    simulator.tap("a", "80ms")
    simulator.wait("20ms")
    assert (simulator.display, simulator.memory["act"], simulator.now_us) == ("act 2", 1, 200_000)
    assert simulator.sent() == [Message(192_000, 1, b"\xc9\x01")]
    assert [(message.type, message.channel, message.program, message.time) for message in simulator.messages] == [
        ("program_change", 9, 1, 0.192)
    ]
    simulator.tap("a+c")
    simulator.wait("1s")
    assert (simulator.mode, simulator.memory["cue", 1, 2], simulator.leds["a"]) == ("setup", 7, "blink")
    simulator.hold("b", "600ms")
    assert (simulator.mode, simulator.display) == ("show", "saved")
    assert [message.data for message in simulator.sent("usb")] == [b"\xfa"]


@pytest.mark.parametrize("engine", ENGINES)
def test_kept_cells_survive_a_power_cut_and_others_do_not(booth: Design, engine: str) -> None:
    simulator = Simulator(booth, engine)
    simulator.wait("100ms")
    simulator.tap("a")
    simulator.wait("100ms")
    simulator.tap("d")
    assert (simulator.memory["act"], simulator.memory["frozen"]) == (1, 1)
    simulator.power_off()
    assert (simulator.display, simulator.mode, simulator.leds["a"], simulator.next_deadline_us) == ("", None, "off", None)
    simulator.wait("1s")
    simulator.power_on()
    simulator.wait("100ms")
    assert (simulator.memory["act"], simulator.memory["frozen"], simulator.display) == (1, 0, "act 2")


@pytest.mark.parametrize("engine", ENGINES)
def test_switches_held_at_power_on_make_the_power_on_gesture(booth: Design, engine: str) -> None:
    simulator = Simulator(booth, engine)
    simulator.power_on("a+e")
    simulator.wait("12ms")
    assert simulator.mode == "setup"
    simulator.release("a", "e")
    assert [(entry.time_us, entry.kind, entry.contacts) for entry in simulator.inputs] == [
        (0, "off", 0),
        (0, "on", 0),
        (0, "contacts", 17),
        (12_000, "contacts", 0),
    ]


def test_the_wire_has_every_byte_of_the_port(booth: Design) -> None:
    simulator = Simulator(booth)
    simulator.wait("100ms")
    simulator.tap("a")
    simulator.wait("100ms")
    simulator.tap("d")
    simulator.wait("100ms")
    assert [[byte.value for byte in message.sent] for message in simulator.serial_wire()] == [[0xC9, 1]]
    # MIDI 1.0 Detailed Specification, "Hardware": 31,250 baud and ten bits a byte make 320 microseconds.
    assert simulator.serial_wire()[0].end_us - simulator.serial_wire()[0].start_us == 640
    assert [[packet.data for packet in message.packets] for message in simulator.usb_wire()] == [[b"\x0b\xb2\x50\x40"]]


@given(st.integers(0, 10**12))
def test_durations_are_exact_microseconds(us: int) -> None:
    assert duration_us(us) == duration_us(f"{us}us") == us
    assert duration_us(f"{us // 1000}.{us % 1000:03}ms") == us
    assert duration_us(f"{us // 10**6}.{us % 10**6:06}s") == us


@pytest.mark.parametrize("text", ["", "5", "ms", "-5ms", "1.5us", "0.0001ms", "1e3ms", "5 ms", "5min", ".5s", "٣ms"])
def test_what_is_no_duration_is_refused(text: str) -> None:
    with pytest.raises(SimulatorError):
        duration_us(text)


@pytest.mark.parametrize(
    ("attempt", "message"),
    [
        (lambda s: s.press("f"), "there is no switch 'f'; there is a, b, c, d, e"),
        (lambda s: s.press("a", "a"), "switch 'a' is down already"),
        (lambda s: s.release("a"), "switch 'a' is up already"),
        (lambda s: s.tap("a", 0), "a tap takes at least 1us"),
        (lambda s: s.wait(-1), "a duration of -1 us is negative"),
        (lambda s: s.advance_to(-1), "-1 us has gone by; it is 0 us"),
        (lambda s: s.change(32), "contacts 0x20 name more than the 5 switches"),
        (lambda s: s.memory["acts"], "there is no memory cell 'acts'; did you mean 'act'?"),
        (lambda s: s.memory["cue", 8, 0], "index 8 of cue is not in 0..7"),
        (lambda s: s.memory["cue"], "cue takes two indices, not 0"),
        (lambda s: s.memory["cue", "a", 0], 'write memory["name"] or memory["name", 1, 2]'),
        (lambda s: s.sent("seriel"), "there is no port 'seriel'; did you mean 'serial'?"),
        (lambda s: Simulator(s.design, "fats"), "there is no engine 'fats'; did you mean 'fast'?"),
        (lambda s: (s.power_off(), s.power_off()), "the power is off already"),
        (lambda s: (s.power_off(), s.tempo), "the power is off"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_the_reason(booth: Design, attempt: object, message: str) -> None:
    assert callable(attempt)
    with pytest.raises(SimulatorError) as caught:
        attempt(Simulator(booth))
    assert str(caught.value) == message


def test_a_refused_press_changes_nothing(booth: Design) -> None:
    simulator = Simulator(booth)
    with pytest.raises(SimulatorError):
        simulator.press("a", "f")
    assert (simulator.contacts, simulator.inputs) == (0, [])


def test_importing_the_package_loads_no_library() -> None:
    code = "import sys, controller_sim; print(sorted({'mido', 'lark', 'ruamel', 'transitions'} & {m.split('.')[0] for m in sys.modules}))"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


def test_every_public_name_of_the_package_can_be_had() -> None:
    import controller_sim

    for name in controller_sim.__all__:
        assert getattr(controller_sim, name) is not None
    with pytest.raises(AttributeError):
        _ = controller_sim.Simulatr


@pytest.mark.parametrize("engine", ENGINES)
def test_a_pedal_stands_at_the_heel_until_it_is_turned(booth: Design, engine: str) -> None:
    simulator = Simulator(booth, engine)
    assert simulator.reading("swell") == 0
    simulator.wait("100ms")
    simulator.turn("swell", 1023)
    assert [message.data for message in simulator.sent("usb")] == [bytes([0xB2, 91, 127])]
    simulator.turn("swell", 512)
    simulator.wait("20ms")
    assert simulator.sent()[-1].data == bytes([0xB2, 91, 64])
    assert simulator.sent()[-1].time_us == 120_000


@pytest.mark.parametrize("engine", ENGINES)
def test_a_pedal_turned_without_power_is_read_when_power_comes_back(booth: Design, engine: str) -> None:
    simulator = Simulator(booth, engine)
    simulator.wait("100ms")
    simulator.power_off()
    simulator.turn("swell", 1023)
    simulator.receive("C9 05")
    simulator.power_on()
    simulator.wait("100ms")
    assert simulator.sent() == []
    simulator.turn("swell", 0)
    assert simulator.sent()[-1].data == bytes([0xB2, 91, 0])


@pytest.mark.parametrize("engine", ENGINES)
def test_received_bytes_are_put_together_from_all_that_came(booth: Design, engine: str) -> None:
    simulator = Simulator(booth, engine)
    simulator.wait("100ms")
    simulator.receive("C9")
    simulator.wait("1ms")
    simulator.receive("F8 05", "usb")
    assert simulator.memory["act"] == 0
    simulator.receive(b"\x05")
    assert simulator.memory["act"] == 5


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda simulator: simulator.turn("swel", 3), "there is no pedal 'swel'; did you mean 'swell'?"),
        (lambda simulator: simulator.turn("swell", 1024), "swell reads 0..1023; it never reads 1024"),
        (lambda simulator: simulator.receive("C9 5"), "'C9 5' is no row of hexadecimal bytes such as C9 05"),
        (lambda simulator: simulator.receive("C9", "midi"), "there is no port 'midi'; there is serial, usb"),
    ],
)
def test_what_cannot_arrive_is_refused(booth: Design, ask: Callable[[Simulator], None], message: str) -> None:
    with pytest.raises(SimulatorError) as caught:
        ask(Simulator(booth))
    assert str(caught.value) == message
