"""Watchers of what a design promises of every run, and what became of its promises in a run that was played.

An instant is judged in this order: what was put out, one by one, then, when all that happened at it has happened, the conditions.
Of one item what must not or must come is judged first, then whether it is an `until`, then whether it is an `after`. An `until` at an
instant ends what must be so always or never before the conditions of that instant are judged, and what must come after them.
No condition holds before the first mode is entered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from controller_sim.core.kinds import MODE, RESTARTED
from controller_sim.design.form import Design, Event, Promise, Trigger
from controller_sim.design.storage import keeps
from controller_sim.simulator import History
from controller_sim.simulator.engines import Seen
from controller_sim.verify.happenings import (
    Asked,
    Happening,
    Past,
    Uppers,
    Values,
    asked,
    asks_for_drafts,
    asks_how_it_was,
    before,
    note_upper,
)
from controller_sim.verify.histories import sessions_of
from controller_sim.verify.watching import EngineFactory, Item, MakeWatcher, Watcher, walk

if TYPE_CHECKING:
    from controller_sim.script import Run
    from controller_sim.simulator import Input


@dataclass(frozen=True, slots=True)
class Broken:
    """A promise that was not kept in a run."""

    promise: Promise
    time_us: int
    """When it was broken: of what had to come, the last instant at which it could have."""
    seen: str
    """What was seen, as a sentence."""

    def __str__(self) -> str:
        from controller_sim.view.words import instant

        place = self.promise.place
        return f"{place.file}:{place.line}: the promise '{self.promise.name}' is broken at {instant(self.time_us)}: {self.seen}"


class _Ready:
    """A promise with its parts made ready, shared by all its watchers."""

    def __init__(self, design: Design, promise: Promise) -> None:
        self.design = design
        self.promise = promise
        self.within_us = promise.within_us
        self.comes = promise.kind == "comes"
        self.what, self.what_is = _split(design, promise.what)
        self.after, self.after_is = _split(design, promise.after)
        self.until, self.until_is = _split(design, promise.until)
        self.during_is = None if promise.during is None else asked(design, promise.during)
        self.lasting = not promise.after
        self.happenings = (*self.what, *self.until, *self.after)
        self.at_power_on = any(each.at_power_on for each in self.after)
        self.in_halves = any(each.in_halves for each in self.happenings)
        parts = [promise.during, *promise.what, *promise.after, *promise.until]
        looks_back = promise.during is not None and any(each.before for each in self.what)
        self.looks_back = looks_back or any(each.before for each in self.happenings) or asks_how_it_was(parts)
        self.drafts = asks_for_drafts(parts)
        # What must always be so is wrong where it is 0, what must never be so where it is not.
        self.wrong = 0 if promise.kind == "always" else 1

    def is_so(self, conditions: Sequence[Asked], engine: Seen, values: Values, past: Past | None) -> bool:
        """Whether any of some conditions holds now."""
        cells, then = engine.cells, before(engine, past)
        return any(condition(engine, cells, values, then) for condition in conditions)


def _split(design: Design, triggers: Sequence[Trigger]) -> tuple[tuple[Happening, ...], tuple[Asked, ...]]:
    """The events among them, and the conditions."""
    events = tuple(Happening(design, each) for each in triggers if isinstance(each, Event))
    return events, tuple(asked(design, each) for each in triggers if not isinstance(each, Event))


_ready: dict[int, tuple[Design, tuple[_Ready, ...]]] = {}
"""By the identity of the design, which is kept so that it stays the same; few designs are watched in one process."""
_MOST_READY = 64


def _ready_of(design: Design) -> tuple[_Ready, ...]:
    found = _ready.get(id(design))
    if found is None or found[0] is not design:
        if len(_ready) >= _MOST_READY:
            _ready.clear()
        found = _ready[id(design)] = design, tuple(_Ready(design, promise) for promise in design.promises)
    return found[1]


class PromiseWatcher(Watcher):
    """Watches one promise of a design, by its number. `reached` counts how often it came into force."""

    __slots__ = ("_first", "_mode", "_open", "_past", "_ready", "_uppers", "_was", "broken_us")

    def __init__(self, number: int, design: Design) -> None:
        super().__init__()
        self._ready = _ready_of(design)[number]
        self._open: dict[Values, int] = {}
        """What is in force, by what `after` named, and since when: of several, what comes counts from the first, all else from the last."""
        self._was = [False] * max(1, len(self._ready.after_is))
        """Whether it was in force (`while`, or always), or each of what it comes after was so, at the end of the instant before."""
        self._first = True
        self._mode = -1
        self._past: Past | None = None
        self._uppers: Uppers = {}
        self.broken_us = -1
        """When the promise was broken; -1 while it was not."""

    @property
    def promise(self) -> Promise:
        return self._ready.promise

    def broken(self, seen: str) -> Broken:
        """The promise as one that was broken, after `see` or `end` has said so."""
        return Broken(self.promise, self.broken_us, seen)

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        ready = self._ready
        told = self._passed(time_us, engine)
        if told is None:
            if self._first and ready.lasting:
                self._open[()] = time_us
            told = self._events(time_us, items, engine)
        if told is None:
            told = self._instant(time_us, engine)
        if ready.looks_back:
            self._past = Past(engine, ready.drafts)
        self._first = False
        return told

    def end(self, time_us: int, engine: Seen, at_rest: bool) -> str | None:
        return self._passed(time_us + 1, engine)

    def _passed(self, time_us: int, engine: Seen) -> str | None:
        """What was in force for a time that ended before `time_us`."""
        within_us = self._ready.within_us
        if within_us is None or not self._open:
            return None
        for values, since_us in list(self._open.items()):
            if since_us + within_us < time_us:
                if self._ready.comes:
                    return self._missing(since_us + within_us, values, engine)
                del self._open[values]
        return None

    def _events(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        ready = self._ready
        if not ready.happenings:
            return None
        if self._first and ready.at_power_on:
            self._begin((), time_us)
        for item in items:
            told = self._event(item, time_us, engine)
            if told is not None:
                return told
            if ready.in_halves:
                note_upper(item, self._uppers)
            if not isinstance(item, str):
                if item & 7 == MODE:
                    self._mode = item >> 3
                elif item == RESTARTED:
                    self._mode = -1
        return None

    def _event(self, item: Item, time_us: int, engine: Seen) -> str | None:
        ready = self._ready
        for what in ready.what:
            for values in self._met(what, item, engine):
                if ready.comes:
                    del self._open[values]
                elif self._is_during(engine, looking_back=what.before):
                    more = self._names(what.names, what.values(item, self._mode, self._uppers) or ())
                    return self._forbidden(time_us, self._item_text(time_us, item), values, more)
        for until in ready.until:
            for values in self._met(until, item, engine):
                if ready.comes and not (engine.mode >= 0 and ready.is_so(ready.what_is, engine, values, self._past)):
                    return self._missing(time_us, values, engine)
                del self._open[values]
        for after in ready.after:
            own = after.values(item, self._mode, self._uppers)
            if own is not None and after.applies(own, (), engine, self._past):
                self._begin(own, time_us)
        return None

    def _met(self, happening: Happening, item: Item, engine: Seen) -> list[Values]:
        """What is in force that an item is an event of."""
        if not self._open or (own := happening.values(item, self._mode, self._uppers)) is None:
            return []
        return [each for each in self._open if happening.applies(own, each, engine, self._past)]

    def _begin(self, values: Values, time_us: int) -> None:
        self.reached += 1
        named = values[: self._ready.promise.named]
        if not (self._ready.comes and named in self._open):
            self._open[named] = time_us

    def _is_during(self, engine: Seen, looking_back: bool = False) -> bool:
        during = self._ready.during_is
        if during is None:
            return True
        state = self._past if looking_back else engine
        return state is not None and state.mode >= 0 and during(state, state.cells, (), before(engine, self._past)) != 0

    def _instant(self, time_us: int, engine: Seen) -> str | None:
        """All that happened at the instant has happened: judge the conditions, then what was in force up to this instant."""
        ready = self._ready
        if engine.mode >= 0:
            told = self._conditions(time_us, engine)
            if told is not None:
                return told
        else:
            self._was = [False] * len(self._was)
        if ready.comes and ready.within_us is not None:
            return self._passed(time_us + 1, engine)
        return None

    def _conditions(self, time_us: int, engine: Seen) -> str | None:
        ready, past = self._ready, self._past
        if ready.lasting:
            now = self._is_during(engine)
            self.reached += now and not self._was[0]
            self._was[0] = now
        for place, after_is in enumerate(ready.after_is):
            now = ready.is_so((after_is,), engine, (), past)
            if now and not self._was[place]:
                self._begin((), time_us)
            self._was[place] = now
        if not self._open:
            return None
        ending = [values for values in self._open if ready.is_so(ready.until_is, engine, values, past)] if ready.until_is else []
        if ready.comes:
            for values in list(self._open) if ready.what_is else ():
                if ready.is_so(ready.what_is, engine, values, past):
                    del self._open[values]
            for values in ending:
                if values in self._open:
                    return self._missing(time_us, values, engine)
            return None
        for values in ending:
            del self._open[values]
        if ready.what_is and self._is_during(engine):
            for values in self._open:
                if ready.is_so(ready.what_is, engine, values, past) == ready.wrong:
                    return self._forbidden(time_us, self._state_text(engine, values), values)
        return None

    def _missing(self, time_us: int, values: Values, engine: Seen) -> str:
        from controller_sim.view.words import instant

        self.broken_us = time_us
        what = f"what had to come after {instant(self._open[values])}{self._where(values)} has not come by {instant(time_us)}"
        return f"{what}: {self._state_text(engine, values)}" if self._ready.what_is and engine.mode >= 0 else what

    def _forbidden(self, time_us: int, seen: str, values: Values, more: Sequence[str] = ()) -> str:
        from controller_sim.view.words import instant

        self.broken_us = time_us
        after = "" if self._ready.lasting else f", after {instant(self._open[values])}"
        return f"{seen}{after}{self._where(values, more)}"

    def _where(self, values: Values, more: Sequence[str] = ()) -> str:
        """The values that have names, of which `more` are in words already."""
        named = [each for each in self._ready.promise.after[:1] if isinstance(each, Event)]
        told = [*(text for each in named for text in self._names(each.names, values)), *more]
        return f" (where {', '.join(told)})" if told else ""

    def _names(self, names: Sequence[str], values: Values) -> list[str]:
        """Names with what they stand for; a switch by its own name, which says its place in the group too."""
        switches = self._ready.design.switches
        pairs = [(name, value) for name, value in zip(names, values, strict=False) if name != "position"]
        return [f"{name} is {switches[value] if name == 'switch' else value}" for name, value in pairs]

    def _item_text(self, time_us: int, item: Item) -> str:
        from controller_sim.design.outputs import Message, decode_one
        from controller_sim.view.timeline import events, meaning_of

        output = decode_one(time_us, item)
        return meaning_of(self._ready.design, output) if isinstance(output, Message) else events(self._ready.design, (), (output,))[0].text

    def _state_text(self, engine: Seen, values: Values) -> str:
        from controller_sim.verify.telling import state_text

        promise = self._ready.promise
        asked_for = [each for each in (*promise.what, promise.during) if each is not None and not isinstance(each, Event)]
        return state_text(self._ready.design, asked_for, engine, values, before(engine, self._past))


def promise_watchers(design: Design) -> dict[str, MakeWatcher]:
    """What makes a watcher of each promise of a design, by name, in the order of the file; empty for a design without any.

    A promise that is named like a property of any design is called 'promise: NAME'. The makers can go to other processes.
    """
    from controller_sim.verify.properties import BY_NAME

    names = [f"promise: {each.name}" if each.name in BY_NAME else each.name for each in design.promises]
    return {name: partial(PromiseWatcher, number) for number, name in enumerate(names)}


def line_of(design: Design, name: str) -> str | None:
    """Where the promise of a name in `promise_watchers` stands, in a line for people; None if there is none."""
    for known, promise in zip(promise_watchers(design), design.promises, strict=True):
        if known == name:
            return f"what the design promises, {promise.place.file}:{promise.place.line}"
    return None


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of a design's promises in a run."""

    broken: tuple[Broken, ...]
    """In the order of the file; a promise stands here once, for the first time it was broken."""
    reached: tuple[int, ...]
    """Of each promise, how often it came into force."""

    def summary(self) -> str:
        """The broken promises, a line each, and one line of numbers."""
        counts = f"{len(self.reached)} promises, {len(self.broken)} broken, {self.reached.count(0)} never in force"
        return "\n".join([*map(str, self.broken), counts])

    def as_json(self, design: Design) -> list[dict[str, Any]]:
        """Every promise with how often it came into force, and when and how it was broken, as plain data."""
        broken = {each.promise: {"time_us": each.time_us, "seen": each.seen} for each in self.broken}
        return [
            {"promise": promise.name, "line": promise.place.line, "reached": reached, "broken": broken.get(promise)}
            for promise, reached in zip(design.promises, self.reached, strict=True)
        ]


class _Collector(Watcher):
    """Shows several watchers a run to its end, whatever they say."""

    def __init__(self, watchers: Sequence[PromiseWatcher]) -> None:
        super().__init__()
        self.watchers = watchers
        self.told: dict[int, str] = {}

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        for number, watcher in enumerate(self.watchers):
            if number not in self.told and (text := watcher.see(time_us, items, engine)) is not None:
                self.told[number] = text
        return None

    def end(self, time_us: int, engine: Seen, at_rest: bool) -> str | None:
        for number, watcher in enumerate(self.watchers):
            if number not in self.told and (text := watcher.end(time_us, engine, at_rest)) is not None:
                self.told[number] = text
        return None


def promises_of(run: Run, image: bytes | None = None) -> Kept:
    """What became of the promises of a run's design. `image` is what the chip with the kept cells held at first."""
    return kept_in(run.design, run.engine, run.inputs, run.end_us, image)


def kept_in(design: Design, engine: str, inputs: Sequence[Input], end_us: int, image: bytes | None = None) -> Kept:
    """What became of a design's promises when this was done to it up to `end_us`: it is done again, and watched instant by instant.

    `engine` is `fast` or `reference`, `image` what the chip with the kept cells held at first. Costs nothing where nothing is promised.
    """
    if not design.promises:
        return Kept((), ())
    new_engine = _factory(engine)
    kept = _kept_at_first(design, image)
    broken: dict[int, Broken] = {}
    reached = [0] * len(design.promises)
    for session in sessions_of(design, History(tuple(inputs), end_us)):
        watchers = [PromiseWatcher(number, design) for number in range(len(design.promises))]
        collector = _Collector(watchers)
        running = new_engine(design, session.times_us[0], kept, True)
        walk(running, session, [collector])
        kept = tuple(running.kept()) if keeps(design) else None
        for number, watcher in enumerate(watchers):
            reached[number] += watcher.reached
            if number in collector.told and number not in broken:
                broken[number] = watcher.broken(collector.told[number])
    return Kept(tuple(broken[number] for number in sorted(broken)), tuple(reached))


def _factory(engine: str) -> EngineFactory:
    if engine == "reference":
        from controller_sim.reference import ReferenceEngine

        return ReferenceEngine
    from controller_sim.design.fast import FastEngine

    return FastEngine


def _kept_at_first(design: Design, image: bytes | None) -> tuple[int, ...] | None:
    from controller_sim.simulator import Storage

    return None if image is None else Storage(design, image).power_on()
