"""The statements of an action, and how many of them it can run, through loops and calls."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from controller_sim.design.errors import DesignError
from controller_sim.design.form import Call, For, If, Procedure, Statement

MAX_STATEMENTS = 100_000


def statements_in(body: Sequence[Statement]) -> Iterator[Statement]:
    """Every statement of a body and of the branches and loops in it, but not of what it calls."""
    for statement in body:
        yield statement
        match statement:
            case If(_, then, otherwise):
                yield from statements_in((*then, *otherwise))
            case For(body=inner):
                yield from statements_in(inner)


def check_statements(procedures: Iterable[Procedure]) -> None:
    """Refuse procedures, callees first, that can run more than MAX_STATEMENTS. Raises DesignError at the procedure."""
    most: list[int] = []
    for procedure in procedures:
        statements = _most(procedure.body, most)
        if statements > MAX_STATEMENTS:
            raise DesignError(
                f"{procedure.name} can run {statements:,} statements, through its loops and calls; at most {MAX_STATEMENTS:,} are allowed",
                procedure.place,
            )
        most.append(statements)


def _most(body: Sequence[Statement], callees: Sequence[int]) -> int:
    total = 0
    for statement in body:
        total += 1
        match statement:
            case If(_, then, otherwise):
                total += max(_most(then, callees), _most(otherwise, callees))
            case For(_, start, stop, step, inner):
                total += len(range(start, stop, step)) * _most(inner, callees)
            case Call(procedure, _):
                total += callees[procedure]
    return total
