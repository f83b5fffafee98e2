"""From contact to edge: each switch is debounced by settling or by lockout, for presses and releases separately.

What a contact's change means is in the design's own functions, one for each switch: `closed` and `opened` take a change of
the contact, `pressed` and `released` the end of a settled press or release. The functions of the current mode are in place.
Here is only the order: everything that is due, each at its own time, then the changes of an instant, releases before presses.
"""

from .kinds import NEVER
from .tempo import Tempo


class Contacts(Tempo):
    __slots__ = (
        "closed",
        "contacts",
        "level",
        "locked_until",
        "opened",
        "press_settles",
        "pressed",
        "release_settles",
        "released",
        "switch_of",
        "timeouts",
    )

    def __init__(self, slots, clock_slot, tables):
        Tempo.__init__(self, slots, clock_slot, tables)
        self.contacts = 0
        self.level = 0
        self.locked_until = [-1] * tables.switches
        self.press_settles = tables.press_settles
        self.release_settles = tables.release_settles
        self.switch_of = {1 << s: s for s in range(tables.switches)}

    def play(self, times_us, words):
        """Advance through two equally long columns: instants, rising, and the contacts seen at each."""
        switch_of = self.switch_of
        contacts = self.contacts
        now_us = self.now_us
        for now_us, word in zip(times_us, words):
            changed = contacts ^ word
            if self.waking <= now_us or self.soonest <= now_us:
                self.contacts = contacts
                changed = self._run_to(now_us, changed, word)
            if changed:
                if changed in switch_of:
                    if word & changed:
                        self.closed[switch_of[changed]](self, now_us)
                    else:
                        self.opened[switch_of[changed]](self, now_us)
                else:
                    self._several(now_us, changed, 0, word)
            contacts = word
            if self.dirty:
                self._look(now_us)
        self.contacts = contacts
        self.now_us = now_us

    def _run_to(self, now_us, changed, word):
        """Let everything due until `now_us` happen. What is left to be treated as changed at `now_us` is returned."""
        due = self.contact_due
        at_us = self.waking
        while True:
            if self.soonest <= at_us:
                if self.soonest > now_us:
                    break
                instant_us = self.soonest
                self._time_out(instant_us)
                if instant_us != at_us:
                    if instant_us < now_us and self.dirty:
                        self._look(instant_us)
                    continue
            elif at_us > now_us:
                break
            presses = read_again = 0
            while at_us in due:
                s = due.index(at_us)
                due[s] = NEVER
                if self.level >> s & 1:
                    if self.release_settles:
                        self.released[s](self, at_us)
                    else:
                        read_again |= 1 << s
                elif self.press_settles:
                    presses |= 1 << s
                else:
                    read_again |= 1 << s
            if at_us == now_us:
                changed |= read_again
                if presses:
                    self._several(now_us, changed, presses, word)
                    changed = 0
            else:
                if presses or read_again:
                    self._several(at_us, read_again, presses, self.contacts)
                if self.dirty:
                    self._look(at_us)
            at_us = min(due)
        self.waking = at_us
        return changed

    def _time_out(self, now_us):
        """Whatever is due now, contacts excepted."""
        due = self.due
        while now_us in due:
            slot = due.index(now_us)
            due[slot] = NEVER
            self.timeouts[slot](self, now_us)
        self.soonest = min(due)

    def _several(self, now_us, changed, presses, word):
        """Changed contacts and settled presses of one instant: releases, presses, then the releases of what was pressed just now."""
        opened = changed & ~word
        self._each(self.opened, opened & ~presses, now_us)
        closed = changed & word
        down = closed | presses
        while down:
            bit = down & -down
            down ^= bit
            if presses & bit:
                self.pressed[self.switch_of[bit]](self, now_us)
            else:
                self.closed[self.switch_of[bit]](self, now_us)
        self._each(self.opened, opened & presses, now_us)

    def _each(self, functions, switches, now_us):
        while switches:
            bit = switches & -switches
            switches ^= bit
            functions[self.switch_of[bit]](self, now_us)
