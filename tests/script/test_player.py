import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design.arrivals import MidiByte, PedalReading, unpack
from controller_sim.design.form import SERIAL, USB, Design
from controller_sim.script import Run, ScriptError, parse_script, play, record, report
from controller_sim.script.player import Player
from controller_sim.simulator import Simulator

ENGINES = ["fast", "reference"]


def played(design: Design, text: str, engine: str = "fast") -> Run:
    return play(design, parse_script(text, design, "evening.press"), engine)


def failed_lines(design: Design, text: str, engine: str = "fast") -> list[int]:
    return [failure.line for failure in played(design, text, engine).failures]


@pytest.mark.parametrize("engine", ENGINES)
def test_a_script_that_says_what_the_booth_does_passes(booth: Design, engine: str) -> None:
    text = """
        expect display "act 1" now
        expect mode show
        tap a
        expect message to sampler program_change 1 within 12ms
        expect led a on
        expect display "act 2"
        expect memory act = 1
        +1s double b
        expect clock running
        expect tempo 100
        +1s chord a+c skew 20ms
        expect message to serial FA
        expect message to usb start
        expect mode setup
        expect led a blink
        expect memory cue[1, 2] = 7
        tap b
        expect message to serial note_on 60 100 channel 10 within 42ms
        +100ms hold b for 600ms
        expect display "saved"
        wait 2s
        expect no messages
        power off
        expect display ""
        expect led a off
        +1s power on holding a+e
        expect message to serial start
        expect message to usb start
        expect nothing else
        up a+e
        expect silence for 2s
        tap b
        expect memory act = 1
    """
    run = played(booth, text, engine)
    assert report(run) == "evening.press: passed (33 steps, 8.48s)"


@pytest.mark.parametrize("engine", ENGINES)
def test_play_goes_on_after_a_failure_and_reports_all(booth: Design, engine: str) -> None:
    text = 'expect mode setup\ntap a\nexpect display "act 3"\nexpect message to sampler program_change 2\nexpect memory act = 1'
    assert failed_lines(booth, text, engine) == [1, 3, 4]


def test_a_message_is_used_up_by_the_line_that_names_it(booth: Design) -> None:
    line = "expect message to sampler program_change 1\n"
    assert failed_lines(booth, "tap a\n" + line) == []
    assert failed_lines(booth, "tap a\n" + line + line) == [3]


def test_messages_on_one_port_are_named_in_the_order_in_which_they_left(booth: Design) -> None:
    first, second = "expect message to sampler program_change 1 within 1s\n", "expect message to sampler program_change 2 within 1s\n"
    taps = "tap a\n+100ms tap a\n"
    assert failed_lines(booth, taps + first + second) == []
    assert failed_lines(booth, taps + second + first) == [4]


def test_a_message_from_before_the_present_block_is_not_found(booth: Design) -> None:
    late = "expect message to sampler program_change 1 within 1s"
    assert failed_lines(booth, "tap a\nexpect mode show\nwait 1s\n" + late) == []
    assert failed_lines(booth, "tap a\nexpect mode show\n+1s tap d\n" + late) == [4]


def test_a_window_reaches_to_its_very_end_and_now_is_one_microsecond(booth: Design) -> None:
    assert failed_lines(booth, "tap a\nexpect message to sampler program_change 1 within 12ms") == []
    assert failed_lines(booth, "tap a\nexpect message to sampler program_change 1 within 11.999ms") == [2]
    assert failed_lines(booth, "tap a\n+12ms expect message to sampler program_change 1 now") == []
    assert failed_lines(booth, "tap a\n+11.999ms expect message to sampler program_change 1 now") == [2]
    assert failed_lines(booth, "tap a\n+12.001ms expect message to sampler program_change 1 now") == [2]
    assert failed_lines(booth, 'tap a\nexpect display "act 2" within 12ms') == []
    assert failed_lines(booth, 'tap a\nexpect display "act 2" within 11.999ms') == [2]
    assert failed_lines(booth, 'tap a\n+12ms expect display "act 2" now') == []
    assert failed_lines(booth, 'tap a\n+11.999ms expect display "act 2" now') == [2]


def test_a_line_is_not_spoilt_by_what_the_next_line_does_at_the_same_time(booth: Design) -> None:
    before = "expect led a off now\nexpect no messages\nexpect memory frozen = off now\n"
    assert failed_lines(booth, before + "tap d\nexpect memory frozen = on now") == []
    assert failed_lines(booth, "expect silence for 1s\ntap d\nexpect message to room control_change freeze on") == []
    assert failed_lines(booth, 'expect display "act 1" now\npower off\nexpect display "" now') == []


def test_silence_and_no_messages_fail_when_something_is_sent(booth: Design) -> None:
    assert failed_lines(booth, "tap a\nexpect silence for 1s") == [2]
    assert failed_lines(booth, "tap a\nexpect silence to usb for 1s") == []
    assert failed_lines(booth, "tap d\nexpect no messages") == [2]
    assert failed_lines(booth, "tap d\nexpect no messages to room\nexpect no messages to sampler") == [2]
    assert failed_lines(booth, "tap d\nexpect mode show\n+1s tap e\nexpect no messages") == []


def test_nothing_else_wants_every_message_named_on_all_its_ports(booth: Design) -> None:
    assert failed_lines(booth, "chord a+c\nexpect message to serial start\nexpect nothing else") == [3]
    assert failed_lines(booth, "chord a+c\nexpect message to serial start\nexpect message to usb start\nexpect nothing else") == []


def test_clock_ticks_break_no_silence_but_can_be_named(booth: Design) -> None:
    text = "double b\nexpect no messages\nexpect silence for 1s\nexpect nothing else\nexpect message to serial clock"
    assert failed_lines(booth, text) == []


def test_what_is_down_before_the_contacts_settle_is_a_power_on_gesture(booth: Design) -> None:
    assert failed_lines(booth, "at 0s down a+e\nexpect mode setup") == []
    assert failed_lines(booth, "down a+e\nexpect mode setup") == [2]


def test_a_failure_shows_what_was_expected_beside_what_came(booth: Design) -> None:
    text = 'tap a  # on\n  expect message to sampler program_change 2\nexpect display "act 3" within 20ms'
    assert report(played(booth, text)).splitlines() == [
        "evening.press:2: not met at 160ms",
        "    expect message to sampler program_change 2",
        "    expected                                          |  came",
        "    message to sampler program_change 2 within 100ms  |  172ms  to serial: program change ch 10: 1",
        "evening.press:3: not met at 160ms",
        '    expect display "act 3" within 20ms',
        "    expected                     |  came",
        '    display "act 3" within 20ms  |  160ms  display "act 1"',
        '                                 |  172ms  display "act 2"',
        "evening.press: 2 expectations failed",
    ]


@st.composite
def stamping(draw: st.DrawFn) -> str:
    """Any feet, at any time, with bounce, chords, power cuts."""
    lines = []
    down: set[str] = set()
    time_us = draw(st.sampled_from([0, 1000, 100_000]))
    for _ in range(draw(st.integers(1, 14))):
        kind = draw(st.sampled_from(["turn", "turn", "turn", "turn", "power", "move", "receive"]))
        if kind == "power":
            lines.append(f"at {time_us}us power on")
        elif kind == "move":
            lines.append(f"at {time_us}us move swell {draw(st.integers(0, 1023))}")
        elif kind == "receive":
            lines.append(f"at {time_us}us receive from {draw(st.sampled_from(['serial C9 05', 'serial 06', 'usb C9 05', 'serial F8 C9']))}")
        else:
            name = draw(st.sampled_from("abcde"))
            bounce = draw(st.sampled_from(["", "", " bounce 1.5ms"]))
            lines.append(f"at {time_us}us {'up' if name in down else 'down'} {name}{bounce}")
            down ^= {name}
        time_us += draw(st.sampled_from([2000, 12_000, 20_000, 45_000, 60_000, 300_000, 500_000, 1_000_000, 31_000_000]))
    lines.append(f"at {time_us}us expect mode show")
    return "\n".join(lines)


@settings(max_examples=60)
@given(stamping(), st.sampled_from(ENGINES))
def test_a_recorded_run_passes_when_it_is_played_again(booth: Design, text: str, engine: str) -> None:
    run = played(booth, text, engine)
    again = played(booth, record(run), engine)
    assert again.failures == ()
    assert (again.inputs, again.outputs, again.cells, again.end_us) == (run.inputs, run.outputs, run.cells, run.end_us)


@settings(max_examples=60)
@given(stamping())
def test_both_engines_give_the_same_run(booth: Design, text: str) -> None:
    fast, reference = played(booth, text, "fast"), played(booth, text, "reference")
    assert fast.outputs == reference.outputs
    assert [failure.came for failure in fast.failures] == [failure.came for failure in reference.failures]


@given(stamping(), st.data())
def test_expectations_never_change_a_run(booth: Design, text: str, data: st.DataObject) -> None:
    lines = text.split("\n")
    extra = st.sampled_from(
        ['expect display "x" now', 'expect display "act 1" within 3s', "expect memory act = 3", "expect message to usb start"]
    )
    watched = [line for step in lines for line in (step, " ".join([*step.split()[:2], data.draw(extra)]))]
    plain = played(booth, text)
    with_expectations = played(booth, "\n".join(watched))
    assert with_expectations.inputs == plain.inputs
    # A window may end after the script's last step, so the runs are compared up to there.
    assert tuple(output for output in with_expectations.outputs if output.time_us <= plain.end_us) == plain.outputs


def test_a_sweep_reads_the_pedal_evenly_and_ends_where_it_says(booth: Design) -> None:
    run = played(booth, "move swell 100 to 200 over 10ms every 4ms\n+1s move swell toe to heel over 0s\nmove swell to 7 over 3us every 1us")
    assert [(entry.time_us, unpack(entry.arrived)[0]) for entry in run.inputs] == [
        (time_us, PedalReading(0, value))
        for time_us, value in (
            (100_000, 100),
            (104_000, 140),
            (108_000, 180),
            (110_000, 200),
            (1_110_000, 0),
            (1_110_000, 0),
            (1_110_001, 2),
            (1_110_002, 5),
            (1_110_003, 7),
        )
    ]


def test_bytes_that_come_again_and_again_come_at_both_ends(booth: Design) -> None:
    run = played(booth, "receive from usb clock every 20ms for 60ms\nreceive from serial C9")
    times = [(entry.time_us, unpack(entry.arrived)[0]) for entry in run.inputs]
    assert times == [*((100_000 + 20_000 * n, MidiByte(USB, 0xF8)) for n in range(4)), (160_000, MidiByte(SERIAL, 0xC9))]


def test_a_recording_fails_where_the_run_differs(booth: Design) -> None:
    text = record(played(booth, "tap a\n+1s tap d\n+1s tap a\nwait 1s"))
    assert failed_lines(booth, text) == []
    changed = text.replace("program_change 2", "program_change 3")
    assert len(failed_lines(booth, changed)) == 2
    lines = text.splitlines()
    dropped = [line for line in lines if "program_change 1" not in line]
    assert failed_lines(booth, "\n".join(dropped)) == [1 + next(i for i, line in enumerate(dropped) if "nothing else" in line)]


def test_a_player_can_be_given_a_simulator_of_one_s_own(booth: Design) -> None:
    simulator = Simulator(booth, trace=True)
    run = Player(simulator, parse_script("tap a", booth)).run()
    assert run.outputs == tuple(simulator.outputs)


def test_a_run_that_puts_out_too_much_is_stopped_with_the_reason(booth: Design, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller_sim.script.player.MOST_OUTPUTS", 1000)
    with pytest.raises(ScriptError, match="put out more than 1000 things by "):
        played(booth, "double b\nwait 3600s")
    assert played(booth, "double b\nwait 10s").passed
