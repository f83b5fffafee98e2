"""`received` bindings, `thru` and `follow`: what loads, and the whole error of what does not."""

from __future__ import annotations

import pytest

from controller_sim.core.kinds import ALL_KINDS, CHANNEL_KINDS, kind_of
from controller_sim.design import Design, DesignError, load_design_text
from controller_sim.design.form import SERIAL, USB, Received, Thru

HEAD = """switches: [a]
devices:
  organ:
    channel: 1
    port: [serial, usb]
    programs: 0..7
    notes: 36..60
    controllers: {damp: {number: 80, on: 127}, wet: 91, level: {number: 7, bits: 14}}
memory: {n: {range: 0..39, ends: clamp}}
procedures: {'recall(k in 0..39)': n = k}
modes:
  m:
    on:
"""
BOTH = SERIAL | USB


def design_with(key: str, action: str = "pass") -> Design:
    return load_design_text(f"{HEAD}      {key}: {action}\n")


@pytest.mark.parametrize(
    ("key", "cause"),
    [
        ("received program_change(organ, n0)", Received(0xC0, BOTH, ((0, 7), (0, 127)))),
        ("received program_change(organ)", Received(0xC0, BOTH, ((0, 7), (0, 127)))),
        ("received program_change(channel 16, 5)", Received(0xCF, BOTH, ((5, 5), (0, 127)))),
        ("received note_on(organ, k in 40..44, 1..64)", Received(0x90, BOTH, ((40, 44), (1, 64)))),
        ("received note_off(organ)", Received(0x80, BOTH, ((36, 60), (0, 127)))),
        ("received control_change(organ, wet, v)", Received(0xB0, BOTH, ((91, 91), (0, 127)))),
        ("received control_change(organ, damp, on)", Received(0xB0, BOTH, ((80, 80), (127, 127)))),
        ("received control_change(organ, 7, v)", Received(0xB0, BOTH, ((7, 7), (0, 127)))),
        ("received control_change(channel 2, number, v)", Received(0xB1, BOTH, ((0, 127), (0, 127)))),
        ("received control_change(organ, level, v)", Received(0xB0, BOTH, ((7, 7), (0, 16383)), 14)),
        ("received control_change(organ, level, 100..16383)", Received(0xB0, BOTH, ((7, 7), (100, 16383)), 14)),
        ("received sysex(125, 0..3, k in 0..39)", Received(0xF0, BOTH, ((125, 125), (0, 3), (0, 39)))),
        ("received sysex(usb, 125)", Received(0xF0, USB, ((125, 125),))),
        ("received sysex", Received(0xF0, BOTH, ())),
        ("received pitchwheel(organ, bend)", Received(0xE0, BOTH)),
        ("received aftertouch(organ, 0..9)", Received(0xD0, BOTH, ((0, 9), (0, 127)))),
        ("received songpos(usb, beats)", Received(0xF2, USB)),
        ("received song_select(s in 1..3)", Received(0xF3, BOTH, ((1, 3), (0, 127)))),
        ("received start", Received(0xFA, BOTH)),
        ("received continue_()", Received(0xFB, BOTH)),
        ("received stop(serial)", Received(0xFC, SERIAL)),
        ("received clock", Received(0xF8, BOTH)),
    ],
)
def test_a_message_is_named_as_in_actions(key: str, cause: Received) -> None:
    assert [response.cause for response in design_with(key).responses] == [cause]


@pytest.mark.parametrize(
    ("key", "action"),
    [
        ("received program_change(organ, p)", "recall(p)"),
        ("received program_change(channel 2, p in 0..39)", "recall(p)"),
        ("received pitchwheel(organ, bend)", "recall(abs(bend) // 256)"),
        ("received note_on(organ, k, v)", "recall((k - 36) // 2)"),
        ("received control_change(organ, wet, v)", "n = v"),
        ("received control_change(organ, level, v)", "recall(v * 39 // 16383)"),
        ("received sysex(125, upper in 0..1, lower)", "recall((upper * 128 + lower) // 7)"),
        ("received start", "tap_tempo()"),
    ],
)
def test_what_is_known_of_a_named_value_proves_its_use(key: str, action: str) -> None:
    assert len(design_with(key, f"'{action}'").responses) == 1


REFUSED = {
    "no kind": ("received programchange(organ)", "10: 'programchange' is no message that can be bound: write "),
    "not read": ("received start)", "1: 'received start)' is no message: write for example 'received program_change(sampler, n)' or"),
    "from whom": ("received note_on", "10: from whom? Write a device or a channel, for example 'note_on(channel 1)'"),
    "no device": ("received note_on(orgn)", "18: there is no device 'orgn'; did you mean 'organ'?"),
    "no channel": ("received note_on(channel 17)", "18: channel 17 is not in 1..16"),
    "too many": ("received aftertouch(organ, 1, 2)", "31: aftertouch has 1 value to be named"),
    "no values": ("received start(usb, 3)", "21: start has no values to be named"),
    "no controller": ("received control_change(organ, wett)", "32: organ has no controller 'wett'; did you mean 'wet'?"),
    "over 14 bits": ("received control_change(organ, level, 16384)", "39: 16384 is not in 0..16383"),
    "too many of a sysex": (f"received sysex({', '.join('1' * 17)})", "64: sysex has 16 values to be named"),
    "sysex over 127": ("received sysex(125, 128)", "21: 128 is not in 0..127"),
    "sysex from a device": ("received sysex(organ, 125)", "16: the name 'organ' is taken"),
    "no off": ("received control_change(organ, damp, off)", "38: damp has no 'off'"),
    "over 127": ("received note_on(organ, 128)", "25: 128 is not in 0..127"),
    "outside the device's": ("received program_change(organ, p in 0..8)", "37: the range 0..8 leaves 0..7"),
    "no value": ("received note_on(organ, k in)", "25: 'k in' is no value: write a number, a range such as 0..7, or a name for it"),
    "wide range": ("received pitchwheel(organ, 5)", "28: the value of pitchwheel can only be given a name"),
    "name taken": ("received note_on(organ, n)", "25: the name 'n' is taken"),
    "word": ("received note_on(organ, tempo)", "25: 'tempo' is a word of the language and cannot name a parameter"),
    "twice": ("received note_on(organ, k, k)", "28: the parameter 'k' stands here twice"),
    "condition on a named value": ("received note_on(organ, k) when k > 40", "33: unknown name 'k'"),
}


@pytest.mark.parametrize(("key", "message"), REFUSED.values(), ids=REFUSED)
def test_what_is_wrong_with_a_message_is_refused_with_its_place(key: str, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        design_with(key)
    column, _, rest = message.partition(":")
    assert str(caught.value).split("\n")[0].startswith(f"design:14:{int(column) + 6}:{rest}")


@pytest.mark.parametrize(
    ("first", "second", "refused"),
    [
        ("received note_on(organ)", "received note_on(organ, 40)", True),
        ("received note_on(organ, 40)", "received note_on(organ)", False),
        ("received note_on(channel 1)", "received note_on(organ)", True),
        ("received start", "received start(usb)", True),
        ("received start(usb)", "received start", False),
        ("received start when n > 3", "received start when n > 3 ", True),
        ("received start when n > 3", "received start", False),
        ("received start", "received stop", False),
        ("received sysex(125)", "received sysex(125, 1)", True),
        ("received sysex(125, 1)", "received sysex(125)", False),
        ("received sysex", "received sysex(usb, 1)", True),
        ("received control_change(organ, level)", "received control_change(organ, level, 5)", True),
        ("received control_change(organ, 7)", "received control_change(organ, level)", False),
        ("received control_change(organ, level)", "received control_change(organ, 7)", False),
    ],
)
def test_a_message_that_an_earlier_binding_always_takes_is_refused(first: str, second: str, refused: bool) -> None:
    text = f"{HEAD}      {first}: pass\n      ? '{second}'\n      : pass\n"
    if not refused:
        assert len(load_design_text(text).responses) == 2
        return
    with pytest.raises(DesignError) as caught:
        load_design_text(text)
    assert caught.value.message.startswith("this can never happen: it is bound before, ")


@pytest.mark.parametrize(
    ("thru", "expected"),
    [
        ("{serial: usb}", (Thru(SERIAL, USB, ALL_KINDS),)),
        ("{serial: [serial, usb]}", (Thru(SERIAL, BOTH, ALL_KINDS),)),
        ("{usb: {to: serial}}", (Thru(USB, SERIAL, ALL_KINDS),)),
        ("{usb: {to: serial, only: [channel, clock]}}", (Thru(USB, SERIAL, CHANNEL_KINDS | 1 << kind_of(0xF8)),)),
    ],
)
def test_what_goes_on_is_as_declared(thru: str, expected: tuple[Thru, ...]) -> None:
    assert load_design_text(f"switches: [a]\nwire: {{thru: {thru}}}\nmodes: {{m: {{}}}}\n").thru == expected


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("wire: {thru: {din: usb}}", "design:2:15: thru has no key 'din': write serial, usb"),
        ("wire: {thru: {usb: {only: [clock]}}}", "design:2:20: where does it go on to? Write for example {to: usb, only: [channel]}"),
        ("wire: {thru: {usb: {to: serial, only: [chanel]}}}", "design:2:40: only is channel or real_time or sysex or "),
        ("wire: {thru: {usb: {to: serial, only: [channel, note_on]}}}", "design:2:49: this goes on already"),
        ("wire: {thru: {usb: {to: serial, only: []}}}", "design:2:39: 'only' lists nothing, so nothing goes on"),
        ("wire: {echo: 20s}", "design:2:14: echo is at most 10s"),
        ("wire: {echo: 900us}", "design:2:14: '900us' is too short: at least 1ms"),
        ("tempo: {follow: midi}", "design:2:17: follow is serial or usb, not 'midi'"),
    ],
)
def test_what_is_wrong_with_thru_or_follow_is_refused(line: str, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        load_design_text(f"switches: [a]\n{line}\nmodes: {{m: {{}}}}\n")
    assert str(caught.value).split("\n")[0].startswith(message)


@pytest.mark.parametrize(
    ("thru", "clock", "action", "refused"),
    [
        ("{serial: usb}", "usb", "clock_toggle()", True),
        ("{serial: {to: [serial, usb], only: [real_time]}}", "serial", "clock_start()", True),
        ("{serial: {to: usb, only: [channel]}}", "usb", "clock_start()", False),
        ("{serial: usb}", "serial", "clock_start()", False),
        ("{serial: usb}", "usb", "clock_stop()", False),
    ],
)
def test_a_port_gets_one_clock_at_most(thru: str, clock: str, action: str, refused: bool) -> None:
    text = f"switches: [a]\ntempo: {{clock: {clock}}}\nwire: {{thru: {thru}}}\nmodes: {{m: {{on: {{tap a: {action}}}}}}}\n"
    if not refused:
        assert load_design_text(text).thru
        return
    with pytest.raises(DesignError, match=f"{clock} would get two clocks, our own and the one from serial"):
        load_design_text(text)


def test_the_port_that_is_followed_is_remembered() -> None:
    assert load_design_text("switches: [a]\ntempo: {follow: usb}\nmodes: {m: {}}\n").tempo.follow == USB
