"""What must hold of an engine when a session is over, quickly enough to be looked at after each."""

from __future__ import annotations

from typing import Any

from controller_sim.design.form import Design
from controller_sim.verify.accounts import NEWS, Accounts, Wrong
from controller_sim.verify.book import CONTROLLER
from controller_sim.verify.facts import loose_note
from controller_sim.verify.watchers import RANGES

RESTFUL = "rest is rest"
NOTES = "notes end"
MOMENTARY = "momentary is over"
UNDER_WAY = ("live", "owing", "waiting", "group", "eager_fired", "level")
"""Of a fast engine: masks of what gestures are about."""


class Ending:
    """The checks for one design."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.notes_end = loose_note(design) is None
        self.ranges = [(cell.offset, cell.offset + cell.size, cell.low, cell.high, cell.name) for cell in design.cells]

    def check(self, engine: Any, accounts: Accounts, at_rest: bool) -> Wrong | None:
        """What is wrong at the end of a session whose outputs the accounts have seen."""
        now_us: int = engine.now_us
        if accounts.shown != engine.display or accounts.lit != list(engine.leds):
            return Wrong(NEWS, now_us, "display or LEDs are not what was put out last")
        if engine.mode >= 0 and hasattr(engine, "show_leds"):
            put_out = len(engine.packed)
            engine.show_leds(engine, now_us)
            if len(engine.packed) != put_out:
                return Wrong(NEWS, now_us, "an LED is stale: the state says something else")
            if engine.show_text and engine.notice is None and engine.show_text(engine) != engine.display:
                return Wrong(NEWS, now_us, f"the display is stale: it shows {engine.display!r}, and the state says something else")
        cells = engine.cells
        for start, end, low, high, name in self.ranges:
            values = cells[start:end]
            if min(values) < low or max(values) > high:
                return Wrong(RANGES, now_us, f"{name} is {min(values)}..{max(values)}, and its range is {low}..{high}")
        return self._rest(engine, accounts, now_us) if at_rest else None

    def _rest(self, engine: Any, accounts: Accounts, now_us: int) -> Wrong | None:
        wrong = accounts.rest(now_us)
        if wrong is not None:
            return wrong
        for name in UNDER_WAY:
            if getattr(engine, name, 0):
                return Wrong(RESTFUL, now_us, "every foot has been up for long, and a gesture is still under way")
        if accounts.lasting and not getattr(engine, "delayed", ()):
            return self._lasting(accounts, now_us)
        return None

    def _lasting(self, accounts: Accounts, now_us: int) -> Wrong | None:
        """Something lasts though nothing is left that could end it."""
        on = [thing for thing in sorted(accounts.lasting) if thing & CONTROLLER]
        if on:
            ports, channel, number = on[0] >> 16 & 3, on[0] >> 8 & 15, on[0] & 127
            name = accounts.say.momentaries.named(ports, channel, number)
            return Wrong(MOMENTARY, now_us, f"{name} is still on, though every foot is up")
        if self.notes_end:
            note = min(accounts.lasting)
            return Wrong(NOTES, now_us, f"note {note & 127} on channel {(note >> 8 & 15) + 1} still sounds, though every foot is up")
        return None
