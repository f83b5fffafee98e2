"""Expressions in text -> the intermediate form, each with a proved interval."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import LED_LEVELS, Cell, Device, Place
from controller_sim.design.intervals import BINARY, HIGHEST, LOWEST, State, absolute, clip, compare, hull, inside
from controller_sim.design.parsing import (
    ARITHMETIC,
    COMMANDS,
    COMPARISONS,
    FORM_TEXTS,
    FUNCTIONS,
    MAX_CHAIN,
    MESSAGES,
    NOT_ARITHMETIC,
    NOT_COMPARISONS,
    READINGS,
    REFUSED,
    TRUTHS,
    cited,
    nearest,
    parse_value,
    span,
)
from controller_sim.design.program import (
    Binary,
    CellValue,
    Changed,
    Choice,
    Compare,
    Constant,
    Expression,
    Local,
    Logic,
    Position,
    Reading,
    Unary,
)
from controller_sim.design.scope import Form, FormField, Lamp, Scope


class ExpressionCompiler:
    """Compiles expressions under what is known; `state` is what is known at the present point."""

    def __init__(self, scope: Scope, source: Source, constants: Mapping[str, int], state: State | None = None) -> None:
        self.scope = scope
        self.source = source
        self.constants = constants
        self.slots: dict[str, int] = {}
        self.state = State() if state is None else state
        self.quiet = False
        """While a loop's invariant is sought: what is not proved yet is no error."""
        self.by_gesture = self.may_enter = self.has_draft = False
        self.form: Form | None = scope.mode_form
        self.lamp: Lamp | None = None
        self.drafted = scope.mode_drafted
        """The cells of which `changed` can be true."""

    def place(self, node: ast.expr | ast.stmt | ast.keyword) -> Place:
        return self.source.place(node.lineno, node.col_offset)

    def error(self, node: ast.expr | ast.stmt | ast.keyword, message: str) -> DesignError:
        return DesignError(message, self.place(node))

    @property
    def proving(self) -> bool:
        return not (self.quiet or self.state.dead)

    @contextmanager
    def knowing(self, condition: Expression, truth: bool) -> Iterator[State]:
        """Work in the state that a condition leads to; the state outside is kept."""
        outside = self.state
        self.state = outside.copy()
        self.state.assume(condition, truth)
        try:
            yield self.state
        finally:
            self.state = outside

    def prove(self, node: ast.expr, value: Expression, low: int, high: int, what: str, taker: str) -> Expression:
        """The value, proved to be in low..high: what it is, and what takes only that, go into the message."""
        if not self.proving or inside((value.low, value.high), low, high):
            return value
        message = f"{what} is {span(value.low, value.high)}, but {taker} accepts {span(low, high)}"
        if not isinstance(value, Constant):
            text = cited(node)
            if value.low >= low:
                hint = f"{text} <= {high}"
            elif value.high <= high:
                hint = f"{text} >= {low}"
            else:
                hint = f"{low} <= {text} <= {high}"
            message = f"{what} {text} is {span(value.low, value.high)}, but {taker} accepts {span(low, high)}"
            message += f": narrow it, for example with 'if {hint}:'"
        raise self.error(node, message)

    def finish(self, node: ast.expr, value: Expression) -> Expression:
        """The value with the best interval known; it must fit 32 bits."""
        if not inside((value.low, value.high), LOWEST, HIGHEST):
            if self.proving:
                raise self.error(node, f"{cited(node)} is {value.low}..{value.high}, which leaves signed 32 bits ({LOWEST}..{HIGHEST})")
            low, high = clip((value.low, value.high))
            value = replace(value, low=low, high=high)
        low, high = self.state.look(value)
        return value if (low, high) == (value.low, value.high) else replace(value, low=low, high=high)

    def value(self, node: ast.expr) -> Expression:
        """Any expression as an integer."""
        match node:
            case ast.Constant():
                return self._constant(node)
            case ast.Name():
                return self._name(node)
            case ast.Subscript():
                cell, index = self.element(node)
                return self.finish(node, CellValue(self.scope.cells[cell].low, self.scope.cells[cell].high, cell, index))
            case ast.BinOp():
                return self._arithmetic(node)
            case ast.UnaryOp():
                return self._unary(node)
            case ast.BoolOp():
                return self._logic(node)
            case ast.Compare():
                return self._comparison(node)
            case ast.IfExp():
                return self._choice(node)
            case ast.Call():
                return self._function(node)
        raise self.refused(node)

    def refused(self, node: ast.expr | ast.stmt) -> DesignError:
        found = REFUSED.get(type(node)) or f"'{cited(node)}'"
        return self.error(node, f"{found} is not part of the action language")

    def condition(self, node: ast.expr) -> Expression:
        """An expression as a truth, 0 or 1."""
        return self.truth(self.value(node))

    def truth(self, value: Expression) -> Expression:
        if inside((value.low, value.high), 0, 1):
            return value
        low, high = self.state.look(Compare(*compare("!=", (value.low, value.high), (0, 0)), "!=", value, Constant(0, 0)))
        return _folded(Compare(low, high, "!=", value, Constant(0, 0)))

    def constant(self, node: ast.expr, low: int, high: int, what: str) -> int:
        """A number that must be known when the design is loaded."""
        value = self.value(node)
        if not isinstance(value, Constant):
            raise self.error(node, f"{what} must be a constant, and {cited(node)} is not")
        if not low <= value.low <= high:
            raise self.error(node, f"{what} is {value.low}, but must be in {low}..{high}")
        return value.low

    def _constant(self, node: ast.Constant) -> Expression:
        value: object = node.value
        if isinstance(value, bool):
            return Constant(int(value), int(value))
        if isinstance(value, int):
            if value > HIGHEST:
                raise self.error(node, f"the number {cited(node)} does not fit signed 32 bits ({LOWEST}..{HIGHEST})")
            return Constant(value, value)
        kinds = {str: "a string has no place here", float: "numbers are whole", bytes: "a string has no place here"}
        raise self.error(node, f"{cited(node)}: {kinds.get(type(value), 'this is not part of the action language')}")

    def _name(self, node: ast.Name) -> Expression:
        name = node.id
        if name in self.slots:
            return self._local(node)
        if name in self.constants:
            return Constant(self.constants[name], self.constants[name])
        cell = self.scope.cell_index(name)
        if cell is not None:
            declared = self.scope.cells[cell]
            if declared.shape:
                raise self.error(node, f"{name} is an array: write {_indexed(declared)}")
            return self.finish(node, CellValue(declared.low, declared.high, cell, None))
        if self.lamp is not None and name in self.lamp.colours:
            return self._colour(name, "on")
        pedal = self.scope.pedal_index(name)
        if pedal is not None:
            return self.finish(node, Position(self.scope.pedals[pedal].low, self.scope.pedals[pedal].high, pedal))
        for names in (self.scope.switches, self.scope.value_names, TRUTHS):
            if name in names:
                return Constant(names[name], names[name])
        if name == "tempo":
            return self.finish(node, Reading(self.scope.tempo.low, self.scope.tempo.high, name))
        if name == "clock_running":
            return self.finish(node, Reading(0, 1, name))
        raise self._unknown(node)

    def _local(self, node: ast.Name) -> Expression:
        slot = self.slots[node.id]
        known = self.state.locals.get(slot)
        if known is None:
            if not self.state.dead:
                raise self.error(node, f"{node.id} may be read here before it is set")
            known = (0, 0)
        return Local(*known, slot)

    def _unknown(self, node: ast.Name) -> DesignError:
        name = node.id
        if self.scope.device(name) is not None:
            return self.error(node, f"{name} is a device, not a number")
        if name in self.scope.modes:
            return self.error(node, f"{name} is a mode, not a number")
        if name in self.scope.procedures or name in (*MESSAGES, *COMMANDS, *FUNCTIONS, "range"):
            return self.error(node, f"{name} is to be called, with parentheses, and is not a number")
        if any(name in colours for colours in self.scope.led_colours):
            return self._no_colour(node)
        if name in FORM_TEXTS:
            return self.error(node, f"'{name}' has a meaning only as a field of its own in the display of a mode with a form: {{{name}}}")
        if name in ("switch", "position"):
            return self.error(node, f"'{name}' has no meaning here: it needs a single switch or a group")
        known = [*self.slots, *self.constants, *self.scope.switches, *self.scope.value_names, *TRUTHS, *READINGS]
        known += [cell.name for cell in self.scope.cells] + [pedal.name for pedal in self.scope.pedals]
        known += self.lamp.colours if self.lamp else ()
        return self.error(node, f"unknown name '{name}'{nearest(name, known)}")

    def element(self, node: ast.Subscript) -> tuple[int, Expression]:
        """The cell and the proved flat index of `cell[i]` or `cell[i, j]`."""
        if not isinstance(node.value, ast.Name):
            raise self.error(node, f"only a cell can be indexed, and {cited(node.value)} is none")
        name = node.value.id
        cell = None if name in self.slots or name in self.constants else self.scope.cell_index(name)
        if cell is None:
            arrays = [declared.name for declared in self.scope.cells if declared.shape]
            raise self.error(node.value, f"{name} is no array of the memory{nearest(name, arrays)}")
        declared = self.scope.cells[cell]
        parts = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
        if not declared.shape:
            raise self.error(node, f"{name} is a plain cell and takes no index")
        if len(parts) != len(declared.shape):
            raise self.error(node, f"{name} has {len(declared.shape)} index(es), not {len(parts)}: write {_indexed(declared)}")
        index: Expression = Constant(0, 0)
        for part, size in zip(parts, declared.shape, strict=True):
            value = self.prove(part, self.value(part), 0, size - 1, "index", name)
            low, high = clip((value.low, value.high), 0, size - 1)
            value = value if (low, high) == (value.low, value.high) else replace(value, low=low, high=high)
            index = value if part is parts[0] else self.binary("+", self.binary("*", index, Constant(size, size)), value)
        return cell, index

    def binary(self, operator: str, left: Expression, right: Expression) -> Expression:
        """An operation on parts that are already checked, folded where it is constant."""
        if operator == "*" and right == Constant(1, 1):
            return left
        if operator in ("+", "-") and right == Constant(0, 0):
            return left
        if operator == "+" and left == Constant(0, 0):
            return right
        low, high = BINARY[operator]((left.low, left.high), (right.low, right.high))
        value = Binary(low, high, operator, left, right)
        return Constant(low, high) if isinstance(left, Constant) and isinstance(right, Constant) else value

    def _arithmetic(self, node: ast.BinOp) -> Expression:
        operator = ARITHMETIC.get(type(node.op))
        if operator is None:
            raise self.error(node, NOT_ARITHMETIC[type(node.op)])
        left, right = self.value(node.left), self.value(node.right)
        if operator in ("//", "%") and right.low <= 0 <= right.high:
            if self.proving:
                where = "" if isinstance(right, Constant) else f": narrow it, for example with 'if {cited(node.right)} > 0:'"
                raise self.error(node.right, f"the divisor {cited(node.right)} is {span(right.low, right.high)} and may be 0{where}")
            return Binary(LOWEST, HIGHEST, operator, left, right)
        return self.finish(node, self.binary(operator, left, right))

    def _unary(self, node: ast.UnaryOp) -> Expression:
        if isinstance(node.op, ast.Invert):
            raise self.error(node, "'~' is not part of the action language")
        if isinstance(node.op, ast.Not):
            return self._not(node)
        if isinstance(node.op, ast.USub) and isinstance(node.operand, ast.Constant) and node.operand.value == -LOWEST:
            return Constant(LOWEST, LOWEST)
        operand = self.value(node.operand)
        if isinstance(node.op, ast.UAdd):
            return operand
        if isinstance(operand, Constant):
            return self.finish(node, Constant(-operand.low, -operand.low))
        return self.finish(node, Unary(-operand.high, -operand.low, "-", operand))

    def _not(self, node: ast.UnaryOp) -> Expression:
        operand = self.condition(node.operand)
        value = Unary(1 - operand.high, 1 - operand.low, "not", operand)
        return Constant(1 - operand.low, 1 - operand.low) if isinstance(operand, Constant) else self.finish(node, value)

    def _logic(self, node: ast.BoolOp) -> Expression:
        if len(node.values) > MAX_CHAIN:
            raise self.error(node, f"more than {MAX_CHAIN} conditions in one '{_word(node.op)}': split it")
        return self._logic_of(_word(node.op), node.values)

    def _logic_of(self, operator: str, nodes: list[ast.expr]) -> Expression:
        left = self.condition(nodes[0])
        if len(nodes) == 1:
            return left
        with self.knowing(left, operator == "and"):
            right = self._logic_of(operator, nodes[1:])
        return self.logic(operator, left, right)

    def logic(self, operator: str, left: Expression, right: Expression) -> Expression:
        decided = 0 if operator == "and" else 1
        if left.low == left.high:
            return Constant(decided, decided) if left.low == decided else right
        if isinstance(right, Constant):
            return left if right.low != decided else right
        interval = (left.low * right.low, left.high * right.high)
        if operator == "or":
            interval = (max(left.low, right.low), max(left.high, right.high))
        return Logic(*interval, operator, left, right)

    def _comparison(self, node: ast.Compare) -> Expression:
        if len(node.ops) > MAX_CHAIN:
            raise self.error(node, f"more than {MAX_CHAIN} comparisons in one chain: split it")
        for operator in node.ops:
            if type(operator) not in COMPARISONS:
                raise self.error(node, NOT_COMPARISONS[type(operator)])
        return self._chain(self.value(node.left), [COMPARISONS[type(operator)] for operator in node.ops], node.comparators)

    def _chain(self, left: Expression, operators: list[str], nodes: list[ast.expr]) -> Expression:
        right = self.value(nodes[0])
        first = self._compare(operators[0], left, right)
        if len(operators) == 1:
            return first
        with self.knowing(first, True):
            rest = self._chain(right, operators[1:], nodes[1:])
        return self.logic("and", first, rest)

    def _compare(self, operator: str, left: Expression, right: Expression) -> Expression:
        value = Compare(*compare(operator, (left.low, left.high), (right.low, right.high)), operator, left, right)
        low, high = self.state.look(value)
        return _folded(replace(value, low=low, high=high))

    def _choice(self, node: ast.IfExp) -> Expression:
        condition = self.condition(node.test)
        with self.knowing(condition, True) as state:
            then = self.value(node.body)
            dead = state.dead
        with self.knowing(condition, False) as state:
            otherwise = self.value(node.orelse)
            if state.dead or condition.low == 1:
                return then
        if dead or condition.high == 0:
            return otherwise
        low, high = hull((then.low, then.high), (otherwise.low, otherwise.high))
        return self.finish(node, Choice(low, high, condition, then, otherwise))

    def _function(self, node: ast.Call) -> Expression:
        if not isinstance(node.func, ast.Name):
            raise self.error(node, f"{cited(node.func)} cannot be called")
        name = node.func.id
        if name in LED_LEVELS[1:]:
            return self._coloured(node, name)
        if name not in FUNCTIONS:
            if name in self.scope.procedures or name in (*MESSAGES, *COMMANDS):
                raise self.error(node, f"{name} gives no value: call it in a line of its own")
            raise self.error(node, f"unknown function '{name}'{nearest(name, FUNCTIONS)}")
        if name == "changed":
            return self._changed(node)
        arguments = self.arguments(node, {"abs": ("a",), "shown": ("device", "n")}.get(name, ("a", "b")))
        if name == "shown":
            offset = self.device(arguments["device"]).numbers_from
            return self.finish(node, self.binary("+", self.value(arguments["n"]), Constant(offset, offset)))
        first = self.value(arguments["a"])
        if name == "abs":
            low, high = absolute((first.low, first.high))
            value = Constant(low, high) if isinstance(first, Constant) else Unary(low, high, "abs", first)
            return self.finish(node, value)
        return self.finish(node, self.binary(name, first, self.value(arguments["b"])))

    def _colour(self, name: str, level: str) -> Constant:
        assert self.lamp is not None
        value = self.lamp.colours.index(name) << 2 | LED_LEVELS.index(level)
        return Constant(value, value)

    def _no_colour(self, node: ast.expr) -> DesignError:
        if self.lamp is None:
            return self.error(node, f"{cited(node)} is a colour, and only the value of an LED has one")
        has = f"its colours are {', '.join(self.lamp.colours)}" if self.lamp.colours else "it has none: declare them under 'colours'"
        return self.error(node, f"the LED {self.lamp.name} has no colour {cited(node)}; {has}")

    def _coloured(self, node: ast.Call, level: str) -> Expression:
        """`blink(red)` and `dim(red)`; the colour alone is steady."""
        colour = self.arguments(node, ("colour",))["colour"]
        if self.lamp is None or not isinstance(colour, ast.Name) or colour.id not in self.lamp.colours:
            raise self._no_colour(colour)
        if level == "on":
            raise self.error(node, f"a colour alone is steady: write {colour.id}")
        return self._colour(colour.id, level)

    def _changed(self, node: ast.Call) -> Expression:
        """`changed()`, `changed(cell)`, `changed(cell[i])`, or `changed(field)` for what the field at hand edits."""
        asked = self.arguments(node, (), ("cell",)).get("cell")
        if asked is None:
            if not self.drafted:
                raise self.error(node, "nothing is drafted here, so this is never true: the mode needs a 'draft'")
            return self.finish(node, Changed(0, 1, None, None))
        index: Expression | None = None
        if isinstance(asked, ast.Subscript):
            cell, index = self.element(asked)
        else:
            found = self.scope.cell_index(asked.id) if isinstance(asked, ast.Name) else None
            if found is None:
                known = [declared.name for declared in self.scope.cells]
                hint = nearest(asked.id, known) if isinstance(asked, ast.Name) else ""
                raise self.error(asked, f"a memory cell or an element of one belongs here, not {cited(asked)}{hint}")
            cell = found
        if self.form is not None and cell == self.form.index:
            return self._field_changed(node, self.form)
        return self._changed_element(node, cell, index)

    def _changed_element(self, node: ast.expr, cell: int, index: Expression | None) -> Expression:
        if cell not in self.drafted:
            name = self.scope.cells[cell].name
            raise self.error(node, f"{name} is not drafted here, so this is never true: name it in the mode's 'draft'")
        return self.finish(node, Changed(0, 1, cell, index))

    def _field_changed(self, node: ast.expr, form: Form) -> Expression:
        value: Expression = Constant(0, 0)
        for number, field in reversed(list(enumerate(form.fields))):
            at_hand = self.at_field(form, number)
            with self.knowing(at_hand, True):
                cell, index = self.field_element(field)
                changed = self._changed_element(node, cell, index) if cell in self.drafted else Constant(0, 0)
            last = number == len(form.fields) - 1
            value = changed if last else Choice(0, max(changed.high, value.high), at_hand, changed, value)
        if value.high == 0:
            raise self.error(node, "no field's cell is drafted here, so this is never true: name them in the mode's 'draft'")
        return value

    def at_field(self, form: Form, number: int) -> Expression:
        """Whether a field is the one at hand."""
        declared = self.scope.cells[form.index]
        here = CellValue(declared.low, declared.high, form.index, None)
        return self._compare("==", here, Constant(number, number))

    def field_element(self, field: FormField) -> tuple[int, Expression | None]:
        """The cell that a field edits and the proved index in it; whatever locals stand around mean nothing there."""
        outside = self.source, self.slots, self.constants
        self.source, self.slots, self.constants = field.cell, {}, {}
        try:
            node = parse_value(field.cell)
            if isinstance(node, ast.Subscript):
                cell, index = self.element(node)
            elif isinstance(node, ast.Name):
                cell, index = self._plain_cell(node), None
            else:
                raise self.error(node, f"a field edits a memory cell or an element of one, not {cited(node)}")
            if cell in self.scope.form_cells:
                raise self.error(node, f"{cited(node)} belongs to the form itself and is no cell for a field")
            return cell, index
        finally:
            self.source, self.slots, self.constants = outside

    def _plain_cell(self, node: ast.Name) -> int:
        cell = self.scope.cell_index(node.id)
        if cell is None:
            names = [declared.name for declared in self.scope.cells]
            raise self.error(node, f"there is no memory cell '{node.id}'{nearest(node.id, names)}")
        if self.scope.cells[cell].shape:
            raise self.error(node, f"{node.id} is an array: write {_indexed(self.scope.cells[cell])}")
        return cell

    def arguments(self, node: ast.Call, required: tuple[str, ...], optional: tuple[str, ...] = ()) -> dict[str, ast.expr]:
        """The arguments of a call by name; `required` and then `optional` may stand by position, all by keyword."""
        assert isinstance(node.func, ast.Name)
        name, names = node.func.id, (*required, *optional)
        usage = f"{name}({', '.join([*required, *(f'[{each}]' for each in optional)])})"
        if len(node.args) > len(names):
            raise self.error(node.args[len(names)], f"{name} takes at most {len(names)} argument(s), not {len(node.args)}: {usage}")
        found = dict(zip(names, node.args, strict=False))
        for keyword in node.keywords:
            if keyword.arg is None:
                raise self.error(keyword, "'**' is not part of the action language")
            if keyword.arg not in names:
                raise self.error(keyword, f"{name} takes no '{keyword.arg}'{nearest(keyword.arg, names)}: {usage}")
            if keyword.arg in found:
                raise self.error(keyword, f"{name} got '{keyword.arg}' twice")
            found[keyword.arg] = keyword.value
        for each in node.args:
            if isinstance(each, ast.Starred):
                raise self.refused(each)
        missing = [each for each in required if each not in found]
        if missing:
            raise self.error(node, f"{name} needs '{missing[0]}': {usage}")
        return found

    def device(self, node: ast.expr) -> Device:
        """The device that an argument names."""
        names = [device.name for device in self.scope.devices]
        if not isinstance(node, ast.Name):
            raise self.error(node, f"a device's name belongs here, not {cited(node)}")
        device = self.scope.device(node.id)
        if device is None:
            raise self.error(node, f"unknown device '{node.id}'{nearest(node.id, names)}")
        return device


def _word(operator: ast.boolop) -> str:
    return "and" if isinstance(operator, ast.And) else "or"


def _indexed(cell: Cell) -> str:
    return f"{cell.name}[{', '.join('ij'[: len(cell.shape)])}]"


def _folded(value: Expression) -> Expression:
    """A truth that is certain needs no evaluation."""
    return Constant(value.low, value.high) if value.low == value.high else value
