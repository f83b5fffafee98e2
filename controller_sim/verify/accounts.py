"""The accounts of a run: one pass over what was put out, with debounced edges, that misses no press and no microsecond.

Everything here follows from the design's own times and from what was put out before; it knows nothing of how an engine
works. It is written for speed: a campaign looks at every output of every run with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from controller_sim.core.kinds import EDGE, ENDED, FIRED, LED, MESSAGE, MODE, RESPONDED, response_of
from controller_sim.design.form import Design
from controller_sim.simulator.engines import Seen
from controller_sim.verify.book import BYTE_US, Book
from controller_sim.verify.facts import DOUBLED, HELD, PRESSED, REPEATED, TAPPED, Fact
from controller_sim.verify.watching import Item, Watcher

ANSWERED = "every press answered"
PAIRED = "press and release"
ALONE = "chords alone"
ONCE = "one press, one meaning"
SLATE = "clean slate"
QUIET = "quiet power-on"
TIMELY = "on time"
BELIEVED = "debounce"
NEWS = "shown as it is"
BYTES = "whole messages"
FIRST_SYSTEM, FIRST_REAL_TIME = 0xF0, 0xF8
NO_TIME = -(1 << 62)
TOOK_MORE = HELD | REPEATED | DOUBLED | TAPPED


@dataclass(frozen=True, slots=True)
class Wrong:
    """What does not hold: the property's name, when, and one sentence."""

    name: str
    time_us: int
    text: str
    onward: tuple[tuple[int, int], ...] = ()
    """What was played after the run's end to show it: times since then, and the switches that are down from there on."""


class Accounts(Watcher):
    """Follows one run from power-on. `scan` takes outputs as they are packed; as a watcher it takes them instant by instant."""

    # Slots: with so many attributes they are found faster.
    __slots__ = (
        "answers",
        "backlog_us",
        "before_up",
        "bits",
        "boundaries",
        "busy_us",
        "changes",
        "chord_us",
        "design",
        "done",
        "double_us",
        "down_at",
        "down_no",
        "edges",
        "fates",
        "fired",
        "gaps",
        "held_at",
        "keys_of",
        "last_down_us",
        "last_edge_us",
        "last_status",
        "lasting",
        "lengths",
        "level",
        "lit",
        "messages",
        "mode",
        "mode_no",
        "musts",
        "nothing",
        "open",
        "owed",
        "owes_tap",
        "power_no",
        "quiet_us",
        "repeat_at",
        "repeats",
        "responded",
        "rests",
        "say",
        "shown",
        "skews",
        "taken",
        "unclear",
        "up_at",
    )

    def __init__(self, design: Design, book: Book | None = None) -> None:
        super().__init__()
        self.design = design
        self.say = say = book or Book(design)
        switches = range(len(design.switches))
        self.bits = say.bits
        self.keys_of = say.keys_of
        self.musts = say.musts
        self.unclear = say.unclear
        self.chord_us = design.timing.chord_us
        self.double_us = design.timing.double_us
        self.quiet_us = say.quiet_us
        if not say.handlers:
            say.handlers = [(getattr(Accounts, f"_{b.gesture}"), fact) for b, fact in zip(design.bindings, say.facts, strict=True)]
        self.nothing = [0] * len(switches)
        self.gaps, self.skews, self.lengths = say.near.gaps, say.near.skews, say.near.lengths
        self.messages = say.messages

        self.level = 0
        self.down_at = [NO_TIME] * len(switches)
        self.up_at = [NO_TIME] * len(switches)
        self.before_up = [NO_TIME] * len(switches)
        self.down_no = [-1] * len(switches)
        self.taken = [0] * len(switches)
        """By what a switch's present press was taken: 0 nothing yet, 1 itself, 2 + key a chord."""
        self.open = [0] * len(switches)
        """Presses that have neither fired nor ended."""
        self.answers = [0] * len(switches)
        """For switches that are unclear: gestures since all was at rest, each as many presses as it takes."""
        self.done = [0] * len(design.keys)
        """What a key's present press has fired."""
        self.repeats = [0] * len(design.keys)
        self.repeat_at = [NO_TIME] * len(design.keys)
        self.held_at = [NO_TIME] * len(design.bindings)
        self.owed = [0] * say.pairs
        self.owes_tap = 0
        self.last_edge_us = NO_TIME
        self.last_down_us = NO_TIME
        self.mode = -1
        self.mode_no = 0
        self.power_no = 0
        self.shown = ""
        self.lit = [0] * len(design.leds)
        self.busy_us = 0
        self.last_status = 0
        self.lasting: set[int] = set()
        """The notes that sound and the momentary controllers that are on, as the book has them."""

        self.edges = 0
        self.fired = [0] * len(design.bindings)
        self.responded = [0] * len(design.responses)
        self.changes: dict[tuple[int, int], int] = {}
        self.fates = [0, 0, 0]
        self.rests = 0
        self.boundaries = [0] * len(say.near.names)
        self.backlog_us = 0

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        wrong = self.scan([part for item in items for part in (time_us, item)])
        return None if wrong is None else f"{wrong.name}: {wrong.text}"

    def end(self, time_us: int, engine: Seen, at_rest: bool) -> str | None:
        wrong = self.rest(time_us) if at_rest else None
        return None if wrong is None else f"{wrong.name}: {wrong.text}"

    def scan(self, packed: Sequence[Any]) -> Wrong | None:
        """Go on with what was put out since the last call: time, item, time, item."""
        messages, handlers, fired, lasting = self.messages, self.say.handlers, self.fired, self.say.lasting
        running = self.design.running_status
        pairs = iter(packed)
        for now, item in zip(pairs, pairs, strict=True):
            if item.__class__ is str:
                if item == self.shown:
                    return Wrong(NEWS, now, f"the display is put out again though it shows {item!r} already")
                self.shown = item
                continue
            kind = item & 7
            wrong = None
            if kind == EDGE:
                wrong = self._down(now, item >> 4) if item & 8 else self._up(now, item >> 4)
            elif kind == FIRED:
                number = item >> 3
                fired[number] += 1
                handler, fact = handlers[number]
                wrong = handler(self, now, fact)
            elif kind == MESSAGE:
                serial_us = messages.get(item)
                if serial_us is None:
                    serial_us = self.say.learn(item)
                if serial_us < 0:
                    return Wrong(BYTES, now, self.say.fault(item) or "")
                if serial_us:
                    if running:
                        serial_us -= self._left_out_us(item)
                    busy_us = self.busy_us
                    self.busy_us = busy_us = (busy_us if busy_us > now else now) + serial_us
                    if busy_us - now > self.backlog_us:
                        self.backlog_us = busy_us - now
                if item in lasting:
                    things, begins = lasting[item]
                    if begins:
                        self.lasting |= things
                    else:
                        self.lasting -= things
            elif kind == LED:
                led, value = item >> 11, item >> 3 & 255
                if self.lit[led] == value:
                    return Wrong(NEWS, now, f"LED {self.design.leds[led]} is put out again though nothing about it has changed")
                self.lit[led] = value
            elif kind == ENDED:
                wrong = self._ended(now, item >> 5, item >> 3 & 3)
            elif kind == MODE:
                change = self.mode, item >> 3
                self.changes[change] = self.changes.get(change, 0) + 1
                self.mode = item >> 3
                self.mode_no += 1
                self.owes_tap = 0
            elif kind == RESPONDED:
                wrong = self._responded(now, response_of(item))
            else:
                wrong = self._restarted(now)
            if wrong is not None:
                return wrong
        return None

    def _left_out_us(self, item: int) -> int:
        """What a message takes less because running status leaves out its status."""
        status = item >> 5 & 0xFF
        if status >= FIRST_REAL_TIME:
            return 0
        last, self.last_status = self.last_status, status if status < FIRST_SYSTEM else 0
        return BYTE_US if status == last else 0

    def _down(self, now: int, s: int) -> Wrong | None:
        bit = self.bits[s]
        level = self.level
        if level & bit:
            return Wrong(BELIEVED, now, f"{self.say.switch(s)} goes down though it is down already")
        if not level and now - self.last_edge_us > self.quiet_us:
            wrong = self.rest(now)
            if wrong is not None:
                return wrong
        self.level = level | bit
        up_us = self.up_at[s]
        place = self.gaps.get(now - up_us)
        if place is not None:
            self.boundaries[place] += 1
        place = self.skews.get(now - self.last_down_us)
        if place is not None:
            self.boundaries[place] += 1
        if self.open[s]:
            if not self.unclear & bit:
                return Wrong(ANSWERED, now, f"the press of {self.say.switch(s)} before this one neither fired anything nor ended")
            self.open[s] += 1
        else:
            self.open[s] = 1
        if self.owes_tap & bit:
            return Wrong(ONCE, now, f"{self.say.switch(s)} had been tapped, and the tap never fired")
        self.before_up[s] = up_us
        self.down_at[s] = self.last_down_us = self.last_edge_us = now
        self.down_no[s] = self.mode_no
        self.taken[s] = 0
        done = self.done
        for key in self.keys_of[s]:
            done[key] = 0
        self.edges += 1
        return None

    def _up(self, now: int, s: int) -> Wrong | None:
        bit = self.bits[s]
        if not self.level & bit:
            return Wrong(BELIEVED, now, f"{self.say.switch(s)} goes up though it is up already")
        self.level ^= bit
        self.up_at[s] = self.last_edge_us = now
        self.edges += 1
        length_us = now - self.down_at[s]
        place = self.lengths.get(length_us)
        if place is not None:
            self.boundaries[place] += 1
        if self.down_no[s] != self.mode_no or self.mode < 0:
            return None
        must = self.musts[self.mode][s]
        done = self.done[s]
        if must.flags & ~done:
            return Wrong(ONCE, now, f"{self.say.switch(s)} went down and up again, and its press never fired")
        if must.hold_us and length_us >= must.hold_us and not done & HELD:
            return Wrong(TIMELY, now, f"{self.say.switch(s)} was down for {length_us} us, and its hold never fired")
        if must.tap and not done & TOOK_MORE:
            self.owes_tap |= bit
        return None

    def rest(self, now: int) -> Wrong | None:
        """Every foot has been up for long: whatever a press owes must have been paid."""
        self.rests += 1
        if self.open == self.nothing == self.answers and not self.owes_tap and 1 not in self.owed:
            return None
        for s, count in enumerate(self.open):
            if not count and not self.answers[s]:
                continue
            if not self.unclear & self.bits[s]:
                return Wrong(ANSWERED, now, f"a press of {self.say.switch(s)} neither fired anything nor ended")
            if not 0 < count <= self.answers[s]:
                return Wrong(ANSWERED, now, f"the presses of {self.say.switch(s)} and what became of them do not add up")
            self.open[s] = self.answers[s] = 0
        if self.owes_tap:
            return Wrong(ONCE, now, f"{self.say.switches(self.owes_tap)} had been tapped, and the tap never fired")
        if any(self.owed):
            return Wrong(PAIRED, now, f"{self.say.pair(self.owed.index(1))} fired its press and never its release")
        return None

    def _ended(self, now: int, s: int, fate: int) -> Wrong | None:
        self.fates[fate] += 1
        if not self.open[s]:
            return Wrong(ANSWERED, now, f"a press of {self.say.switch(s)} ends {self.say.fate(fate)} though it has had its answer")
        self.open[s] -= 1
        return None

    def _responded(self, now: int, number: int) -> Wrong | None:
        self.responded[number] += 1
        if self.design.responses[number].mode != self.mode:
            return Wrong(SLATE, now, f"{self.say.response(number)} runs, which is not of the mode that is current")
        return None

    def _restarted(self, now: int) -> Wrong | None:
        self.level = 0
        self.changes[self.mode, -1] = self.changes.get((self.mode, -1), 0) + 1
        self.mode = -1
        self.mode_no += 1
        self.power_no = self.mode_no
        self.owes_tap = 0
        self.last_edge_us = now
        if any(self.owed):
            return Wrong(PAIRED, now, f"{self.say.pair(self.owed.index(1))} fired its press, and a restart forgot its release")
        for s, count in enumerate(self.open):
            if count and not self.unclear & self.bits[s]:
                return Wrong(ANSWERED, now, f"a press of {self.say.switch(s)} is forgotten by a restart")
            self.open[s] = self.answers[s] = 0
        return None

    def _answer(self, now: int, fact: Fact, presses: int = 1) -> Wrong | None:
        """Something other than a release fires for a key: it is of this mode, and so are the presses; nothing else took them."""
        number, me = self.mode_no, fact.me
        if fact.mode != self.mode:
            return Wrong(SLATE, now, f"{self.say.binding(fact)} fires in another mode than its own")
        if me == 1:
            s = fact.key
            if self.down_no[s] == number and self.taken[s] < 2:
                self.taken[s] = 1
                if self.unclear & self.bits[s]:
                    self.answers[s] += presses
                else:
                    self.open[s] = 0
                return None
        first = False
        for s in fact.members:
            if self.down_no[s] != number:
                return self._ghost(now, fact, s)
            taken = self.taken[s]
            if taken != me:
                if taken:
                    return Wrong(ALONE, now, f"{self.say.binding(fact)} fires though {self.say.key(taken - 2, s)} has taken the press")
                self.taken[s] = me
                first = True
            if self.unclear & self.bits[s]:
                self.answers[s] += presses
            else:
                self.open[s] = 0
        if first and me > 1:
            downs = [self.down_at[s] for s in fact.members]
            if max(downs) - min(downs) >= self.chord_us:
                apart = max(downs) - min(downs)
                return Wrong(TIMELY, now, f"{self.say.binding(fact)} fires though its switches went down {apart} us apart")
        return None

    def _ghost(self, now: int, fact: Fact, s: int) -> Wrong:
        if self.down_no[s] <= self.power_no:
            return Wrong(QUIET, now, f"{self.say.binding(fact)} fires though {self.say.switch(s)} was down at power-on")
        return Wrong(SLATE, now, f"{self.say.binding(fact)} fires though {self.say.switch(s)} went down before the mode was entered")

    def _decided(self, now: int, fact: Fact) -> Wrong | None:
        """A key is decided: at its press, or, where a group was pending, at an edge that closes it or at the end of its window."""
        down_us = self.down_at[fact.key] if fact.me == 1 else max([self.down_at[s] for s in fact.members])
        if now == down_us:
            return None
        if not fact.grouped:
            return Wrong(TIMELY, now, f"{self.say.binding(fact)} fires {now - down_us} us after the press, with nothing to wait for")
        if now != self.last_edge_us and now - self.chord_us not in self.down_at:
            return Wrong(TIMELY, now, f"{self.say.binding(fact)} fires {now - down_us} us after the press, where no window ends")
        if now - down_us > self.chord_us:
            return Wrong(TIMELY, now, f"{self.say.binding(fact)} fires {now - down_us} us after the press, later than any window")
        return None

    def _press(self, now: int, fact: Fact) -> Wrong | None:
        if fact.eager:
            s = fact.key
            if self.down_no[s] != self.mode_no:
                return self._ghost(now, fact, s)
            if self.unclear & self.bits[s]:
                self.answers[s] += 1
            else:
                self.open[s] = 0
            wrong = None if now == self.down_at[s] else Wrong(TIMELY, now, f"{self.say.binding(fact)} is eager and fires late")
        else:
            wrong = self._answer(now, fact) or self._decided(now, fact)
        if wrong is None and self.done[fact.key] & PRESSED:
            wrong = Wrong(ONCE, now, f"{self.say.binding(fact)} fires twice for one press")
        self.done[fact.key] |= PRESSED
        if fact.pair >= 0:
            if self.owed[fact.pair]:
                return Wrong(PAIRED, now, f"{self.say.binding(fact)} fires again before its release has")
            self.owed[fact.pair] = 1
        return wrong

    def _release(self, now: int, fact: Fact) -> Wrong | None:
        if fact.pair >= 0:
            if not self.owed[fact.pair]:
                return Wrong(PAIRED, now, f"{self.say.binding(fact)} fires though its press has not, or twice")
            self.owed[fact.pair] = 0
        me = fact.me
        up = self.say.restarts
        for s in fact.members:
            taken = self.taken[s]
            if taken not in (0, me) and not fact.may_be_eager:
                return Wrong(ALONE, now, f"{self.say.binding(fact)} fires though {self.say.key(taken - 2, s)} has taken the press")
            if self.unclear & self.bits[s]:
                self.answers[s] += 1
            else:
                self.open[s] = 0
            up = up or self.up_at[s] == now
        return None if up else Wrong(TIMELY, now, f"{self.say.binding(fact)} fires though none of its switches goes up")

    def _tap(self, now: int, fact: Fact) -> Wrong | None:
        done = self.done[fact.key]
        self.owes_tap &= ~fact.mask
        if fact.waits:
            wrong = self._waited(now, fact)
        else:
            wrong = self._answer(now, fact)
            up = now == self.up_at[fact.key] if fact.me == 1 else now in [self.up_at[s] for s in fact.members]
            if wrong is None and not up:
                wrong = Wrong(TIMELY, now, f"{self.say.binding(fact)} fires, and not when it went up")
        if wrong is None and done & TOOK_MORE:
            wrong = Wrong(ONCE, now, f"{self.say.binding(fact)} fires though {self.say.took(done & TOOK_MORE)} has taken the press")
        self.done[fact.key] = done | TAPPED
        return wrong

    def _waited(self, now: int, fact: Fact) -> Wrong | None:
        """A tap that may have waited for a double: it may belong to the press before the present one."""
        if fact.mode != self.mode:
            return Wrong(SLATE, now, f"{self.say.binding(fact)} fires in another mode than its own")
        ended = now == self.last_edge_us
        for s in fact.members:
            if self.down_no[s] != self.mode_no:
                return self._ghost(now, fact, s)
            self.answers[s] += 1
            ended = ended or now - self.double_us == self.up_at[s]
        if not ended and not (fact.grouped and now - self.chord_us in self.down_at):
            return Wrong(TIMELY, now, f"{self.say.binding(fact)} fires where neither its gap nor a window ends")
        return None

    def _hold(self, now: int, fact: Fact) -> Wrong | None:
        wrong = self._answer(now, fact) or self._kept_down(now, fact)
        if wrong is not None:
            return wrong
        down_us = max([self.down_at[s] for s in fact.members])
        if now - down_us != fact.hold_us:
            return Wrong(TIMELY, now, f"{self.say.binding(fact)} fires {now - down_us} us after the press, not {fact.hold_us} us")
        if self.held_at[fact.number] == now:
            return Wrong(ONCE, now, f"{self.say.binding(fact)} fires twice for one press")
        self.held_at[fact.number] = now
        self.done[fact.key] |= HELD
        return None

    def _repeat(self, now: int, fact: Fact) -> Wrong | None:
        wrong = self._answer(now, fact) or self._kept_down(now, fact)
        if wrong is not None:
            return wrong
        key = fact.key
        if not self.done[key] & REPEATED:
            self.repeats[key] = 0
            self.repeat_at[key] = max([self.down_at[s] for s in fact.members])
        due_us = self.repeat_at[key] + self.say.period_us(self.repeats[key])
        if now != due_us:
            return Wrong(TIMELY, now, f"{self.say.binding(fact)} fires for the {self.repeats[key] + 1}. time {now - due_us} us off")
        self.repeats[key] += 1
        self.repeat_at[key] = now
        self.done[key] |= REPEATED
        return None

    def _kept_down(self, now: int, fact: Fact) -> Wrong | None:
        if self.level & fact.mask != fact.mask:
            return Wrong(TIMELY, now, f"{self.say.binding(fact)} fires though {self.say.switches(fact.mask & ~self.level)} is up")
        if self.done[fact.key] & DOUBLED:
            return Wrong(ONCE, now, f"{self.say.binding(fact)} fires for a press that was the second of a double")
        return None

    def _double(self, now: int, fact: Fact) -> Wrong | None:
        wrong = self._answer(now, fact, 2) or self._decided(now, fact)
        if wrong is not None:
            return wrong
        if self.done[fact.key] & DOUBLED:
            return Wrong(ONCE, now, f"{self.say.binding(fact)} fires twice for one press")
        self.done[fact.key] |= DOUBLED
        up_us = min([self.before_up[s] for s in fact.members])
        down_us = max([self.down_at[s] for s in fact.members])
        if down_us - up_us >= self.double_us:
            return Wrong(TIMELY, now, f"{self.say.binding(fact)} fires though {down_us - up_us} us lie between the two presses")
        if any(up_us < other_us < down_us for s, other_us in enumerate(self.down_at) if s not in fact.members):
            return Wrong(ONCE, now, f"{self.say.binding(fact)} fires though another switch went down in between")
        return None
