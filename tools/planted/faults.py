"""Faults in designs, each beside its mended twin: those that `check` finds before anything is played, by the codes of its findings."""

from __future__ import annotations

from dataclasses import dataclass

ERROR, WARNING, NOTE = "error", "warning", "note"
"""As findings say them; nothing of the project is imported, for what is planted in its engine must come first."""

BASE = """\
title: Booth
switches: [a, b]
leds: [a]
display: {characters: 12}
devices: {sampler: {channel: 10, programs: 0..63}}
memory: {act: {range: 0..7, ends: wrap}}
modes:
  show:
    display: "act {act}"
    leds: {a: act == 0}
    on:
      press a: |
        act += 1
        program_change(sampler, act)
      tap b: program_change(sampler, 0)
"""
"""A design without any finding; what stands in a defect replaces or adds to it."""


@dataclass(frozen=True)
class Planted:
    """`old` of the base becomes `bad` in the defective design and `good` in the mended one."""

    code: str
    severity: str
    old: str
    bad: str
    good: str


def added(code: str, severity: str, bad: str, good: str) -> Planted:
    """Bindings of the mode `show` besides those of the base."""
    return Planted(code, severity, "      tap b: program_change(sampler, 0)\n", bad, good)


PRESS_A = """\
      press a: |
        act += 1
        program_change(sampler, act)
"""
TAP_B = "      tap b: program_change(sampler, 0)\n"
OTHER_MODE = "  rest:\n    leds: {a: on}\n    on: {tap a: enter(show)}\n"
RECEIVED = """\
      received program_change(sampler, n) when act < 4: act = 1
      received program_change(sampler, n) when act ANY: act = 2
      received program_change(sampler, 3): act = 3
"""

FORM = """\
modes:
  show:
    form: [{label: act, cell: act}]
"""
PASSING = """\
      tap b: enter(rest)
  rest:
    display: resting
    timers: {LEAVES: enter(show)}
"""
CUES = """\
memory: {act: {range: 0..7, ends: wrap}, cue: {range: 0..7, start: 3, size: 2}}
everywhere: {hold b: save(), hold a: "act = cue[0]"}
modes:
  show:
"""

PLANTED = (
    added(
        "never-fires",
        ERROR,
        "      tap b when act < 4: act = 5\n      tap b when act >= 4: act = 1\n      tap b: program_change(sampler, 0)\n",
        "      tap b when act < 4: act = 5\n      tap b when act > 4: act = 1\n      tap b: program_change(sampler, 0)\n",
    ),
    added("never-fires", ERROR, TAP_B + "      press b: enter(rest)\n" + OTHER_MODE, "      press b: enter(rest)\n" + OTHER_MODE),
    added(
        "never-fires",
        ERROR,
        TAP_B + "      hold b: enter(rest)\n      hold b 2s: act = 3\n" + OTHER_MODE,
        TAP_B + "      hold b: act = 3\n      hold b 2s: enter(rest)\n" + OTHER_MODE,
    ),
    added(
        "never-fires",
        ERROR,
        "      press b eager: enter(rest)\n      tap a+b: act = 2\n" + OTHER_MODE,
        "      press b eager: act = 1\n      tap a+b: enter(rest)\n" + OTHER_MODE,
    ),
    added("never-fires", ERROR, TAP_B + "      hold b 15ms: act = 2\n", TAP_B + "      hold b 500ms: act = 2\n"),
    Planted(
        "never-fires",
        ERROR,
        TAP_B,
        TAP_B + "      double b: act = 1\ntiming: {debounce: {press: settle 60ms}, double: 60ms}\n",
        TAP_B + "      double b: act = 1\ntiming: {debounce: {press: settle 10ms}, double: 300ms}\n",
    ),
    added(
        "never-fires",
        ERROR,
        TAP_B + RECEIVED.replace("ANY", ">= 4"),
        TAP_B + RECEIVED.replace("ANY", "> 4"),
    ),
    Planted(
        "never-fires",
        ERROR,
        "memory: {act: {range: 0..7, ends: wrap}}",
        "memory: {act: {range: 0..7, ends: wrap}, page: {range: 0..3}}\neverywhere: {hold b when page == 2: page = 1}",
        "memory: {act: {range: 0..7, ends: wrap}, page: {range: 0..3}}\neverywhere: {hold b when page == 1: page = 0, hold a: page = 1}",
    ),
    Planted(
        "never-shown",
        WARNING,
        '    display: "act {act}"\n',
        '    display: [{when: act < 4, text: "low"}, {when: act >= 4, text: "high"}, "act {act}"]\n',
        '    display: [{when: act < 4, text: "low"}, {when: act > 4, text: "high"}, "act {act}"]\n',
    ),
    added(
        "eager-beside-chord",
        NOTE,
        "      press b eager: act = 1\n      tap a+b: act = 2\n",
        "      tap b: act = 1\n      tap a+b: act = 2\n",
    ),
    added(
        "fires-on-the-way", NOTE, "      hold b: act = 1\n      hold b 2s: act = 2\n", "      hold b: act = 1\n      hold a 2s: act = 2\n"
    ),
    Planted(
        "chord-against-double",
        WARNING,
        TAP_B,
        TAP_B + "      double b: act = 1\n      tap a+b: act = 2\ntiming: {chord: 210ms, double: 210ms}\n",
        TAP_B + "      double b: act = 1\n      tap a+b: act = 2\ntiming: {chord: 60ms, double: 210ms}\n",
    ),
    added("mode-never-entered", WARNING, TAP_B + OTHER_MODE, TAP_B + "      hold b: enter(rest)\n" + OTHER_MODE),
    added(
        "no-way-home",
        WARNING,
        TAP_B + "      hold b: enter(rest)\n" + OTHER_MODE.replace("enter(show)", "act = 1"),
        TAP_B + "      hold b: enter(rest)\n" + OTHER_MODE,
    ),
    added(
        "no-way-home",
        WARNING,
        TAP_B + "      hold b: enter(rest)\n" + OTHER_MODE.replace("enter(show)", "enter(rest)"),
        TAP_B + "      hold b: enter(rest)\n" + OTHER_MODE.replace("enter(show)", "restart()"),
    ),
    added(
        "no-panic-here",
        NOTE,
        TAP_B + "      hold b: enter(rest)\n      hold a 1s: panic()\n" + OTHER_MODE,
        TAP_B
        + "      hold b: enter(rest)\n      hold a 1s: panic()\n"
        + OTHER_MODE.replace("enter(show)}", "enter(show), hold a: panic()}"),
    ),
    Planted(
        "procedure-never-run",
        WARNING,
        "modes:\n",
        'procedures: {"next()": act += 1}\nmodes:\n',
        'procedures: {"next()": act += 1}\neverywhere: {hold b: next()}\nmodes:\n',
    ),
    Planted("switch-unbound", WARNING, "[a, b]", "[a, b, c]", "[a, b, c]\neverywhere: {press c: act = 1}"),
    Planted(
        "pedal-unused",
        WARNING,
        "modes:\n",
        "pedals: {swell: {reads: 0..1023}}\nmodes:\n",
        "pedals: {swell: {reads: 0..1023}}\neverywhere: {move swell: act = 1}\nmodes:\n",
    ),
    Planted(
        "device-unused",
        NOTE,
        "programs: 0..63}}",
        "programs: 0..63}, pads: {channel: 2}}",
        "programs: 0..63}, pads: {channel: 2}}\neverywhere: {hold b: 'control_change(pads, 1, 2)'}",
    ),
    Planted(
        "cell-never-read",
        WARNING,
        "ends: wrap}}",
        "ends: wrap}, taps: {range: 0..9, ends: wrap}}\neverywhere: {hold b: taps += 1}",
        "ends: wrap}, taps: {range: 0..9, ends: wrap}}\neverywhere: {hold b: taps += 1, hold a: act = taps}",
    ),
    Planted(
        "cell-never-set",
        NOTE,
        "ends: wrap}}",
        "ends: wrap}, taps: {range: 0..7}}\neverywhere: {hold b: act = taps}",
        "ends: wrap}, taps: {range: 0..7}}\neverywhere: {hold b: act = taps, hold a: taps = 1}",
    ),
    Planted(
        "start-never-seen",
        NOTE,
        "ends: wrap}}\nmodes:\n  show:\n",
        "ends: wrap, start: 5}}\nmodes:\n  show:\n    enter: act = 2\n",
        "ends: wrap, start: 5}}\nmodes:\n  show:\n    enter: act += 2\n",
    ),
    Planted(
        "start-never-seen",
        WARNING,
        "ends: wrap}}\nmodes:\n  show:\n",
        "ends: wrap, keep: yes}}\nmodes:\n  show:\n    enter: act = 2\n",
        "ends: wrap, keep: yes}}\nmodes:\n  show:\n    enter: act = act // 2\n",
    ),
    Planted(
        "draft-never-saved",
        WARNING,
        "  show:\n",
        "  show:\n    draft: [act]\n",
        "  show:\n    draft: [act]\n    enter: save()\n",
    ),
    Planted(
        "draft-never-changed",
        WARNING,
        "memory: {act: {range: 0..7, ends: wrap}}\nmodes:\n  show:\n",
        CUES + "    draft: [act, cue]\n",
        CUES + "    draft: [act]\n",
    ),
    Planted(
        "form-never-edited",
        WARNING,
        "  show:\n",
        "  show:\n    form: [{label: act, cell: act}]\n",
        "  show:\n    form: [{label: act, cell: act}]\n    timers: {after 1s: form_value(1)}\n",
    ),
    Planted("led-never-lit", WARNING, "leds: [a]\n", "leds: [a, b]\n", "leds: [a]\n"),
    added(
        "notice-covered",
        WARNING,
        '      tap b: |\n        notice("one", ms=2000)\n        notice("two", ms=2000)\n',
        '      tap b: |\n        if act:\n          notice("one", ms=2000)\n        else:\n          notice("two", ms=2000)\n',
    ),
    added("notice-brief", WARNING, '      tap b: notice("far too long", ms=600)\n', '      tap b: notice("far too long", ms=1100)\n'),
    Planted("label-brief", WARNING, "modes:\n  show:\n", "timing: {label: 500ms}\n" + FORM, "timing: {label: 600ms}\n" + FORM),
    added("mode-brief", WARNING, PASSING.replace("LEAVES", "after 500ms"), PASSING.replace("LEAVES", "after 600ms")),
    Planted(
        "debounce-short",
        WARNING,
        "modes:\n",
        "timing: {debounce: {press: lockout 3ms, release: lockout 9ms}}\nmodes:\n",
        "timing: {debounce: {press: lockout 7ms, release: lockout 9ms}}\nmodes:\n",
    ),
    Planted(
        "debounce-long",
        WARNING,
        "modes:\n",
        "timing: {debounce: {press: lockout 80ms}}\nmodes:\n",
        "timing: {debounce: {press: lockout 50ms}}\nmodes:\n",
    ),
    added(
        "window-narrow",
        WARNING,
        TAP_B + "      tap a+b: act = 1\ntiming: {chord: 20ms}\n",
        TAP_B + "      tap a+b: act = 1\ntiming: {chord: 30ms}\n",
    ),
    added(
        "window-narrow",
        WARNING,
        TAP_B + "      double b: act = 1\ntiming: {double: 150ms}\n",
        TAP_B + "      double b: act = 1\ntiming: {double: 300ms}\n",
    ),
    added("window-narrow", WARNING, TAP_B + "      hold b 150ms: act = 1\n", TAP_B + "      hold b 450ms: act = 1\n"),
    added(
        "chord-long",
        WARNING,
        TAP_B + "      tap a+b: act = 1\ntiming: {chord: 120ms}\n",
        TAP_B + "      tap a+b: act = 1\ntiming: {chord: 100ms}\n",
    ),
    added("hold-short", WARNING, TAP_B + "      hold b 300ms: act = 1\n", TAP_B + "      hold b 400ms: act = 1\n"),
    added("hold-long", WARNING, TAP_B + "      hold b 6s: act = 1\n", TAP_B + "      hold b 5s: act = 1\n"),
    added(
        "double-quick",
        NOTE,
        TAP_B + "      double b: act = 1\ntiming: {double: 250ms}\n",
        TAP_B + "      double b: act = 1\ntiming: {double: 300ms}\n",
    ),
    added(
        "double-long",
        WARNING,
        TAP_B + "      double b: act = 1\ntiming: {double: 700ms}\n",
        TAP_B + "      double b: act = 1\ntiming: {double: 500ms}\n",
    ),
    added(
        "double-lost",
        WARNING,
        TAP_B + "      double b: act = 1\ntiming: {debounce: {press: settle 50ms}}\n",
        TAP_B + "      double b: act = 1\ntiming: {debounce: {press: settle 20ms}}\n",
    ),
    added(
        "tempo-untappable",
        WARNING,
        TAP_B + "      hold b: tap_tempo()\ntempo: {range: 20..240}\n",
        TAP_B + "      hold b: tap_tempo()\ntempo: {range: 30..240}\n",
    ),
    Planted(
        "line-overrun",
        ERROR,
        "  show:\n",
        "  show:\n    timers: {every 1ms: 'sysex(sampler, 1, 2, 3)'}\n",
        "  show:\n    timers: {every 2ms: 'sysex(sampler, 1, 2, 3)'}\n",
    ),
    Planted(
        "flashes", WARNING, "  show:\n", "  show:\n    timers: {every 100ms: act += 1}\n", "  show:\n    timers: {every 500ms: act += 1}\n"
    ),
    Planted(
        "idle-wear",
        WARNING,
        "ends: wrap}}\nmodes:\n  show:\n",
        "ends: wrap, keep: yes}}\nmodes:\n  show:\n    timers: {every 1s: act += 1}\n",
        "ends: wrap, keep: yes}}\nmodes:\n  show:\n    timers: {after 1s: act += 1}\n",
    ),
    Planted(
        "mode-message",
        WARNING,
        "programs: 0..63}",
        "programs: 0..63, controllers: {hush: 123}}",
        "programs: 0..63, controllers: {wet: 91}}",
    ),
    Planted("budget-latency", WARNING, PRESS_A, PRESS_A + "      tap a+b: act = 1\n", PRESS_A.replace("press a", "press a eager")),
    Planted("budget-latency", ERROR, "modes:\n", "budget: {latency: 1500us}\nmodes:\n", "budget: {latency: 1640us}\nmodes:\n"),
    Planted("budget-tap", ERROR, "modes:\n", "budget: {tap: 17ms}\nmodes:\n", "budget: {tap: 18ms}\nmodes:\n"),
    added(
        "budget-release",
        ERROR,
        "      release b: program_change(sampler, 1)\nbudget: {release: 10ms}\n",
        "      release b: program_change(sampler, 1)\nbudget: {release: 30ms}\n",
    ),
    Planted("budget-buffer", ERROR, "modes:\n", "budget: {buffer: 1}\nmodes:\n", "budget: {buffer: 2}\nmodes:\n"),
    Planted(
        "budget-jitter",
        ERROR,
        "modes:\n",
        "budget: {jitter: 1ms}\neverywhere: {hold b: clock_start()}\nmodes:\n",
        "budget: {jitter: 1320us}\neverywhere: {hold b: clock_start()}\nmodes:\n",
    ),
    Planted(
        "long-burst",
        NOTE,
        "modes:\n",
        "everywhere: {hold b: 'for n in range(40): program_change(sampler, n)'}\nmodes:\n",
        "everywhere: {hold b: 'for n in range(15): program_change(sampler, n)'}\nmodes:\n",
    ),
    Planted(
        "scan-slow", WARNING, "modes:\n", "budget: {scan: 12ms, latency: 50ms}\nmodes:\n", "budget: {scan: 10ms, latency: 50ms}\nmodes:\n"
    ),
    Planted(
        "delayed-overflow",
        ERROR,
        "modes:\n",
        "wire: {delayed_messages: 1}\neverywhere: {hold b: 'for n in range(2): program_change(sampler, n, delay_ms=20)'}\nmodes:\n",
        "wire: {delayed_messages: 2}\neverywhere: {hold b: 'for n in range(2): program_change(sampler, n, delay_ms=20)'}\nmodes:\n",
    ),
)
