"""From contact to edge: each switch is debounced by settling or by lockout, for presses and releases separately.

A lockout costs no deadline unless the contact, when it is read again, will differ from the level.
"""

from heapq import heappush

from .deadlines import SLOT_BITS
from .kinds import EDGE, NEVER
from .tempo import Tempo


class Contacts(Tempo):
    def __init__(self, slots, clock_slot, contact_slot, tables):
        Tempo.__init__(self, slots, clock_slot, tables)
        self.contact_slot = contact_slot
        self.contacts = 0
        self.level = 0
        self.locked_until = [-1] * tables.switches
        self.press_settle_us = tables.press_settle_us
        self.press_lockout_us = tables.press_lockout_us
        self.release_settle_us = tables.release_settle_us
        self.release_lockout_us = tables.release_lockout_us
        self.bit_index = {1 << s: s for s in range(tables.switches)}

    def _edges(self, now_us, expired, word):
        """Let the debouncers' ended waits (`expired`) and the changed contacts of one instant through."""
        changed = self.contacts ^ word
        self.contacts = word
        index = self.bit_index
        if not expired and changed in index:
            s = index[changed]
            edge = self._contact_changed(s, changed, now_us)
            if edge > 0:
                self._down(s, now_us)
            elif edge:
                self._up(s, now_us)
        elif not changed and expired in index:
            s = index[expired]
            edge = self._wait_ended(s, expired, now_us)
            if edge > 0:
                self._down(s, now_us)
            elif edge:
                self._up(s, now_us)
        elif expired or changed:
            self._edges_together(now_us, expired, changed)

    def _edges_together(self, now_us, expired, changed):
        presses = []
        releases = []
        late_releases = []
        for s in range(len(self.locked_until)):
            if expired >> s & 1:
                edge = self._wait_ended(s, 1 << s, now_us)
                if edge:
                    (presses if edge > 0 else releases).append(s)
        for s in range(len(self.locked_until)):
            if changed >> s & 1:
                edge = self._contact_changed(s, 1 << s, now_us)
                if edge > 0:
                    presses.append(s)
                elif edge:
                    (late_releases if s in presses else releases).append(s)
        for s in sorted(releases):
            self._up(s, now_us)
        for s in sorted(presses):
            self._down(s, now_us)
        for s in late_releases:
            self._up(s, now_us)

    def _wait_ended(self, s, bit, now_us):
        """What the end of a debounce wait lets through: 1 a press, -1 a release, 0 nothing."""
        press = not self.level & bit
        if self.locked_until[s] == now_us:
            settle_us = self.press_settle_us if press else self.release_settle_us
            if settle_us:
                self._set(self.contact_slot + s, now_us + settle_us)
                return 0
            self.locked_until[s] = now_us + (self.press_lockout_us if press else self.release_lockout_us)
        self.level ^= bit
        return 1 if press else -1

    def _contact_changed(self, s, bit, now_us):
        """What a changed contact lets through at once: 1 a press, -1 a release, 0 nothing."""
        press = self.contacts & bit
        if now_us < self.locked_until[s]:
            if (self.contacts ^ self.level) & bit:
                self._set(self.contact_slot + s, self.locked_until[s])
            else:
                self.due[self.contact_slot + s] = NEVER
            return 0
        if not (self.contacts ^ self.level) & bit:
            self.due[self.contact_slot + s] = NEVER
            return 0
        settle_us = self.press_settle_us if press else self.release_settle_us
        if settle_us:
            time_us = now_us + settle_us
            self.due[self.contact_slot + s] = time_us
            heappush(self.heap, time_us << SLOT_BITS | self.contact_slot + s)
            return 0
        self.level ^= bit
        self.locked_until[s] = now_us + (self.press_lockout_us if press else self.release_lockout_us)
        return 1 if press else -1

    def _down(self, s, now_us):
        if self.trace:
            self.out.append(now_us)
            self.out.append((s << 1 | 1) << 3 | EDGE)
        self._press(s, now_us)

    def _up(self, s, now_us):
        if self.trace:
            self.out.append(now_us)
            self.out.append(s << 1 << 3 | EDGE)
        self._release(s, now_us)
