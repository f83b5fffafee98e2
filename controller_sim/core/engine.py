"""The engine: advanced to an instant with the switch word seen there, it appends to `packed` what happened.

A caller's duties:
1. Time never goes back, and each instant is given once.
2. The word says which switches are down, bit s for switch s; between two calls they were those of the earlier call. Whoever
   reads pins where some contacts open when pressed turns the bits of `tables.opening` over.
3. `arrived` holds what came at that instant besides, packed as kinds.py says, in the order in which it came.
4. Take or clear `packed` when you like; nothing is read from it.
"""

from heapq import heappop

from .arrivals import Arrivals
from .deadlines import SLOT_BITS, SLOT_MASK
from .kinds import CLOCK_MESSAGE, LED, MODE, NEVER, SPENT, message_item
from .recogniser import GROUP_SLOT

POWER_ON_SLOT = 0


class Engine(Arrivals):
    __slots__ = (
        "actions",
        "bind",
        "blind",
        "booting",
        "cells",
        "changes",
        "chord_switches",
        "chord_us",
        "chords",
        "clock_item",
        "delayed",
        "delayed_slot",
        "dirty",
        "display",
        "double_us",
        "drafted",
        "eager",
        "has_eager",
        "holds",
        "leds",
        "mode",
        "next_mode",
        "notice",
        "notice_slot",
        "now_us",
        "packed",
        "plain_chords",
        "read_conditions",
        "repeat_us",
        "show_leds",
        "show_text",
        "special_switches",
        "tables",
        "timer_slot",
        "trace",
    )

    def __init__(self, tables, now_us=0, kept=None, trace=False):
        """Power on at `now_us`; `kept` holds the values of the kept cells from before, in order."""
        timer_slot = 2 + 3 * tables.keys
        clock_slot = timer_slot + tables.timer_slots + 1
        contact_slot = clock_slot + 2 + len(tables.pedals)
        self.now_us = now_us
        self.trace = trace
        self.packed = []
        Arrivals.__init__(self, contact_slot + tables.switches, clock_slot, contact_slot, tables)
        self._await_arrivals(tables, clock_slot + 2)
        self.tables = tables
        self.timer_slot = timer_slot
        self.delayed_slot = clock_slot - 1
        self.notice_slot = clock_slot + 1
        self.chord_us = tables.chord_us
        self.double_us = tables.double_us
        self.repeat_us = tables.repeat_us
        self.actions = tables.actions
        self.eager = tables.eager
        self.clock_item = message_item(tables.clock_ports, (CLOCK_MESSAGE,))

        self.cells = list(tables.start)
        if kept is not None:
            for index, value in zip(tables.kept, kept):
                self.cells[index] = value
        self.mode = -1
        self.next_mode = -1
        self.changes = 0
        self.gesture_at = now_us
        self.drafted = ()
        self.delayed = []
        self.notice = None
        self.display = ""
        self.leds = (0,) * tables.leds
        self.dirty = False
        self.booting = True
        self._set(POWER_ON_SLOT, now_us + max(tables.power_on_us, 1))
        self._load_mode()

    def _load_mode(self):
        """Point at the tables of the current mode; before the first mode nothing is bound."""
        tables = self.tables
        mode = self.mode if self.mode >= 0 else tables.home
        self.blind = self.mode < 0 or self.arriving
        self.bind = tables.bind[mode]
        self.holds = tables.holds[mode]
        self.chords = tables.chords[mode]
        self.chord_switches = tables.chord_switches[mode]
        self.plain_chords = tables.plain_chords[mode]
        self.read_conditions = tables.conditions[mode]
        self.has_eager = tables.eager_modes[mode]
        self.special_switches = -1 if self.has_eager else self.chord_switches
        self.show_text = tables.display[mode]
        self.show_leds = tables.led_values[mode]

    def advance(self, now_us, contacts, arrived=()):
        """Handle every deadline up to `now_us` at its own time, then the contacts seen at `now_us`, then what arrived."""
        if arrived:
            self._advance_to_arrivals(now_us, contacts, arrived)
            return
        heap = self.heap
        if heap and heap[0] >> SLOT_BITS <= now_us:
            self._run_to(now_us, contacts)
        elif contacts != self.contacts:
            self.now_us = now_us
            self._instant(now_us, 0, contacts)
        self.now_us = now_us

    def play(self, times_us, words):
        """Advance through two equally long columns; faster than as many calls of `advance`."""
        heap = self.heap
        now_us = self.now_us
        for now_us, contacts in zip(times_us, words):
            if self.booting or (heap and heap[0] >> SLOT_BITS <= now_us):
                self._run_to(now_us, contacts)
            elif contacts != self.contacts:
                self.now_us = now_us
                self._edges(now_us, 0, contacts)
        self.now_us = now_us

    def _run_to(self, now_us, contacts):
        heap = self.heap
        due = self.due
        contact_slot = self.contact_slot
        end = now_us + 1 << SLOT_BITS
        while heap and heap[0] < end:
            entry = heappop(heap)
            time_us = entry >> SLOT_BITS
            slot = entry & SLOT_MASK
            if due[slot] != time_us:
                continue
            due[slot] = NEVER
            self.now_us = time_us
            expired = 0
            if slot < contact_slot:
                self._timeout(slot, time_us)
            else:
                expired = 1 << slot - contact_slot
            next_instant = time_us + 1 << SLOT_BITS
            while heap and heap[0] < next_instant:
                slot = heappop(heap) & SLOT_MASK
                if due[slot] != time_us:
                    continue
                due[slot] = NEVER
                if slot < contact_slot:
                    self._timeout(slot, time_us)
                else:
                    expired |= 1 << slot - contact_slot
            if time_us == now_us:
                self._instant(time_us, expired, contacts)
            elif expired or self.dirty:
                self._instant(time_us, expired, self.contacts)
        if contacts != self.contacts:
            self.now_us = now_us
            self._instant(now_us, 0, contacts)

    def _instant(self, now_us, expired, contacts):
        if self.booting:
            if contacts != self.contacts:
                self.contacts = contacts
                self._set(POWER_ON_SLOT, now_us + max(self.tables.power_on_us, 1))
            if self.dirty:
                self._look()
        else:
            self._edges(now_us, expired, contacts)

    def _timeout(self, slot, now_us):
        if slot >= self.timer_slot:
            self._late_timeout(slot, now_us)
        elif slot >= self.gap_slot:
            self._end_wait(slot - self.gap_slot)
        elif slot >= self.repeat_slot:
            self._repeat(slot - self.repeat_slot, now_us)
        elif slot >= self.hold_slot:
            self._hold(slot - self.hold_slot)
        elif slot == GROUP_SLOT:
            self._close_group(now_us)
        else:
            self._power_on(now_us)

    def _late_timeout(self, slot, now_us):
        if slot < self.delayed_slot:
            period_us, every, action = self.tables.timers[self.mode][slot - self.timer_slot]
            if every:
                self._set(slot, now_us + period_us)
            action(self)
            if self.next_mode >= 0:
                self._change_mode()
        elif slot == self.delayed_slot:
            self.packed.append(now_us)
            self.packed.append(self.delayed.pop(0)[1])
            if self.delayed:
                self._set(slot, self.delayed[0][0])
        elif slot == self.clock_slot:
            self.packed.append(now_us)
            self.packed.append(self.clock_item)
            self._tick()
        elif slot == self.notice_slot:
            self.notice = None
            self.dirty = True
        else:
            self._rest_ended(slot - self.pedal_slot)

    def _power_on(self, now_us):
        self.booting = False
        self.level = self.contacts
        self._each(self.contacts, self._spend, now_us, 1)
        action = self.tables.power_on.get(self.down)
        self.next_mode = self.tables.home
        if action:
            action(self)
        self._change_mode()
        self._first_moves()

    def _spend(self, s, now_us):
        self.down |= 1 << s
        self._end_unanswered(1 << s, SPENT)

    def _change_mode(self):
        tables = self.tables
        while self.next_mode >= 0:
            if self.mode >= 0:
                self._leave()
            self.mode = self.next_mode
            self.next_mode = -1
            self.packed.append(self.now_us)
            self.packed.append(self.mode << 3 | MODE)
            self._load_mode()
            self.save_draft()
            for i, (period_us, _, _) in enumerate(tables.timers[self.mode]):
                self._set(self.timer_slot + i, self.now_us + period_us)
            enter = tables.enter[self.mode]
            if enter:
                enter(self)
        self.changes += 1
        self.dirty = True

    def _leave(self):
        tables = self.tables
        leave = tables.leave[self.mode]
        if leave:
            leave(self)
        if not tables.draft_saves[self.mode]:
            self.cancel_draft()
        self._wipe()
        for i in range(tables.timer_slots):
            self.due[self.timer_slot + i] = NEVER

    def save_draft(self):
        """Make the drafted cells' present values the ones that cancelling restores and power-off keeps."""
        cells = self.cells
        self.drafted = tuple([cells[i] for i in self.tables.draft[self.mode]])

    def cancel_draft(self):
        """Give the drafted cells back the values they had on entering the mode, or at the last save."""
        for i, value in zip(self.tables.draft[self.mode], self.drafted):
            self.cells[i] = value
        self.dirty = True

    def send_later(self, delay_us, item):
        """Put a message in the queue; when it is full, the one due first leaves now."""
        queue = self.delayed
        if len(queue) >= self.tables.delayed_messages:
            self.packed.append(self.now_us)
            self.packed.append(queue.pop(0)[1])
        due_us = self.now_us + delay_us
        place = len(queue)
        while place and queue[place - 1][0] > due_us:
            place -= 1
        queue.insert(place, (due_us, item))
        self._set(self.delayed_slot, queue[0][0])

    def show_notice(self, text, duration_us):
        """Cover the display with a text for a time."""
        self.notice = text
        self._set(self.notice_slot, self.now_us + duration_us)
        self.dirty = True

    def _look(self):
        if self.blind:
            return
        self.dirty = False
        out = self.packed
        text = self.show_text(self) if self.notice is None else self.notice
        if text != self.display:
            self.display = text
            out.append(self.now_us)
            out.append(text)
        leds = self.show_leds(self)
        if leds != self.leds:
            for i, value in enumerate(leds):
                if value != self.leds[i]:
                    out.append(self.now_us)
                    out.append((i << 8 | value) << 3 | LED)
            self.leds = leds

    def kept(self):
        """What survives power-off now: the kept cells, drafted ones as they were before the draft."""
        cells = list(self.cells)
        if self.mode >= 0:
            for i, value in zip(self.tables.draft[self.mode], self.drafted):
                cells[i] = value
        return tuple([cells[i] for i in self.tables.kept])
