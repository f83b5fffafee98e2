"""From contact to edge: each switch is debounced by settling or by lockout, for presses and releases separately.

A lockout costs no deadline unless the contact, when it is read again, will differ from the level.
"""

from .kinds import EDGE, NEVER
from .tempo import Tempo


class Contacts(Tempo):
    __slots__ = (
        "bit_index",
        "contact_slot",
        "contacts",
        "level",
        "locked_until",
        "press_lockout_us",
        "press_settle_us",
        "release_lockout_us",
        "release_settle_us",
    )

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
        presses = releases = late_releases = 0
        if expired:
            presses, releases = self._waits_ended(now_us, expired, word)
        while changed:
            bit = changed & -changed
            changed ^= bit
            s = self.bit_index[bit]
            if now_us < self.locked_until[s]:
                if (word ^ self.level) & bit:
                    self._set(self.contact_slot + s, self.locked_until[s])
                else:
                    self.due[self.contact_slot + s] = NEVER
                continue
            if not (word ^ self.level) & bit:
                self.due[self.contact_slot + s] = NEVER
                continue
            press = word & bit
            settle_us = self.press_settle_us if press else self.release_settle_us
            if settle_us:
                self._set(self.contact_slot + s, now_us + settle_us)
                continue
            self.level ^= bit
            self.locked_until[s] = now_us + (self.press_lockout_us if press else self.release_lockout_us)
            if press:
                presses |= bit
            elif presses & bit:
                late_releases |= bit
            else:
                releases |= bit
        index = self.bit_index
        if releases:
            if releases in index and not self.trace:
                self._release(index[releases], now_us)
            else:
                self._each(releases, self._release, now_us, 0)
        if presses:
            if presses in index and not self.trace:
                self._press(index[presses], now_us)
            else:
                self._each(presses, self._press, now_us, 1)
            if late_releases:
                self._each(late_releases, self._release, now_us, 0)
        if self.dirty:
            self._look()

    def _waits_ended(self, now_us, expired, word):
        """The presses and the releases that the ends of debounce waits let through."""
        presses = releases = 0
        while expired:
            bit = expired & -expired
            expired ^= bit
            press = not self.level & bit
            s = self.bit_index[bit]
            if self.locked_until[s] == now_us:
                if not (word ^ self.level) & bit:
                    continue
                settle_us = self.press_settle_us if press else self.release_settle_us
                if settle_us:
                    self._set(self.contact_slot + s, now_us + settle_us)
                    continue
                self.locked_until[s] = now_us + (self.press_lockout_us if press else self.release_lockout_us)
            self.level ^= bit
            if press:
                presses |= bit
            else:
                releases |= bit
        return presses, releases

    def _each(self, switches, happens, now_us, down):
        while switches:
            bit = switches & -switches
            switches ^= bit
            s = self.bit_index[bit]
            if self.trace:
                self.packed.append(now_us)
                self.packed.append((s << 1 | down) << 3 | EDGE)
            happens(s, now_us)
