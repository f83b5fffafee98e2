"""Actions: for any program that loads, what the loader proved holds whenever the program runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

import hypothesis.strategies as st
import pytest
from hypothesis import event, given, settings

from controller_sim.design.actions import calls_of, compile_condition, compile_expression, compile_procedure
from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import SERIAL, USB, Cell, Controller, Device, Place, Procedure, Tempo
from controller_sim.design.program import (
    Binary,
    Call,
    CancelDraft,
    CellValue,
    Choice,
    ClockRun,
    Compare,
    Constant,
    Enter,
    Expression,
    For,
    If,
    Local,
    Logic,
    Notice,
    Reading,
    SaveDraft,
    Send,
    SetCell,
    SetLocal,
    SetTempo,
    Statement,
    TapTempo,
    Text,
    Unary,
)
from controller_sim.design.scope import ProcedureSignature, Scope

PLACE = Place("booth.yaml", 1, 1)


def make_cell(name: str, low: int, high: int, shape: tuple[int, ...] = (), ends: str = "proved", names: tuple[str, ...] = ()) -> Cell:
    return Cell(name, low, high, low, shape, ends, False, names, 0, PLACE)


CELLS = (
    make_cell("act", 0, 7, ends="wrap"),
    make_cell("level", -20, 100, ends="clamp"),
    make_cell("lit", -1, 2),
    make_cell("frozen", 0, 1, names=("off", "on")),
    make_cell("cue", 0, 39, (8, 3)),
    make_cell("prog", -1, 127, (40,), ends="clamp"),
)
DEVICES = (
    Device("sampler", 9, SERIAL, (0, 63), None, None, "none", 1),
    Device("pads", 1, SERIAL | USB, (0, 127), None, (36, 60), "both"),
    Device("room", 2, USB, None, (Controller("freeze", 80, on=64, off=63), Controller("wet", 91), Controller("tap", 64, on=64)), None),
)
SWITCHES = {name: i for i, name in enumerate("abcde")}
SCOPE = Scope(
    "booth.yaml",
    SWITCHES,
    SWITCHES,
    CELLS,
    DEVICES,
    {"show": 0, "edit_cue": 1},
    {"off": 0, "on": 1},
    Tempo(30, 240, 120, USB),
    SERIAL | USB,
    {"recall": ProcedureSignature(0, (("n", 0, 39),))},
)
PARAMETERS = (("n", 0, 39), ("m", -3, 3))


def source(text: str) -> Source:
    return Source(text, tuple(Place("booth.yaml", 31 + i, 9) for i in range(text.count("\n") + 1)))


def procedure(text: str, parameters: tuple[tuple[str, int, int], ...] = ()) -> Procedure:
    return compile_procedure(SCOPE, "x", parameters, source(text), by_gesture=True, may_enter=True, has_draft=True)


@dataclass
class World:
    """Memory and readings that both ways of running a program share the shape of."""

    cells: list[list[int]]
    tempo: int
    clock: int
    locals: dict[object, int] = field(default_factory=dict)
    sent: list[tuple[int, ...]] = field(default_factory=list)

    @staticmethod
    def from_seed(seed: int) -> World:
        random = Random(seed)
        cells = [[random.choice((cell.low, cell.high, random.randint(cell.low, cell.high))) for _ in range(cell.size)] for cell in CELLS]
        return World(cells, random.randint(30, 240), random.randint(0, 1))

    def scramble(self, seed: int) -> None:
        """What a called procedure may do."""
        other = World.from_seed(seed)
        self.cells, self.tempo, self.clock = other.cells, other.tempo, other.clock

    def store(self, cell: int, index: int, value: int) -> None:
        declared = CELLS[cell]
        if declared.ends == "wrap":
            value = declared.low + (value - declared.low) % (declared.high - declared.low + 1)
        elif declared.ends == "clamp":
            value = min(max(value, declared.low), declared.high)
        assert declared.low <= value <= declared.high
        assert 0 <= index < declared.size
        self.cells[cell][index] = value


def evaluate(world: World, expression: Expression) -> int:
    """The value of a compiled expression, its interval checked."""
    value = _evaluate(world, expression)
    assert expression.low <= value <= expression.high, expression
    assert -(1 << 31) <= value < 1 << 31
    return value


def _evaluate(world: World, expression: Expression) -> int:
    match expression:
        case Constant():
            return expression.value
        case CellValue(cell=cell, index=index):
            at = 0 if index is None else evaluate(world, index)
            assert 0 <= at < CELLS[cell].size
            return world.cells[cell][at]
        case Local(slot=slot):
            return world.locals[slot]
        case Unary(operator=operator, operand=operand):
            value = evaluate(world, operand)
            return {"-": -value, "abs": abs(value), "not": int(not value)}[operator]
        case Binary(operator=operator, left=left, right=right):
            return OPERATIONS[operator](evaluate(world, left), evaluate(world, right))
        case Compare(operator=operator, left=left, right=right):
            return int(OPERATIONS[operator](evaluate(world, left), evaluate(world, right)))
        case Logic(operator=operator, left=left, right=right):
            first = evaluate(world, left)
            assert first in (0, 1)
            return evaluate(world, right) if first == (operator == "and") else first
        case Choice(condition=condition, then=then, otherwise=otherwise):
            return evaluate(world, then if evaluate(world, condition) else otherwise)
        case Reading(name="tempo"):
            return world.tempo
    return world.clock


OPERATIONS: dict[str, Callable[[int, int], int]] = {
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "//": lambda a, b: a // b,
    "%": lambda a, b: a % b,
    "min": min,
    "max": max,
    "==": lambda a, b: a == b,
    "!=": lambda a, b: a != b,
    "<": lambda a, b: a < b,
    "<=": lambda a, b: a <= b,
    ">": lambda a, b: a > b,
    ">=": lambda a, b: a >= b,
}


def run(world: World, statements: tuple[Statement, ...]) -> None:
    for statement in statements:
        match statement:
            case SetCell(cell=cell, index=index, value=value):
                world.store(cell, 0 if index is None else evaluate(world, index), evaluate(world, value))
            case SetLocal(slot=slot, value=value):
                world.locals[slot] = evaluate(world, value)
            case SetTempo(value=value):
                world.tempo = min(max(evaluate(world, value), 30), 240)
            case If(condition=condition, then=then, otherwise=otherwise):
                run(world, then if evaluate(world, condition) else otherwise)
            case For(slot=slot, start=start, stop=stop, step=step, body=body):
                for i in range(start, stop, step):
                    world.locals[slot] = i
                    run(world, body)
            case Call(arguments=arguments):
                world.scramble(evaluate(world, arguments[0]))
            case ClockRun(running=running):
                world.clock = running
            case Send(data=data):
                message = tuple(evaluate(world, byte) for byte in data)
                assert message[0] >= 0x80
                assert all(byte <= 127 for byte in message[1:])
                world.sent.append(message)
            case _:
                raise AssertionError(statement)


Value = tuple[str, Callable[[World], int]]
"""An expression as text and, independently, as a function."""
Program = tuple[list[str], Callable[[World], None]]


def _cell(name: str) -> int:
    return next(i for i, cell in enumerate(CELLS) if cell.name == name)


def _plain(name: str) -> Value:
    return name, lambda w: w.cells[_cell(name)][0]


def _indexed(name: str, indices: tuple[Value, ...]) -> Value:
    columns = CELLS[_cell(name)].shape[-1]
    text = f"{name}[{', '.join(index[0] for index in indices)}]"
    if len(indices) == 1:
        return text, lambda w: w.cells[_cell(name)][indices[0][1](w)]
    return text, lambda w: w.cells[_cell(name)][indices[0][1](w) * columns + indices[1][1](w)]


def _inside(size: int) -> Callable[[Value], Value]:
    return lambda value: (f"({value[0]}) % {size}", lambda w: value[1](w) % size)


def _operation(operator: str, left: Value, right: Value) -> Value:
    text = f"{operator}({left[0]}, {right[0]})" if operator in ("min", "max") else f"({left[0]} {operator} {right[0]})"
    return text, lambda w: int(OPERATIONS[operator](left[1](w), right[1](w)))


def _logic(operator: str, left: Value, right: Value) -> Value:
    both: dict[str, Callable[[World], int]] = {
        "and": lambda w: int(left[1](w) != 0 and right[1](w) != 0),
        "or": lambda w: int(left[1](w) != 0 or right[1](w) != 0),
    }
    return f"({left[0]} {operator} {right[0]})", both[operator]


def _chain(first: str, second: str, a: Value, b: Value, c: Value) -> Value:
    return f"({a[0]} {first} {b[0]} {second} {c[0]})", lambda w: int(
        OPERATIONS[first](a[1](w), b[1](w)) and OPERATIONS[second](b[1](w), c[1](w))
    )


def _guarded(value: Value, low: int, high: int) -> Value:
    """Values that only narrowing can prove to be in a range."""
    return f"({value[0]} if {low} <= {value[0]} <= {high} else {low})", lambda w: value[1](w) if low <= value[1](w) <= high else low


LEAVES: list[Value] = [
    *(_plain(name) for name in ("act", "level", "lit", "frozen")),
    ("tempo", lambda w: w.tempo),
    ("clock_running", lambda w: w.clock),
    ("b", lambda w: 1),
    ("on", lambda w: 1),
    ("n", lambda w: w.locals["n"]),
    ("m", lambda w: w.locals["m"]),
]
numbers = st.sampled_from((-2, -1, 0, 1, 2, 3, 7, 63, 127)).map(lambda v: (str(v), lambda w, v=v: v))
leaves: st.SearchStrategy[Value] = st.sampled_from(LEAVES) | numbers
COMPARISONS = ("==", "!=", "<", "<=", ">", ">=")


def _extend(inner: st.SearchStrategy[Value]) -> st.SearchStrategy[Value]:
    return st.one_of(
        st.builds(_operation, st.sampled_from(("+", "-", "*", "//", "%", "min", "max", *COMPARISONS)), inner, inner),
        st.builds(_logic, st.sampled_from(("and", "or")), inner, inner),
        st.builds(_chain, st.sampled_from(COMPARISONS), st.sampled_from(COMPARISONS), inner, inner, inner),
        st.builds(lambda a: (f"(not {a[0]})", lambda w: int(not a[1](w))), inner),
        st.builds(lambda a: (f"(-{a[0]})", lambda w: -a[1](w)), inner),
        st.builds(lambda a: (f"abs({a[0]})", lambda w: abs(a[1](w))), inner),
        st.builds(lambda a, c, b: (f"({a[0]} if {c[0]} else {b[0]})", lambda w: a[1](w) if c[1](w) else b[1](w)), inner, inner, inner),
        st.builds(lambda a, b: _indexed("cue", (_inside(8)(a), _inside(3)(b))), inner, inner),
        st.builds(lambda a: _indexed("prog", (_guarded(a, 0, 39),)), inner),
    )


values: st.SearchStrategy[Value] = st.recursive(leaves, _extend, max_leaves=8)


def _assign(name: str, value: Value) -> Program:
    return [f"{name} = {value[0]}"], lambda w: w.store(_cell(name), 0, value[1](w))


def _assign_local(name: str, value: Value) -> Program:
    return [f"{name} = {value[0]}"], lambda w: w.locals.__setitem__(name, value[1](w))


def _assign_element(index: Value, value: Value) -> Program:
    index = _inside(40)(index)
    return [f"prog[{index[0]}] = {value[0]}"], lambda w: w.store(_cell("prog"), index[1](w), value[1](w))


def _add(name: str, value: Value) -> Program:
    return [f"{name} += {value[0]}"], lambda w: w.store(_cell(name), 0, w.cells[_cell(name)][0] + value[1](w))


def _send(program: Value) -> Program:
    program = _guarded(program, 0, 63)
    return [f"program_change(sampler, {program[0]})"], lambda w: w.sent.append((0xC9, program[1](w)))


def _bend(pitch: Value) -> Program:
    pitch = _guarded(pitch, -8192, 8191)
    return [f"pitchwheel(room, {pitch[0]})"], lambda w: w.sent.append((0xE2, (pitch[1](w) + 8192) % 128, (pitch[1](w) + 8192) // 128))


def _call(argument: Value) -> Program:
    argument = _inside(40)(argument)
    return [f"recall({argument[0]})"], lambda w: w.scramble(argument[1](w))


def _set_tempo(value: Value) -> Program:
    return [f"tempo = {value[0]}"], lambda w: setattr(w, "tempo", min(max(value[1](w), 30), 240))


simple = st.one_of(
    st.builds(_assign, st.sampled_from(("act", "level")), values),
    st.builds(_assign, st.just("lit"), values.map(lambda v: _guarded(v, -1, 2))),
    st.builds(_assign_local, st.sampled_from(("m", "n")), values),
    st.builds(_assign_element, values, values),
    st.builds(_add, st.sampled_from(("act", "level")), values),
    st.builds(_send, values),
    st.builds(_bend, values),
    st.builds(_call, values),
    st.builds(_set_tempo, values),
)


def _sequence(programs: list[Program]) -> Program:
    def play(world: World) -> None:
        for _, program in programs:
            program(world)

    return [line for lines, _ in programs for line in lines], play


def _indent(lines: list[str]) -> list[str]:
    return [f"  {line}" for line in lines]


def _branch(condition: Value, then: Program, otherwise: Program) -> Program:
    lines = [f"if {condition[0]}:", *_indent(then[0]), "else:", *_indent(otherwise[0])]
    return lines, lambda w: then[1](w) if condition[1](w) else otherwise[1](w)


def _narrowing_branch(value: Value, high: int, otherwise: Program) -> Program:
    """A branch in which the condition alone proves the index."""
    then = [f"  prog[{value[0]}] += 1"]

    def play(world: World) -> None:
        at = value[1](world)
        if 0 <= at <= high:
            world.store(_cell("prog"), at, world.cells[_cell("prog")][at] + 1)
        else:
            otherwise[1](world)

    return [f"if 0 <= {value[0]} and not {value[0]} > {high}:", *then, "else:", *_indent(otherwise[0])], play


def _loop(name: str, bounds: tuple[int, int, int], body: Program) -> Program:
    def play(world: World) -> None:
        for i in range(*bounds):
            world.locals[name] = i
            body[1](world)
        world.locals[name] = 0

    return [f"for {name} in range({bounds[0]}, {bounds[1]}, {bounds[2]}):", *_indent(body[0]), f"{name} = 0"], play


def _extend_program(inner: st.SearchStrategy[Program]) -> st.SearchStrategy[Program]:
    bounds = st.tuples(st.integers(-3, 5), st.integers(-3, 9), st.sampled_from((1, 2, -1)))
    return st.one_of(
        st.lists(inner, min_size=2, max_size=4).map(_sequence),
        st.builds(_branch, values, inner, inner),
        st.builds(_narrowing_branch, values, st.integers(0, 39), inner),
        st.builds(_loop, st.just("m"), bounds, inner),
    )


programs: st.SearchStrategy[Program] = st.recursive(simple, _extend_program, max_leaves=6)
seeds = st.integers(0, 1 << 16)


def _fresh(seed: int) -> tuple[World, World]:
    random = Random(seed)
    n, m = random.randint(0, 39), random.randint(-3, 3)
    compiled, direct = World.from_seed(seed), World.from_seed(seed)
    compiled.locals = {0: n, 1: m}
    direct.locals = {"n": n, "m": m}
    return compiled, direct


@settings(max_examples=400)
@given(values, seeds)
def test_an_expression_that_loads_has_its_value_and_stays_in_its_interval(value: Value, seed: int) -> None:
    try:
        compiled = procedure(f"level = {value[0]}", PARAMETERS)
    except DesignError:
        return
    world, direct = _fresh(seed)
    (statement,) = compiled.body
    assert isinstance(statement, SetCell)
    assert evaluate(world, statement.value) == value[1](direct)


@settings(max_examples=400)
@given(programs, seeds)
def test_a_program_that_loads_keeps_every_proof_and_does_what_its_text_says(program: Program, seed: int) -> None:
    try:
        compiled = procedure("\n".join(program[0]), PARAMETERS)
    except DesignError:
        event("refused")
        return
    event("loaded")
    world, direct = _fresh(seed)
    run(world, compiled.body)
    program[1](direct)
    assert (world.cells, world.tempo, world.sent) == (direct.cells, direct.tempo, direct.sent)


@given(programs)
def test_a_program_loads_or_fails_at_a_place_in_its_text(program: Program) -> None:
    text = "\n".join(program[0])
    try:
        procedure(text, PARAMETERS)
    except DesignError as error:
        line = error.place.line - 31
        assert 0 <= line < len(program[0])
        assert 0 <= error.place.column - 9 <= len(program[0][line])


@given(st.text(max_size=60) | st.text("abn01 ()[]{}:=+-*/%<>\n'\"\\,.@_", max_size=60))
def test_no_text_gives_anything_but_a_procedure_or_a_design_error(text: str) -> None:
    for compile_text in (procedure, lambda t: compile_expression(SCOPE, source(t), {}), lambda t: calls_of(source(t))):
        try:
            compile_text(text)
        except DesignError as error:
            assert str(error)


def body(text: str, parameters: tuple[tuple[str, int, int], ...] = ()) -> tuple[Statement, ...]:
    return procedure(text, parameters).body


def test_the_commands_of_the_booth_compile_to_their_statements() -> None:
    text = 'tap_tempo()\nclock_start()\nclock_stop()\nsave()\ncancel()\nnotice("saved")\nenter(edit_cue)'
    notice = Notice(Text(("saved",)), 900_000)
    assert body(text) == (TapTempo(), ClockRun(1), ClockRun(0), SaveDraft(), CancelDraft(), notice, Enter(1))


def test_clock_toggle_reads_the_clock() -> None:
    assert body("clock_toggle()") == (If(Reading(0, 1, "clock_running"), (ClockRun(0),), (ClockRun(1),)),)


def test_what_the_clock_does_is_known_after_it_was_told() -> None:
    assert body("clock_start()\nif clock_running: act = 1\nelse: act = 2")[1:] == (SetCell(0, None, Constant(1, 1)),)


def test_pressing_a_lit_switch_goes_back_to_the_house_cue() -> None:
    text = "if lit == switch:\n  lit = -1\n  recall(cue[0, 0])\nelse:\n  lit = switch\n  recall(cue[act, switch])"
    (branch,) = body(text, (("switch", 0, 2),))
    assert isinstance(branch, If)
    assert [type(s) for s in branch.then + branch.otherwise] == [SetCell, Call, SetCell, Call]


def test_a_sum_in_a_loop_is_as_large_as_its_terms_allow() -> None:
    text = "total = 0\nfor i in range(8): total += cue[i, 0]\nlevel = total"
    last = body(text)[-1]
    assert isinstance(last, SetCell)
    assert (last.value.low, last.value.high) == (0, 8 * 39)


def test_a_branch_that_is_never_taken_is_left_out_and_needs_no_proofs() -> None:
    assert body("if switch == 3: act = cue[switch, switch]\nelse: act = 1", (("switch", 1, 1),)) == (SetCell(0, None, Constant(1, 1)),)


def test_an_assignment_to_another_element_keeps_what_is_known_only_where_both_are_constant() -> None:
    body("if prog[0] >= 0:\n  prog[1] = -1\n  note_on(pads, 36, prog[0])")
    for other in ("prog[0]", "prog[n]"):
        with pytest.raises(DesignError, match="velocity"):
            body(f"if prog[0] >= 0:\n  {other} = -1\n  note_on(pads, 36, prog[0])", PARAMETERS)


def test_a_call_ends_what_is_known_of_cells_but_not_of_locals() -> None:
    body("x = prog[0]\nif x >= 0:\n  recall(0)\n  note_on(pads, 36, x)")
    with pytest.raises(DesignError, match="velocity"):
        body("if prog[0] >= 0:\n  recall(0)\n  note_on(pads, 36, prog[0])")


@pytest.mark.parametrize(
    "condition",
    [
        "prog[n] >= 0",
        "0 <= prog[n]",
        "not prog[n] < 0",
        "prog[n] != -1",
        "prog[n] > -1 and frozen",
        "0 <= prog[n] <= 100",
        "prog[n] == act",
        "prog[n] + 1 > 0",
        "-prog[n] <= 0",
        "min(prog[n], act) >= 0",
        "prog[n] >= 0 and act == 2 or prog[n] == 5",
        "not (prog[n] < 0 or frozen)",
    ],
)
def test_a_condition_narrows_the_expression_it_speaks_of(condition: str) -> None:
    body(f"if {condition}: note_on(pads, 36, prog[n])", PARAMETERS)
    body(f"note_on(pads, 36, prog[n] if {condition} else 1)", PARAMETERS)


def test_a_long_choice_of_equal_values_narrows_to_their_span() -> None:
    condition = " or ".join(f"prog[n] == {value}" for value in range(36, 61, 2))
    body(f"if {condition}: note_on(pads, prog[n])", PARAMETERS)


def test_deeply_mixed_conditions_are_followed_in_bounded_work() -> None:
    condition = "n"
    for depth in range(14):
        condition = f"({condition} and lit or act)" if depth % 2 else f"(not {condition} or level)"
    body(f"if {condition}: act = 1\n" * 5, PARAMETERS)


def test_truths_of_other_values_are_comparisons_with_zero() -> None:
    assert compile_condition(SCOPE, source("act"), {}) == Compare(0, 1, "!=", CellValue(0, 7, 0, None), Constant(0, 0))
    assert compile_condition(SCOPE, source("frozen"), {}) == CellValue(0, 1, _cell("frozen"), None)


def test_constants_are_folded_and_stand_for_their_names() -> None:
    assert compile_expression(SCOPE, source("shown(sampler, switch * 2) + position"), {"switch": 3, "position": 1}) == Constant(8, 8)


def test_a_known_condition_narrows_an_expression_beside_it() -> None:
    lit = compile_condition(SCOPE, source("lit >= 0"), {})
    value = compile_expression(SCOPE, source("cue[act, lit]"), {}, holding=[lit])
    assert (value.low, value.high) == (0, 39)
    dark = compile_condition(SCOPE, source("lit < 0"), {})
    assert compile_expression(SCOPE, source("cue[act, lit]"), {}, failing=[dark]) == value


def test_calls_are_listed_in_the_order_of_the_text_with_their_places() -> None:
    text = "if act: recall(1); tap_tempo()\nelse:\n  save()\nact = 1"
    assert calls_of(source(text)) == [
        ("recall", Place("booth.yaml", 31, 17)),
        ("tap_tempo", Place("booth.yaml", 31, 28)),
        ("save", Place("booth.yaml", 33, 11)),
    ]
