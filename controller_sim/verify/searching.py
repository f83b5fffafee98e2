"""Search a range of blocks of random sessions for what does not hold: a function from a seed and a range to a result.

The result depends on nothing else, so ranges can be searched anywhere, in any order, and added up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design
from controller_sim.simulator import History
from controller_sim.verify.accounts import BELIEVED, Accounts, Wrong
from controller_sim.verify.believing import check_edges
from controller_sim.verify.book import CONTROLLER, Book
from controller_sim.verify.coverage import Coverage
from controller_sim.verify.dice import Dice
from controller_sim.verify.drawing import SESSIONS, Feet
from controller_sim.verify.earliest import EARLIEST, Edges
from controller_sim.verify.ending import Ending
from controller_sim.verify.histories import history_of, sessions_of
from controller_sim.verify.onward import HOME, HUSHED, STEPS, UNEDITED, played
from controller_sim.verify.overlooking import overlooking
from controller_sim.verify.pairs import BOUNCE, CUT, ORDER, POLLS, POWER, REFERENCE, SHIFT, SPARING, Tally
from controller_sim.verify.pairs import CHECKS as PAIRS
from controller_sim.verify.playing import outputs_of, play
from controller_sim.verify.sent import Bursts
from controller_sim.verify.watching import EngineFactory, MakeWatcher, Session, Watcher, packed_outputs, walk

CHAIN = 8
"""Sessions through which kept cells are handed on; then the chip is new."""
ACCIDENT = "no accident"
STATE = "the state"
TURNS = 256
"""Each slow check looks at one session in so many, or as often among them as SLOW says."""
CLOSELY, CLOSER = 512, 8
"""The first so many sessions are looked at so many times as often: short campaigns are to see something too."""
SLOW: dict[str, tuple[int, ...]] = {
    REFERENCE: (0,),
    POLLS: (16,),
    SHIFT: (40, 168),
    BOUNCE: (8, 136),
    POWER: (56,),
    ORDER: (24, 152),
    EARLIEST: (112, 200),
    STEPS: (64,),
    UNEDITED: (80,),
    HUSHED: (120,),
    HOME: (192,),
    SPARING: (208,),
    STATE: (48, 176),
    BELIEVED: (32, 96, 160, 224),
    CUT: (248,),
}
"""Which of TURNS sessions each check looks at; all are multiples of CLOSER."""
ONWARD = frozenset((STEPS, UNEDITED, HUSHED, HOME))
PROMISES_EVERY = 4

Promises = Mapping[str, MakeWatcher]
"""Properties besides the built-in ones, by name, each with what makes a watcher for one run."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that does not hold, with what leads to it: what comes after the last power-on shows it, the rest only fills the chip."""

    wrong: Wrong
    history: History
    seed: int
    session: int
    """The number of the session under that seed."""

    @property
    def name(self) -> str:
        return self.wrong.name


@dataclass(slots=True)
class Found:
    """What a search has come across: the first finding for each property, and what it reached."""

    findings: dict[str, Finding] = field(default_factory=dict)
    coverage: Coverage = field(default_factory=Coverage)

    def add(self, other: Found) -> None:
        """Add the result of later blocks."""
        for name, finding in other.findings.items():
            self.findings.setdefault(name, finding)
        self.coverage.add(other.coverage)


class Judge:
    """All that a session is held to, for one design and one engine."""

    def __init__(self, design: Design, factory: EngineFactory = FastEngine, promises: Promises | None = None) -> None:
        self.design = design
        self.factory = factory
        self.promises = dict(promises or {})
        self.book = Book(design)
        self.ending = Ending(design)
        self.edges = Edges(design)
        self.onward = played(design)
        self.overlooking = overlooking(design)
        self.tally = Tally()
        self._slow = {turn: name for name, turns in SLOW.items() for turn in turns}

    def quick(self, session: Session) -> tuple[Wrong | None, Accounts, tuple[int, ...]]:
        """Play a session and keep its accounts; also what the chip then holds."""
        accounts = Accounts(self.design, self.book)
        engine = play(self.factory, self.design, session)
        wrong = accounts.scan(packed_outputs(engine))
        if wrong is None:
            wrong = self.ending.check(engine, accounts, session.at_rest)
        return wrong, accounts, tuple(engine.kept())

    def slow(self, number: int, session: Session, key: str) -> Wrong | None:
        """The checks whose turn it is with the session of a number; `key` decides what they draw."""
        turn = (number if number >= CLOSELY else number * CLOSER) % TURNS
        name = self._slow.get(turn)
        wrong = None
        if name == EARLIEST:
            wrong = self.edges.check(self.factory, session, Dice(key), self.tally)
        elif name in ONWARD:
            wrong = self.played_on(name, session, key)
        elif name == STATE:
            wrong = self.state(session)
        elif name == BELIEVED:
            wrong = self.believed(session)
        elif name is not None:
            wrong = self.pair(name, session, key)
        if wrong is None and self.promises and number % PROMISES_EVERY == 0:
            wrong = self.promised(session)
        return wrong

    def pair(self, name: str, session: Session, key: str) -> Wrong | None:
        """One of the checks that two runs side by side decide."""
        return PAIRS[name](self.design, self.factory, session, Dice(key), self.tally)

    def played_on(self, name: str, session: Session, key: str) -> Wrong | None:
        """One of the checks that play a run on from its end."""
        return self.onward.check(name, self.factory, session, Dice(key), self.tally)

    def believed(self, session: Session) -> Wrong | None:
        """Whether the engine's edges are those that the contacts give."""
        return check_edges(self.design, session, outputs_of(self.factory, self.design, session))

    def state(self, session: Session) -> Wrong | None:
        """The watchers of the state, instant by instant."""
        return self._walk(session, self.overlooking.watchers())

    def promised(self, session: Session) -> Wrong | None:
        """The watchers of the properties besides."""
        return self._walk(session, {name: make(self.design) for name, make in self.promises.items()})

    def _walk(self, session: Session, watchers: Mapping[str, Watcher]) -> Wrong | None:
        names = list(watchers)
        engine = self.factory(self.design, session.times_us[0], session.kept, True)
        complaint = walk(engine, session, list(watchers.values()))
        for name, watcher in watchers.items():
            self.tally.reached[name] += watcher.reached
            if isinstance(watcher, Bursts):
                self.tally.burst_bytes = max(self.tally.burst_bytes, watcher.most)
        if complaint is None:
            return None
        name = names[complaint.watcher] if complaint.watcher >= 0 else POLLS
        return Wrong(name, complaint.time_us, complaint.text)

    def last_session(self, history: History) -> Session:
        """The last of a history's sessions, beginning with what those before it have left in the chip."""
        kept: tuple[int, ...] | None = None
        *before, last = sessions_of(self.design, history)
        for session in before:
            kept = tuple(play(self.factory, self.design, replace(session, kept=kept)).kept())
        return replace(last, kept=kept)

    def check(self, name: str, session: Session, key: str) -> Wrong | None:
        """What is wrong with one property on a session; `key` decides what a check of two runs draws."""
        if name in PAIRS:
            return self.pair(name, session, key)
        if name == EARLIEST:
            return self.edges.check(self.factory, session, Dice(key), self.tally)
        if name in ONWARD:
            return self.played_on(name, session, key)
        if name in self.promises:
            wrong = self._walk(session, {name: self.promises[name](self.design)})
            return wrong if wrong is not None and wrong.name == name else None
        wrong = self.quick(session)[0]
        if wrong is None or wrong.name != name:
            wrong = self.believed(session)
        if wrong is None or wrong.name != name:
            wrong = self.state(session)
        return wrong if wrong is not None and wrong.name == name else None


def search(
    design: Design,
    seed: int,
    blocks: Sequence[int],
    factory: EngineFactory = FastEngine,
    promises: Promises | None = None,
) -> Found:
    """Play the sessions of some blocks and hold them to every property.

    `factory` makes the engine, called with (design, now_us, kept, trace) as FastEngine is. An engine that raises anything is a
    finding as well.
    """
    judge = Judge(design, factory, promises)
    feet = Feet(design, seed)
    found = Found()
    for block in blocks:
        history: list[Session] = []
        kept: tuple[int, ...] | None = None
        for place, drawn in enumerate(feet.block(block)):
            if place % CHAIN == 0:
                history, kept = [], None
            session = drawn if kept is None else replace(drawn, kept=kept)
            number = block * SESSIONS + place
            history.append(session)
            wrong, kept = _judge(judge, number, session, f"{seed}.{number}", found)
            if wrong is not None:
                found.findings.setdefault(wrong.name, Finding(wrong, history_of(history), seed, number))
                history, kept = [], None
    found.coverage.reached.update(judge.tally.reached)
    found.coverage.ties.update(judge.tally.ties)
    found.coverage.branches |= judge.tally.branches
    found.coverage.burst_bytes = judge.tally.burst_bytes
    found.coverage.messages = len(judge.book.messages)
    found.coverage.notes = judge.book.begun(0)
    found.coverage.momentaries = judge.book.begun(CONTROLLER)
    return found


def _judge(judge: Judge, number: int, session: Session, key: str, found: Found) -> tuple[Wrong | None, tuple[int, ...] | None]:
    """What is wrong with a session, and what the chip then holds."""
    try:
        wrong, accounts, kept = judge.quick(session)
        found.coverage.count(accounts)
        if session.arrivals:
            found.coverage.listening += 1
        return wrong or judge.slow(number, session, key), kept
    except Exception as error:  # whatever a broken engine raises is a finding, not an end of the search
        return Wrong(ACCIDENT, session.times_us[-1], f"the engine falls over: {type(error).__name__}: {error}"), None
