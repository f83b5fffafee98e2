"""How many delayed messages of a design can wait at once, which is often far fewer than it declares room for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from controller_sim.design.form import Procedure
from controller_sim.design.program import Call, CancelDelayed, For, If, Send, Statement


@dataclass(frozen=True, slots=True)
class Ways:
    """What all ways through some statements do to the queue, as counts of messages at worst."""

    added: int | None
    """On ways that drop nothing: how many more wait at the end. None: each way drops all that waits."""
    left: int | None
    """On ways that drop all that waits, how many wait at the end. None: there is no such way."""
    above: int
    """How many more than at the start ever wait before anything is dropped."""
    most: int
    """How many ever wait after all has been dropped."""


NOTHING = Ways(0, None, 0, 0)


def most_waiting(procedures: Sequence[Procedure], actions: Iterable[int], room: int) -> int:
    """The most delayed messages that can wait where `actions` (procedures) run in any order and at any times, or `room` + 1.

    Where each action that delays messages drops the waiting ones first, no more can wait than one action leaves behind. Where one does
    not, it may come again before the first message is due, and `room` may be too little.
    """
    memory: dict[int, Ways] = {}
    ways = [_of_procedure(procedures, action, room, memory) for action in actions]
    if any(each.added for each in ways):
        return room + 1
    before = max((each.left or 0 for each in ways), default=0)
    return min(max((max(before + each.above, each.most) for each in ways), default=0), room + 1)


def _of_procedure(procedures: Sequence[Procedure], number: int, room: int, memory: dict[int, Ways]) -> Ways:
    if number not in memory:
        memory[number] = _through(procedures, procedures[number].body, room, memory)
    return memory[number]


def _through(procedures: Sequence[Procedure], body: Sequence[Statement], room: int, memory: dict[int, Ways]) -> Ways:
    ways = NOTHING
    for statement in body:
        match statement:
            case Send(delay_us=delay_us) if delay_us:
                ways = _then(ways, Ways(1, None, 1, 0))
            case CancelDelayed():
                ways = _then(ways, Ways(None, 0, 0, 0))
            case If(_, then, otherwise):
                ways = _then(ways, _or(*(_through(procedures, each, room, memory) for each in (then, otherwise))))
            case For(_, start, stop, step, inner):
                turn = _through(procedures, inner, room, memory)
                for _ in range(min(len(range(start, stop, step)), room + 1)):
                    ways = _then(ways, turn)
            case Call(procedure, _):
                ways = _then(ways, _of_procedure(procedures, procedure, room, memory))
    return ways


def _then(one: Ways, other: Ways) -> Ways:
    return Ways(
        _sum(one.added, other.added),
        _larger(other.left, _sum(one.left, other.added)),
        max(one.above, _sum(one.added, other.above) or 0),
        max(one.most, other.most, _sum(one.left, other.above) or 0),
    )


def _or(one: Ways, other: Ways) -> Ways:
    return Ways(_larger(one.added, other.added), _larger(one.left, other.left), max(one.above, other.above), max(one.most, other.most))


def _sum(one: int | None, other: int | None) -> int | None:
    return None if one is None or other is None else one + other


def _larger(one: int | None, other: int | None) -> int | None:
    return other if one is None else one if other is None else max(one, other)
