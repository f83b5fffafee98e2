"""`promises` of a design: what loads, what it becomes, and the whole error of what does not."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import Design, DesignError, load_design_text
from controller_sim.design.form import SERIAL, Event, Gestured, Moved, Promise, Received, Sent, Started, Trigger, Turned
from controller_sim.design.program import (
    CellValue,
    Changed,
    Choice,
    Compare,
    Constant,
    Field,
    Lit,
    Local,
    Logic,
    Reading,
    Shows,
    Text,
    Unary,
    Was,
)
from controller_sim.design.promises import EVENTS

HEAD = """switches: [a, b, c]
leds: [a, lamp, b]
colours: {lamp: [red, amber], b: [red]}
display: {characters: 8, lines: 2}
pedals: {swell: {}}
devices:
  pads: {channel: 2, programs: 0..7, notes: 36..60, controllers: {damp: {number: 80, on: 127}, level: {number: 7, bits: 14}}}
memory: {n: {range: 0..7, ends: wrap, texts: {0: none}}, row: {range: 0..3, size: 4}, armed: {names: ["off", "on"]}}
modes:
  show:
    on:
      press a..b: n += 1
      hold a 3s: enter(set_up)
      tap a+b: armed = on
      move swell: pass
      received note_on(pads, 40): pass
      received control_change(pads, level, v): pass
  set_up:
    draft: [n]
    form: [{label: n, cell: n}]
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
        ("sent control_change(pads, level, 0..8191)", Sent(Received(0xB1, SERIAL, ((7, 7), (0, 8191)), 14))),
        ("sent clock", Sent(Received(0xF8, 3))),
        ("received note_on(pads)", Received(0x91, SERIAL, ((36, 60), (0, 127)))),
        ("received note_on(pads, 40, 1..9)", Received(0x91, SERIAL, ((40, 40), (1, 9)))),
        ("received control_change(pads, level)", Received(0xB1, SERIAL, ((7, 7), (0, 16383)), 14)),
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
        events = [part for part in (*found.what, *found.after, *found.until) if isinstance(part, Event)]
        assert what in [event.what for event in events]


def condition_of(text: str) -> Trigger:
    (condition,) = promise_of(f"always: '{text}'").what
    return condition


def test_the_mode_and_leds_can_be_asked_for_and_an_led_beside_its_colours() -> None:
    assert condition_of("mode == set_up") == Compare(0, 1, "==", Reading(0, 1, "mode"), Constant(1, 1))
    assert condition_of("led(lamp) == blink(amber)") == Compare(0, 1, "==", Lit(0, 7, 1), Constant(6, 6))
    assert condition_of("amber == led(lamp)") == Compare(0, 1, "==", Constant(5, 5), Lit(0, 7, 1))
    assert condition_of("led(a) != dim") == Compare(0, 1, "!=", Lit(0, 3, 0), Constant(3, 3))
    assert condition_of("led(lamp) == was(led(lamp)) and notice_shown")


def test_what_is_known_of_one_led_says_nothing_of_another() -> None:
    assert promise_of("never: led(lamp) == on and led(b) == off").what != (Constant(0, 0),)


def test_an_led_can_be_named_by_a_number_or_by_the_switch_of_its_name() -> None:
    a, lamp, b = Lit(0, 3, 0), Lit(0, 7, 1), Lit(0, 3, 2)
    by_number = Choice(0, 7, Compare(0, 1, "==", armed := CellValue(0, 1, 2, None), Constant(0, 0)), a, lamp)
    assert condition_of("led(armed) == on") == Compare(0, 1, "==", by_number, Constant(1, 1))
    assert armed.cell == 2
    by_switch = Choice(0, 3, Compare(0, 1, "==", Local(0, 1, 0), Constant(0, 0)), a, b)
    assert promise_of("after: press a..b, comes: led(switch) == on, within: 1s").what == (Compare(0, 1, "==", by_switch, Constant(1, 1)),)
    assert promise_of("always: led(1 + armed) == red")


def test_the_display_can_be_compared_with_texts_as_designs_have_them() -> None:
    n = CellValue(0, 7, 0, None)
    none, number = Shows(0, 1, 0, Text(("n ", "none")), False), Shows(0, 1, 0, Text(("n ", Field(replace(n, low=1)))), False)
    assert condition_of('display[0] == "n {n}"') == Choice(0, 1, Compare(0, 1, "==", n, Constant(0, 0)), none, number)
    assert condition_of('"ab" in display') == Shows(0, 1, None, Text(("ab",)), True)
    assert condition_of('"{armed}" not in display[1]') == Unary(
        0, 1, "not", Shows(0, 1, 1, Text((Field(CellValue(0, 1, 2, None), names=("off", "on")),)), True)
    )
    assert condition_of('was(display[1] == "b")') == Was(0, 1, Shows(0, 1, 1, Text(("b",)), False))


def test_a_field_at_hand_that_has_changed_is_that_of_whichever_form_this_is() -> None:
    here = Compare(0, 1, "==", Reading(0, 1, "mode"), Constant(1, 1))
    assert condition_of("changed(field)") == Logic(0, 1, "and", here, Changed(0, 1, 0, None))
    assert condition_of("changed()") == Changed(0, 1, None, None)
    assert condition_of("changed(n)") == Changed(0, 1, 0, None)


def test_what_is_known_of_now_says_nothing_of_how_it_was() -> None:
    assert promise_of("always: was(n) <= 7 and was(n) > 3, while: n < 4").what != (Constant(0, 0),)
    assert error_of('always: "row[was(n)] > 0", while: n < 4').startswith("design:23:20: index was(n) is 0..7")


def test_a_name_that_after_gives_means_its_value_in_the_other_parts() -> None:
    promise = promise_of('after: "sent note_on(pads, k)", comes: "sent note_off(pads, k)", within: 2s')
    assert (promise.named, promise.within_us) == (1, 2_000_000)
    (what,) = promise.what
    assert isinstance(what, Event)
    assert what.condition == Compare(0, 1, "==", Local(36, 60, 1), Local(36, 60, 0))
    (again,) = promise_of("after: press a..b, never: press switch, within: 5ms").what
    assert isinstance(again, Event)
    assert again.what == Gestured("press", (0, 1))
    assert again.condition == Compare(0, 1, "==", Local(0, 1, 2), Local(0, 1, 0))
    (received,) = promise_of('after: "received control_change(pads, level, v)", comes: swell == v, within: 1ms').after
    assert isinstance(received, Event)
    assert received.values == (Local(0, 16383, 1),)


def test_of_a_list_any_counts_and_names_that_each_gives_are_first() -> None:
    promise = promise_of("after: [press b, press a..b, sent clock], comes: [n == 2, leave show], until: [restart, sent stop]")
    assert [len(part) for part in (promise.after, promise.what, promise.until)] == [3, 2, 2]
    assert promise.named == 0
    both = promise_of("after: ['sent note_on(pads, k, v)', 'received note_on(pads, 40, v)'], comes: n == v, within: 1ms")
    assert both.named == 1
    first, second = both.after
    assert isinstance(first, Event)
    assert isinstance(second, Event)
    assert (first.values, second.values) == ((Local(0, 127, 1), Local(36, 60, 0)), (Local(0, 127, 1),))
    named = promise_of("after: [press a, press b], never: press switch, within: 5ms").what[0]
    assert isinstance(named, Event)
    assert named.condition == Compare(0, 1, "==", Local(0, 1, 2), Local(0, 1, 0))


def test_what_is_known_narrows_what_is_read() -> None:
    assert promise_of('always: "row[n] > 0", while: n < 4')
    assert promise_of('never: "press a..b when n < 4 and row[n] > 0"')
    assert promise_of('after: press a..b, comes: "row[switch] == position", within: 1s')


@pytest.mark.parametrize(
    ("promise", "message"),
    [
        ('always: "row[n] > 0"', "23:20: index n is 0..7, but row accepts 0..3: narrow it, for example with 'if n <= 3:'"),
        ("always: m > 0", "23:15: unknown name 'm'"),
        ("always: mode == set_upp", "23:23: unknown name 'set_upp'; did you mean 'set_up'?"),
        ("always: led(lmp) == red", "23:19: there is no LED 'lmp'; did you mean 'lamp'?"),
        ("always: led(a) == red", "23:25: the LED a has no colour red; it has none: declare them under 'colours'"),
        ("always: n == red", "23:20: red is a colour, and only the value of an LED has one"),
        ("always: changed(row)", "23:15: no mode drafts row, so this is never true"),
        ("always: led(armed) == blue", "23:29: unknown name 'blue'"),
        ("always: led(n) == on", "23:19: the LED n is 0..7, but led accepts 0..2: narrow it, for example with 'if n <= 2:'"),
        ("after: press c, comes: led(switch), within: 1s", "23:34: the switch c has no LED of its name"),
        ("always: display", '23:15: the display shows a text: compare it with one, for example display == "act {act + 1}"'),
        ("always: 'display == \"x\"'", "23:16: the display has 2 lines: say which, display[0] to display[1]"),
        ("always: 'display[1] == n'", '23:30: a text belongs here, for example "act {act + 1}", not n'),
        ("always: 'display[2] == \"x\"'", "23:24: a line of the display is 2, but must be in 0..1"),
        ("always: 'display[1] < \"x\"'", "23:16: the display is compared with one text, by ==, != or 'in'"),
        ("always: 'display in \"x\"'", '23:16: write the text first: "act" in display'),
        ("always: 'display[0] == \"much too long\"'", "23:30: the text is 13 characters long, but the display has 8: it never shows it"),
        ("always: 'display[0] == \"{m}\"'", "23:32: unknown name 'm'"),
        ("always: 'display[0] == \"{field_value}\"'", "23:32: 'field_value' has a meaning only as a field of its own in the display"),
        ('always: n == "x"', "23:20: 'x': a string has no place here"),
        ("always: was(was(n)) == 0", "23:19: 'was' inside 'was': only the instant before is known"),
        ("never: press a when was(n) == 0", "23:27: 'was' has no meaning here: this is read as things were before that instant already"),
        ("never: press a, while: was(n) == 0", "23:30: 'was' has no meaning here: this is read as things were before that instant already"),
        ("after: power_on when armed, never: n", "23:22: 'power_on' is before the first mode, where no condition holds: leave 'when' out"),
        ("always: [n, armed]", "23:15: 'always' takes one condition: join several with 'and' or 'or'"),
        ("never: n, while: [n, armed]", "23:24: 'while' takes one condition: join several with 'and' or 'or'"),
        ("never: []", "23:14: a list has 1..16 events or conditions, not 0"),
        ("never: [n, [n]]", "23:18: an event or a condition is a single value, not a list"),
        ("always: n > 7", "23:15: this is never so"),
        ("never: n <= 7", "23:14: this is always so"),
        ("always: n, while: n > 7", "23:25: this condition is never true"),
        ("always: press a", "23:15: 'press a' happens at an instant and is not so all the time: 'always' takes a condition"),
        ("never: tap a", "23:14: no mode binds 'tap a', so it never happens; bound on a: hold 3000ms, press"),
        ("never: hold a", "23:14: no mode binds 'hold a 500ms', so it never happens; bound on a: hold 3000ms, press"),
        ("never: press a..c, until: press a", "23:26: 'until' needs an 'after'"),
        ("never: press a eager", "23:22: a promise does not ask how a press is bound: leave 'eager' out"),
        ("never: pres a", "23:14: 'pres a' is neither a condition nor an event"),
        ("never: press x", "23:20: there is no switch 'x'"),
        ("never: press switch", "23:20: 'switch' has no meaning here: 'after' has no single switch or group"),
        ("never: enter sho", "23:20: there is no mode 'sho'; did you mean 'show'?"),
        ("never: leave", "23:14: unknown name 'leave'"),
        ('never: "sent note_on(pods)"', "23:28: there is no device 'pods'; did you mean 'pads'?"),
        ('never: "sent note_on()"', "23:20: to whom? Write a device or a channel, for example 'note_on(channel 1)'"),
        ('never: "sent noteon(pads)"', "23:20: 'noteon' is no message that can be bound"),
        ('never: "received note_on(pads, 41)"', "23:15: no mode binds such a message, so it never happens"),
        ('never: "received start(usb)"', "23:15: no mode binds such a message, so it never happens"),
        ("never: press a when", "23:22: a condition is missing after 'when'"),
        ("never: press a when n > 9", "23:27: this condition is never true"),
        ("never: press a when k == 1", "23:27: unknown name 'k'"),
        ("after: press a, comes: n", "23:23: until when must it have come? Add 'within', for example 'within: 50ms', or 'until'"),
        ("comes: n, within: 5ms", "23:17: 'within' needs an 'after'"),
        ("comes: n", "23:3: what 'comes' comes after something: add 'after'"),
        ("while: n, after: press a, never: n == 2", "23:7: a promise has 'while' or 'after', not both"),
        ("after: press a, never: n == 2, within: 5", "23:46: '5' is no duration: write for example 5ms, 1.5s or 250us"),
        ("always: n, never: n", "23:18: a promise has one of always, never and comes, not always and never"),
        ("while: n", "23:3: a promise has one of always, never and comes, not none of them"),
        ("allways: n", "23:7: the promise 'p' has no key 'allways'; did you mean 'always'?"),
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
            assert error.place.line >= 23


def test_a_design_without_promises_is_what_it_was() -> None:
    assert load_design_text(HEAD.removesuffix("promises:\n")).promises == ()
