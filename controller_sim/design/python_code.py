"""The intermediate form as Python source: functions of the engine, written with plain integers and nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from controller_sim.core.kinds import FIRED, LED, MESSAGE
from controller_sim.design import form, program
from controller_sim.design.form import Design
from controller_sim.design.plan import Plan
from controller_sim.design.program import Expression, Statement
from controller_sim.design.steps import seen_cells, shows_change, statements_in


class PythonWriter:
    """Writes functions for one design. A procedure's parameters that are known constants are written as such."""

    def __init__(self, design: Design, plan: Plan) -> None:
        self.design = design
        self.plan = plan
        self.seen_cells = seen_cells(design)
        self.lines: list[str] = []
        self._temporaries = 0

    def firing(self, index: int) -> list[str]:
        """Lines that fire a binding: what is put out, the action, and the mode change it may ask for."""
        return self._action(self.design.bindings[index].action, [str(index << 3 | FIRED)])

    def action(self, name: str, action: form.Action, before: Sequence[str] = (), follow: bool = True) -> None:
        """A function that runs an action, and unless its caller does so (not `follow`) goes where it wants to go."""
        self.function(name, ("e", "now"), [*before, *self._action(action, follow=follow)])

    def _action(self, action: form.Action, items: Sequence[str] = (), follow: bool = True) -> list[str]:
        procedure = self.design.procedures[action.procedure]
        constants = dict(enumerate(action.arguments))
        for slot in assigned_slots(procedure.body) & constants.keys():
            del constants[slot]
        start = [f"v{slot} = {value}" for slot, value in enumerate(action.arguments) if slot not in constants]
        lines = self._body(procedure.body, constants, items)
        if follow and self.plan.may_enter[action.procedure]:
            surely = isinstance(procedure.body[-1], program.Enter)
            lines += ["e.change_mode(now)"] if surely else ["if e.next_mode >= 0:", "    e.change_mode(now)"]
        return [*start, *lines]

    def procedure(self, name: str, procedure: form.Procedure) -> None:
        self.function(name, ["e", "now", *(f"v{i}" for i in range(procedure.parameters))], self._body(procedure.body, {}, ()))

    def response(self, name: str, response: form.Response) -> None:
        """A function of the engine and the values of what arrived."""
        arguments = ["e", "now", *(self.expression(argument, {}) for argument in response.arguments)]
        self.function(name, ["e", "now", *(f"v{i}" for i in range(response.values))], [f"p{response.procedure}({', '.join(arguments)})"])

    def function(self, name: str, parameters: Sequence[str], lines: Sequence[str]) -> None:
        self.lines.append(f"def {name}({', '.join(parameters)}):")
        self.lines += [f"    {line}" for line in lines or ["pass"]]
        self.lines.append("")

    def _body(self, body: Sequence[Statement], constants: dict[int, int], items: Sequence[str]) -> list[str]:
        dirty = ["e.dirty = True"] if shows_change(body, self.seen_cells) else []
        return _with_cells([*dirty, *self._block(body, constants, items)])

    def conditions(self, name: str, conditions: Sequence[Expression]) -> None:
        mask = " | ".join(f"({1 << i} if {self.expression(c, {})} else 0)" for i, c in enumerate(conditions))
        self.function(name, ("e",), _with_cells([f"return {mask}"]))

    def display(self, name: str, views: Sequence[form.View]) -> None:
        lines: list[str] = []
        for view in views:
            text = " + '\\n' + ".join(self.text(line, {}) for line in view.lines)
            if view.condition is None:
                lines.append(f"return {text}")
                break
            lines += [f"if {self.expression(view.condition, {})}:", f"    return {text}"]
        self.function(name, ("e",), _with_cells([*lines, "return ''"]))

    def show_leds(self, name: str, leds: Sequence[Expression]) -> None:
        """The function that puts out the LEDs that show something else than before."""
        before = "".join(f"before{i}, " for i in range(len(leds)))
        values = [str(led.value) if isinstance(led, program.Constant) else f"led{i}" for i, led in enumerate(leds)]
        lines = [f"led{i} = {self.expression(led, {})}" for i, led in enumerate(leds) if not isinstance(led, program.Constant)]
        lines += [
            f"leds = ({''.join(f'{value}, ' for value in values)})",
            "if leds == e.leds:",
            "    return",
            f"{before}= e.leds",
            "e.leds = leds",
        ]
        for i, (led, value) in enumerate(zip(leds, values, strict=True)):
            item = i << 8 << 3 | LED
            packed = str(led.value << 3 | item) if isinstance(led, program.Constant) else f"{item} | {value} << 3"
            lines += [f"if {value} != before{i}:", f"    e.packed += (now, {packed})"]
        self.function(name, ("e", "now"), _with_cells(lines if leds else []))

    def _block(self, body: Sequence[Statement], constants: dict[int, int], items: Sequence[str] = ()) -> list[str]:
        """Lines for statements in order; messages that follow each other leave together, after `items`."""
        lines: list[str] = []
        pending = list(items)
        for statement in body:
            if isinstance(statement, program.Send) and not statement.delay_us:
                pending.append(self._item(statement.ports, statement.data, constants))
                continue
            _put_out(pending, lines)
            lines += self._statement(statement, constants)
        _put_out(pending, lines)
        return lines

    def _statement(self, statement: Statement, constants: dict[int, int]) -> list[str]:
        def expression(e: Expression) -> str:
            return self.expression(e, constants)

        def block(body: Sequence[Statement]) -> list[str]:
            return [f"    {line}" for line in self._block(body, constants) or ["pass"]]

        match statement:
            case program.SetCell():
                return self._set_cell(statement, constants)
            case program.SetLocal(slot, value):
                return [f"v{slot} = {expression(value)}"]
            case program.SetTempo(value):
                return [f"e.set_tempo({expression(value)}, now)"]
            case program.If(condition, then, otherwise):
                otherwise_lines = ["else:", *block(otherwise)] if otherwise else []
                return [f"if {expression(condition)}:", *block(then), *otherwise_lines]
            case program.For(slot, start, stop, step, inner):
                return [f"for v{slot} in range({start}, {stop}, {step}):", *block(inner)]
            case program.Call(procedure, arguments):
                return [f"p{procedure}({', '.join(['e', 'now', *map(expression, arguments)])})"]
            case program.Send():
                return [f"e.send_later({statement.delay_us}, {self._item(statement.ports, statement.data, constants)}, now)"]
            case program.Hasten(ports, data):
                return [f"e.hasten({self._item(ports, data, constants)}, now)"]
            case program.CancelDelayed():
                return ["e.cancel_delayed(now)"]
            case program.FactoryValues(cells):
                return [f"e.factory_values({self._ranges(cells)})"]
            case program.Restart():
                return ["e.restart()"]
            case program.Enter(mode):
                return [f"e.next_mode = {mode}"]
            case program.Notice(text, duration_us):
                return [f"e.show_notice({self.text(text, constants)}, {duration_us}, now)"]
            case program.TapTempo():
                return ["e.tap_tempo(now)"]
            case program.ClockRun(running):
                return [f"e.run_clock({running}, now)"]
            case program.RestartTimer(timer):
                return [f"e.restart_timer({timer}, now)"]
            case program.SaveDraft():
                return ["e.save_draft()"]
            case program.CancelDraft():
                return ["e.cancel_draft()"]
        raise TypeError(f"no Python for {statement!r}")

    def _set_cell(self, statement: program.SetCell, constants: dict[int, int]) -> list[str]:
        cell = self.design.cells[statement.cell]
        value = self.expression(statement.value, constants)
        inside = cell.low <= statement.value.low and statement.value.high <= cell.high
        target = self._cell(statement.cell, statement.index, constants)
        if cell.ends == "proved" or inside:
            return [f"{target} = {value}"]
        if cell.ends == "wrap":
            shifted = f"({value} - {cell.low})" if cell.low > 0 else f"({value} + {-cell.low})" if cell.low else value
            wrapped = f"{shifted} % {cell.high - cell.low + 1}"
            return [f"{target} = {wrapped}" + (f" + {cell.low}" if cell.low > 0 else f" - {-cell.low}" if cell.low else "")]
        self._temporaries += 1
        name = f"t{self._temporaries}"
        return [f"{name} = {value}", f"{target} = {cell.low} if {name} < {cell.low} else {cell.high} if {name} > {cell.high} else {name}"]

    def _ranges(self, cells: Sequence[int]) -> tuple[tuple[int, int], ...]:
        """(from, to) of the elements of cells in the flat memory, neighbours joined."""
        ranges: list[tuple[int, int]] = []
        for index in sorted(cells):
            cell = self.design.cells[index]
            low = cell.offset
            if ranges and ranges[-1][1] == low:
                low = ranges.pop()[0]
            ranges.append((low, cell.offset + cell.size))
        return tuple(ranges)

    def _item(self, ports: int, data: Sequence[Expression], constants: dict[int, int]) -> str:
        """A packed message, its constant bytes folded into one number."""
        fixed = 1 << 8 * len(data)
        moving = []
        for i, byte in enumerate(data):
            if isinstance(byte, program.Constant):
                fixed |= byte.value << 8 * i
            else:
                moving.append(f"{self.expression(byte, constants)} << {8 * i + 5}")
        return " | ".join([str((fixed << 2 | ports) << 3 | MESSAGE), *moving])

    def _cell(self, cell: int, index: Expression | None, constants: dict[int, int]) -> str:
        offset = self.design.cells[cell].offset
        if index is None:
            return f"c[{offset}]"
        if isinstance(index, program.Constant):
            return f"c[{offset + index.value}]"
        place = self.expression(index, constants)
        return f"c[{place} + {offset}]" if offset else f"c[{place}]"

    def _changed(self, cell: int | None, index: Expression | None, constants: dict[int, int]) -> str:
        if cell is None:
            return "e.draft_changed()"
        declared = self.design.cells[cell]
        if index is None:
            return f"e.changed({declared.offset}, {declared.size})"
        return f"e.changed({declared.offset} + {self.expression(index, constants)}, 1)"

    def text(self, text: program.Text, constants: dict[int, int]) -> str:
        parts = []
        for part in text.parts:
            if isinstance(part, str):
                parts.append(repr(part))
            elif part.names:
                parts.append(f"{part.names!r}[{self.expression(part.expression, constants)}]")
            else:
                width = f"{'0' if part.fill == '0' else ''}{part.width}" if part.width else ""
                parts.append(f"'%{width}d' % ({self.expression(part.expression, constants)},)")
        return " + ".join(parts) or "''"

    def expression(self, e: Expression, constants: dict[int, int]) -> str:
        """Source of an expression, in brackets where it is not a single term."""

        def inner(x: Expression) -> str:
            return self.expression(x, constants)

        match e:
            case program.Constant():
                return str(e.value) if e.value >= 0 else f"({e.value})"
            case program.CellValue(cell=cell, index=index):
                return self._cell(cell, index, constants)
            case program.Local(slot=slot):
                return str(constants[slot]) if slot in constants else f"v{slot}"
            case program.Unary(operator="-", operand=operand):
                return f"(-{inner(operand)})"
            case program.Unary(operator="abs", operand=operand):
                return f"abs({inner(operand)})"
            case program.Unary(operand=operand):
                return f"(0 if {inner(operand)} else 1)"
            case program.Binary(operator="min" | "max" as operator, left=left, right=right):
                return f"{operator}({inner(left)}, {inner(right)})"
            case program.Binary(operator=operator, left=left, right=right):
                return f"({inner(left)} {operator} {inner(right)})"
            case program.Compare(operator=operator, left=left, right=right):
                return f"(1 if {inner(left)} {operator} {inner(right)} else 0)"
            case program.Logic(operator=operator, left=left, right=right):
                return f"(1 if {inner(left)} {operator} {inner(right)} else 0)"
            case program.Choice(condition=condition, then=then, otherwise=otherwise):
                return f"({inner(then)} if {inner(condition)} else {inner(otherwise)})"
            case program.Reading(name=name):
                return f"e.{name}"
            case program.Changed(cell=cell, index=index):
                return self._changed(cell, index, constants)
            case program.Position(pedal=pedal):
                return f"e.positions[{pedal}]"
        raise TypeError(f"no Python for {e!r}")


def _with_cells(lines: list[str]) -> list[str]:
    return ["c = e.cells", *lines] if any("c[" in line for line in lines) else lines


def _put_out(pending: list[str], lines: list[str]) -> None:
    if pending:
        lines.append(f"e.packed += ({', '.join(f'now, {item}' for item in pending)})")
        pending.clear()


def assigned_slots(body: Sequence[Statement]) -> set[int]:
    """Slots of locals that a body may assign."""
    return {statement.slot for statement in statements_in(body) if isinstance(statement, program.SetLocal | program.For)}
