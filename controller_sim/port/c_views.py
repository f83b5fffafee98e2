"""What displays show as C: a chain of conditions of which the first that holds counts, with what neighbours share asked once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from controller_sim.design import program
from controller_sim.design.form import View
from controller_sim.design.program import CellValue, Compare, Constant, Expression, Logic
from controller_sim.port.c_code import CodeWriter, indented

FEWEST_CASES = 3
"""So many values of one cell are asked for in a row where a switch says it better than a chain of comparisons."""


@dataclass(frozen=True, slots=True)
class Item:
    """What is shown when all of some conditions hold."""

    conditions: tuple[Expression, ...]
    body: Callable[[], list[str]]


def view_lines(writer: CodeWriter, views: Sequence[View]) -> list[str]:
    """The code that shows the first view whose condition holds."""
    items = [Item(_parts(view.condition), partial(writer.view, view)) for view in views]
    return _lines(writer, items)


def _lines(writer: CodeWriter, items: Sequence[Item]) -> list[str]:
    return _chain(writer, _nested(writer, items))


def _parts(condition: Expression | None) -> tuple[Expression, ...]:
    """Conditions that must all hold for a condition to hold."""
    match condition:
        case None:
            return ()
        case Logic(operator="and", left=left, right=right):
            return (*_parts(left), *_parts(right))
    return (condition,)


def _nested(writer: CodeWriter, items: Sequence[Item]) -> list[Item]:
    """The same, with neighbours that share a condition as one item."""
    found: list[Item] = []
    place = 0
    while place < len(items):
        shared, count = _shared(items[place:])
        if shared is None:
            found.append(items[place])
            place += 1
            continue
        inner = [Item(_without(item.conditions, shared), item.body) for item in items[place : place + count]]
        found.append(Item((shared,), partial(_lines, writer, inner)))
        place += count
    return found


def _shared(items: Sequence[Item]) -> tuple[Expression | None, int]:
    """A condition that the first few items share, and how many: behind it one of them always counts, or nothing comes after them."""
    best: tuple[Expression | None, int] = (None, 1)
    for condition in items[0].conditions:
        count = next((n for n, item in enumerate(items) if condition not in item.conditions), len(items))
        rest = [_without(item.conditions, condition) for item in items[:count]]
        if count > best[1] and (count == len(items) or _is_complete(rest)):
            best = (condition, count)
    return best


def _without(conditions: Sequence[Expression], one: Expression) -> tuple[Expression, ...]:
    return tuple(condition for condition in conditions if condition != one)


def _is_complete(several: Sequence[Sequence[Expression]]) -> bool:
    """Whether one of several always holds: one without conditions, or one for each value that a cell can have."""
    if any(not conditions for conditions in several):
        return True
    cases = [case for conditions in several if len(conditions) == 1 and (case := _case(conditions[0]))]
    return any(_covers(cell, {value for other, value in cases if other == cell}) for cell, _ in cases)


def _covers(cell: CellValue, values: set[int]) -> bool:
    return cell.high - cell.low < len(values) and values.issuperset(range(cell.low, cell.high + 1))


def _case(condition: Expression) -> tuple[CellValue, int] | None:
    """The cell and the value of a comparison of both."""
    match condition:
        case Compare(operator="==", left=CellValue() as cell, right=Constant(low=value)):
            return cell, value
        case Compare(operator="==", left=Constant(low=value), right=CellValue() as cell):
            return cell, value
    return None


def _chain(writer: CodeWriter, items: Sequence[Item]) -> list[str]:
    cases = _cases(items)
    if len(cases) >= FEWEST_CASES:
        return _switch(writer, cases, items)
    if not items:
        return []
    condition = _all(writer, items[0].conditions)
    if condition == "0":
        return _chain(writer, items[1:])
    body = items[0].body()
    if condition == "1":
        return body
    lines, rest = [f"if ({condition}) {{", *indented(body)], _chain(writer, items[1:])
    if rest and rest[0].startswith("if (") and _is_one_statement(rest):
        return [*lines, f"}} else {rest[0]}", *rest[1:]]
    return [*lines, "} else {", *indented(rest), "}"] if rest else [*lines, "}"]


def _is_one_statement(lines: Sequence[str]) -> bool:
    return all(line.startswith((" ", "}")) for line in lines[1:]) and sum(line == "}" for line in lines) == 1


def _all(writer: CodeWriter, conditions: Sequence[Expression]) -> str:
    """Some conditions as one in C, "0" or "1" where it is decided."""
    if not conditions:
        return "1"
    whole = conditions[0]
    for each in conditions[1:]:
        whole = program.Logic(0, 1, "and", whole, each)
    return writer.condition(whole)


def _cases(items: Sequence[Item]) -> list[tuple[CellValue, int]]:
    """The values of one cell that the first items ask for, each once and nothing else."""
    found: list[tuple[CellValue, int]] = []
    for item in items:
        case = _case(item.conditions[0]) if len(item.conditions) == 1 else None
        if case is None or case in found or (found and case[0] != found[0][0]) or not case[0].low <= case[1] <= case[0].high:
            break
        found.append(case)
    return found


def _switch(writer: CodeWriter, cases: Sequence[tuple[CellValue, int]], items: Sequence[Item]) -> list[str]:
    cell = cases[0][0]
    lines = [f"switch ({writer.term(cell).text}) {{"]
    for (_, value), item in zip(cases, items, strict=False):
        lines += [f"case {value}:", *indented(item.body()), "    break;"]
    rest = [] if _covers(cell, {value for _, value in cases}) else _chain(writer, items[len(cases) :])
    return [*lines, "default:", *indented(rest), "    break;", "}"]
