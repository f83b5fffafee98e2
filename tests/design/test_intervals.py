"""Interval arithmetic: every result is inside, and both ends are reached."""

from __future__ import annotations

from collections.abc import Callable

import hypothesis.strategies as st
import pytest
from hypothesis import assume, given

from controller_sim.design.intervals import (
    BINARY,
    HIGHEST,
    LOWEST,
    NEGATED,
    Interval,
    State,
    absolute,
    clip,
    compare,
    hull,
    inside,
    join,
    widen,
)
from controller_sim.design.program import Binary, CellValue, Choice, Compare, Constant, Expression, Local, Logic, Reading, Unary

small = st.tuples(st.integers(-9, 9), st.integers(-9, 9)).map(lambda pair: (min(pair), max(pair)))
EXACT: dict[str, Callable[[int, int], int]] = {
    "+": lambda x, y: x + y,
    "-": lambda x, y: x - y,
    "*": lambda x, y: x * y,
    "//": lambda x, y: x // y,
    "%": lambda x, y: x % y,
    "min": min,
    "max": max,
}
RELATIONS: dict[str, Callable[[int, int], bool]] = {
    "==": lambda x, y: x == y,
    "!=": lambda x, y: x != y,
    "<": lambda x, y: x < y,
    "<=": lambda x, y: x <= y,
    ">": lambda x, y: x > y,
    ">=": lambda x, y: x >= y,
}


def numbers(interval: Interval) -> range:
    return range(interval[0], interval[1] + 1)


@pytest.mark.parametrize("operator", sorted(EXACT))
@given(small, small)
def test_an_operation_holds_every_result_and_only_modulo_is_wider(operator: str, a: Interval, b: Interval) -> None:
    assume(operator not in ("//", "%") or not b[0] <= 0 <= b[1])
    results = {EXACT[operator](x, y) for x in numbers(a) for y in numbers(b)}
    low, high = BINARY[operator](a, b)
    if operator == "%":
        assert low <= min(results)
        assert max(results) <= high
        assert max(abs(low), abs(high)) < max(abs(b[0]), abs(b[1]))
    else:
        assert (low, high) == (min(results), max(results))


@given(small)
def test_abs_is_exact(a: Interval) -> None:
    results = {abs(x) for x in numbers(a)}
    assert absolute(a) == (min(results), max(results))


@pytest.mark.parametrize("operator", sorted(RELATIONS))
@given(small, small)
def test_a_comparison_is_certain_exactly_when_all_pairs_agree(operator: str, a: Interval, b: Interval) -> None:
    results = {int(RELATIONS[operator](x, y)) for x in numbers(a) for y in numbers(b)}
    assert compare(operator, a, b) == (min(results), max(results))
    low, high = compare(NEGATED[operator], a, b)
    assert (1 - high, 1 - low) == compare(operator, a, b)


@given(small, small)
def test_hull_and_clip_keep_order(a: Interval, b: Interval) -> None:
    both = hull(a, b)
    assert inside(a, *both)
    assert inside(b, *both)
    assert inside(clip(a, *b), *b)


def _value(expression: Expression, x: int, y: int) -> int:
    match expression:
        case Constant():
            return expression.value
        case Local(slot=slot):
            return (x, y)[slot]
        case Unary(operator=operator, operand=operand):
            value = _value(operand, x, y)
            return {"-": -value, "abs": abs(value), "not": int(not value)}[operator]
        case Binary(operator=operator, left=left, right=right):
            return EXACT[operator](_value(left, x, y), _value(right, x, y))
        case Compare(operator=operator, left=left, right=right):
            return int(RELATIONS[operator](_value(left, x, y), _value(right, x, y)))
        case Logic(operator="and", left=left, right=right):
            return int(bool(_value(left, x, y) and _value(right, x, y)))
        case Logic(left=left, right=right):
            return int(bool(_value(left, x, y) or _value(right, x, y)))
        case Choice(condition=condition, then=then, otherwise=otherwise):
            return _value(then if _value(condition, x, y) else otherwise, x, y)
    raise AssertionError(expression)


X, Y = Local(-5, 5, 0), Local(-5, 5, 1)


def _binary(operator: str, left: Expression, right: Expression) -> Expression:
    return Binary(*BINARY[operator]((left.low, left.high), (right.low, right.high)), operator, left, right)


def _terms(inner: st.SearchStrategy[Expression]) -> st.SearchStrategy[Expression]:
    return st.one_of(
        st.builds(_binary, st.sampled_from(("+", "-", "*", "min", "max")), inner, inner),
        inner.map(lambda e: Unary(-e.high, -e.low, "-", e)),
        inner.map(lambda e: Unary(*absolute((e.low, e.high)), "abs", e)),
    )


constants = st.integers(-6, 6).map(lambda v: Constant(v, v))
terms: st.SearchStrategy[Expression] = st.recursive(st.sampled_from((X, Y)) | constants, _terms, max_leaves=4)


def _truths(inner: st.SearchStrategy[Expression]) -> st.SearchStrategy[Expression]:
    return st.one_of(
        st.builds(lambda operator, a, b: Logic(0, 1, operator, a, b), st.sampled_from(("and", "or")), inner, inner),
        st.builds(lambda a: Unary(0, 1, "not", a), inner),
        st.builds(lambda a, b, c: Choice(0, 1, a, b, c), inner, inner, inner),
    )


comparisons = st.builds(lambda operator, a, b: Compare(0, 1, operator, a, b), st.sampled_from(sorted(RELATIONS)), terms, terms)
truths: st.SearchStrategy[Expression] = st.recursive(comparisons, _truths, max_leaves=5)


@given(truths, st.booleans(), terms)
def test_what_a_condition_teaches_is_true_wherever_it_holds(condition: Expression, truth: bool, other: Expression) -> None:
    state = State({0: (-5, 5), 1: (-5, 5)})
    state.assume(condition, truth)
    holding = [(x, y) for x in range(-5, 6) for y in range(-5, 6) if bool(_value(condition, x, y)) == truth]
    if state.dead:
        assert not holding
        return
    for x, y in holding:
        assert inside((x, x), *state.locals[0])
        assert inside((y, y), *state.locals[1])
        for fact in state.facts.values():
            value = _value(fact.expression, x, y)
            assert inside((value, value), *fact.interval)
        low, high = state.look(other)
        assert low <= _value(other, x, y) <= high


def test_a_comparison_with_a_constant_is_learned_exactly() -> None:
    for operator in RELATIONS:
        for limit in range(-6, 7):
            state = State({0: (-5, 5)})
            state.assume(Compare(0, 1, operator, X, Constant(limit, limit)), True)
            holding = [x for x in range(-5, 6) if RELATIONS[operator](x, limit)]
            assert state.dead == (not holding)
            if holding:
                assert state.locals[0] == (min(holding), max(holding))


CELL = CellValue(-1, 127, 0, Local(0, 39, 0))


def _knowing_cell() -> State:
    state = State({0: (0, 39)})
    state.bound(CELL, 0, 127)
    assert state.look(CELL) == (0, 127)
    return state


def test_an_assignment_to_the_cell_ends_what_is_known_of_its_elements() -> None:
    state = _knowing_cell()
    state.set_cell(0, Constant(3, 3), (-1, -1))
    assert state.look(CELL) == (-1, 127)
    assert state.look(CellValue(-1, 127, 0, Constant(3, 3))) == (-1, -1)


def test_an_assignment_to_another_cell_or_local_changes_nothing() -> None:
    state = _knowing_cell()
    state.set_cell(1, None, (0, 0))
    state.set_local(7, (0, 0))
    state.set_reading("tempo", (90, 90))
    assert state.look(CELL) == (0, 127)


def test_an_assignment_to_the_index_ends_what_is_known_of_the_element() -> None:
    state = _knowing_cell()
    state.set_local(0, (5, 5))
    assert state.look(CELL) == (-1, 127)


def test_a_cell_that_is_its_own_index_is_not_known_after_its_assignment() -> None:
    inner = CellValue(0, 3, 0, Constant(0, 0))
    state = State()
    state.set_cell(0, inner, (2, 2))
    assert state.look(CellValue(0, 3, 0, inner)) == (0, 3)


def test_forgetting_memory_keeps_locals() -> None:
    state = _knowing_cell()
    state.set_reading("tempo", (90, 90))
    state.forget_memory()
    assert state.look(CELL) == (-1, 127)
    assert state.look(Reading(30, 240, "tempo")) == (30, 240)
    assert state.locals == {0: (0, 39)}


def test_where_two_ways_meet_only_what_both_know_is_known() -> None:
    one, other = State({0: (0, 1), 1: (5, 5)}), State({0: (4, 4)})
    met = join(one, other)
    assert met.locals == {0: (0, 4)}
    other.dead = True
    assert join(one, other) == one
    assert join(other, one) == one


def test_facts_that_meet_do_not_rely_on_the_interval_of_one_way_s_index() -> None:
    one, other = State({0: (0, 0)}), State({0: (5, 5)})
    one.bound(CellValue(-1, 127, 0, Local(0, 0, 0)), 0, 9)
    other.bound(CellValue(-1, 127, 0, Local(5, 5, 0)), 0, 9)
    met = join(one, other)
    met.set_cell(0, Constant(5, 5), (-1, -1))
    assert met.look(CELL) == (-1, 127)


def test_widening_drops_all_that_moved() -> None:
    old, new = State({0: (0, 1), 1: (3, 3)}), State({0: (0, 2), 1: (3, 3)})
    assert widen(old, new).locals == {0: (LOWEST, HIGHEST), 1: (3, 3)}
