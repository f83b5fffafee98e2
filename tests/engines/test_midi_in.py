"""What received bytes become (semantics, section 9, What is received)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.core.kinds import ALL_KINDS, CHANNEL_KINDS, MOST_ECHOES, kind_of, midi_bytes
from controller_sim.core.midi_in import LONGEST_SYSEX, Parser
from controller_sim.design import form, load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Message, Responded, Shown, decode, encode
from controller_sim.midi import Decoder, is_message
from controller_sim.midi.messages import STATUS_TABLE
from controller_sim.reference import ReferenceEngine
from controller_sim.testing.compare import EngineFactory
from controller_sim.testing.plain import plain_design

both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])
STREAMS = st.lists(st.one_of(st.integers(0, 127), st.sampled_from((0x90, 0xC1, 0xE2)), st.integers(0x80, 0xFF)), max_size=40).map(bytes)


def unpacked(message: int) -> bytes:
    length = (message.bit_length() - 1) // 8
    return (message ^ 1 << 8 * length).to_bytes(length, "little")


def parsed(data: bytes) -> list[bytes]:
    parser = Parser()
    return [unpacked(message) for message in map(parser.feed, data) if message]


def passing(kinds: int = ALL_KINDS) -> form.Design:
    return replace(plain_design({("press", "a"): ()}), thru=(form.Thru(form.SERIAL, form.USB, kinds),))


def received(factory: EngineFactory, design: form.Design, data: bytes, port: int = form.SERIAL) -> list[Any]:
    engine = factory(design)
    engine.advance(0, 0)
    for place, byte in enumerate(data):
        engine.advance(1000 + 320 * place, 0, midi_bytes(port, (byte,)))
    return engine.take_outputs()


@given(STREAMS)
def test_the_core_parser_gives_the_messages_that_the_decoder_gives(data: bytes) -> None:
    assert parsed(data) == Decoder().feed(data)


@given(STREAMS)
def test_whatever_arrives_only_whole_messages_come_of_it(data: bytes) -> None:
    assert all(is_message(message) for message in parsed(data))


@pytest.mark.parametrize(("length", "passes"), [(LONGEST_SYSEX, True), (LONGEST_SYSEX + 1, False), (1000, False)])
@both_engines
def test_a_long_sysex_is_dropped_and_what_follows_is_heard(factory: EngineFactory, length: int, passes: bool) -> None:
    sysex = bytes([0xF0, *[5] * (length - 2), 0xF7])
    sent = [output.data for output in received(factory, passing(), sysex + bytes.fromhex("C1 05")) if isinstance(output, Message)]
    assert sent == [sysex] * passes + [bytes.fromhex("C1 05")]


@both_engines
@given(data=STREAMS)
def test_what_goes_on_is_every_message_of_its_kinds_and_only_to_its_ports(factory: EngineFactory, data: bytes) -> None:
    outputs = received(factory, passing(CHANNEL_KINDS), data)
    sent = [(output.ports, output.data) for output in outputs if isinstance(output, Message)]
    assert sent == [(form.USB, message) for message in Decoder().feed(data) if message[0] < 0xF0]
    assert not any(isinstance(output, Message) for output in received(factory, passing(), data, form.USB))


def test_every_kind_of_message_has_a_number_of_its_own() -> None:
    numbers = {(status & 0xF0 if status < 0xF0 else status): kind_of(status) for status in STATUS_TABLE}
    assert len(set(numbers.values())) == len(numbers)
    assert all(ALL_KINDS >> number & 1 for number in numbers.values())
    assert sum(1 << number for status, number in numbers.items() if status < 0xF0) == CHANNEL_KINDS


def remote(on: str) -> form.Design:
    return load_design_text(
        f"""
switches: [a]
devices:
  organ:
    channel: 1
    port: serial
    programs: 0..7
    controllers: {{level: {{number: 7, bits: 14}}, fine: {{number: 8, bits: 14, range: 100..300}}}}
memory: {{n: {{range: 0..127}}, armed: {{range: 0..1}}, wide: {{range: 0..16383}}, times: {{range: 0..99, ends: clamp}}}}
modes:
  m:
    on:
{on}
everywhere:
  received program_change(organ, p): n = 100 + p
"""
    )


def end_of(factory: EngineFactory, design: form.Design, data: str, port: int = form.SERIAL) -> Any:
    engine = factory(design)
    engine.advance(0, 0)
    engine.advance(100_000, 0, midi_bytes(port, bytes.fromhex(data)))
    return engine


ANSWERED = [
    ("program_change(organ, p)", "C0 03", (3, 0)),
    ("note_on(organ, k)", "90 05 64", (5, 100)),
    ("note_off(organ, k)", "90 05 00", (5, 64)),
    ("pitchwheel(organ)", "E0 7F 01", (127, 1)),
    ("control_change(organ, level, v)", "B0 07 7F 27 01", (7, 127 << 7 | 1)),
    ("start", "FA", (0, 0)),
    ("sysex(125, x)", "F0 7D 05 09 F7", (125, 5)),
    ("sysex(125, 0, 127, 3, x)", "F0 7D 00 7F 03 01 F7", (125, 0, 127, 3, 1)),
]
"""A binding, what arrives, and the values that came with the last answer."""


@both_engines
@pytest.mark.parametrize(("cause", "data", "values"), ANSWERED)
def test_an_answer_tells_the_values_that_came(factory: EngineFactory, cause: str, data: str, values: tuple[int, ...]) -> None:
    outputs = end_of(factory, remote(f"      received {cause}: pass"), data).take_outputs()
    answers = [output for output in outputs if isinstance(output, Responded)]
    assert answers[-1].values == values
    assert decode(encode(answers)) == answers


@both_engines
@pytest.mark.parametrize(
    ("on", "data", "n"),
    [
        ("      received program_change(organ, 3): n = 1", "C0 03", 1),
        ("      received program_change(organ, 3): n = 1", "C0 04", 104),
        ("      received program_change(organ, 3): n = 1", "C0 08", 0),
        ("      received program_change(organ, 3): n = 1", "C1 03", 0),
        ("      received program_change(organ, 3) when armed == 1: n = 1", "C0 03", 103),
        (
            "      received note_on(organ, k, 1..64): n = k\n      received note_on(organ, k): n = k + 1 if k < 9 else 9",
            "90 05 64 05 40",
            5,
        ),
        ("      received note_on(organ, k): n = 1\n      received note_off(organ, k, v): n = v", "90 05 64 05 00", 64),
        ("      received pitchwheel(organ, bend): n = abs(bend) // 65", "E0 00 00", 126),
        ("      received pitchwheel(organ, bend): n = max(min(bend, 127), 0)", "E0 05 40", 5),
        ("      received songpos(beats): n = beats // 128", "F2 7F 20", 32),
        ("      received control_change(channel 3, 20..27, v): n = v", "B2 1B 09", 9),
        ("      received control_change(channel 3, 20..27, v): n = v", "B2 1C 09", 0),
        ("      received start: n = 7", "FA", 7),
        ("      received start(usb): n = 7", "FA", 0),
        ("      received clock: n = min(n + 1, 127)", "F8 90 F8 3C F8", 3),
    ],
)
def test_the_first_binding_that_fits_responds(factory: EngineFactory, on: str, data: str, n: int) -> None:
    design = remote(on)
    assert end_of(factory, design, data).cells[0] == n


@both_engines
def test_a_message_that_changes_the_mode_leaves_the_next_one_to_the_new_mode(factory: EngineFactory) -> None:
    design = remote("      received start: enter(m)\n      received stop: n = 1")
    names = [type(output).__name__ for output in end_of(factory, design, "FA FC").take_outputs()]
    assert names == ["ModeEntered", "Responded", "ModeEntered", "Responded"]


@both_engines
def test_before_the_first_mode_messages_go_on_but_nothing_responds(factory: EngineFactory) -> None:
    design = replace(remote("      received start: n = 1"), thru=passing().thru)
    engine = factory(design)
    engine.advance(0, 0, midi_bytes(form.SERIAL, (0xFA,)))
    assert [output.data for output in engine.take_outputs() if isinstance(output, Message)] == [b"\xfa"]
    engine.advance(1_000_000, 0)
    assert not any(isinstance(output, Responded) for output in engine.take_outputs())


@both_engines
def test_a_mode_change_and_what_arrives_at_the_same_instant_are_shown_once(factory: EngineFactory) -> None:
    design = load_design_text(
        """
switches: [a]
display: {characters: 4}
timing: {debounce: {press: none, release: none}}
memory: {n: {range: 0..9}}
modes:
  m: {on: {press a: enter(k)}}
  k: {display: "k {n}", on: {received start: n = 5}}
"""
    )
    engine = factory(design)
    engine.advance(0, 0)
    engine.advance(100_000, 1, midi_bytes(form.SERIAL, (0xFA,)))
    assert [output.text for output in engine.take_outputs() if isinstance(output, Shown)] == ["k 5"]


@both_engines
@given(beat_us=st.integers(250_000, 2_000_000), data=st.data())
def test_a_followed_beat_sets_the_tempo_to_its_length_whatever_the_ticks_in_it(
    factory: EngineFactory, beat_us: int, data: st.DataObject
) -> None:
    design = replace(plain_design({("press", "a"): ()}), tempo=form.Tempo(follow=form.SERIAL))
    engine = factory(design)
    engine.advance(0, 0)
    engine.advance(10_000, 0, midi_bytes(form.SERIAL, (0xF8,)))
    even_us = [10_000 + beat_us * place // 24 for place in range(1, 24)]
    jitter = data.draw(st.lists(st.integers(-900, 900), min_size=23, max_size=23))
    for time_us, late_us in zip(even_us, jitter, strict=True):
        engine.advance(time_us + late_us, 0, midi_bytes(form.SERIAL, (0xF8,)))
        assert engine.tempo == 120
    engine.advance(10_000 + beat_us, 0, midi_bytes(form.SERIAL, (0xF8,)))
    assert engine.tempo == min(max((2 * 60_000_000 + beat_us) // (2 * beat_us), 30), 240)


@both_engines
@pytest.mark.parametrize(("between", "anew"), [("FA", True), ("FB", True), ("FC", False), ("166667", True), ("166666", False)])
def test_a_pause_a_start_or_a_continue_begins_a_beat_anew(factory: EngineFactory, between: str, anew: bool) -> None:
    """At 30 beats a minute two ticks last 166,666 and two thirds of a microsecond."""
    design = replace(plain_design({("press", "a"): ()}), tempo=form.Tempo(follow=form.SERIAL))
    engine = factory(design)
    engine.advance(0, 0)
    now_us = 10_000
    for place in range(25):
        if place == 12 and len(between) == 2:
            engine.advance(now_us - 1, 0, midi_bytes(form.SERIAL, bytes.fromhex(between)))
        elif place == 12:
            now_us += int(between) - 20_000
        assert engine.tempo == 120
        engine.advance(now_us, 0, midi_bytes(form.SERIAL, (0xF8,)))
        now_us += 20_000
    assert (engine.tempo == 120) == anew
    for _ in range(12):
        engine.advance(now_us, 0, midi_bytes(form.SERIAL, (0xF8,)))
        now_us += 20_000
    if anew:
        assert engine.tempo == 125


@both_engines
@pytest.mark.parametrize(
    ("data", "wide", "times"),
    [
        ("B0 07 05 27 03", 5 * 128 + 3, 2),
        ("B0 07 05 B0 27 03", 5 * 128 + 3, 2),
        ("B0 07 05", 5 * 128, 1),
        ("B0 27 03", 0, 0),
        ("B0 07 05 27 03 27 09", 5 * 128 + 9, 3),
        ("B0 07 05 27 03 07 06", 6 * 128, 3),
        ("B0 07 05 C0 01 90 3C 00 B0 27 03", 5 * 128 + 3, 2),
        ("B0 07 7F 27 7F", 16_383, 2),
        ("B1 07 05 27 03", 0, 0),
        ("B0 08 02", 256, 1),
        ("B0 08 02 28 2C", 300, 2),
        ("B0 08 02 28 2D", 256, 1),
        ("B0 09 05 29 03", 0, 0),
        ("B0 07 05 08 02 27 03", 5 * 128 + 3, 3),
    ],
)
def test_each_half_of_a_pair_responds_with_what_both_then_make(factory: EngineFactory, data: str, wide: int, times: int) -> None:
    """MIDI 1.0 Detailed Specification 4.2.1, p. 12: a lower half alone is a fine adjustment, an upper half sets the lower one to 0."""
    lines = [f"      received control_change(organ, {name}, v): |\n        wide = v\n        times += 1" for name in ("level", "fine")]
    engine = end_of(factory, remote("\n".join(lines)), data)
    assert (engine.cells[2], engine.cells[3]) == (wide, times)


@both_engines
def test_halves_of_different_ports_and_power_cycles_do_not_mix(factory: EngineFactory) -> None:
    design = replace(remote("      received control_change(organ, level, v): wide = v"))
    both = replace(design, responses=tuple(replace(each, cause=replace(each.cause, ports=3)) for each in design.responses))
    engine = end_of(factory, both, "B0 07 05")
    engine.advance(200_000, 0, midi_bytes(form.USB, bytes.fromhex("B0 27 03")))
    assert engine.cells[2] == 5 * 128
    engine.advance(300_000, 0, midi_bytes(form.USB, bytes.fromhex("B0 07 01 27 02")))
    engine.advance(400_000, 0, midi_bytes(form.SERIAL, bytes.fromhex("B0 27 04")))
    assert engine.cells[2] == 5 * 128 + 4


@both_engines
@pytest.mark.parametrize(
    ("data", "n"),
    [
        ("F0 7D 01 05 F7", 5),
        ("F0 7D 01 05 06 07 F7", 5),
        ("F0 7D 01 F7", 99),
        ("F0 7D 01 28 F7", 99),
        ("F0 7D 02 05 F7", 99),
        ("F0 7D F8 01 05 F7", 5),
        ("F0 7D 01 05", 0),
        ("F0 7D 01 05 C0 F7", 0),
        ("F0 F7", 98),
    ],
)
def test_a_sysex_fits_by_its_first_bytes(factory: EngineFactory, data: str, n: int) -> None:
    """7D: for no product, so that examples may use it (MIDI 1.0 Detailed Specification 4.2.1, p. T-9)."""
    on = "      received sysex(125, 1, k in 0..39): n = k\n      received sysex(serial, 125): n = 99\n      received sysex: n = 98"
    assert end_of(factory, remote(on), data).cells[0] == n


STEPPING = load_design_text(
    """
switches: [a]
timing: {debounce: {press: none, release: none}}
wire: {echo: 250ms, thru: {usb: serial}}
devices: {organ: {channel: 1, port: serial, programs: 0..127}}
memory: {act: {range: 0..7, ends: wrap}}
modes:
  m:
    on:
      press a: program_change(organ, 5)
      received program_change(organ, n): |
        act += 1
        program_change(organ, n)
"""
)
ECHO_US = 250_000


def stepped(
    factory: EngineFactory, arrivals: list[tuple[int, str, int]], presses: tuple[int, ...] = (), design: form.Design = STEPPING
) -> int:
    """The act after what arrived, as (time, bytes, port); the engine's outputs are taken at every other time."""
    engine = factory(design)
    engine.advance(0, 0)
    times = sorted({*(time_us for time_us, _, _ in arrivals), *presses})
    for turn, time_us in enumerate(times):
        data = tuple(event for at_us, text, port in arrivals if at_us == time_us for event in midi_bytes(port, bytes.fromhex(text)))
        engine.advance(time_us, 1 if time_us in presses else 0, data)
        if turn % 2:
            engine.take_outputs()
    return int(engine.cells[0])


@both_engines
@given(delays_us=st.lists(st.integers(1, 2 * ECHO_US), min_size=1, max_size=8))
def test_a_device_that_sends_back_what_it_gets_steps_a_bank_once(factory: EngineFactory, delays_us: list[int]) -> None:
    """Each coming back later than the declared time is a message of its own, answered as such."""
    now_us, arrivals = 10_000, [(10_000, "C0 05", form.SERIAL)]
    sent_us, act = now_us, 1
    for delay_us in delays_us:
        now_us += delay_us
        arrivals.append((now_us, "C0 05", form.SERIAL))
        if now_us - sent_us >= ECHO_US:
            sent_us, act = now_us, act + 1
    assert stepped(factory, arrivals) == act % 8


@both_engines
@pytest.mark.parametrize(
    ("arrivals", "presses", "act"),
    [
        ([(20_000, "C0 05", form.SERIAL)], (10_000,), 0),
        ([(20_000, "05", form.SERIAL), (30_000, "C0 06", form.SERIAL)], (10_000,), 1),
        ([(9_000, "C0 05", form.SERIAL), (20_000, "05", form.SERIAL)], (), 1),
        ([(20_000, "C0 05", form.USB), (30_000, "C0 05", form.SERIAL)], (), 0),
        ([(20_000, "C0 05", form.SERIAL), (20_000, "C0 05", form.SERIAL)], (), 1),
        ([(10_000 + ECHO_US, "C0 05", form.SERIAL)], (10_000,), 1),
        ([(9_999 + ECHO_US, "C0 05", form.SERIAL)], (10_000,), 0),
    ],
)
def test_an_echo_is_what_left_at_that_port_a_short_time_ago(
    factory: EngineFactory, arrivals: list[tuple[int, str, int]], presses: tuple[int, ...], act: int
) -> None:
    assert stepped(factory, arrivals, presses) == act


@both_engines
@pytest.mark.parametrize(("others", "act"), [(15, 0), (16, 1)])
def test_the_last_sixteen_messages_that_left_are_remembered(factory: EngineFactory, others: int, act: int) -> None:
    assert MOST_ECHOES == 16
    passed = [(10_000 + place, f"B0 14 {place:02X}", form.USB) for place in range(1, others + 1)]
    assert stepped(factory, [*passed, (20_000, "C0 05", form.SERIAL)], (10_000,)) == act


@both_engines
def test_without_the_declaration_everything_that_comes_back_counts(factory: EngineFactory) -> None:
    arrivals = [(10_000 * place, "C0 05", form.SERIAL) for place in range(1, 6)]
    assert stepped(factory, arrivals, design=replace(STEPPING, echo_us=0)) == 5


@both_engines
def test_what_was_passed_on_is_not_passed_back_when_it_returns(factory: EngineFactory) -> None:
    thru = (form.Thru(form.SERIAL, form.USB, ALL_KINDS), form.Thru(form.USB, form.SERIAL, ALL_KINDS))
    engine = factory(replace(STEPPING, thru=thru, responses=(), modes=(replace(STEPPING.modes[0], responses=()),)))
    engine.advance(0, 0)
    port = form.SERIAL
    for place in range(10):
        engine.advance(10_000 * (place + 1), 0, midi_bytes(port, bytes.fromhex("C1 05")))
        port = form.USB if port == form.SERIAL else form.SERIAL
    assert [output.ports for output in engine.take_outputs() if isinstance(output, Message)] == [form.USB] * 5
