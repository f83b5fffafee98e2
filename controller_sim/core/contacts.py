"""From contact to edge: each switch is debounced by settling or by lockout, for presses and releases separately.

What a contact's change means is in the design's own functions, one for each switch: `closed` and `opened` take a change of
the contact, `ended` the end of a wait, and `pressed` a press that has settled and was postponed until the releases of its
instant were handled. The functions of the current mode are in place. Here is only the order: everything that is due, each at
its own time, then the changes of an instant, releases before presses.
"""

from .kinds import NEVER
from .tempo import Tempo


class Contacts(Tempo):
    __slots__ = (
        "closed",
        "contacts",
        "ended",
        "level",
        "locked_until",
        "opened",
        "postponed",
        "press_settles",
        "pressed",
        "switch_of",
        "timeouts",
    )

    def __init__(self, tables):
        Tempo.__init__(self, tables)
        self.contacts = 0
        self.postponed = 0
        self.level = 0
        self.locked_until = [-1] * tables.switches
        self.press_settles = tables.press_settles
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
                    self._several(now_us, changed, word)
            contacts = word
            if self.dirty:
                self._look(now_us)
        self.contacts = contacts
        self.now_us = now_us

    def _run_to(self, now_us, changed, word):
        """Let everything due until `now_us` happen. What is left to be treated as changed at `now_us` is returned."""
        due = self.contact_due
        at_us = self.waking
        if at_us not in due:
            at_us = min(due)
        while True:
            if self.soonest <= at_us:
                if self.soonest > now_us:
                    break
                instant_us = self.soonest
                self._time_out(instant_us)
                if instant_us != at_us:
                    if self.dirty and instant_us < now_us:
                        self._look(instant_us)
                        at_us = min(due)
                    continue
            elif at_us > now_us:
                break
            instant_us = at_us
            while at_us == instant_us:
                s = due.index(at_us)
                due[s] = NEVER
                self.ended[s](self, at_us)
                at_us = min(due)
            if instant_us == now_us:
                if self.postponed:
                    self._several(now_us, changed, word)
                    changed = 0
                    at_us = min(due)
            else:
                if self.postponed:
                    self._several(instant_us, 0, self.contacts)
                    at_us = min(due)
                if self.dirty:
                    self._look(instant_us)
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

    def _several(self, now_us, changed, word):
        """All edges of one instant in order: releases, presses, then the releases of what was pressed just now.

        Postponed until here are presses that have settled, and contacts that are read again because their lockout has ended.
        """
        switch_of = self.switch_of
        presses = 0
        if self.postponed:
            if self.press_settles:
                presses = self.postponed & ~self.level
            changed |= self.postponed & ~presses
            self.postponed = 0
        opened = changed & ~word
        late = opened & presses
        opened ^= late
        while opened:
            bit = opened & -opened
            opened ^= bit
            self.opened[switch_of[bit]](self, now_us)
        closed = changed & word | presses
        while closed:
            bit = closed & -closed
            closed ^= bit
            if presses & bit:
                self.pressed[switch_of[bit]](self, now_us)
            else:
                self.closed[switch_of[bit]](self, now_us)
        while late:
            bit = late & -late
            late ^= bit
            self.opened[switch_of[bit]](self, now_us)
