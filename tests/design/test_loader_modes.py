"""Each rule of modes, bindings and procedures, by the whole error that breaking it gives."""

from __future__ import annotations

import pytest

from controller_sim.design import DesignError, load_design_text

REFUSED: dict[str, tuple[str, str]] = {
    "home": (
        "switches: [a, b, c]\nhome: shwo\nmodes: {show: {}}\n",
        "design:2:7: there is no mode 'shwo'; did you mean 'show'?",
    ),
    "mode key": (
        "switches: [a, b, c]\nmodes:\n  show: {laeve: pass}\n",
        "design:3:10: the mode show has no key 'laeve'; did you mean 'leave'?",
    ),
    "draft": (
        "switches: [a, b, c]\nmemory: {cue: {range: 0..1}}\nmodes:\n  show: {draft: [cu]}\n",
        "design:4:18: there is no memory cell 'cu'; did you mean 'cue'?",
    ),
    "on_other_exit": (
        "switches: [a, b, c]\nmodes:\n  show: {on_other_exit: save}\n",
        "design:3:10: 'on_other_exit' needs a 'draft'",
    ),
    "timer": (
        "switches: [a, b, c]\nmodes:\n  show: {timers: {aftr 1s: pass}}\n",
        ("design:3:19: 'aftr 1s' is no timer: write for example 'after 1s' or 'every 500ms'; did you mean 'after'?"),
    ),
    "timer period": (
        "switches: [a, b, c]\nmodes:\n  show: {timers: {every 999us: pass}}\n",
        "design:3:25: '999us' is too short: at least 1ms, since one message takes nearly that long on the wire",
    ),
    "repeat period": (
        "switches: [a, b, c]\ntiming: {repeat: {first: 400ms, then: [140ms x 8, 10us]}}\nmodes: {show: {}}\n",
        "design:2:51: '10us' is too short: at least 1ms, since one message takes nearly that long on the wire",
    ),
    "statements": (
        "switches: [a]\nmemory: {n: {range: 0..3, ends: wrap}}\nprocedures:\n"
        "  inner(): 'for i in range(1000): n += 1'\n  outer(): 'for i in range(1000): inner()'\nmodes: {show: {}}\n",
        "design:5:13: outer can run 1,002,001 statements, through its loops and calls; at most 100,000 are allowed"
        "; it calls inner 1,000 times, which can run 1,001 statements",
    ),
    "gesture": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      taap a: pass\n",
        ("design:5:7: 'taap' is no gesture: write press, release, tap, hold, repeat, double, chord; did you mean 'tap'?"),
    ),
    "switch": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap d: pass\n",
        "design:5:11: there is no switch 'd'",
    ),
    "press chord": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      press a+b: pass\n",
        "design:5:7: the press of a chord is written 'chord a+b'",
    ),
    "chord of one": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      chord a: pass\n",
        "design:5:7: a chord needs two or more switches joined by '+', not 'a'",
    ),
    "duration of a tap": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a 3s: pass\n",
        "design:5:13: only 'hold' takes a duration, 'tap' does not",
    ),
    "eager tap": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a eager: pass\n",
        "design:5:13: only the press of a single switch can be eager",
    ),
    "eager chord": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      chord a+b eager: pass\n",
        "design:5:17: only the press of a single switch can be eager",
    ),
    "rest": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a b: pass\n",
        "design:5:13: 'b' cannot stand here",
    ),
    "backwards": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap c..a: pass\n",
        "design:5:11: this range runs backwards: write a..c",
    ),
    "twice in group": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a..b, b: pass\n",
        "design:5:17: b stands in this group twice",
    ),
    "twice in chord": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a+a: pass\n",
        "design:5:13: a stands in this chord twice",
    ),
    "condition missing": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a when: pass\n",
        "design:5:13: a condition is missing after 'when'",
    ),
    "condition unknown": (
        ("switches: [a, b, c]\nmemory: {lit: {range: 0..3}}\nmodes:\n  show:\n    on:\n      tap a when lti == 0: pass\n"),
        "design:6:18: unknown name 'lti'; did you mean 'lit'?",
    ),
    "never true": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a when switch == 1: pass\n",
        "design:5:18: this condition is never true",
    ),
    "bound twice": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a..b: pass\n      tap b: pass\n",
        "design:6:7: this can never happen: 'tap b' is bound before, always\ndesign:5:7: it is bound here",
    ),
    "same condition": (
        (
            "switches: [a, b, c]\nmemory: {n: {range: 0..3}}\nmodes:\n  show:\n    on:\n      tap a when n == 1: pass\n"
            "      tap a when n==1: pass\n"
        ),
        ("design:7:7: this can never happen: 'tap a' is bound before, under the same condition\ndesign:6:7: it is bound here"),
    ),
    "same hold": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      hold a: pass\n      hold a 500ms: pass\n",
        ("design:6:7: this can never happen: 'hold a' of 500ms is bound before, always\ndesign:5:7: it is bound here"),
    ),
    "short hold": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a+b: pass\n      hold c 45ms: pass\n",
        ("design:6:7: the hold (45ms) must be longer than the chord window (45ms)\ndesign:5:7: the chord a+b is bound here"),
    ),
    "first repeat below a millisecond": (
        "switches: [a, b, c]\ntiming: {repeat: {first: 999us}}\nmodes: {show: {}}\n",
        "design:2:26: '999us' is too short: at least 1ms, since one message takes nearly that long on the wire",
    ),
    "short repeat": (
        ("switches: [a, b, c]\ntiming: {repeat: {first: 40ms}}\nmodes:\n  show:\n    on:\n      tap a+b: pass\n      repeat c: pass\n"),
        ("design:7:7: the first repeat (40ms) must be longer than the chord window (45ms)\ndesign:6:7: the chord a+b is bound here"),
    ),
    "action in block": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a: |\n        pass\n        nn = m\n",
        "design:7:14: unknown name 'm'",
    ),
    "action missing": (
        "switches: [a, b, c]\nmodes:\n  show:\n    on:\n      tap a:\n",
        "design:5:7: an action is missing here",
    ),
    "recursion": (
        "switches: [a, b, c]\nprocedures:\n  f(): g()\n  g(): f()\nmodes: {show: {}}\n",
        "design:4:8: procedures cannot call themselves: f -> g -> f\ndesign:3:3: f is here",
    ),
    "parameter": (
        "switches: [a, b, c]\nprocedures:\n  f(n of 0..3): pass\nmodes: {show: {}}\n",
        "design:3:5: 'n of 0..3' is no parameter: write for example 'n in 0..39'",
    ),
    "parameter clash": (
        "switches: [a, b, c]\nprocedures:\n  f(a in 0..3): pass\nmodes: {show: {}}\n",
        "design:3:5: the name 'a' is taken\ndesign:1:12: it names a switch here",
    ),
    "procedure key": (
        "switches: [a, b, c]\nprocedures:\n  f: pass\nmodes: {show: {}}\n",
        "design:3:3: 'f' is no procedure: write for example 'recall(n in 0..39)' or 'hush()'",
    ),
    "tap tempo elsewhere": (
        "switches: [a, b, c]\nprocedures:\n  f(): tap_tempo()\nmodes:\n  show: {enter: f()}\n",
        ("design:3:8: tap_tempo() only works where a gesture, a move or a message runs it, and not all that runs this is one"),
    ),
    "leave enters": (
        "switches: [a, b, c]\nmodes:\n  show: {leave: enter(show)}\n",
        "design:3:17: enter() does not work here: a leave action runs it",
    ),
    "leave enters by procedure": (
        "switches: [a, b, c]\nprocedures:\n  f(): enter(show)\nmodes:\n  show: {leave: f()}\n",
        "design:3:8: enter() does not work here: a leave action runs it",
    ),
    "save without draft": (
        "switches: [a, b, c]\nmodes:\n  show: {enter: save()}\n",
        "design:3:17: save() only works in a mode with a draft, and this also runs where there is none",
    ),
    "enter circle": (
        "switches: [a, b, c]\nmodes:\n  show: {enter: enter(edit)}\n  edit: {enter: enter(show)}\n",
        ("design:3:10: enter actions enter modes in a circle: show -> edit -> show\ndesign:4:10: edit enters here"),
    ),
    "enter itself": (
        "switches: [a, b, c]\nmodes:\n  show: {enter: enter(show)}\n",
        "design:3:10: enter actions enter modes in a circle: show -> show",
    ),
    "no display": (
        "switches: [a, b, c]\nmodes:\n  show: {display: x}\n",
        "design:3:19: the design has no display: declare one, for example 'display: {characters: 6}'",
    ),
    "text too wide": (
        "switches: [a, b, c]\ndisplay: {characters: 3}\nmodes:\n  show: {display: abcd}\n",
        "design:4:19: the text can be 4 characters long, but the display has 3",
    ),
    "too many lines": (
        "switches: [a, b, c]\ndisplay: {characters: 3}\nmodes:\n  show: {display: [{text: [a, b]}]}\n",
        "design:4:27: the text has 2 lines, but the display has 1 line",
    ),
    "view never shown": (
        "switches: [a, b, c]\ndisplay: {characters: 3}\nmodes:\n  show: {display: [a, b]}\n",
        "design:4:23: this is never shown: the view before it always is\ndesign:4:20: that view is here",
    ),
    "led unknown": (
        "switches: [a, b, c]\nleds: [a, b]\nmodes:\n  show: {leds: {c: on}}\n",
        "design:4:17: there is no LED 'c'",
    ),
    "led value": (
        "switches: [a, b, c]\nleds: [a, b]\nmemory: {n: {range: 0..7}}\nmodes:\n  show: {leds: {a: n}}\n",
        "design:5:20: the LED's value is 0..7, but an LED takes 0..3 (off, on, blink, dim)",
    ),
    "led never": (
        "switches: [a, b, c]\nleds: [a, b]\nmodes:\n  show: {leds: {a..b: on, b: off}}\n",
        "design:4:27: this is never shown: its LEDs stand before\ndesign:4:17: the first is here",
    ),
    "led array": (
        ("switches: [a, b, c]\nleds: [a, b]\nmemory: {n: {range: 0..1, size: 2}}\nmodes:\n  show: {leds: {n: on}}\n"),
        "design:5:17: n is an array: only a plain cell can name an LED",
    ),
    "power on twice": (
        "switches: [a, b, c]\nmodes: {show: {}}\npower_on: {a+b: pass, b+a: pass}\n",
        "design:3:23: these switches are bound at power-on before\ndesign:3:12: they are bound here",
    ),
}
"""What is wrong: the design, and the whole error."""


@pytest.mark.parametrize("wrong", REFUSED)
def test_what_is_wrong_is_refused_with_its_place_and_what_would_be_right(wrong: str) -> None:
    text, message = REFUSED[wrong]
    with pytest.raises(DesignError) as error:
        load_design_text(text)
    assert str(error.value) == message
