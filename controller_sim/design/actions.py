"""Actions in text -> procedures of the intermediate form, with proofs.

Cells are always in their ranges; what an assignment or a condition tells about a cell holds until something
that may be the same element is assigned, or a procedure is called. Locals are known exactly as far as the way
through the action tells. Loops are run through at load time, or, where that is too long, brought to a fixed point.
"""

from __future__ import annotations

import ast
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import islice

from controller_sim.design import messages
from controller_sim.design.errors import DesignError, Source
from controller_sim.design.expressions import ExpressionCompiler
from controller_sim.design.form import Place, Procedure
from controller_sim.design.intervals import HIGHEST, LOWEST, Interval, State, clip, inside, join, widen
from controller_sim.design.parsing import (
    ARITHMETIC,
    BUILT_IN,
    COMMANDS,
    FORM_COMMANDS,
    FUNCTIONS,
    MESSAGES,
    NOT_ARITHMETIC,
    cited,
    nearest,
    parse_statements,
    parse_value,
    span,
)
from controller_sim.design.program import (
    Call,
    CancelDelayed,
    CancelDraft,
    CellValue,
    ClockRun,
    Constant,
    Enter,
    Expression,
    FactoryValues,
    For,
    If,
    Notice,
    Reading,
    Restart,
    RestartTimer,
    SaveDraft,
    SetCell,
    SetLocal,
    SetTempo,
    Statement,
    TapTempo,
    Text,
)
from controller_sim.design.scope import NO_FORM, Form, FormField, Lamp, Scope
from controller_sim.design.texts import MAX_VERSIONS, text_width, text_with, versions

MAX_STEPS = 10_000
"""How often the innermost statement of nested loops may run in one procedure."""
MAX_LOOPS = 4
"""How deep loops may nest."""
MAX_RUN_THROUGH = 256
"""How many steps of loops are followed one by one; longer loops are brought to a fixed point."""
MAX_WORK = 10_000
"""How many statements are followed in all before the loader gives up, so that loading ends soon."""
MAX_FORM_STEP = 32_767
"""How far one `form_value` may go: further than any MIDI value needs, and far from the ends of 32 bits."""
MAX_NOTICE_MS = 60_000
DEFAULT_NOTICE_MS = 900


def compile_procedure(
    scope: Scope,
    name: str,
    parameters: Sequence[tuple[str, int, int]],
    source: Source,
    *,
    by_gesture: bool,
    may_enter: bool,
    has_draft: bool,
    form: Form | str = NO_FORM,
) -> Procedure:
    """Compile an action, its parameters as (name, low, high); `form` is what it may edit, or why it may edit none.

    Raises DesignError for what is wrong or not proved.
    """
    body = parse_statements(source)
    compiler = ActionCompiler(scope, source, {})
    compiler.by_gesture, compiler.may_enter, compiler.has_draft = by_gesture, may_enter, has_draft
    compiler.drafted = scope.drafted
    compiler.form, compiler.no_form = (None, form) if isinstance(form, str) else (form, "")
    for slot, (parameter, low, high) in enumerate(parameters):
        compiler.slots[parameter] = slot
        compiler.state.locals[slot] = (low, high)
    compiler.find_locals(body)
    statements = compiler.block(body)
    return Procedure(name, len(parameters), len(compiler.slots), tuple(statements), source.place(0, 0), tuple(compiler.slots))


def calls_of(source: Source) -> list[tuple[str, Place]]:
    """The names of all calls made as statements, procedures and built-ins, in the order of the text."""
    found: list[tuple[str, Place]] = []
    waiting: list[ast.AST] = list(reversed(parse_statements(source)))
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call) and isinstance(node.value.func, ast.Name):
            found.append((node.value.func.id, source.place(node.lineno, node.col_offset)))
        waiting.extend(child for child in reversed(list(ast.iter_child_nodes(node))) if isinstance(child, ast.stmt))
    return found


def _knowing(
    scope: Scope, source: Source, constants: Mapping[str, int], holding: Sequence[Expression], failing: Sequence[Expression]
) -> ExpressionCompiler:
    compiler = ExpressionCompiler(scope, source, constants)
    for condition in failing:
        compiler.state.assume(condition, False)
    for condition in holding:
        compiler.state.assume(condition, True)
    return compiler


def compile_expression(
    scope: Scope,
    source: Source,
    constants: Mapping[str, int],
    holding: Sequence[Expression] = (),
    failing: Sequence[Expression] = (),
    lamp: Lamp | None = None,
) -> Expression:
    """One expression; `holding` are compiled conditions known to be true where it is read, `failing` known to be false.

    The value of an LED (`lamp`) may name its colours.
    """
    compiler = _knowing(scope, source, constants, holding, failing)
    compiler.lamp = lamp
    return compiler.value(parse_value(source))


def compile_condition(
    scope: Scope, source: Source, constants: Mapping[str, int], holding: Sequence[Expression] = (), failing: Sequence[Expression] = ()
) -> Expression:
    """One expression as a truth, 0 or 1."""
    return _knowing(scope, source, constants, holding, failing).condition(parse_value(source))


def compile_text(
    scope: Scope,
    source: Source,
    constants: Mapping[str, int],
    holding: Sequence[Expression] = (),
    failing: Sequence[Expression] = (),
    at_hand: FormField | None = None,
) -> Text:
    """A text for the display; for a view, `holding` are its conditions, `failing` those of the views before it, and
    `at_hand` the form's field that it may show."""
    return text_with(_knowing(scope, source, constants, holding, failing), source, at_hand)


class ActionCompiler(ExpressionCompiler):
    """Compiles statements and follows what is known through them."""

    no_form = NO_FORM
    """Why statements about forms are refused, where they are."""
    loop_steps = 1
    work = 0
    loops: tuple[int, ...] = ()
    """The slots of the variables of the loops around."""

    def find_locals(self, body: list[ast.stmt]) -> None:
        """Give every assigned name that is no cell a slot."""
        for statement in body:
            for node in ast.walk(statement):
                if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store) and self._is_new_local(node.id):
                    self._check_local_name(node)
                    self.slots[node.id] = len(self.slots)

    def _is_new_local(self, name: str) -> bool:
        return name not in self.slots and name != "tempo" and self.scope.cell_index(name) is None

    def _check_local_name(self, node: ast.Name) -> None:
        name = node.id
        kinds = (
            (self.scope.switches, "a switch"),
            ([device.name for device in self.scope.devices], "a device"),
            ([pedal.name for pedal in self.scope.pedals], "a pedal"),
            (self.scope.modes, "a mode"),
            (self.scope.value_names, "the name of a value"),
            (self.scope.procedures, "a procedure"),
            (BUILT_IN, "a word of the language"),
        )
        for names, kind in kinds:
            if name in names:
                raise self.error(node, f"'{name}' is {kind} and cannot be assigned: choose another name")

    def block(self, body: list[ast.stmt]) -> list[Statement]:
        """The statements of a block; none where it is never reached."""
        result: list[Statement] = []
        for node in body:
            self.work += 1
            if self.work > MAX_WORK:
                raise self.error(node, "the loops of this action are too long to be checked: shorten or unnest them")
            statements = self.statement(node)
            result.extend(() if self.state.dead else statements)
        return result

    def statement(self, node: ast.stmt) -> list[Statement]:
        match node:
            case ast.Assign():
                if len(node.targets) != 1:
                    raise self.error(node, "one assignment for each line: 'a = b = c' is not part of the action language")
                return self._assign(node.targets[0], node.value, self.value(node.value))
            case ast.AugAssign():
                return self._augmented(node)
            case ast.If():
                return self._if(node)
            case ast.For():
                return self._for(node)
            case ast.Expr():
                return self._call(node.value)
            case ast.Pass():
                return []
        raise self.refused(node)

    def _augmented(self, node: ast.AugAssign) -> list[Statement]:
        if type(node.op) not in ARITHMETIC:
            raise self.error(node, NOT_ARITHMETIC[type(node.op)])
        target: ast.expr
        match node.target:
            case ast.Name(id=name):
                target = ast.Name(name, ast.Load())
            case ast.Subscript(value=value, slice=index):
                target = ast.Subscript(value, index, ast.Load())
            case _:
                raise self._refused_target(node.target)
        operation = ast.BinOp(ast.copy_location(target, node.target), node.op, node.value)
        ast.copy_location(operation, node)
        return self._assign(node.target, operation, self.value(operation))

    def _refused_target(self, node: ast.expr) -> DesignError:
        return self.error(node, f"only a cell, a local or 'tempo' can be assigned, not {cited(node)}")

    def _assign(self, target: ast.expr, node: ast.expr, value: Expression) -> list[Statement]:
        known = (value.low, value.high)
        if isinstance(target, ast.Subscript):
            cell, index = self.element(target)
            return self._set_cell(target, node, cell, index, value)
        if not isinstance(target, ast.Name):
            raise self._refused_target(target)
        if target.id in self.slots:
            self._check_assignable(target)
            self.state.set_local(self.slots[target.id], known)
            return [SetLocal(self.slots[target.id], value)]
        if target.id == "tempo":
            self.state.set_reading("tempo", clip(known, self.scope.tempo.low, self.scope.tempo.high))
            return [SetTempo(value)]
        found = self.scope.cell_index(target.id)
        assert found is not None
        if self.scope.cells[found].shape:
            raise self.error(target, f"{target.id} is an array: assign one of its elements")
        return self._set_cell(target, node, found, None, value)

    def _check_assignable(self, target: ast.Name) -> None:
        if self.slots[target.id] in self.loops:
            raise self.error(target, f"{target.id} counts the loop and cannot be assigned in it")
        if target.id in BUILT_IN:
            raise self.error(target, f"'{target.id}' is a word of the language and cannot be assigned")

    def _set_cell(self, target: ast.expr, node: ast.expr, cell: int, index: Expression | None, value: Expression) -> list[Statement]:
        declared = self.scope.cells[cell]
        if cell in self.scope.form_cells:
            raise self.error(target, f"{declared.name} is set by {', '.join(FORM_COMMANDS)} alone and cannot be assigned")
        known: Interval = (value.low, value.high)
        if not inside(known, declared.low, declared.high):
            if declared.ends == "clamp":
                known = clip(known, declared.low, declared.high)
            elif declared.ends == "wrap":
                if self.proving and not inside((value.low - declared.low, value.high - declared.low), LOWEST, HIGHEST):
                    raise self.error(
                        node, f"{cited(node)} is {span(value.low, value.high)}: wrapping it into {declared.name} leaves 32 bits"
                    )
                known = (declared.low, declared.high)
            else:
                self.prove(node, value, declared.low, declared.high, "the value", f"{declared.name} (which neither wraps nor clamps)")
                known = clip(known, declared.low, declared.high)
        self.state.set_cell(cell, index, known)
        return [SetCell(cell, index, value)]

    def _if(self, node: ast.If) -> list[Statement]:
        condition = self.condition(node.test)
        before = self.state
        self.state = before.copy()
        self.state.assume(condition, True)
        never = self.state.dead
        then = self.block(node.body)
        after_then = self.state
        self.state = before.copy()
        self.state.assume(condition, False)
        always = self.state.dead
        otherwise = self.block(node.orelse)
        self.state = join(after_then, self.state)
        if always or never:
            return otherwise if never else then
        return [If(condition, tuple(then), tuple(otherwise))] if then or otherwise else []

    def _for(self, node: ast.For) -> list[Statement]:
        if node.orelse:
            raise self.error(node.orelse[0], "'else' of a loop is not part of the action language")
        if not isinstance(node.target, ast.Name) or node.target.id not in self.slots:
            raise self.error(node.target, "a loop counts in a local of its own")
        slot = self.slots[node.target.id]
        self._check_assignable(node.target)
        steps = self._range(node.iter)
        if len(self.loops) == MAX_LOOPS:
            raise self.error(node, f"loops nest more than {MAX_LOOPS} deep")
        outside, loops = self.loop_steps, self.loops
        self.loop_steps *= max(len(steps), 1)
        if self.loop_steps > MAX_STEPS:
            raise self.error(node, f"the loops run {self.loop_steps} times, more than {MAX_STEPS}")
        self.loops = (*loops, slot)
        try:
            body = self._loop_body(node, slot, steps)
        finally:
            self.loop_steps, self.loops = outside, loops
        return [For(slot, steps.start, steps.stop, steps.step, tuple(body))] if body and steps else []

    def _range(self, node: ast.expr) -> range:
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "range"):
            raise self.error(node, f"a loop goes over 'range(...)' of constants, not {cited(node)}")
        if node.keywords or not 1 <= len(node.args) <= 3:
            raise self.error(node, "write range(stop), range(start, stop) or range(start, stop, step)")
        names = ("stop",) if len(node.args) == 1 else ("start", "stop", "step")
        numbers = [self.constant(each, -(1 << 30), 1 << 30, name) for each, name in zip(node.args, names, strict=False)]
        if len(numbers) == 3 and numbers[2] == 0:
            raise self.error(node.args[2], "step is 0, so the loop would never end")
        return range(*numbers)

    def _loop_body(self, node: ast.For, slot: int, steps: range) -> list[Statement]:
        """The body, compiled under what holds at the start of every step; the state is then that after the loop."""
        before = self.state.copy()
        if not steps:
            self.state = before.copy()
            self.state.dead = True
            self.state.locals[slot] = (0, 0)
            self.block(node.body)
            before.forget_local(slot)
            self.state = before
            return []
        whole = (min(steps), max(steps))
        start, after = self._invariant(node, slot, steps, before)
        self.state = start.copy()
        self.state.set_local(slot, whole)
        body = self.block(node.body)
        self.state = self.state if after is None else after
        self.state.forget_local(slot)
        return body

    def _invariant(self, node: ast.For, slot: int, steps: range, before: State) -> tuple[State, State | None]:
        """What holds before every step, and after the last where that is known better than from the body alone."""
        whole = (min(steps), max(steps))
        before.forget_local(slot)
        quiet, self.quiet = self.quiet, True
        try:
            state = before
            for _ in range(2):
                grown = join(state, self._step(node, slot, whole, state))
                if grown == state:
                    return state, None
                state = grown
            if self.loop_steps <= MAX_RUN_THROUGH:
                return self._run_through(node, slot, steps, before)
            while True:
                grown = join(state, self._step(node, slot, whole, state))
                if grown == state:
                    return state, None
                state = widen(state, grown)
        finally:
            self.quiet = quiet

    def _run_through(self, node: ast.For, slot: int, steps: range, before: State) -> tuple[State, State]:
        state, start = before, before
        for i in steps:
            start = join(start, state)
            state = self._step(node, slot, (i, i), state)
        return start, state

    def _step(self, node: ast.For, slot: int, counter: Interval, state: State) -> State:
        """What holds after one step of the body, the loop's variable forgotten."""
        self.state = state.copy()
        self.state.set_local(slot, counter)
        self.block(node.body)
        self.state.forget_local(slot)
        return self.state

    def _call(self, node: ast.expr) -> list[Statement]:
        if not isinstance(node, ast.Call):
            if isinstance(node, ast.Compare):
                raise self.error(node, "this does nothing: to assign, write '='")
            raise self.refused(node)
        if not isinstance(node.func, ast.Name):
            raise self.error(node, f"{cited(node.func)} cannot be called")
        name = node.func.id
        if name in self.scope.procedures:
            return self._call_procedure(node, name)
        if name in MESSAGES:
            return messages.message(self, node)
        if name in COMMANDS:
            return self._command(node, name)
        if name in FUNCTIONS:
            raise self.error(node, f"{name} gives a value, which is not used here")
        raise self.error(node, f"unknown call '{name}'{nearest(name, [*self.scope.procedures, *MESSAGES, *COMMANDS])}")

    def _call_procedure(self, node: ast.Call, name: str) -> list[Statement]:
        signature = self.scope.procedures[name]
        arguments = self.arguments(node, tuple(parameter for parameter, _, _ in signature.parameters))
        values = [
            self.prove(arguments[parameter], self.value(arguments[parameter]), low, high, parameter, name)
            for parameter, low, high in signature.parameters
        ]
        self.state.forget_memory()
        return [Call(signature.index, tuple(values))]

    def _command(self, node: ast.Call, name: str) -> list[Statement]:
        if name == "enter":
            return [Enter(self._mode(node))]
        if name == "notice":
            return self._notice(node)
        if name in FORM_COMMANDS:
            return self._form_command(node, name)
        if name == "factory_values":
            return [self._factory_values(node)]
        if name == "restart":
            return self._restart(node)
        self.arguments(node, ())
        if name == "cancel_delayed":
            return [CancelDelayed()]
        if name == "panic":
            raise self.error(node, "no device is declared, so there is nothing to silence")
        if name == "tap_tempo":
            if not self.by_gesture:
                raise self.error(
                    node, "tap_tempo() only works where a gesture, a move or a message runs it, and not all that runs this is one"
                )
            self.state.set_reading("tempo", None)
            return [TapTempo()]
        if name.startswith("clock_"):
            return self._clock(name)
        return self._end_draft(node, f"{name}()", name == "save")

    def _end_draft(self, node: ast.Call, what: str, save: bool) -> list[Statement]:
        if not self.has_draft:
            raise self.error(node, f"{what} only works in a mode with a draft, and this also runs where there is none")
        if save:
            self.state.forget_changed()
            return [SaveDraft()]
        self.state.forget_cells()
        return [CancelDraft()]

    def _form_command(self, node: ast.Call, name: str) -> list[Statement]:
        form = self.form
        if form is None:
            raise self.error(node, f"{name}() {self.no_form}")
        arguments = self.arguments(node, ("step",) if name == "form_value" else ())
        if name == "form_value":
            step = self.prove(arguments["step"], self.value(arguments["step"]), -MAX_FORM_STEP, MAX_FORM_STEP, "step", name)
            self.state.forget_memory()
            return [Call(form.procedure, (step,))]
        declared, count = self.scope.cells[form.index], len(form.fields)
        by = Constant(1, 1) if name == "form_next" else Constant(count - 1, count - 1)
        here = self.binary("+", CellValue(declared.low, declared.high, form.index, None), by)
        self.state.set_cell(form.index, None, (0, count - 1))
        self.state.set_cell(form.label_shown, None, (1, 1))
        moved = SetCell(form.index, None, self.binary("%", here, Constant(count, count)))
        return [moved, SetCell(form.label_shown, None, Constant(1, 1)), RestartTimer(form.label_timer)]

    def _restart(self, node: ast.Call) -> list[Statement]:
        """Without `save` the mode's own rule says what becomes of a draft, as with every other way out."""
        if not self.by_gesture:
            raise self.error(node, "restart() only works where a gesture, a move or a message runs it, and not all that runs this is one")
        save = self.arguments(node, (), ("save",)).get("save")
        if save is None:
            return [Restart()]
        return [*self._end_draft(node, "restart(save=...)", self.constant(save, 0, 1, "save") == 1), Restart()]

    def _factory_values(self, node: ast.Call) -> Statement:
        if node.keywords:
            raise self.error(node.keywords[0], "factory_values takes the names of cells, or nothing for all kept ones")
        cells = [self._cell_named(each) for each in node.args]
        if not node.args:
            cells = [index for index, cell in enumerate(self.scope.cells) if cell.keep]
            if not cells:
                raise self.error(node, "no cell is kept: name those that get their first values, as in factory_values(act, cue)")
        self.state.forget_cells()
        return FactoryValues(tuple(sorted(set(cells))))

    def _cell_named(self, node: ast.expr) -> int:
        if not isinstance(node, ast.Name):
            raise self.error(node, f"a cell's name belongs here, not {cited(node)}")
        cell = None if node.id in self.slots else self.scope.cell_index(node.id)
        if cell is None:
            raise self.error(node, f"there is no memory cell '{node.id}'{nearest(node.id, [each.name for each in self.scope.cells])}")
        return cell

    def _clock(self, name: str) -> list[Statement]:
        if name == "clock_toggle":
            low, high = self.state.look(Reading(0, 1, "clock_running"))
            self.state.set_reading("clock_running", (1 - high, 1 - low))
            return [If(Reading(low, high, "clock_running"), (ClockRun(0),), (ClockRun(1),))]
        running = int(name == "clock_start")
        self.state.set_reading("clock_running", (running, running))
        return [ClockRun(running)]

    def _mode(self, node: ast.Call) -> int:
        mode = self.arguments(node, ("mode",))["mode"]
        if not isinstance(mode, ast.Name):
            raise self.error(mode, f"a mode's name belongs here, not {cited(mode)}")
        if mode.id not in self.scope.modes:
            raise self.error(mode, f"unknown mode '{mode.id}'{nearest(mode.id, self.scope.modes)}")
        if not self.may_enter:
            raise self.error(node, "enter() does not work here: a leave action runs it")
        return self.scope.modes[mode.id]

    def _notice(self, node: ast.Call) -> list[Statement]:
        arguments = self.arguments(node, ("text",), ("ms",))
        shown = arguments["text"]
        if not (isinstance(shown, ast.Constant) and isinstance(shown.value, str)):
            raise self.error(shown, f"a text in quotes belongs here, not {cited(shown)}")
        place = self.place(shown)
        quoted = self.source.text.split("\n")[min(shown.lineno, self.source.text.count("\n"))][shown.col_offset :]
        plain = quoted[1 : 1 + len(shown.value)] == shown.value
        text = text_with(self, Source(shown.value, (replace(place, column=place.column + 1) if plain else place,)))
        limit = self.scope.display_characters
        if limit is not None and self.proving and text_width(text) > limit:
            raise self.error(shown, f"the text can be {text_width(text)} characters long, and the display has {limit}")
        ms = self.constant(arguments["ms"], 1, MAX_NOTICE_MS, "ms") if "ms" in arguments else DEFAULT_NOTICE_MS
        written_out = list(islice(versions((text,)), MAX_VERSIONS + 1))
        if len(written_out) > MAX_VERSIONS:
            raise self.error(shown, f"this can look in more than {MAX_VERSIONS} ways, by the texts of its values")
        body: tuple[Statement, ...] = ()
        for condition, (line,) in reversed(written_out):
            notice = (Notice(line, ms * 1000),)
            body = (If(condition, notice, body),) if condition else notice
        return list(body)


__all__ = [
    "calls_of",
    "compile_condition",
    "compile_expression",
    "compile_procedure",
    "compile_text",
    "text_width",
]
