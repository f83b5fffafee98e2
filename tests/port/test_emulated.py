"""The firmware of an emulated ATmega328P does what the reference does with what the board has seen; a fault in it is found."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller_sim.core.kinds import midi_bytes, pedal_reading
from controller_sim.design import form, load_design, load_design_text
from controller_sim.port import WRITERS
from controller_sim.port.conform import Case, Result, conform
from controller_sim.port.emulated import Atmega328p
from controller_sim.port.errors import PortError
from controller_sim.port.polling import seen_by_polling
from controller_sim.port.trace import first_difference
from controller_sim.script import parse_script, play
from controller_sim.simulator import History, Input
from controller_sim.testing.conformance import port_histories
from controller_sim.testing.designs import designs

pytestmark = pytest.mark.needs("avr-gcc", "make", "cc")

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
FITTING = ("starter", "booth")
SHORTEST_US = 5_000
"""A board that takes tenths of a millisecond for an action cannot keep up with timers that are faster than some milliseconds."""
LAMPS = """
title: Lamps
switches: [go, {mute: opens}]
leds: [go, mute]
colours: {mute: [red, amber]}
display: {characters: 16, lines: 2}
devices: {pads: {channel: 3, notes: 36..60, controllers: {level: 7, tone: 74}}}
pedals: {swell: {reads: 0..1023, heel: 40, toe: 980}, tone: {reads: 0..1023, heel: 1000, toe: 0}}
wire: {running_status: yes}
tempo: {range: 60..240, start: 240, clock: serial}
memory: {n: {range: 0..9, ends: wrap, keep: yes}}
home: play
modes:
  play:
    display:
      - {text: ["pad {n}", "swell {swell}"]}
    leds: {go: blink if n % 2 else dim, mute: amber if n > 4 else dim(red)}
    on:
      press go: |
        clock_start()
        n += 1
        note_on(pads, 36 + n, 100)
      release go: note_off(pads, 36 + n)
      hold mute: panic()
      move swell: control_change(pads, level, swell)
      move tone: control_change(pads, tone, tone)
      received note_on(pads, k in 36..45): n = k - 36
"""


def silent(text: str) -> None:
    """No progress is shown."""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("built")


@pytest.fixture(scope="module")
def board(built: Path) -> Iterator[Atmega328p]:
    target = Atmega328p(folder=built)
    yield target
    target.close()


def only(design: form.Design, source: str, histories: list[History], target: Atmega328p) -> Result:
    cases = [Case(str(number), seen_by_polling(design, history)) for number, history in enumerate(histories)]
    return next(conform(design, source, cases, [target], silent))


@pytest.mark.parametrize("name", FITTING)
def test_the_board_does_in_every_script_of_the_demos_what_the_reference_does(name: str, board: Atmega328p) -> None:
    path = CONFIGS / f"{name}.yaml"
    design = load_design(path)
    runs = [play(design, parse_script(script.read_text(encoding="utf-8"), design)) for script in sorted(CONFIGS.glob(f"{name}_*.press"))]
    result = only(design, path.read_text(encoding="utf-8"), [History(run.inputs, run.end_us) for run in runs], board)
    assert (result.played, result.different, result.missing) == (len(runs), 0, None), result


BOOTH = load_design(CONFIGS / "booth.yaml")


@settings(max_examples=12)
@given(history=port_histories(BOOTH))
def test_the_booth_agrees_in_every_history(history: History, board: Atmega328p) -> None:
    trace = next(iter(board.play(BOOTH, "", [history])))
    assert trace.expected is not None
    assert first_difference(trace.expected, trace) is None


def keeps_up(design: form.Design) -> bool:
    repeat = design.timing.repeat
    periods = [timer.period_us for mode in design.modes for timer in mode.timers]
    return min([*periods, repeat.last_us, *(period_us for period_us, _ in repeat.steps)]) >= SHORTEST_US


@settings(max_examples=8)
@given(data=st.data())
def test_any_design_that_fits_agrees_in_every_history(data: st.DataObject, board: Atmega328p) -> None:
    design = data.draw(designs().filter(keeps_up))
    histories = [data.draw(port_histories(design)) for _ in range(3)]
    try:
        traces = list(board.play(design, "", histories))
    except PortError as error:
        assert "does not fit" in str(error) or "the board has" in str(error)
        assume(False)
    for trace in traces:
        assert trace.expected is not None
        assert first_difference(trace.expected, trace) is None


def busy_history() -> History:
    """Presses with bounce, holds, pedals, MIDI in, power off and on."""
    inputs = [Input(50_000 + 700 * n, "contacts", n & 1) for n in range(1, 8)]
    inputs += [Input(200_000, "contacts", 0), Input(300_000, "contacts", 1), Input(420_000, "contacts", 0)]
    inputs += [
        Input(430_000 + 2_000 * n, "arrived", 0, (pedal_reading(0, 40 + 20 * n), pedal_reading(1, 1000 - 30 * n))) for n in range(30)
    ]
    inputs += [Input(600_000, "arrived", 0, midi_bytes(form.SERIAL, b"\x92\x29\x40\x2b\x40"))]
    inputs += [Input(900_000, "contacts", 2), Input(1_600_000, "contacts", 0)]
    inputs += [Input(1_700_000, "arrived", 0, (pedal_reading(0, 40),)), Input(1_800_000, "off", 0), Input(2_000_000, "on", 0)]
    inputs += [Input(2_200_000, "contacts", 1), Input(2_300_000, "contacts", 0)]
    return History(tuple(inputs), 3_000_000)


def test_pedals_midi_in_colours_and_a_display_of_two_lines_are_those_of_the_reference(board: Atmega328p) -> None:
    design = load_design_text(LAMPS, "lamps.yaml")
    trace = next(iter(board.play(design, LAMPS, [seen_by_polling(design, busy_history())])))
    assert trace.expected is not None
    assert first_difference(trace.expected, trace) is None
    shown = {text for _, text in trace.expected.outputs["display"]}
    # What the history is there for has happened: the pedals moved, the last note that came in was heard and kept, LEDs changed.
    assert "pad 7\nswell 78" in shown and "pad 2\nswell 3" in shown, shown
    assert {text for _, text in trace.expected.outputs["led mute"]} == {"dim red", "amber"}
    assert {text for _, text in trace.expected.outputs["led go"]} == {"dim", "blink"}


STREAM = """
title: Stream
switches: [go]
devices: {pads: {channel: 3, notes: 36..60}}
pedals: {PEDALS}
memory: {n: {range: 0..127, keep: yes}, p: {range: 0..127}}
home: play
modes:
  play:
    on:
      received note_on(pads, k in 36..60): n = k
MOVES"""
PEDALS = ("one", "two", "three", "four", "five")
STREAM = STREAM.replace("PEDALS", ", ".join(f"{name}: {{reads: 0..1023, heel: 0, toe: 1023}}" for name in PEDALS))
STREAM = STREAM.replace("MOVES", "".join(f"      move {name}: p = {name}\n" for name in PEDALS))


@settings(max_examples=2)
@given(notes=st.lists(st.integers(36, 60), min_size=300, max_size=300))
def test_no_byte_of_a_full_serial_line_is_lost_while_all_pedals_move_and_cells_are_stored(notes: list[int], board: Atmega328p) -> None:
    design = load_design_text(STREAM, "stream.yaml")
    inputs = [
        Input(
            50_000 + 960 * n,
            "arrived",
            0,
            (*midi_bytes(form.SERIAL, bytes((0x92, note, 100))), *(pedal_reading(p, 3 * n) for p in range(5))),
        )
        for n, note in enumerate(notes)
    ]
    trace = next(iter(board.play(design, STREAM, [seen_by_polling(design, History(tuple(inputs), 500_000))])))
    assert trace.expected is not None
    assert first_difference(trace.expected, trace) is None


BARE = LAMPS.replace("display: {characters: 16, lines: 2}\n", "").replace(", keep: yes", "")
BARE = "".join(line for line in BARE.splitlines(keepends=True) if "display:" not in line and "text:" not in line)


@pytest.mark.parametrize("waits", [True, False])
def test_the_first_poll_knows_where_pedals_stand_because_the_board_waits_for_its_converter(waits: bool, built: Path) -> None:
    def write(design: form.Design, source: str) -> dict[str, str]:
        files = WRITERS["atmega328p"](design, source)
        wait = "    _delay_ms(1); /* then every pedal has been read */\n"
        assert wait in files["board.c"]
        return files if waits else {**files, "board.c": files["board.c"].replace(wait, "")}

    design = load_design_text(BARE, "bare.yaml")
    target = Atmega328p(write, built)
    try:
        trace = next(iter(target.play(design, BARE, [History((), 100_000)])))
    finally:
        target.close()
    assert trace.error == ("" if waits else "pin 5 of port C reads 0, but it stands at 40")
    assert not waits or (trace.expected is not None and first_difference(trace.expected, trace) is None)


FAULTS = {
    "the line runs at twice the pace": ("board.c", "#define BAUD_DIVIDER 31", "#define BAUD_DIVIDER 15", "serial"),
    "a byte too many leaves": ("board.c", "for (uint8_t i = ctl_status_is_running(bytes[0]) ? 1 : 0;", "for (uint8_t i = 0;", "serial"),
    "the clock waits for what was there before": ("board.c", "bytes[0] >= 0xF8", "bytes[0] == 0xF7", "serial"),
    "what has changed shows late": ("poll.c", "if (ctl.dirty && due_us", "if (ctl.dirty && now_us - ctl.now_us > 500u && due_us", ""),
    "contacts are looked at before all is done": (
        "poll.c",
        "if (!ctl_before(now_us, due_us))",
        "if (!ctl_before(now_us, due_us + 900u))",
        "",
    ),
    "the clock begins anew": ("board.c", "    overflows_us += OVERFLOW_US;", "", ""),
    "the clock runs slow": ("board.c", "return start_us + passed_us;", "return (start_us + passed_us) / 1001u * 1000u;", ""),
    "LEDs blink too fast": ("board.c", "#define BLINK_SHIFT 18", "#define BLINK_SHIFT 17", "led go"),
    "dim is half bright": ("board.c", "++turn & 3u", "++turn & 1u", "led go"),
    "a colour is the other one": ("pins.h", "{PB(1), PB(2)}", "{PB(2), PB(1)}", "led mute"),
    "the second line begins elsewhere": ("board.c", "? 0x40u :", "? 0x41u :", "display"),
    "the end of a line stays": ("board.c", "text_column < CTL_DISPLAY_CHARACTERS", "text_column < 4", "display"),
    "the pull-ups are off": ("board.c", "PORTC = (1u << CTL_SWITCHES) - 1u;", "PORTC = 1u;", "run"),
    "a pedal is the other": ("board.c", "5u - (ADMUX & 7u)", "4u ^ (ADMUX & 7u)", "run"),
    "a byte that comes in is lost": ("board.c", "if (end != receive_first)", "if (byte != 0x2B && end != receive_first)", "run"),
    "a byte is written while the EEPROM is busy": ("board.c", "return EECR & (1u << EEPE);", "return false;", "run"),
    "a save ends early": ("storage.c", "        ctl_put_journal(store.tail, LIVE);\n", "", ""),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_of_the_board_is_found(fault: str, built: Path) -> None:
    name, old, new, way = FAULTS[fault]

    def write(design: form.Design, source: str) -> dict[str, str]:
        files = WRITERS["atmega328p"](design, source)
        assert old in files[name]
        return {**files, name: files[name].replace(old, new)}

    design = load_design_text(LAMPS, "lamps.yaml")
    target = Atmega328p(write, built)
    try:
        trace = next(iter(target.play(design, LAMPS, [seen_by_polling(design, busy_history())])))
    finally:
        target.close()
    difference = first_difference(trace.expected or trace, trace)
    assert difference is not None and (not way or difference.way == way), difference
