"""What looks over a controller's shoulder: watchers, and the walk that shows them every instant of a run.

A watcher is made anew for each run, which goes from power-on to power-off. It is shown one instant after another, each when
all that happened at it has happened: its time, what was put out at it, and the engine as it is now. Between two instants
nothing changes but the time. It says at once what is wrong, needs no future, and counts how often it had anything to check.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from controller_sim.design.form import Design
from controller_sim.design.outputs import encode
from controller_sim.simulator.engines import Engine, Seen

Item = int | str
"""Something put out, packed as design.outputs says; `outputs.decode_one(time_us, item)` makes an object of it."""


EngineFactory = Callable[..., Any]
"""Called with (design, now_us, kept, trace), as the engines' classes are. For several processes it must be a name of a module."""


class Watcher:
    """The base of all watchers. `reached` counts how often its premise was there, so that a promise kept in vain is known."""

    __slots__ = ("reached",)

    def __init__(self) -> None:
        self.reached = 0

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        """What happened at an instant, in order, and what came of it; the answer is one sentence if something is wrong.

        `items` holds what was put out, debounced edges included. The first instant is power-on. Called at every instant at which
        contacts changed, something arrived or a deadline passed, even when nothing was put out.
        """
        raise NotImplementedError

    def end(self, time_us: int, engine: Seen, at_rest: bool) -> str | None:
        """The run is over. `at_rest`: every foot has been up for so long that no gesture can be under way."""
        return None


MakeWatcher = Callable[[Design], Watcher]

POLLS = ("none", "deadline", "before", "after", "middle")
"""How an engine is polled between two instants: not at all, at its next deadlines, 1 us around them, or half-way."""


@dataclass(frozen=True, slots=True)
class Session:
    """What is done to a controller from power-on to power-off. Times in microseconds; they rise strictly."""

    times_us: tuple[int, ...]
    """The instants at which contacts change or the controller is polled; power comes on at the first, the last is the end."""
    words: tuple[int, ...]
    """The switches that are down from each of these instants on (bit n: switch n)."""
    arrivals: tuple[tuple[int, tuple[int, ...]], ...] = ()
    """(time, what arrived), packed as core.kinds says; not after the end."""
    kept: tuple[int, ...] | None = None
    """The kept cells that the session begins with."""
    at_rest: bool = False
    """Whether it ends with every foot up and long enough after the last change for all gestures to be over."""
    polls: tuple[str, ...] = POLLS[:1]
    """How an engine is polled before each of its instants but the first, in turn, where that is asked for."""

    @property
    def start_us(self) -> int:
        return self.times_us[0]

    @property
    def end_us(self) -> int:
        return self.times_us[-1]

    @property
    def changes(self) -> tuple[tuple[int, int], ...]:
        """(time, word) at power-on and whenever the word then changes."""
        pairs = zip(self.times_us, self.words, strict=True)
        return tuple(pair for place, pair in enumerate(pairs) if not place or pair[1] != self.words[place - 1])

    def shifted(self, by_us: int) -> Session:
        """The same, `by_us` later."""
        arrivals = tuple((time_us + by_us, arrived) for time_us, arrived in self.arrivals)
        return replace(self, times_us=tuple(time_us + by_us for time_us in self.times_us), arrivals=arrivals)

    def instants(self) -> Iterator[tuple[int, int, tuple[int, ...]]]:
        """Time, contacts and what arrived, in order."""
        if not self.arrivals:
            for time_us, word in zip(self.times_us, self.words, strict=True):
                yield time_us, word, ()
            return
        words, arrivals = dict(zip(self.times_us, self.words, strict=True)), dict(self.arrivals)
        word = self.words[0]
        for time_us in sorted({*words, *arrivals}):
            word = words.get(time_us, word)
            yield time_us, word, arrivals.get(time_us, ())


@dataclass(frozen=True, slots=True)
class Complaint:
    """A watcher's sentence, and when it was said."""

    watcher: int
    """Its place among the watchers; -1: the engine does not keep to the deadlines that it announces."""
    time_us: int
    text: str


def walk(engine: Engine, session: Session, watchers: Sequence[Watcher]) -> Complaint | None:
    """Take an engine that has just got its power through a session, instant by instant, up to the first complaint."""
    word = session.words[0]
    for time_us, word_then, arrived in session.instants():
        while (due_us := engine.next_deadline_us()) is not None and due_us < time_us:
            if due_us <= engine.now_us:
                return Complaint(-1, engine.now_us, f"a deadline at {due_us} us, which has passed")
            complaint = _show(engine, due_us, word, (), watchers)
            if complaint is not None:
                return complaint
        word = word_then
        complaint = _show(engine, time_us, word, arrived, watchers)
        if complaint is not None:
            return complaint
    for place, watcher in enumerate(watchers):
        text = watcher.end(engine.now_us, engine, session.at_rest)
        if text is not None:
            return Complaint(place, engine.now_us, text)
    return None


def _show(engine: Engine, time_us: int, word: int, arrived: tuple[int, ...], watchers: Sequence[Watcher]) -> Complaint | None:
    engine.advance(time_us, word, arrived)
    packed = packed_outputs(engine)
    if packed[::2].count(time_us) < len(packed) // 2:
        early_us = next(at_us for at_us in packed[::2] if at_us != time_us)
        return Complaint(-1, time_us, f"something was put out at {early_us} us, where no deadline had been announced")
    items = packed[1::2]
    for place, watcher in enumerate(watchers):
        text = watcher.see(time_us, items, engine)
        if text is not None:
            return Complaint(place, time_us, text)
    return None


def packed_outputs(engine: Any) -> list[Item]:
    """What an engine has put out since the last call, as the fast engine packs it: time, item, time, item."""
    if hasattr(engine, "take"):
        taken: list[Item] = engine.take()
        return taken
    return encode(engine.take_outputs())
