"""The engine: advanced to an instant with the switch word seen there, it appends to `packed` what happened.

A caller's duties:
1. Time never goes back, and each instant is given once.
2. The word holds raw contacts, bit s for switch s; between two calls the contacts were those of the earlier call.
3. Take or clear `packed` when you like; nothing is read from it.
"""

from .kinds import EDGE, LED, MODE, NEVER, SPENT
from .recogniser import POWER_ON_SLOT, Recogniser


class Engine(Recogniser):
    __slots__ = (
        "cells",
        "changes",
        "delayed",
        "delayed_slot",
        "dirty",
        "display",
        "drafted",
        "leds",
        "mode",
        "next_mode",
        "notice",
        "notice_slot",
        "now_us",
        "packed",
        "show_leds",
        "show_text",
        "tables",
    )

    def __init__(self, tables, now_us=0, kept=None):
        """Power on at `now_us`; `kept` holds the values of the kept cells from before, in order."""
        self.delayed_slot = tables.delayed_slot
        self.notice_slot = tables.notice_slot
        self.tables = tables
        self.now_us = now_us
        self.packed = []
        Recogniser.__init__(self, tables)

        self.cells = list(tables.start)
        if kept is not None:
            for index, value in zip(tables.kept, kept):
                self.cells[index] = value
        self.mode = -1
        self.next_mode = -1
        self.changes = 0
        self.drafted = ()
        self.delayed = []
        self.notice = None
        self.display = ""
        self.leds = (0,) * tables.leds
        self.dirty = False
        self._load_mode()
        self._still_settling(now_us)

    def _load_mode(self):
        """Put the functions of the current mode in place; before the first mode, contacts only settle."""
        tables = self.tables
        (
            self.closed,
            self.opened,
            self.pressed,
            self.ended,
            self.become,
            self.decide,
            self.timeouts,
            self.read_conditions,
            self.show_text,
            self.show_leds,
        ) = tables.modes[self.mode if self.mode >= 0 else tables.home]
        if self.mode < 0:
            self.closed = self.opened = [Engine._still_settling] * tables.switches

    def advance(self, now_us, contacts):
        """Handle every deadline up to `now_us` at its own time, then the contacts seen at `now_us`."""
        if contacts != self.contacts or self.soonest <= now_us or self.waking <= now_us:
            self.play((now_us,), (contacts,))
        self.now_us = now_us

    def _still_settling(self, now_us):
        """Contacts that change after power-on are waited for anew."""
        self._set(POWER_ON_SLOT, now_us + max(self.tables.power_on_us, 1))

    def power_on(self, now_us):
        """The contacts have settled: what is down is spent, and the first mode is entered."""
        self.level = self.contacts
        for s in range(self.tables.switches):
            if self.level >> s & 1:
                if self.tables.trace:
                    self.packed += (now_us, (s << 1 | 1) << 3 | EDGE)
                self.end_unanswered(1 << s, SPENT, now_us)
        action = self.tables.power_on.get(self.level)
        self.next_mode = self.tables.home
        if action:
            action(self, now_us)
        self.change_mode(now_us)

    def send_delayed(self, now_us):
        """The first delayed message is due."""
        self.packed += (now_us, self.delayed.pop(0)[1])
        if self.delayed:
            self._set(self.delayed_slot, self.delayed[0][0])

    def end_notice(self, now_us):
        """The display is to be seen again."""
        self.notice = None
        self.dirty = True

    def change_mode(self, now_us):
        """Go where the action that has just run wants to go, and on from there if the new mode's own action wants so."""
        tables = self.tables
        while self.next_mode >= 0:
            if self.mode >= 0:
                self._leave(now_us)
            self.mode = mode = self.next_mode
            self.next_mode = -1
            self.packed += (now_us, mode << 3 | MODE)
            self._load_mode()
            if tables.draft[mode]:
                self.save_draft()
            for slot, period_us in tables.timers[mode]:
                self._set(slot, now_us + period_us)
            if tables.enter[mode]:
                tables.enter[mode](self, now_us)
        self.changes += 1
        self.dirty = True

    def _leave(self, now_us):
        tables = self.tables
        mode = self.mode
        if tables.leave[mode]:
            tables.leave[mode](self, now_us)
        if self.drafted:
            if not tables.draft_saves[mode]:
                self.cancel_draft()
            self.drafted = ()
        self._wipe(now_us)
        for slot, _ in tables.timers[mode]:
            self.due[slot] = NEVER

    def save_draft(self):
        """Make the drafted cells' present values the ones that cancelling restores and power-off keeps."""
        cells = self.cells
        self.drafted = tuple([cells[i] for i in self.tables.draft[self.mode]])
        self.dirty = True

    def cancel_draft(self):
        """Give the drafted cells back the values they had on entering the mode, or at the last save."""
        for i, value in zip(self.tables.draft[self.mode], self.drafted):
            self.cells[i] = value
        self.dirty = True

    def changed(self, first, count):
        """1 when one of `count` elements of a cell, from flat index `first` on, is drafted and differs from its snapshot, else 0."""
        if self.drafted:
            place = self.tables.draft_places[self.mode].get(first)
            if place is not None:
                return 1 if tuple(self.cells[first : first + count]) != self.drafted[place : place + count] else 0
        return 0

    def draft_changed(self):
        """1 when anything drafted differs from its snapshot, else 0."""
        cells = self.cells
        for i, value in zip(self.tables.draft[self.mode], self.drafted):
            if cells[i] != value:
                return 1
        return 0

    def restart_timer(self, timer, now_us):
        """Let a timer of the current mode count anew from now; nothing where the mode has no such timer."""
        if self.mode >= 0:
            timers = self.tables.timers[self.mode]
            if timer < len(timers):
                slot, period_us = timers[timer]
                self._set(slot, now_us + period_us)

    def send_later(self, delay_us, item, now_us):
        """Put a message in the queue; when it is full, the one due first leaves now."""
        queue = self.delayed
        if len(queue) >= self.tables.delayed_messages:
            self.packed += (now_us, queue.pop(0)[1])
        due_us = now_us + delay_us
        place = len(queue)
        while place and queue[place - 1][0] > due_us:
            place -= 1
        queue.insert(place, (due_us, item))
        self._set(self.delayed_slot, queue[0][0])

    def show_notice(self, text, duration_us, now_us):
        """Cover the display with a text for a time."""
        self.notice = text
        self._set(self.notice_slot, now_us + duration_us)
        self.dirty = True

    def _look(self, now_us):
        """Put out what display and LEDs show differently from before."""
        self.dirty = False
        if self.show_text:
            text = self.show_text(self) if self.notice is None else self.notice
            if text != self.display:
                self.display = text
                self.packed += (now_us, text)
        leds = self.show_leds(self)
        if leds != self.leds:
            old = self.leds
            self.leds = leds
            for i, value in enumerate(leds):
                if value != old[i]:
                    self.packed += (now_us, (i << 8 | value) << 3 | LED)

    def kept(self):
        """What survives power-off now: the kept cells, drafted ones as they were before the draft."""
        cells = list(self.cells)
        if self.mode >= 0:
            for i, value in zip(self.tables.draft[self.mode], self.drafted):
                cells[i] = value
        return tuple([cells[i] for i in self.tables.kept])
