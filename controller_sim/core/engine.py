"""The engine: advanced to an instant with the switch word seen there, it appends to `packed` what happened.

A caller's duties:
1. Time never goes back, and each instant is given once.
2. The word says which switches are down, bit s for switch s; between two calls they were those of the earlier call. Whoever
   reads pins where some contacts open when pressed turns the bits of `tables.opening` over.
3. `arrived` holds what came at that instant besides, packed as kinds.py says, in the order in which it came.
4. Take or clear `packed` when you like, but call `note_sent` before; nothing else is read from it.
"""

from .arrivals import Arrivals
from .kinds import EDGE, LED, MODE, NEVER, RESTARTED, SPENT, lets_go, same_note
from .recogniser import POWER_ON_SLOT

NOT_RESTARTING = 0
ASKED_TO_RESTART = 1
RESTARTING = 2


class Engine(Arrivals):
    __slots__ = (
        "cells",
        "changes",
        "delayed",
        "dirty",
        "display",
        "drafted",
        "entered",
        "leds",
        "left",
        "mode",
        "next_mode",
        "notice",
        "now_us",
        "packed",
        "restarting",
        "show_leds",
        "show_text",
        "tables",
    )

    def __init__(self, tables, now_us=0, kept=None):
        """Power on at `now_us`; `kept` holds the values of the kept cells from before, in order."""
        self.tables = tables
        self.now_us = now_us
        self.packed = []
        Arrivals.__init__(self, tables)

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
        self.restarting = NOT_RESTARTING
        self._load_mode()
        self._still_settling(now_us)

    def _load_mode(self):
        """Put the functions of the current mode in place."""
        tables = self.tables
        (
            self.pressed,
            self.released,
            self.entered,
            self.left,
            self.become,
            self.decide,
            self.timeouts,
            self.read_conditions,
            self.show_text,
            self.show_leds,
        ) = tables.modes[self.mode if self.mode >= 0 else tables.home]

    def play(self, times_us, words):
        """Advance through two equally long columns: instants, rising, and the contacts seen at each."""
        self.tables.play(self, times_us, words)

    def advance(self, now_us, contacts, arrived=()):
        """Handle every deadline up to `now_us` at its own time, then the contacts seen at `now_us`, then what arrived."""
        if arrived:
            self._advance_to_arrivals(now_us, contacts, arrived)
        elif contacts != self.contacts or self.soonest <= now_us or self.waking <= now_us:
            self.tables.play(self, (now_us,), (contacts,))
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
        self.next_mode = self.tables.home
        self.blind = self.listening
        for action in (self.tables.power_on.get(self.level), self.tables.every_power_on):
            if action:
                action(self, now_us)
        self.change_mode(now_us)
        self._first_moves(now_us)

    def send_delayed(self, now_us):
        """The first delayed message is due."""
        self.packed += (now_us, self.delayed[0][1])
        self._set_queue(self.delayed[1:])

    def end_notice(self, now_us):
        """The display is to be seen again."""
        self.notice = None
        self.dirty = True

    def change_mode(self, now_us):
        """Go where the action that has just run wants to go, and on from there if the new mode's own action wants so."""
        if self.restarting == RESTARTING:
            self.next_mode = -1
        while self.next_mode >= 0:
            if self.mode >= 0:
                self.left(self, now_us)
            self.mode = self.next_mode
            self.next_mode = -1
            self.packed += (now_us, self.mode << 3 | MODE)
            self._load_mode()
            if self.entered:
                self.entered(self, now_us)
        self.changes += 1
        self.dirty = True

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

    def factory_values(self, ranges):
        """Give the elements of some ranges (from, to) of the memory their first values, also those that cancelling restores."""
        start = self.tables.start
        for low, high in ranges:
            self.cells[low:high] = start[low:high]
        if self.drafted:
            drafted = list(self.drafted)
            for place, i in enumerate(self.tables.draft[self.mode]):
                for low, high in ranges:
                    if low <= i < high:
                        drafted[place] = start[i]
            self.drafted = tuple(drafted)

    def restart(self):
        """Begin again as at power-on, at the end of this instant."""
        self.restarting = ASKED_TO_RESTART
        self.dirty = True

    def _restart(self, now_us):
        """Leave the mode, let go of what sounds, and begin again with what is kept and the contacts as they are."""
        self.restarting = RESTARTING
        self.left(self, now_us)
        self.save_draft()
        self._pay_releases(now_us)
        self.save_draft()
        self.cancel_delayed(now_us)
        packed, contacts, display, leds = self.packed, self.contacts, self.display, self.leds
        Engine.__init__(self, self.tables, now_us, self.kept())
        self.packed = packed
        self.contacts = contacts
        packed += (now_us, RESTARTED)
        if display:
            packed += (now_us, "")
        for i, value in enumerate(leds):
            if value:
                packed += (now_us, i << 8 << 3 | LED)

    def _pay_releases(self, now_us):
        """Fire the releases that fired presses still owe, as if every foot were lifted; modes asked for are not entered."""
        for s in range(len(self.eager_release)):
            if self.eager_fired >> s & 1 and self.eager_release[s] >= 0:
                self.fire_at(self.eager_release[s], self.group_at[s], now_us)
        for k in self._bits(self.owing):
            self.fire_at(self.owed[k], self.key_at[k], now_us)

    def send_later(self, delay_us, item, now_us):
        """Put a message in the queue; when it is full, the one due first leaves now.

        An entry is (due, item, the mode whose end cancels it or -1).
        """
        queue = self.delayed
        if len(queue) >= self.tables.delayed_messages:
            self.packed += (now_us, queue.pop(0)[1])
        due_us = now_us + delay_us
        place = len(queue)
        while place and queue[place - 1][0] > due_us:
            place -= 1
        mode = self.mode
        queue.insert(place, (due_us, item, mode if mode >= 0 and self.tables.delayed_cancels[mode] else -1))
        self._set_queue(queue)

    def cancel_delayed(self, now_us, mode=-1):
        """Drop the delayed messages that wait, all of them or those of a mode; note-offs among them leave now."""
        stay = []
        for entry in self.delayed:
            if mode >= 0 and entry[2] != mode:
                stay.append(entry)
            elif lets_go(entry[1]):
                self.packed += (now_us, entry[1])
        self._set_queue(stay)

    def hasten(self, item, now_us):
        """When this note-off waits in the queue, and no note-on of its note before it, it leaves now."""
        for place, entry in enumerate(self.delayed):
            if same_note(entry[1], item):
                return
            if entry[1] == item:
                self.packed += (now_us, item)
                self._set_queue(self.delayed[:place] + self.delayed[place + 1 :])
                return

    def _set_queue(self, queue):
        self.delayed = queue
        if queue:
            self._set(self.tables.delayed_slot, queue[0][0])
        elif self.tables.delayed_slot >= 0:
            self.due[self.tables.delayed_slot] = NEVER

    def show_notice(self, text, duration_us, now_us):
        """Cover the display with a text for a time."""
        self.notice = text
        self._set(self.tables.notice_slot, now_us + duration_us)
        self.dirty = True

    def _look(self, now_us):
        """Put out what display and LEDs show differently from before."""
        if self.blind:
            return
        self.dirty = False
        if self.restarting:
            self._restart(now_us)
            return
        if self.show_text:
            text = self.show_text(self) if self.notice is None else self.notice
            if text != self.display:
                self.display = text
                self.packed += (now_us, text)
        self.show_leds(self, now_us)

    def saved(self):
        """All cells, drafted ones as they were before the draft."""
        cells = list(self.cells)
        if self.mode >= 0:
            for i, value in zip(self.tables.draft[self.mode], self.drafted):
                cells[i] = value
        return cells

    def kept(self):
        """What survives power-off now: the kept cells, drafted ones as they were before the draft."""
        cells = self.saved()
        return tuple([cells[i] for i in self.tables.kept])
