"""The readable engine with an eye on which branches of actions run."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from controller_sim.design import program
from controller_sim.design.form import Design
from controller_sim.design.program import Statement
from controller_sim.design.steps import statements_in
from controller_sim.reference import ReferenceEngine
from controller_sim.reference.interpreter import Effects, Interpreter

Branches = set[tuple[int, bool]]
"""(number of the if statement, whether its condition held); statements are counted through all procedures, in their order."""


def ifs(design: Design) -> Iterator[tuple[int, program.If]]:
    """Every if statement with the procedure that holds it, in order."""
    for number, procedure in enumerate(design.procedures):
        for statement in statements_in(procedure.body):
            if isinstance(statement, program.If):
                yield number, statement


class _Observer(Interpreter):
    def __init__(self, design: Design, effects: Effects, branches: Branches) -> None:
        super().__init__(design, effects)
        self._numbers = {id(statement): number for number, (_, statement) in enumerate(ifs(design))}
        self._branches = branches

    def _statement(self, statement: Statement, slots: list[int]) -> None:
        if isinstance(statement, program.If):
            self._branches.add((self._numbers[id(statement)], self.value(statement.condition, slots) != 0))
        super()._statement(statement, slots)


class ObservedReference(ReferenceEngine):
    """Traced, and `branches` is filled in as it plays."""

    def __init__(self, design: Design, now_us: int, kept: Sequence[int] | None, branches: Branches) -> None:
        super().__init__(design, now_us, kept, trace=True)
        self._interpreter = _Observer(design, self, branches)
