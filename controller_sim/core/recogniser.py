"""From edge to key to gesture: groups and chords, taps that wait for a double, holds, repeats.

The rules are in reference/semantics.md, sections 3, 4 and 9; the names here are the names there.
"""

from .contacts import Contacts
from .kinds import CANCELLED, DOUBLE, ENDED, FIRED, GESTURES, NEVER, NOTHING, PRESS, RELEASE, REPEAT, TAP, UNBOUND

# What a key is in: up; formed (its group has closed, it is about to be decided); down, to which may be added that its
# press fired and that a hold, repeat or double took it; or owing only the release of a fired press.
UP = 0
FORMED = 1
DOWN = 2
PRESSED = 4
TAKEN = 8
OWING = 16

# What a waiting tap is in: its gap runs; its second press has come but may still belong to a chord.
WAITING = 1
SECOND_PRESS = 2

GROUP_SLOT = 1


class Recogniser(Contacts):
    __slots__ = (
        "choices",
        "down",
        "eager_fired",
        "eager_release",
        "gap_slot",
        "gesture_at",
        "group",
        "group_chords",
        "group_conditions",
        "group_order",
        "hold_index",
        "hold_slot",
        "key_at",
        "key_conditions",
        "key_release",
        "key_state",
        "keys",
        "masks",
        "members",
        "noted",
        "owner",
        "pressed_at",
        "repeat_slot",
        "repeats",
        "unanswered",
        "wait_at",
        "wait_double",
        "wait_state",
        "wait_tap",
        "wait_unanswered",
        "waiting",
    )

    def __init__(self, slots, clock_slot, contact_slot, tables):
        Contacts.__init__(self, slots, clock_slot, contact_slot, tables)
        keys = tables.keys
        self.keys = keys
        self.masks = tables.masks
        self.members = tables.members
        self.choices = tables.choices
        self.hold_slot = 2
        self.repeat_slot = 2 + keys
        self.gap_slot = 2 + 2 * keys

        self.down = 0
        self.unanswered = 0
        self.pressed_at = [0] * tables.switches
        self.owner = [NOTHING] * tables.switches
        self.eager_release = [NOTHING] * tables.switches
        self.eager_fired = 0

        self.group = 0
        self.group_order = []
        self.group_conditions = 0
        self.group_chords = ()
        self.noted = 0

        self.key_state = [UP] * keys
        self.key_at = [0] * keys
        self.key_conditions = [0] * keys
        self.key_release = [NOTHING] * keys
        self.hold_index = [0] * keys
        self.repeats = [0] * keys

        self.waiting = 0
        self.wait_state = [0] * keys
        self.wait_at = [0] * keys
        self.wait_tap = [NOTHING] * keys
        self.wait_double = [NOTHING] * keys
        self.wait_unanswered = [0] * keys

    def _choose(self, choice, conditions):
        """The binding that a choice stands for under conditions, or NOTHING."""
        if choice >= NOTHING:
            return choice
        for condition, binding in self.choices[-2 - choice]:
            if not condition or conditions & condition:
                return binding
        return NOTHING

    def _fire(self, binding, at_us):
        self.packed.append(self.now_us)
        self.packed.append(binding << 3 | FIRED)
        self.gesture_at = at_us
        self.actions[binding](self)
        if self.next_mode >= 0:
            self._change_mode()

    def _end_unanswered(self, switches, fate):
        for s in range(len(self.owner)):
            if switches >> s & 1:
                self.packed.append(self.now_us)
                self.packed.append((s << 2 | fate) << 3 | ENDED)

    def _makeable_chords(self, conditions, noted):
        """(key, mask) of the chords that are bound and can be made of the switches noted."""
        return [(key, mask) for key, mask, always, bits in self.chords if mask & ~noted == 0 and (always or conditions & bits)]

    def _fits(self, together):
        for _, mask in self.group_chords:
            if together & ~mask == 0:
                return True
        return False

    def _waiting_keys(self):
        return [k for k in range(self.keys) if self.waiting >> k & 1]

    def _press(self, s, now_us):
        bit = 1 << s
        self.down |= bit
        self.unanswered |= bit
        if self.waiting or self.group or self.special_switches & bit:
            self._press_among_others(s, bit, now_us)
            return
        self.owner[s] = s
        self.key_at[s] = now_us
        self.key_conditions[s] = self.read_conditions(self) if self.read_conditions else 0
        self._decide(s)

    def _press_among_others(self, s, bit, now_us):
        """A press that may join a group, close one, settle a waiting tap or fire eagerly: the full procedure."""
        self.pressed_at[s] = now_us
        changes = self.changes
        if self.waiting:
            for k in self._waiting_keys():
                if self.wait_state[k] == WAITING and not self.masks[k] & bit:
                    self._end_wait(k)
                    if self.changes != changes:
                        return
        if self.group and not self._fits(self.group | bit):
            self._close_group(now_us)
            if self.changes != changes:
                return
        if not self.group:
            self.group_conditions = self.read_conditions(self) if self.read_conditions else 0
            self.noted = ~self.down | bit
            if not self.chord_switches & bit:
                self.group_chords = ()
            elif self.plain_chords and self.down & self.chord_switches == bit:
                self.group_chords = self.plain_chords
            else:
                self.group_chords = self._makeable_chords(self.group_conditions, self.noted)
        if self.waiting and not self._settle_impossible(bit, changes):
            return
        if self.has_eager and not self._fire_eager(s, now_us, changes):
            return
        if self.group or self._fits(bit):
            self._join(s, bit, now_us)
        else:
            self.noted = 0
            if self.wait_state[s]:
                self.wait_state[s] = SECOND_PRESS
                self.due[self.gap_slot + s] = NEVER
            self._form(s, now_us, self.group_conditions)
            self._decide(s)

    def _settle_impossible(self, bit, changes):
        """Fire the waiting taps whose second press can no longer come; whether the press goes on."""
        together = self.group | bit
        for k in self._waiting_keys():
            if self.wait_state[k] != WAITING or k < len(self.owner):
                continue
            mask = self.masks[k]
            if (k, mask) not in self.group_chords or together & ~mask:
                self._end_wait(k)
                if self.changes != changes:
                    return False
        return True

    def _fire_eager(self, s, now_us, changes):
        binding = self._choose(self.bind[s * GESTURES + PRESS], self.group_conditions)
        if binding < 0 or binding not in self.eager:
            return True
        self.unanswered &= ~(1 << s)
        self.eager_fired |= 1 << s
        self.eager_release[s] = self._choose(self.bind[s * GESTURES + RELEASE], self.group_conditions)
        self._fire(binding, now_us)
        return self.changes == changes

    def _join(self, s, bit, now_us):
        if not self.group:
            self._set(GROUP_SLOT, now_us + self.chord_us)
        group = self.group = self.group | bit
        self.group_order.append(s)
        if self.waiting:
            for k in self._waiting_keys():
                if self.wait_state[k] == WAITING and self.masks[k] & ~group == 0 and self.masks[k] & bit:
                    self.wait_state[k] = SECOND_PRESS
                    self.due[self.gap_slot + k] = NEVER
        for _, mask in self.group_chords:
            if mask != group and group & ~mask == 0:
                return
        self._close_group(now_us)

    def _close_group(self, now_us):
        group = self.group
        conditions = self.group_conditions
        order = self.group_order
        self.group = 0
        self.group_order = []
        self.noted = 0
        self.due[GROUP_SLOT] = NEVER
        if len(order) == 1 and not self.waiting:
            self._form(order[0], self.pressed_at[order[0]], conditions)
            self._decide(order[0])
            return
        formed = self._partition(group, order)
        for last, k in formed:
            self._form(k, self.pressed_at[order[last]], conditions)
        changes = self.changes
        if self.waiting:
            for k in self._waiting_keys():
                if self.masks[k] & group and self.key_state[k] != FORMED:
                    self._end_wait(k)
                    if self.changes != changes:
                        return
        for _, k in formed:
            self._decide(k)
            if self.changes != changes:
                return

    def _partition(self, group, order):
        """(place of the last member in the order of presses, key) for each key that a group becomes, in that order."""
        position = {s: i for i, s in enumerate(order)}
        formed = []
        while True:
            best = None
            for k, mask in self.group_chords:
                if mask & ~group == 0:
                    last = max([position[s] for s in self.members[k]])
                    rank = (-len(self.members[k]), last, k)
                    if best is None or rank < best:
                        best = rank
            if best is None:
                break
            formed.append((best[1], best[2]))
            group &= ~self.masks[best[2]]
        formed.extend([(position[s], s) for s in order if group >> s & 1])
        return sorted(formed)

    def _form(self, k, at_us, conditions):
        for s in self.members[k]:
            self.owner[s] = k
        self.key_state[k] = FORMED
        self.key_at[k] = at_us
        self.key_conditions[k] = conditions

    def _decide(self, k):
        conditions = self.key_conditions[k]
        base = k * GESTURES
        bind = self.bind
        changes = self.changes
        double = NOTHING
        if self.wait_state[k] == SECOND_PRESS:
            double = self.wait_double[k]
            self._forget_wait(k)
        release = bind[base + RELEASE]
        self.key_release[k] = release if release >= NOTHING else self._choose(release, conditions)
        self.key_state[k] = DOWN
        if self.eager_fired >> k & 1:
            self.key_state[k] = DOWN | PRESSED
            self.key_release[k] = NOTHING
        else:
            press = bind[base + PRESS]
            if press < NOTHING:
                press = self._choose(press, conditions)
            if press >= 0:
                self.key_state[k] = DOWN | PRESSED
                self.unanswered &= ~self.masks[k]
                self._fire(press, self.key_at[k])
                if self.changes != changes:
                    return
        if double >= 0:
            self._take(k, double)
            return
        if self.holds[k]:
            self.hold_index[k] = 0
            self._next_hold(k)
        repeat = bind[base + REPEAT]
        if repeat != NOTHING and self._choose(repeat, conditions) >= 0:
            self.repeats[k] = 0
            self._set(self.repeat_slot + k, self.key_at[k] + self.repeat_us[0])

    def _next_hold(self, k):
        holds = self.holds[k]
        i = self.hold_index[k]
        while i < len(holds):
            if self._choose(holds[i][1], self.key_conditions[k]) >= 0:
                self._set(self.hold_slot + k, self.key_at[k] + holds[i][0])
                break
            i += 1
        self.hold_index[k] = i

    def _hold(self, k):
        binding = self._choose(self.holds[k][self.hold_index[k]][1], self.key_conditions[k])
        self.hold_index[k] += 1
        self._next_hold(k)
        self._take(k, binding)

    def _repeat(self, k, now_us):
        n = min(self.repeats[k] + 1, len(self.repeat_us) - 1)
        self.repeats[k] = n
        self._set(self.repeat_slot + k, now_us + self.repeat_us[n])
        self._take(k, self._choose(self.bind[k * GESTURES + REPEAT], self.key_conditions[k]))

    def _take(self, k, binding):
        self.key_state[k] |= TAKEN
        self.unanswered &= ~self.masks[k]
        self._fire(binding, self.key_at[k])

    def _release(self, s, now_us):
        bit = 1 << s
        self.down &= ~bit
        if (self.group | self.eager_fired) & bit:
            self._release_early(s, bit, now_us)
        k = self.owner[s]
        if k >= 0:
            self._key_up(k, now_us)

    def _release_early(self, s, bit, now_us):
        """The release of a switch whose group is open, or whose eager press owes it."""
        if self.group & bit:
            self._close_group(now_us)
        if self.eager_fired & bit:
            self.eager_fired &= ~bit
            binding = self.eager_release[s]
            if binding >= 0:
                self.eager_release[s] = NOTHING
                self._fire(binding, self.pressed_at[s])

    def _key_up(self, k, now_us):
        for s in self.members[k]:
            self.owner[s] = NOTHING
        due = self.due
        due[self.hold_slot + k] = due[self.repeat_slot + k] = NEVER
        state = self.key_state[k]
        self.key_state[k] = UP
        release = self.key_release[k]
        if release >= 0:
            changes = self.changes
            self.unanswered &= ~self.masks[k]
            self._fire(release, self.key_at[k])
            if self.changes != changes:
                return
        if state & (OWING | TAKEN):
            return
        tap = self.bind[k * GESTURES + TAP]
        double = self.bind[k * GESTURES + DOUBLE]
        if tap < NOTHING:
            tap = self._choose(tap, self.key_conditions[k])
        if double < NOTHING:
            double = self._choose(double, self.key_conditions[k])
        if double >= 0:
            self._wait(k, tap, double, now_us)
        elif tap >= 0:
            self.unanswered &= ~self.masks[k]
            self._fire(tap, self.key_at[k])
        elif self.unanswered & self.masks[k]:
            self._end_unanswered(self.unanswered & self.masks[k], UNBOUND)
            self.unanswered &= ~self.masks[k]

    def _wait(self, k, tap, double, now_us):
        mask = self.masks[k]
        self.waiting |= 1 << k
        self.wait_state[k] = WAITING
        self.wait_at[k] = self.key_at[k]
        self.wait_tap[k] = tap
        self.wait_double[k] = double
        self.wait_unanswered[k] = self.unanswered & mask
        self.unanswered &= ~mask
        self._set(self.gap_slot + k, now_us + self.double_us)

    def _forget_wait(self, k):
        self.waiting &= ~(1 << k)
        self.wait_state[k] = 0
        self.due[self.gap_slot + k] = NEVER

    def _end_wait(self, k):
        self._forget_wait(k)
        if self.wait_tap[k] >= 0:
            self._fire(self.wait_tap[k], self.wait_at[k])
        elif self.wait_unanswered[k]:
            self._end_unanswered(self.wait_unanswered[k], UNBOUND)

    def _wipe(self):
        """A mode change cancels all that is under way; a fired press still owes its release."""
        for k in self._waiting_keys():
            self._forget_wait(k)
            self._end_unanswered(self.wait_unanswered[k], CANCELLED)
        self.group = 0
        self.group_order = []
        self.noted = 0
        self.due[GROUP_SLOT] = NEVER
        for k in range(self.keys):
            if self.key_state[k] == UP:
                continue
            self.due[self.hold_slot + k] = NEVER
            self.due[self.repeat_slot + k] = NEVER
            if self.key_state[k] & (PRESSED | OWING) and self.key_release[k] >= 0:
                self.key_state[k] = OWING
            else:
                self.key_state[k] = UP
                for s in self.members[k]:
                    self.owner[s] = NOTHING
        self._end_unanswered(self.unanswered, CANCELLED)
        self.unanswered = 0
