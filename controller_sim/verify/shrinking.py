"""Make a finding as small as it gets: fewest sessions, fewest presses, roundest times.

Sessions are drawn from a hash, so there is nothing to shrink in the draws; what a foot did is shrunk instead. A stroke goes as
a whole, from down to up, so that no try is wasted on contacts that a foot could not make.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

from controller_sim.verify.accounts import Wrong
from controller_sim.verify.playing import play
from controller_sim.verify.searching import ACCIDENT, Finding, Judge
from controller_sim.verify.watching import Session

MOST_TRIES = 3_000
KEYS = ("0", "1", "2")
"""What the checks of two runs draw with on a smaller session, besides what they drew when it was found."""
FIRST_US = 100_000
"""When the first foot moves, if it does not matter: when press scripts begin."""
ROUND_US = (1_000_000, 500_000, 100_000, 50_000, 10_000, 5_000, 1_000, 500, 100, 10)
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Stroke:
    """A switch goes down, and up again unless the session ends before."""

    switch: int
    down_us: int
    up_us: int | None


@dataclass(frozen=True, slots=True)
class Arrival:
    time_us: int
    what: tuple[int, ...]


Event = Stroke | Arrival


class Shrinker:
    """Shrinks one finding; `judge` must be for the same design and engine."""

    def __init__(self, judge: Judge, finding: Finding) -> None:
        self.judge = judge
        self.finding = finding
        self.keys = (f"{finding.seed}.{finding.session}", *KEYS)
        self.tries = 0
        self.wrong = finding.wrong
        self.history = finding.history

    def shrunk(self) -> Finding:
        """The smallest finding of the same property that was come to; the same one if it does not show again."""
        if not self._shows(self.history):
            return self.finding
        self._fewer_sessions()
        self._cut()
        self._fewer_strokes()
        self._rounder()
        return replace(self.finding, wrong=self.wrong, history=self.history)

    def _shows(self, history: tuple[Session, ...]) -> bool:
        """Whether a history shows the same fault; then it is the best so far."""
        if self.tries >= MOST_TRIES:
            return False
        self.tries += 1
        wrong = self._judged(history)
        if wrong is None:
            return False
        self.wrong = wrong
        self.history = self._with_kept(history)
        return True

    def _judged(self, history: tuple[Session, ...]) -> Wrong | None:
        try:
            last = self._with_kept(history)[-1]
            for key in self.keys:
                wrong = self.judge.check(self.finding.name, last, key)
                if wrong is not None:
                    return wrong
        except Exception as error:  # as in a search: whatever a broken engine raises
            if self.finding.name == ACCIDENT:
                return Wrong(ACCIDENT, history[-1].times_us[-1], f"the engine falls over: {type(error).__name__}: {error}")
        return None

    def _with_kept(self, history: tuple[Session, ...]) -> tuple[Session, ...]:
        """The same sessions, each beginning with what the one before has left in the chip."""
        kept: tuple[int, ...] | None = None
        found = []
        for session in history:
            found.append(replace(session, kept=kept))
            if len(found) < len(history):
                kept = play(self.judge.factory, self.judge.design, found[-1]).kept()
        return tuple(found)

    def _fewer_sessions(self) -> None:
        if len(self.history) > 1 and not self._shows(self.history[-1:]):
            place = 0
            while place < len(self.history) - 1:
                if not self._shows(self.history[:place] + self.history[place + 1 :]):
                    place += 1

    def _cut(self) -> None:
        """Nothing after the fault is needed, if it shows before the end."""
        *before, last = self.history
        end_us = self.wrong.time_us
        if last.times_us[0] < end_us < last.times_us[-1]:
            pairs = [pair for pair in zip(last.times_us, last.words, strict=True) if pair[0] < end_us]
            at_end = [word for time_us, word in zip(last.times_us, last.words, strict=True) if time_us == end_us]
            pairs.append((end_us, at_end[0] if at_end else pairs[-1][1]))
            arrivals = tuple(arrival for arrival in last.arrivals if arrival[0] <= end_us)
            times, words = zip(*pairs, strict=True)
            self._shows((*before, Session(times, words, arrivals, None, False)))

    def _fewer_strokes(self) -> None:
        for place in reversed(range(len(self.history))):
            session = self.history[place]
            fewer(events_of(session), partial(self._shows_with, place, session))

    def _shows_with(self, place: int, session: Session, events: Sequence[Event]) -> bool:
        return self._shows(self._replaced(place, session_of(session, events)))

    def _replaced(self, place: int, session: Session) -> tuple[Session, ...]:
        return (*self.history[:place], session, *self.history[place + 1 :])

    def _rounder(self) -> None:
        """Each time from one instant to the next as round as it can be, the first ones first, until none gets any rounder."""
        changed = True
        while changed and self.tries < MOST_TRIES:
            changed = False
            for place in range(len(self.history)):
                number = 1
                while number < len(self.history[place].times_us):
                    session = self.history[place]
                    gap_us = session.times_us[number] - session.times_us[number - 1]
                    for rounder_us in rounder(gap_us, number == 1):
                        if self._shows(self._replaced(place, moved(session, number, rounder_us - gap_us))):
                            changed = True
                            break
                    number += 1


def fewer(items: Sequence[T], shows: Callable[[Sequence[T]], bool]) -> Sequence[T]:
    """Leave out as many items as possible, large pieces first, such that what is left still shows the fault."""
    size = max(1, len(items) // 2)
    while True:
        place = 0
        removed = False
        while place < len(items):
            some = [*items[:place], *items[place + size :]]
            if shows(some):
                items = some
                removed = True
            else:
                place += size
        if size == 1 and not removed:
            return items
        size = max(1, size // 2)


def events_of(session: Session) -> list[Event]:
    """The strokes and arrivals of a session, in order."""
    events: list[Event] = [Arrival(time_us, what) for time_us, what in session.arrivals]
    downs: dict[int, int] = {}
    before = 0
    for time_us, word in zip(session.times_us, session.words, strict=True):
        changed = word ^ before
        for s in range(changed.bit_length()):
            if changed >> s & 1 and word >> s & 1:
                downs[s] = time_us
            elif changed >> s & 1:
                events.append(Stroke(s, downs.pop(s), time_us))
        before = word
    events += [Stroke(s, down_us, None) for s, down_us in downs.items()]
    return sorted(events, key=lambda event: event.time_us if isinstance(event, Arrival) else event.down_us)


def session_of(like: Session, events: Sequence[Event]) -> Session:
    """A session with these events that begins and ends as another one, and at rest if that does."""
    toggles = {like.times_us[0]: 0, like.times_us[-1]: 0}
    for event in events:
        if isinstance(event, Stroke):
            for time_us in (event.down_us, event.up_us):
                if time_us is not None:
                    toggles[time_us] = toggles.get(time_us, 0) ^ 1 << event.switch
    word = 0
    words = []
    for time_us in sorted(toggles):
        word ^= toggles[time_us]
        words.append(word)
    arrivals = tuple((event.time_us, event.what) for event in events if isinstance(event, Arrival))
    return replace(like, times_us=tuple(sorted(toggles)), words=tuple(words), arrivals=arrivals)


def moved(session: Session, number: int, by_us: int) -> Session:
    """The same session with everything from an instant on earlier or later."""
    since_us = session.times_us[number]
    times = tuple(time_us + (by_us if place >= number else 0) for place, time_us in enumerate(session.times_us))
    arrivals = tuple((max(time_us + by_us, 0) if time_us >= since_us else time_us, what) for time_us, what in session.arrivals)
    return replace(session, times_us=times, arrivals=arrivals)


def rounder(time_us: int, first: bool) -> Iterator[int]:
    """Rounder times near one, the roundest first; never 0."""
    if first and time_us != FIRST_US:
        yield FIRST_US
    for step_us in ROUND_US:
        if time_us % step_us == 0 and time_us:
            return
        below_us = time_us // step_us * step_us
        if below_us:
            yield below_us
        if step_us <= 2 * time_us:
            yield below_us + step_us
