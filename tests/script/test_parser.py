import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import controller_sim.script
from controller_sim.design.form import Design
from controller_sim.script import Script, ScriptError, parse_script, play, print_script, print_step
from controller_sim.script.syntax import (
    Bounce,
    Change,
    CutPower,
    ExpectClock,
    ExpectDisplay,
    ExpectLed,
    ExpectMemory,
    ExpectMessage,
    ExpectMode,
    ExpectNoMessages,
    ExpectNothingElse,
    ExpectPedal,
    ExpectRestart,
    ExpectSilence,
    ExpectTempo,
    Jitter,
    Move,
    Pattern,
    PowerOff,
    PowerOn,
    Press,
    Receive,
    Step,
    Sweep,
    Wait,
    When,
)
from controller_sim.script.timeline import lay_out

SWITCHES = st.lists(st.sampled_from("abcde"), min_size=1, max_size=3, unique=True).map(tuple)
DURATIONS = st.one_of(st.integers(1, 2000), st.integers(1, 3000).map(lambda ms: ms * 1000), st.integers(1, 9_000_000))
WITHIN = st.one_of(st.none(), st.integers(0, 3_000_000), st.just(100_000))
BOUNCES = st.one_of(st.none(), st.builds(Bounce, st.integers(3, 9000), st.integers(0, 50)))
WHENS = st.one_of(
    st.none(), st.builds(When, st.integers(0, 500_000), st.just(False)), st.builds(When, st.integers(0, 9_000_000), st.just(True))
)
TO = st.sampled_from(["sampler", "room", "serial", "usb"])
BYTES = st.integers(0, 127)
READINGS = st.integers(0, 1023)
RECEIVED = st.binary(min_size=1, max_size=5)


def with_values(kind: str, *values: st.SearchStrategy[int]) -> st.SearchStrategy[Pattern]:
    return st.tuples(*values).map(lambda drawn: Pattern(kind, drawn))


def expect_messages() -> st.SearchStrategy[ExpectMessage]:
    channel_kinds = st.one_of(
        *(with_values(kind, BYTES, BYTES) for kind in ("control_change", "note_on", "note_off", "polytouch")),
        with_values("note_on", BYTES),
        with_values("program_change", BYTES),
        with_values("pitchwheel", st.integers(-8192, 8191)),
    )
    system_kinds = st.one_of(
        st.sampled_from(["start", "continue_", "stop", "clock", "tune_request"]).map(Pattern),
        st.lists(BYTES, max_size=4).map(lambda values: Pattern("sysex", tuple(values))),
        with_values("songpos", st.integers(0, 16383)),
        st.sampled_from([(0xC9, 5), (0xF0, 0x7D, 1, 0xF7), (0xF8,), (0x90, 1, 2)]).map(lambda values: Pattern("bytes", values)),
    )
    on_port = st.builds(
        lambda to, pattern, channel, within: ExpectMessage(to=to, message=Pattern(pattern.kind, pattern.values, channel), within_us=within),
        st.sampled_from(["serial", "usb"]),
        channel_kinds,
        st.integers(1, 16),
        WITHIN,
    )
    return st.one_of(
        on_port,
        st.builds(ExpectMessage, to=st.sampled_from(["sampler", "room"]), message=channel_kinds, within_us=WITHIN),
        st.builds(ExpectMessage, to=TO, message=system_kinds, within_us=WITHIN),
    )


def expectations() -> st.SearchStrategy[Step]:
    lines = st.lists(st.text(st.characters(exclude_characters="\n", codec="utf-8"), max_size=8), min_size=1, max_size=3).map(tuple)
    return st.one_of(
        expect_messages(),
        st.builds(ExpectNoMessages, to=st.one_of(st.none(), TO)),
        st.builds(ExpectSilence, to=st.one_of(st.none(), TO), duration_us=DURATIONS),
        st.builds(ExpectNothingElse),
        st.builds(ExpectDisplay, lines=lines, within_us=WITHIN),
        st.builds(ExpectLed, led=st.sampled_from(["a", "slot"]), level=st.sampled_from(["off", "on", "blink", "dim"]), within_us=WITHIN),
        st.builds(ExpectMode, mode=st.sampled_from(["show", "setup"]), within_us=WITHIN),
        st.builds(ExpectMemory, cell=st.just("act"), value=st.integers(0, 7), within_us=WITHIN),
        st.builds(
            ExpectMemory,
            cell=st.just("cue"),
            indices=st.tuples(st.integers(0, 7), st.integers(0, 2)),
            value=st.integers(0, 39),
            within_us=WITHIN,
        ),
        st.builds(ExpectRestart, within_us=WITHIN),
        st.builds(ExpectPedal, pedal=st.just("swell"), position=BYTES, within_us=WITHIN),
        st.builds(ExpectTempo, tempo=st.integers(30, 240), within_us=WITHIN),
        st.builds(ExpectClock, running=st.booleans(), within_us=WITHIN),
    )


def actions() -> st.SearchStrategy[Step]:
    gaps = st.one_of(st.none(), DURATIONS)
    single = st.builds(Press, switches=st.sampled_from("abcde").map(lambda name: (name,)), length_us=DURATIONS, gap_us=gaps, bounce=BOUNCES)
    several = st.builds(
        Press, switches=SWITCHES.filter(lambda names: len(names) > 1), length_us=DURATIONS, skew_us=DURATIONS, gap_us=gaps, bounce=BOUNCES
    )
    return st.one_of(
        single,
        several,
        st.builds(Change, switches=SWITCHES, down=st.booleans(), bounce=BOUNCES),
        st.builds(Move, pedal=st.just("swell"), to=READINGS),
        st.builds(
            Sweep,
            pedal=st.just("swell"),
            start=st.one_of(st.none(), READINGS),
            to=READINGS,
            duration_us=st.integers(0, 3_000_000),
            every_us=st.sampled_from([5_000, 20_000, 700]),
            jitter=st.one_of(st.none(), st.builds(Jitter, st.integers(1, 50), st.integers(0, 50))),
        ),
        st.builds(Receive, port=st.sampled_from(["serial", "usb"]), data=RECEIVED),
        st.builds(
            Receive, port=st.just("usb"), data=RECEIVED, every_us=st.integers(1000, 90_000), duration_us=st.sampled_from([0, 1000, 480_000])
        ),
        st.builds(Wait, duration_us=DURATIONS),
        st.builds(PowerOff),
        st.builds(CutPower, byte=st.integers(1, 400), leaving=st.one_of(st.none(), st.integers(0, 255))),
        st.builds(PowerOn, holding=st.one_of(st.just(()), SWITCHES)),
    )


def timed(step: Step, when: When | None) -> Step:
    fields = {name: getattr(step, name) for name in type(step).__dataclass_fields__}
    return type(step)(**{**fields, "when": when})


def playable(design: Design, candidates: list[Step]) -> Script:
    """Those of the candidates, in order, that feet can do after the ones before."""
    steps: tuple[Step, ...] = ()
    for candidate in candidates:
        try:
            lay_out(Script((*steps, candidate)), design)
        except ScriptError:
            continue
        steps = (*steps, candidate)
    return Script(steps)


CANDIDATES = st.lists(st.builds(timed, st.one_of(actions(), expectations()), WHENS), max_size=12)


@given(CANDIDATES)
def test_parsing_undoes_printing(booth: Design, candidates: list[Step]) -> None:
    script = playable(booth, candidates)
    assert parse_script(print_script(script), booth) == script


@given(CANDIDATES)
def test_printing_a_parsed_script_again_changes_nothing(booth: Design, candidates: list[Step]) -> None:
    text = print_script(playable(booth, candidates))
    assert print_script(parse_script(text, booth)) == text


@given(CANDIDATES, st.data())
def test_a_damaged_script_is_parsed_or_refused_at_a_place_inside_it(booth: Design, candidates: list[Step], data: st.DataObject) -> None:
    text = print_script(playable(booth, candidates))
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 5)))
    damaged = text[:start] + data.draw(st.text(max_size=4)) + text[end:]
    try:
        parse_script(damaged, booth)
    except ScriptError as error:
        lines = damaged.split("\n")
        assert 1 <= error.line <= len(lines)
        assert 1 <= error.column <= len(lines[error.line - 1]) + 1
        assert str(error).startswith(f"<script>:{error.line}:{error.column}: ")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("tapp a", "1:1: 'tapp' does not fit here; did you mean 'tap'?"),
        ("tapa", "1:1: 'tapa' does not fit here; did you mean 'tap'?"),
        ("tap", "1:4: something is missing here; expected a name"),
        ("tap f", "1:5: there is no switch 'f'; there is a, b, c, d, e"),
        ("tap a for 80", "1:11: '80' does not fit here; expected a duration such as 60ms"),
        ("tap a+a", "1:7: switch 'a' is named twice"),
        ("chord a", "1:7: a chord has two switches or more, such as `chord a+c`"),
        ("tap a skew 3ms", "1:1: `skew` needs two switches or more, such as `a+c`"),
        ("tap a bounce 70ms", "1:1: switch 'a' bounces until 170ms, and changes again at 160ms"),
        ("tap a bounce 2us", "1:14: bounce lasts at least 3us"),
        ("down a\n  down a", "2:3: switch 'a' is down already"),
        ("up a", "1:1: switch 'a' is up already"),
        ("tap a\ntap a", "2:1: switch 'a' changes at 160ms already; leave it some time, as in `+200ms tap a`"),
        ("at 1s tap a\nat 1.02s tap b", "2:1: 1.02s lies before 1.06s, where the step before ends"),
        ("move swel 5", "1:6: there is no pedal 'swel'; did you mean 'swell'?"),
        ("move swell 1024", "1:12: swell reads 0..1023; it never reads 1024"),
        ("move swell heel to tow over 1s", "1:20: there is no end of a pedal 'tow'; did you mean 'toe'?"),
        ("move swell to toe", "1:18: something is missing here; expected `over`"),
        ("move swell to toe over 1s every 0s", "1:1: a pedal is read every 1us at most"),
        ("move swell to toe over 1s jitter 0", "1:34: jitter is 1..65535"),
        ("receive from sampler program_change", "1:22: program_change takes one number, not 0"),
        ("receive from usb note_on 60 channel 1", "1:18: what arrives has all its numbers"),
        ("receive from nobody C9 05", "1:14: there is no device or port 'nobody'; there is sampler, room, serial, usb"),
        ("receive from usb clock every 0s for 1s", "1:1: bytes come every 1us at most"),
        ("wait 0.1us", "1:6: 0.1us is no whole number of microseconds"),
        ("wait 90000s", "1:1: a script lasts at most 24 hours, and this goes beyond"),
        ("cut power at byte 0", "1:19: the bytes of a save count from 1"),
        ("cut power at byte 3 leaving 5", "1:29: '5' does not fit here; expected two hexadecimal digits"),
        ("cut power after 5", "1:17: '5' does not fit here; expected a duration such as 60ms"),
        ("power off\npower off", "2:1: the power is off already"),
        ("format 2\ntap a", "1:8: this is format 2; this player reads format 1"),
        ("expect mesage to sampler clock", "1:8: 'mesage' does not fit here; did you mean 'message'?"),
        ("expect message to samplr clock", "1:19: there is no device or port 'samplr'; did you mean 'sampler'?"),
        ("expect message to room control_change freez on", "1:39: there is no controller of room 'freez'; did you mean 'freeze'?"),
        ("expect message to room control_change wet on", "1:43: wet has no 'on'; give a number"),
        ("expect message to serial C9 05 06", "1:26: program_change has 2 bytes, not 3: C9 05 06"),
        ("expect message to usb note_on 60", "1:23: note_on to a port needs its channel, such as `channel 1`"),
        ("expect message to sampler note_on 60 channel 1", "1:27: the device has its own channel, 10; leave out `channel 1`"),
        ("expect message to sampler note_on 128", "1:27: 128 is not in 0..127"),
        ('expect display "act', '1:16: the text is not closed: "act'),
        ('expect display "a\\nb"', '1:16: each line of the display is a text of its own: "one" / "two"'),
        ("expect led a bright", "1:14: LED a shows off, on, blink or dim, not 'bright'"),
        ("expect mode shw", "1:13: there is no mode 'shw'; did you mean 'show'?"),
        ("expect memory cue[1, 3] = 5", "1:18: index 3 of cue is not in 0..2"),
        ("expect memory cue = 5", "1:15: cue takes two indices, not 0"),
        ("expect memory act = 8", "1:21: act is in 0..7; it is never 8"),
        ("expect memory frozen = onn", "1:24: there is no value of frozen 'onn'; did you mean 'on'?"),
        ("expect pedal swell = 128", "1:22: swell gives 0..127; it never stands at 128"),
        ("expect pedal act = 3", "1:14: there is no pedal 'act'; there is swell"),
        ("expect tempo 300", "1:14: the tempo is in 30..240; it is never 300"),
    ],
)
def test_an_error_names_the_place_and_what_would_be_right(booth: Design, text: str, message: str) -> None:
    with pytest.raises(ScriptError) as caught:
        parse_script(text, booth, "evening.press")
    assert str(caught.value).split("\n")[0] == f"evening.press:{message}"


def test_an_error_shows_the_line_with_a_caret_under_the_place(booth: Design) -> None:
    with pytest.raises(ScriptError) as caught:
        parse_script("tap a\n\twait 1s tap", booth)
    assert str(caught.value).split("\n")[1:] == ["    \twait 1s tap", "    \t        ^"]


def test_words_of_the_format_may_be_names_too() -> None:
    names = ("tap", "within", "now", "power")
    design = booth_with_switches(names)
    script = parse_script("down tap+within\n+1ms up within\nup tap\ntap now for 5ms", design)
    assert [print_step(step) for step in script.steps] == ["down tap+within", "+1ms up within", "up tap", "tap now for 5ms"]


def booth_with_switches(names: tuple[str, ...]) -> Design:
    from dataclasses import replace

    from controller_sim.design.form import Debounce, Mode, Place, Repeat, Tempo, Timing

    timing = Timing(Debounce("lockout", 1), Debounce("settle", 1), 1, 1, 1, Repeat(1, (), 1))
    bare = Design("t", "t.yaml", (), (), 1, 0, timing, Tempo(), False, 1, (), (), (), (), (), (Mode("m", Place("t", 1, 1), ()),), 0)
    return replace(bare, switches=names)


def document_blocks() -> list[str]:
    text = (Path(controller_sim.script.__file__).parent / "press.md").read_text(encoding="utf-8")
    return ["\n".join(line[4:] for line in block.splitlines()) for block in re.findall(r"(?:^    .*\n|^\n(?=    ))+", text, re.MULTILINE)]


def test_the_document_s_evening_plays_to_its_end(booth: Design) -> None:
    evening = document_blocks()[-1]
    run = play(booth, parse_script(evening.replace("expect mode setup", "expect mode show"), booth))
    assert run.failures == ()


def test_every_line_of_the_document_is_a_step(booth: Design) -> None:
    lines = [line for block in document_blocks() for line in block.splitlines()]
    steps = [line for line in lines if re.match(r"(format|down|up|tap|hold|chord|double|wait|move|receive|power|cut|expect|at|\+)", line)]
    assert len(steps) > 50
    for line in steps:
        try:
            parse_script(line, booth)
        except ScriptError as error:
            assert error.message.endswith("is up already"), error
