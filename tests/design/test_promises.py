"""`promises` of a design: what loads, what it becomes, and the whole error of what does not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import Design, DesignError, load_design_text
from controller_sim.design.form import SERIAL, Event, Gestured, Moved, Promise, Received, Sent, Started, Turned
from controller_sim.design.program import Compare, Constant, Lit, Local, Reading
from controller_sim.design.promises import EVENTS

HEAD = """switches: [a, b, c]
leds: [a, lamp]
colours: {lamp: [red, amber]}
pedals: {swell: {}}
devices:
  pads: {channel: 2, programs: 0..7, notes: 36..60, controllers: {damp: {number: 80, on: 127}, level: {number: 7, bits: 14}}}
memory: {n: {range: 0..7, ends: wrap}, row: {range: 0..3, size: 4}, armed: {names: ["off", "on"]}}
modes:
  show:
    on:
      press a..b: n += 1
      hold a 3s: enter(set_up)
      tap a+b: armed = on
      move swell: pass
      received note_on(pads, 40): pass
  set_up:
    on: {press c: enter(show)}
promises:
"""


def design_with(promise: str, name: str = "p") -> Design:
    return load_design_text(f"{HEAD}  {name}: {{{promise}}}\n")


def promise_of(text: str) -> Promise:
    (promise,) = design_with(text).promises
    return promise


def error_of(promise: str) -> str:
    with pytest.raises(DesignError) as caught:
        design_with(promise)
    return str(caught.value).split("\n")[0]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("press a", Gestured("press", (0,))),
        ("press a..b", Gestured("press", (0, 1))),
        ("hold a 3s", Gestured("hold", (0,), 3_000_000)),
        ("tap a+b", Gestured("tap", (3,))),
        ("sent note_on(pads, 40)", Sent(Received(0x91, SERIAL, ((40, 40), (0, 127))))),
        ("sent control_change(pads, damp, on)", Sent(Received(0xB1, SERIAL, ((80, 80), (127, 127))))),
        ("sent clock", Sent(Received(0xF8, 3))),
        ("received note_on(pads)", Received(0x91, SERIAL, ((36, 60), (0, 127)))),
        ("move swell", Moved(0)),
        ("enter set_up", Turned(1, True)),
        ("leave show", Turned(0, False)),
        ("power_on", Started(False)),
        ("restart", Started(True)),
    ],
)
def test_every_event_can_stand_in_every_part_that_takes_one(text: str, what: object) -> None:
    for promise in (
        f'never: "{text}"',
        f'after: "{text}", comes: n == 1, within: 5ms',
        f'after: power_on, comes: "{text}", until: "{text}"',
    ):
        found = promise_of(promise)
        events = [part for part in (found.what, found.after, found.until) if isinstance(part, Event)]
        assert what in [event.what for event in events]


def test_the_mode_and_leds_can_be_asked_for_and_an_led_beside_its_colours() -> None:
    assert promise_of("always: mode == set_up").what == Compare(0, 1, "==", Reading(0, 1, "mode"), Constant(1, 1))
    assert promise_of("always: led(lamp) == blink(amber)").what == Compare(0, 1, "==", Lit(0, 7, 1), Constant(6, 6))
    assert promise_of("always: amber == led(lamp)").what == Compare(0, 1, "==", Constant(5, 5), Lit(0, 7, 1))
    assert promise_of("never: led(a) == dim").what == Compare(0, 1, "==", Lit(0, 3, 0), Constant(3, 3))


def test_a_name_that_after_gives_means_its_value_in_the_other_parts() -> None:
    promise = promise_of('after: "sent note_on(pads, k)", comes: "sent note_off(pads, k)", within: 2s')
    assert (promise.named, promise.within_us) == (1, 2_000_000)
    assert isinstance(promise.what, Event)
    assert promise.what.condition == Compare(0, 1, "==", Local(36, 60, 1), Local(36, 60, 0))
    again = promise_of("after: press a..b, never: press switch, within: 5ms").what
    assert isinstance(again, Event)
    assert again.what == Gestured("press", (0, 1))
    assert again.condition == Compare(0, 1, "==", Local(0, 1, 2), Local(0, 1, 0))


def test_what_is_known_narrows_what_is_read() -> None:
    assert promise_of('always: "row[n] > 0", while: n < 4')
    assert promise_of('never: "press a..b when n < 4 and row[n] > 0"')
    assert promise_of('after: press a..b, comes: "row[switch] == position", within: 1s')


@pytest.mark.parametrize(
    ("promise", "message"),
    [
        ('always: "row[n] > 0"', "19:20: index n is 0..7, but row accepts 0..3: narrow it, for example with 'if n <= 3:'"),
        ("always: m > 0", "19:15: unknown name 'm'"),
        ("always: mode == set_upp", "19:23: unknown name 'set_upp'; did you mean 'set_up'?"),
        ("always: led(lmp) == red", "19:19: there is no LED 'lmp'; did you mean 'lamp'?"),
        ("always: led(a) == red", "19:25: the LED a has no colour red; it has none: declare them under 'colours'"),
        ("always: n == red", "19:20: red is a colour, and only the value of an LED has one"),
        ("always: changed()", "19:15: 'changed' has no place in a promise: it speaks of the draft of one mode"),
        ("always: n > 7", "19:15: this is never so"),
        ("never: n <= 7", "19:14: this is always so"),
        ("always: n, while: n > 7", "19:25: this condition is never true"),
        ("always: press a", "19:15: 'press a' happens at an instant and is not so all the time: 'always' takes a condition"),
        ("never: tap a", "19:14: no mode binds 'tap a', so it never happens; bound on a: hold 3000ms, press"),
        ("never: hold a", "19:14: no mode binds 'hold a 500ms', so it never happens; bound on a: hold 3000ms, press"),
        ("never: press a..c, until: press a", "19:26: 'until' needs an 'after'"),
        ("never: press a eager", "19:22: a promise does not ask how a press is bound: leave 'eager' out"),
        ("never: pres a", "19:14: 'pres a' is neither a condition nor an event"),
        ("never: press x", "19:20: there is no switch 'x'"),
        ("never: press switch", "19:20: 'switch' has no meaning here: 'after' has no single switch or group"),
        ("never: enter sho", "19:20: there is no mode 'sho'; did you mean 'show'?"),
        ("never: leave", "19:14: unknown name 'leave'"),
        ('never: "sent note_on(pods)"', "19:28: there is no device 'pods'; did you mean 'pads'?"),
        ('never: "sent note_on()"', "19:20: to whom? Write a device or a channel, for example 'note_on(channel 1)'"),
        ('never: "sent noteon(pads)"', "19:20: 'noteon' is no message that can be bound"),
        ('never: "received note_on(pads, 41)"', "19:15: no mode binds such a message, or a part of these, so it never happens"),
        ('never: "received note_on(pads, k)"', "19:15: of what is received a promise names no values: write numbers or ranges"),
        ("never: press a when", "19:22: a condition is missing after 'when'"),
        ("never: press a when n > 9", "19:27: this condition is never true"),
        ("never: press a when k == 1", "19:27: unknown name 'k'"),
        ("after: press a, comes: n", "19:23: until when must it have come? Add 'within', for example 'within: 50ms', or 'until'"),
        ("comes: n, within: 5ms", "19:17: 'within' needs an 'after'"),
        ("comes: n", "19:3: what 'comes' comes after something: add 'after'"),
        ("while: n, after: press a, never: n == 2", "19:7: a promise has 'while' or 'after', not both"),
        ("after: press a, never: n == 2, within: 5", "19:46: '5' is no duration: write for example 5ms, 1.5s or 250us"),
        ("always: n, never: n", "19:18: a promise has one of always, never and comes, not always and never"),
        ("while: n", "19:3: a promise has one of always, never and comes, not none of them"),
        ("allways: n", "19:7: the promise 'p' has no key 'allways'; did you mean 'always'?"),
    ],
)
def test_what_is_wrong_is_refused_with_its_place_and_what_would_be_right(promise: str, message: str) -> None:
    assert error_of(promise).startswith(f"design:{message}")


@given(st.text(st.sampled_from("abn()=<>.,+ 0123456789:\"'") | st.characters(max_codepoint=0x7F), max_size=40), st.sampled_from(EVENTS))
def test_any_text_loads_or_is_an_error_with_a_place(text: str, event: str) -> None:
    for whole in (text, f"{event} {text}"):
        quoted = whole.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        try:
            design_with(f'after: "{quoted}", never: "{quoted}"')
        except DesignError as error:
            assert error.place.line >= 19


def test_a_design_without_promises_is_what_it_was() -> None:
    assert load_design_text(HEAD.removesuffix("promises:\n")).promises == ()
