"""What random feet have reached of a design, and what never."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from controller_sim.core.kinds import FIRED
from controller_sim.design.form import Design, Moved
from controller_sim.verify.accounts import Accounts
from controller_sim.verify.near import Near
from controller_sim.verify.observed import Branches, ifs
from controller_sim.verify.playing import tell

POWER = -1
"""Stands for a mode where power came on or a restart was asked for."""


@dataclass(slots=True)
class Coverage:
    """Counts over many sessions; two of one design can be added up."""

    sessions: int = 0
    edges: int = 0
    rests: int = 0
    listening: int = 0
    """Sessions in which something arrived."""
    messages: int = 0
    """Different messages, counted anew in each search."""
    notes: int = 0
    """Different notes that begin."""
    momentaries: int = 0
    """Different momentary controllers that are switched on."""
    backlog_us: int = 0
    """How far the serial line was ever behind."""
    burst_bytes: int = 0
    """The most bytes that one gesture was seen to hand to the serial line at once."""
    fired: Counter[int] = field(default_factory=Counter)
    responded: Counter[int] = field(default_factory=Counter)
    changes: Counter[tuple[int, int]] = field(default_factory=Counter)
    fates: Counter[int] = field(default_factory=Counter)
    boundaries: Counter[int] = field(default_factory=Counter)
    reached: Counter[str] = field(default_factory=Counter)
    """How often a property that is not decided by the accounts had something to check."""
    ties: Counter[str] = field(default_factory=Counter)
    branches: Branches = field(default_factory=set)

    def count(self, accounts: Accounts) -> None:
        """Add what a session's accounts have counted."""
        self.sessions += 1
        self.edges += accounts.edges
        self.rests += accounts.rests
        if accounts.backlog_us > self.backlog_us:
            self.backlog_us = accounts.backlog_us
        for total, counts in ((self.fired, accounts.fired), (self.boundaries, accounts.boundaries), (self.fates, accounts.fates)):
            for number, count in enumerate(counts):
                if count:
                    total[number] += count
        for change, count in accounts.changes.items():
            self.changes[change] += count
        if any(accounts.responded):
            self.responded.update({number: count for number, count in enumerate(accounts.responded) if count})

    def add(self, other: Coverage) -> None:
        """Add what other sessions have reached."""
        for name in ("sessions", "edges", "rests", "listening", "messages", "notes", "momentaries"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.backlog_us = max(self.backlog_us, other.backlog_us)
        self.burst_bytes = max(self.burst_bytes, other.burst_bytes)
        for name in ("fired", "responded", "changes", "fates", "boundaries", "reached", "ties"):
            getattr(self, name).update(getattr(other, name))
        self.branches |= other.branches


@dataclass(frozen=True, slots=True)
class Part:
    """One kind of thing that can be reached: how many there are, how many were, and the others in words."""

    name: str
    reached: int
    total: int
    never: tuple[str, ...]


def parts(design: Design, coverage: Coverage) -> list[Part]:
    """Bindings, responses, modes, ways home, branches of actions, and boundary classes."""
    modes = [mode.name for mode in design.modes]
    entered = {mode for _, mode in coverage.changes} - {POWER}
    home = ways_home(design, coverage)
    branches = list(ifs(design))
    never = [
        f"line {design.procedures[procedure].place.line}: {'if' if held else 'else'} of {design.procedures[procedure].name}"
        for number, (procedure, _) in enumerate(branches)
        for held in (True, False)
        if (number, held) not in coverage.branches
    ]
    boundaries = Near(design).names
    found = [
        _part("gestures", [tell(design, number << 3 | FIRED) for number in range(len(design.bindings))], coverage.fired),
        _part("moves and messages", [_response(design, number) for number in range(len(design.responses))], coverage.responded),
        _part("modes", modes, entered),
        _part("ways home", [f"from {name}" for name in modes], home & entered),
        Part("branches of actions", 2 * len(branches) - len(never), 2 * len(branches), tuple(dict.fromkeys(never))),
        _part("boundaries", boundaries, coverage.boundaries),
    ]
    return [part for part in found if part.total]


def _part(name: str, names: list[str], reached: Counter[int] | set[int]) -> Part:
    never = tuple(text for number, text in enumerate(names) if number not in reached)
    return Part(name, len(names) - len(never), len(names), never)


def _response(design: Design, number: int) -> str:
    response = design.responses[number]
    what = (
        f"move {design.pedals[response.cause.pedal].name}" if isinstance(response.cause, Moved) else f"received, line {response.place.line}"
    )
    return f"{what} of {design.modes[response.mode].name}"


def ways_home(design: Design, coverage: Coverage) -> set[int]:
    """The modes from which home was come to by mode changes that were seen."""
    home = {design.home}
    while True:
        more = {start for start, end in coverage.changes if end in home} - home
        if not more:
            return home
        home |= more
