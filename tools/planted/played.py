"""Faults in designs that only show when the design is played, each beside its mended twin.

Of the properties that any design is held to, "notes end" alone is the design's own to break: the others are the engine's doing,
and what a design could break of them is refused when it is read or found by `check`.
"""

from __future__ import annotations

from dataclasses import dataclass

BASE = """\
title: Booth
switches: [a, b]
devices: {pads: {channel: 2, notes: 0..63}, bells: {channel: 3, notes: 0..63}}
memory: {key: {range: 0..7, ends: wrap}, held: {range: 0..7}}
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
    caught_by: str = "notes end"


def key(press: str, release: str, more: str = "tap b: key += 1") -> str:
    lines = "".join(f"      {gesture}: |\n        {action}\n" for gesture, action in (("press a", press), ("release a", release)))
    return f"{lines}      {more}\n"


PLAYED = (
    Played(
        "a release ends another note",
        key("note_on(pads, 20, 100)", "note_off(pads, 21)"),
        key("note_on(pads, 20, 100)", "note_off(pads, 20)"),
    ),
    Played(
        "a release ends the note of another device",
        key("note_on(pads, 20, 100)", "note_off(bells, 20)"),
        key("note_on(bells, 20, 100)", "note_off(bells, 20)"),
    ),
    Played(
        "the other foot chooses another note while one sounds",
        key("note_on(pads, key, 100)", "note_off(pads, key)"),
        key("held = key\n        note_on(pads, held, 100)", "note_off(pads, held)"),
    ),
    Played(
        "a note is ended only on some pages",
        key("note_on(pads, 20, 100)", "if key < 2: note_off(pads, 20)"),
        key("note_on(pads, 20, 100)", "note_off(pads, 20)"),
    ),
    Played(
        "of two notes one is ended",
        key("note_on(pads, 20, 100)\n        note_on(pads, 24, 100)", "note_off(pads, 20)"),
        key("note_on(pads, 20, 100)\n        note_on(pads, 24, 100)", "note_off(pads, 20)\n        note_off(pads, 24)"),
    ),
    Played(
        "a late note begins after its end",
        key("note_on(pads, 20, 100, delay_ms=300)", "note_off(pads, 20)"),
        key("note_on(pads, 20, 100, delay_ms=300)", "note_off(pads, 20, delay_ms=300)"),
    ),
    Played(
        "the mode changes, and the release ends the next mode's note",
        key("note_on(pads, key, 100)", "note_off(pads, key)", "tap b: enter(rest)") + "    leave: key += 1\n" + REST,
        key("held = key\n        note_on(pads, held, 100)", "note_off(pads, held)", "tap b: enter(rest)") + "    leave: key += 1\n" + REST,
    ),
)
