"""Deadlines: one slot for each thing that can be waited for, and the order in which they come due.

`due` holds what gestures, modes and messages wait for, `contact_due` what the debouncers wait for; both hold NEVER where
nothing is waited for. Slots are numbered in the order of equal deadlines, so that order needs no code. `soonest` and
`waking` are never later than the earliest of `due` and of `contact_due`; they may be earlier, which only costs a look.
"""

from .kinds import NEVER


class Deadlines:
    __slots__ = ("contact_due", "due", "soonest", "waking")

    def __init__(self, tables):
        self.due = [NEVER] * tables.slots
        self.soonest = NEVER
        self.contact_due = [NEVER] * tables.switches
        self.waking = NEVER

    def _set(self, slot, time_us):
        """Set or move a deadline."""
        self.due[slot] = time_us
        if time_us < self.soonest:
            self.soonest = time_us

    def next_deadline_us(self):
        """The next instant at which something will happen by itself, or None."""
        self.soonest = min(self.due)
        self.waking = min(self.contact_due)
        next_us = min(self.soonest, self.waking)
        return None if next_us == NEVER else next_us
