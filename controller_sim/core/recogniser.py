"""From edge to key to gesture: groups and chords, taps that wait for a double, holds, repeats.

The rules are in reference/semantics.md, sections 3, 4 and 9; the names here are the names there. What a press decides and
what a release fires is written out for each switch and mode in the design's own functions (design/handlers.py); here is
what they share. Masks of keys and of switches are integers, bit k or s.
"""

from .contacts import Contacts
from .kinds import CANCELLED, ENDED, NEVER, NOTHING, UNBOUND

# What a waiting tap is in: its gap runs; its second press has come but may still belong to a chord.
WAITING = 1
SECOND_PRESS = 2

POWER_ON_SLOT = 0
GROUP_SLOT = 1
FIRST_KEY_SLOT = 2


class Recogniser(Contacts):
    """State of switches and keys.

    live                 keys that are down and that nothing has taken: going up, they tap
    owing, owed[key]     keys whose going up fires a release, and which binding that is
    lapsing              of these, the keys that no press was fired for: a mode change lets them off
    answered             switches whose press has fired something though their key is live or not yet formed
    arriving             a switch whose press is being handled but that is not in a group or key yet
    owner[switch]        the key that a switch of some chord is part of
    """

    __slots__ = (
        "answered",
        "arriving",
        "become",
        "chord_us",
        "decide",
        "eager_fired",
        "eager_release",
        "fire",
        "gap_slots",
        "gesture_at",
        "group",
        "group_at",
        "group_chords",
        "group_conditions",
        "group_order",
        "hold_index",
        "key_at",
        "key_conditions",
        "lapsing",
        "live",
        "masks",
        "members",
        "owed",
        "owing",
        "owner",
        "read_conditions",
        "repeat_us",
        "repeats",
        "wait_at",
        "wait_double",
        "wait_state",
        "wait_tap",
        "wait_unanswered",
        "waiting",
    )

    def __init__(self, tables):
        Contacts.__init__(self, tables)
        keys = len(tables.masks)
        self.masks = tables.masks
        self.members = tables.members
        self.gap_slots = tables.gap_slots
        self.repeat_us = tables.repeat_us
        self.chord_us = tables.chord_us
        self.fire = tables.fire
        self.gesture_at = 0

        self.live = 0
        self.owing = 0
        self.lapsing = 0
        self.answered = 0
        self.arriving = 0
        self.owed = [NOTHING] * keys
        self.owner = [NOTHING] * tables.switches
        self.eager_release = [NOTHING] * tables.switches
        self.eager_fired = 0

        self.group = 0
        self.group_order = ()
        self.group_at = [0] * tables.switches
        self.group_conditions = 0
        self.group_chords = ()

        self.key_at = [0] * keys
        self.key_conditions = [0] * keys
        self.hold_index = [0] * keys
        self.repeats = [0] * keys

        self.waiting = 0
        self.wait_state = [0] * keys
        self.wait_at = [0] * keys
        self.wait_tap = [NOTHING] * keys
        self.wait_double = [NOTHING] * keys
        self.wait_unanswered = [0] * keys

    def fire_at(self, binding, at_us, now_us):
        """Fire the binding of a gesture whose physical press was at `at_us`."""
        self.gesture_at = at_us
        self.fire[binding](self, now_us)

    def end_unanswered(self, switches, fate, now_us):
        while switches:
            bit = switches & -switches
            switches ^= bit
            self.packed += (now_us, (self.switch_of[bit] << 2 | fate) << 3 | ENDED)

    def _bits(self, keys):
        """The keys of a mask, lowest first."""
        return [k for k in range(len(self.masks)) if keys >> k & 1]

    def makeable(self, chords, bit):
        """((key, mask), ...) of the chords that a group opened by the switch of `bit` can become, in whole or in part.

        They are bound under the group's conditions and need only switches that are up, and `bit`; none where none contains `bit`.
        """
        held = self.level & ~bit
        conditions = self.group_conditions
        made = tuple([(key, mask) for key, mask, always, bits in chords if not mask & held and (always or conditions & bits)])
        for _, mask in made:
            if mask & bit:
                return made
        return ()

    def fits(self, switches):
        """Whether one chord that the open group can become contains all of `switches`."""
        for _, mask in self.group_chords:
            if not switches & ~mask:
                return True
        return False

    def press_step_by_step(self, s, chords, eager, release, now_us):
        """A press in a mode with doubles or eager presses; `eager` and `release` are bound to the switch, or NOTHING."""
        bit = 1 << s
        changes = self.changes
        self.answered &= ~bit
        self.arriving = bit
        if self.waiting:
            for k in self._bits(self.waiting):
                if self.wait_state[k] == WAITING and not self.masks[k] & bit:
                    self.end_wait(k, now_us)
                    if self.changes != changes:
                        return
        if self.group and not self.fits(self.group | bit):
            self.close_group(now_us)
            if self.changes != changes:
                return
        if not self.group:
            self.group_conditions = self.read_conditions(self) if self.read_conditions else 0
            self.group_chords = self.makeable(chords, bit)
        if self.waiting and not self._settle_impossible(bit, changes, now_us):
            return
        if eager != NOTHING and not self._fire_eager(s, eager, release, changes, now_us):
            return
        self.arriving = 0
        if self.group or self.group_chords:
            self.join(s, bit, now_us)
        else:
            if self.wait_state[s]:
                self.wait_state[s] = SECOND_PRESS
                self.due[self.gap_slots[s]] = NEVER
            self.become[s](self, now_us, now_us)

    def _settle_impossible(self, bit, changes, now_us):
        """Fire the waiting taps whose second press can no longer come; whether the press goes on."""
        together = self.group | bit
        for k in self._bits(self.waiting):
            if self.wait_state[k] != WAITING or k < len(self.owner):
                continue
            mask = self.masks[k]
            if (k, mask) not in self.group_chords or together & ~mask:
                self.end_wait(k, now_us)
                if self.changes != changes:
                    return False
        return True

    def _fire_eager(self, s, eager, release, changes, now_us):
        conditions = self.group_conditions
        binding = self.choose(eager, conditions)
        if binding not in self.tables.eager:
            return True
        self.answered |= 1 << s
        self.arriving = 0
        self.eager_fired |= 1 << s
        self.eager_release[s] = self.choose(release, conditions)
        self.group_at[s] = now_us
        self.fire_at(binding, now_us, now_us)
        return self.changes == changes

    def interrupted(self, bit, now_us):
        """Close the group that a press cannot join; whether a mode change has swallowed the press."""
        changes = self.changes
        self.arriving = bit
        self.timeouts[GROUP_SLOT](self, now_us)
        self.arriving = 0
        return self.changes != changes

    def open_group(self, s, bit, chords, now_us):
        """Open a group for a switch; `chords` are the keys and masks that the group can become."""
        self.group_chords = chords
        self.group = bit
        self.group_order = (s,)
        self.group_at[s] = now_us
        self.due[GROUP_SLOT] = until_us = now_us + self.chord_us
        if until_us < self.soonest:
            self.soonest = until_us

    def join(self, s, bit, now_us):
        """A press that fits goes into the group, and opens it if need be; the group closes if no larger chord can be completed."""
        if not self.group:
            self.open_group(s, bit, self.group_chords, now_us)
        else:
            self.group |= bit
            self.group_order += (s,)
            self.group_at[s] = now_us
        group = self.group
        if self.waiting:
            for k in self._bits(self.waiting):
                if self.wait_state[k] == WAITING and not self.masks[k] & ~group and self.masks[k] & bit:
                    self.wait_state[k] = SECOND_PRESS
                    self.due[self.gap_slots[k]] = NEVER
        for _, mask in self.group_chords:
            if mask != group and not group & ~mask:
                if self.waiting:
                    self._settle_excluded(now_us)
                return
        self.close_group(now_us)

    def _settle_excluded(self, now_us):
        """Fire the waiting taps whose second press is in the group, but whose key the group as it is now would not become."""
        formed = [k for _, k in self._partition(self.group, self.group_order, self.group_chords)]
        changes = self.changes
        for k in self._bits(self.waiting):
            if self.wait_state[k] == SECOND_PRESS and k not in formed:
                self.end_wait(k, now_us)
                if self.changes != changes:
                    return

    def close_group(self, now_us):
        group = self.group
        order = self.group_order
        chords = self.group_chords
        self.group = 0
        self.group_order = self.group_chords = ()
        self.due[GROUP_SLOT] = NEVER
        last = order[-1]
        if not self.waiting:
            if len(order) == 1:
                self.become[last](self, self.group_at[last], now_us)
                return
            for k, mask in chords:
                if mask == group:
                    self.become[k](self, self.group_at[last], now_us)
                    return
        formed = self._partition(group, order, chords)
        became = 0
        for place, k in formed:
            self._form(k, self.group_at[order[place]])
            became |= 1 << k
        changes = self.changes
        for k in self._bits(self.waiting & ~became):
            if self.masks[k] & group:
                self.end_wait(k, now_us)
                if self.changes != changes:
                    return
        for _, k in formed:
            self.decide[k](self, self.key_at[k], now_us)
            if self.changes != changes:
                return

    def _partition(self, group, order, chords):
        """(place of the last member in the order of presses, key) for each key that a group becomes, in that order."""
        position = {s: i for i, s in enumerate(order)}
        formed = []
        while True:
            best = None
            for k, mask in chords:
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

    def _form(self, k, at_us):
        """The switches of a key are now its own; it is yet to be decided."""
        for s in self.tables.owned[k]:
            self.owner[s] = k
        self.live |= 1 << k
        self.key_at[k] = at_us
        self.key_conditions[k] = self.group_conditions

    def choose(self, choice, conditions):
        """The binding that a choice stands for under conditions, or NOTHING."""
        if choice >= NOTHING:
            return choice
        for condition, binding in self.tables.choices[-2 - choice]:
            if not condition or conditions & condition:
                return binding
        return NOTHING

    def second_press(self, k):
        """The binding of the double that the press of a key completes, or NOTHING; its tap waits no longer."""
        if self.wait_state[k] != SECOND_PRESS:
            return NOTHING
        self._forget_wait(k)
        return self.wait_double[k]

    def next_hold(self, k, i, slot, holds):
        """Wait for the first of the holds from the i-th on, ((duration_us, choice), ...), that is bound for the key."""
        while i < len(holds):
            if self.choose(holds[i][1], self.key_conditions[k]) >= 0:
                self._set(slot, self.key_at[k] + holds[i][0])
                break
            i += 1
        self.hold_index[k] = i

    def hold(self, k, slot, holds, now_us):
        """The hold that a key waited for has come."""
        binding = self.choose(holds[self.hold_index[k]][1], self.key_conditions[k])
        self.next_hold(k, self.hold_index[k] + 1, slot, holds)
        self.live &= ~(1 << k)
        self.fire_at(binding, self.key_at[k], now_us)

    def repeat(self, k, slot, choice, now_us):
        """A key repeats, and will again."""
        n = min(self.repeats[k] + 1, len(self.repeat_us) - 1)
        self.repeats[k] = n
        self._set(slot, now_us + self.repeat_us[n])
        self.live &= ~(1 << k)
        self.fire_at(self.choose(choice, self.key_conditions[k]), self.key_at[k], now_us)

    def release_early(self, s, now_us):
        """The release that an eager press owes when its switch goes up."""
        self.eager_fired &= ~(1 << s)
        binding = self.eager_release[s]
        if binding >= 0:
            self.eager_release[s] = NOTHING
            self.fire_at(binding, self.group_at[s], now_us)

    def pay(self, k, answered, now_us):
        """The release that a key owes, which is an answer for the switches `answered`; whether going up may mean something more."""
        self.owing &= ~(1 << k)
        self.lapsing &= ~(1 << k)
        changes = self.changes
        self.answered |= answered
        self.fire_at(self.owed[k], self.key_at[k], now_us)
        return self.changes == changes

    def wait(self, k, tap, double, now_us):
        """A tap waits whether it becomes a double."""
        self.waiting |= 1 << k
        self.wait_state[k] = WAITING
        self.wait_at[k] = self.key_at[k]
        self.wait_tap[k] = tap
        self.wait_double[k] = double
        self.wait_unanswered[k] = self.masks[k] & ~self.answered
        self._set(self.gap_slots[k], now_us + self.tables.double_us)

    def _forget_wait(self, k):
        self.waiting &= ~(1 << k)
        self.wait_state[k] = 0
        self.due[self.gap_slots[k]] = NEVER

    def end_wait(self, k, now_us):
        """A waiting tap is no double."""
        self._forget_wait(k)
        if self.wait_tap[k] >= 0:
            self.fire_at(self.wait_tap[k], self.wait_at[k], now_us)
        else:
            self.end_unanswered(self.wait_unanswered[k], UNBOUND, now_us)

    def wipe(self, now_us):
        """A mode change cancels all that is under way; a fired press still owes its release."""
        unanswered = self.group | self.arriving
        live = self.live
        if live:
            unanswered |= live
            if live > self.tables.all_switches:
                for k in self._bits(live):
                    unanswered |= self.masks[k]
                unanswered &= self.tables.all_switches
            self.live = 0
        if self.waiting:
            for k in self._bits(self.waiting):
                self._forget_wait(k)
                self.end_unanswered(self.wait_unanswered[k], CANCELLED, now_us)
        unanswered &= ~self.answered
        if unanswered:
            self.end_unanswered(unanswered, CANCELLED, now_us)
        if self.group:
            self.group = 0
            self.group_order = self.group_chords = ()
        self.arriving = self.answered = 0
        self.due[GROUP_SLOT : self.tables.timer_slot] = self.tables.nothing_due
        if self.lapsing:
            self.owing &= ~self.lapsing
            self.lapsing = 0
        if self.owing:
            for s in self.tables.chord_switches:
                if self.owner[s] >= 0 and not self.owing >> self.owner[s] & 1:
                    self.owner[s] = NOTHING
        else:
            self.owner[:] = self.tables.nobody
