"""Faults in designs that only show when the design is played, each beside its mended twin.

They break those of the properties that are a design's own to break: the others are the engine's doing, and what a design could
break of them is refused when it is read or found by `check`.
"""

from __future__ import annotations

from dataclasses import dataclass

BASE = """\
title: Booth
switches: [a, b]
leds: [a]
display: {characters: 4}
devices:
  pads: {channel: 2, notes: 0..63}
  bells: {channel: 3, notes: 0..63}
  room: {channel: 4, controllers: {freeze: {number: 80, on: 127, off: 0}, wash: {number: 81, on: 127, off: 0}, wet: 91}}
  far_room: {channel: 4, port: usb, controllers: {freeze: {number: 80, on: 127, off: 0}}}
  rig: {channel: 5}
memory:
  key: {range: 0..7, ends: wrap}
  held: {range: 0..7}
  level: {range: 0..9, ends: clamp}
  frozen: {range: 0..1, keep: yes}
home: show
modes:
  show:
    on:
"""
REST = "  rest:\n    on: {tap b: enter(show)}\n"


@dataclass(frozen=True, slots=True)
class Played:
    """`bad` follows BASE in the defective design and `good` in the mended one."""

    name: str
    bad: str
    good: str
    caught_by: str
    head: str = ""
    """What comes before BASE in both."""


def key(press: str, release: str, more: str = "tap b: key += 1") -> str:
    lines = "".join(f"      {gesture}: |\n        {action}\n" for gesture, action in (("press a", press), ("release a", release)))
    return f"{lines}      {more}\n"


def bound(*lines: str, then: str = "") -> str:
    """Bindings of the first mode, one a line, and what follows them."""
    return "".join(f"      {line}\n" for line in lines) + then


NOTES = (
    Played(
        "a release ends another note",
        key("note_on(pads, 20, 100)", "note_off(pads, 21)"),
        key("note_on(pads, 20, 100)", "note_off(pads, 20)"),
        "notes end",
    ),
    Played(
        "a release ends the note of another device",
        key("note_on(pads, 20, 100)", "note_off(bells, 20)"),
        key("note_on(bells, 20, 100)", "note_off(bells, 20)"),
        "notes end",
    ),
    Played(
        "the other foot chooses another note while one sounds",
        key("note_on(pads, key, 100)", "note_off(pads, key)"),
        key("held = key\n        note_on(pads, held, 100)", "note_off(pads, held)"),
        "notes end",
    ),
    Played(
        "a note is ended only on some pages",
        key("note_on(pads, 20, 100)", "if key < 2: note_off(pads, 20)"),
        key("note_on(pads, 20, 100)", "note_off(pads, 20)"),
        "notes end",
    ),
    Played(
        "of two notes one is ended",
        key("note_on(pads, 20, 100)\n        note_on(pads, 24, 100)", "note_off(pads, 20)"),
        key("note_on(pads, 20, 100)\n        note_on(pads, 24, 100)", "note_off(pads, 20)\n        note_off(pads, 24)"),
        "notes end",
    ),
    Played(
        "a late note begins after its end",
        key("note_on(pads, 20, 100, delay_ms=300)", "note_off(pads, 20)"),
        key("note_on(pads, 20, 100, delay_ms=300)", "note_off(pads, 20, delay_ms=300)"),
        "notes end",
    ),
    Played(
        "the mode changes, and the release ends the next mode's note",
        key("note_on(pads, key, 100)", "note_off(pads, key)", "tap b: enter(rest)") + "    leave: key += 1\n" + REST,
        key("held = key\n        note_on(pads, held, 100)", "note_off(pads, held)", "tap b: enter(rest)") + "    leave: key += 1\n" + REST,
        "notes end",
    ),
)
MOMENTARIES = (
    Played(
        "a release switches off another controller",
        key("control_change(room, freeze, on)", "control_change(room, wash, off)"),
        key("control_change(room, freeze, on)", "control_change(room, freeze, off)"),
        "momentary is over",
    ),
    Played(
        "a release switches off the same controller at another port",
        key("control_change(room, freeze, on)", "control_change(far_room, freeze, off)"),
        key("control_change(far_room, freeze, on)", "control_change(far_room, freeze, off)"),
        "momentary is over",
    ),
    Played(
        "a controller is switched off only on some pages",
        key("control_change(room, freeze, on)", "if key < 2: control_change(room, freeze, off)"),
        key("control_change(room, freeze, on)", "control_change(room, freeze, off)"),
        "momentary is over",
    ),
    Played(
        "the other foot chooses another controller while one is on",
        key("control_change(rig, 20 + key, 127)", "control_change(rig, 20 + key, 0)"),
        key("held = key\n        control_change(rig, 20 + held, 127)", "control_change(rig, 20 + held, 0)"),
        "momentary is over",
    ),
    Played(
        "a controller is switched on late and off at once",
        key("control_change(room, freeze, on, delay_ms=300)", "control_change(room, freeze, off)"),
        key("control_change(room, freeze, on, delay_ms=300)", "control_change(room, freeze, off, delay_ms=300)"),
        "momentary is over",
    ),
    Played(
        "the mode changes, and the release switches off the next page's controller",
        key("control_change(rig, 20 + key, 127)", "control_change(rig, 20 + key, 0)", "tap b: enter(rest)")
        + "    leave: key += 1\n"
        + REST,
        key("held = key\n        control_change(rig, 20 + held, 127)", "control_change(rig, 20 + held, 0)", "tap b: enter(rest)")
        + "    leave: key += 1\n"
        + REST,
        "momentary is over",
    ),
)
STEPS = (
    Played(
        "a step down stops before the lowest value",
        bound("tap a: level += 1", "tap b: 'if level > 1: level -= 1'", "hold b: level = 0"),
        bound("tap a: level += 1", "tap b: 'if level > 0: level -= 1'", "hold b: level = 0"),
        "up and down again",
    ),
    Played(
        "up goes round after 5 and down after 7",
        bound("tap a: key = (key + 1) % 6", "tap b: key -= 1"),
        bound("tap a: key = (key + 1) % 8", "tap b: key -= 1"),
        "up and down again",
    ),
    Played(
        "a step down is bound only above the second value",
        bound("tap a: level += 1", "tap b when level > 1: level -= 1", "hold b: level = 0"),
        bound("tap a: level += 1", "tap b when level > 0: level -= 1", "hold b: level = 0"),
        "up and down again",
    ),
    Played(
        "up stops at 7, and down goes on from 9 at the end",
        bound("tap a: level = level + 1 if level < 7 else 9", "tap b: level -= 1"),
        bound("tap a: level = level + 1 if level < 9 else 9", "tap b: level -= 1"),
        "up and down again",
    ),
)
EDIT = "  edit:\n    draft: [{draft}]\n    on:\n      tap a: '{edit}'\n      tap b: |\n        cancel()\n        enter(show)\n"
SHOW = bound("tap a: enter(edit)", then='    display: "{display}"\n    leds: {{a: {led}}}\n')
EDITS = (
    Played(
        "an edit changes a second value that is not drafted",
        SHOW.format(display="{level}{key}", led="off") + EDIT.format(draft="level", edit="level += 1; key += 1"),
        SHOW.format(display="{level}{key}", led="off") + EDIT.format(draft="level, key", edit="level += 1; key += 1"),
        "as if never edited",
    ),
    Played(
        "an edit keeps a value that cancelling does not bring back",
        SHOW.format(display="{level}", led="off") + EDIT.format(draft="level", edit="level += 1; frozen = level % 2"),
        SHOW.format(display="{level}", led="off") + EDIT.format(draft="level, frozen", edit="level += 1; frozen = level % 2"),
        "as if never edited",
    ),
    Played(
        "an LED goes by a copy that cancelling leaves as it is",
        SHOW.format(display="{level}", led="held > 2") + EDIT.format(draft="level", edit="level += 1; held = min(level, 7)"),
        SHOW.format(display="{level}", led="level > 2") + EDIT.format(draft="level", edit="level += 1; held = min(level, 7)"),
        "as if never edited",
    ),
)
TOGGLE = "tap a: frozen = not frozen; control_change(room, freeze, frozen)"
TOGGLES = (
    Played(
        "what clears a toggle does not tell",
        bound(TOGGLE, "tap b: frozen = 0"),
        bound(TOGGLE, "tap b: frozen = 0; control_change(room, freeze, frozen)"),
        "switched as told",
    ),
    Played(
        "what tells of a toggle does not clear it",
        bound(TOGGLE, "tap b: control_change(room, freeze, off)"),
        bound(TOGGLE, "tap b: control_change(room, freeze, off); frozen = 0"),
        "switched as told",
    ),
    Played(
        "what is told is what a toggle was",
        bound(TOGGLE, "tap b: control_change(room, freeze, not frozen); frozen = 1"),
        bound(TOGGLE, "tap b: control_change(room, freeze, on); frozen = 1"),
        "switched as told",
    ),
    Played(
        "a mode sets a toggle when it is entered, and tells nobody",
        bound(TOGGLE, "tap b: enter(rest)", then="  rest:\n    enter: frozen = 1\n    on: {tap b: enter(show)}\n"),
        bound(
            TOGGLE,
            "tap b: enter(rest)",
            then="  rest:\n    enter: frozen = 1; control_change(room, freeze, on)\n    on: {tap b: enter(show)}\n",
        ),
        "switched as told",
    ),
)
HOMES = (
    Played(
        "the way home is bound only on some pages, and nothing there turns them",
        bound("tap a: key += 1", "tap b: enter(rest)", then="  rest:\n    on: {tap b when key > 2: enter(show)}\n"),
        bound("tap a: key += 1", "tap b: enter(rest)", then="  rest:\n    on: {tap b: enter(show)}\n"),
        "home again",
    ),
    Played(
        "the way home is at an odd number, and steps are of two",
        bound("tap b: enter(rest)", then="  rest:\n    on: {tap a: key += 2, tap b when key == 5: enter(show)}\n"),
        bound("tap b: enter(rest)", then="  rest:\n    on: {tap a: key += 1, tap b when key == 5: enter(show)}\n"),
        "home again",
    ),
    Played(
        "two modes lead only to each other until a value that neither changes has changed",
        bound(
            "tap a: key += 1",
            "tap b: enter(rest)",
            then="  rest:\n    on: {tap a: enter(pause), tap b when key == 3: enter(show)}\n  pause:\n    on: {tap a: enter(rest)}\n",
        ),
        bound(
            "tap a: key += 1",
            "tap b: enter(rest)",
            then="  rest:\n    on: {tap a: enter(pause), tap b when key == 3: enter(show)}\n"
            "  pause:\n    on: {tap a: enter(rest), tap b: key += 1}\n",
        ),
        "home again",
    ),
)
HEAVY = "for n in range({count}): note_off(pads, n)"
QUEUES = (
    Played(
        "two bursts in a row do not fit into the buffer",
        bound(f"press a: '{HEAVY.format(count=12)}'", f"press b: '{HEAVY.format(count=12)}'"),
        bound(f"press a: '{HEAVY.format(count=1)}'", f"press b: '{HEAVY.format(count=1)}'"),
        "transmit buffer",
        head="budget: {buffer: 40}\n",
    ),
)

PLAYED = (*NOTES, *MOMENTARIES, *STEPS, *EDITS, *TOGGLES, *HOMES, *QUEUES)
