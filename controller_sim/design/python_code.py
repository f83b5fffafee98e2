"""The intermediate form as Python source: functions of the engine, written with plain integers and nothing else."""

from __future__ import annotations

from collections.abc import Sequence

from controller_sim.core.kinds import MESSAGE
from controller_sim.design import form
from controller_sim.design.form import Design, Expression, Statement


class PythonWriter:
    """Writes functions for one design. A procedure's parameters that are known constants are written as such."""

    def __init__(self, design: Design, seen_cells: frozenset[int]) -> None:
        self.design = design
        self.seen_cells = seen_cells
        self.lines: list[str] = []
        self._temporaries = 0

    def action(self, name: str, action: form.Action) -> None:
        procedure = self.design.procedures[action.procedure]
        constants = dict(enumerate(action.arguments))
        for slot in assigned_slots(procedure.body) & constants.keys():
            del constants[slot]
        start = [(slot, value) for slot, value in enumerate(action.arguments) if slot not in constants]
        self._function(name, (), procedure.body, constants, start)

    def procedure(self, name: str, procedure: form.Procedure) -> None:
        self._function(name, [f"v{i}" for i in range(procedure.parameters)], procedure.body, {}, [])

    def response(self, name: str, response: form.Response) -> None:
        """A function of the engine and the two data bytes of what arrived."""
        arguments = ", ".join(["e", *(self.expression(argument, {}) for argument in response.arguments)])
        self.lines += [f"def {name}(e, v0, v1):", f"    p{response.procedure}({arguments})", ""]

    def _function(
        self,
        name: str,
        parameters: Sequence[str],
        body: Sequence[Statement],
        constants: dict[int, int],
        start: Sequence[tuple[int, int]],
    ) -> None:
        self.lines.append(f"def {name}({', '.join(['e', *parameters])}):")
        self.lines.append("    c = e.cells")
        if self.shows_change(body):
            self.lines.append("    e.dirty = True")
        for slot, value in start:
            self.lines.append(f"    v{slot} = {value}")
        self._block(body, 1, constants)
        self.lines.append("")

    def conditions(self, name: str, conditions: Sequence[Expression]) -> None:
        mask = " | ".join(f"({1 << i} if {self.expression(c, {})} else 0)" for i, c in enumerate(conditions))
        self.lines += [f"def {name}(e):", "    c = e.cells", f"    return {mask}", ""]

    def display(self, name: str, views: Sequence[form.View]) -> None:
        self.lines += [f"def {name}(e):", "    c = e.cells"]
        for view in views:
            text = " + '\\n' + ".join(self.text(line, {}) for line in view.lines)
            if view.condition is None:
                self.lines.append(f"    return {text}")
                break
            self.lines += [f"    if {self.expression(view.condition, {})}:", f"        return {text}"]
        self.lines += ["    return ''", ""]

    def led_values(self, name: str, leds: Sequence[Expression]) -> None:
        values = "".join(f"{self.expression(led, {})}, " for led in leds)
        self.lines += [f"def {name}(e):", "    c = e.cells", f"    return ({values})", ""]

    def shows_change(self, body: Sequence[Statement]) -> bool:
        """Whether a body may change what some display or LED shows (a mode change always looks again by itself)."""
        return any(
            (isinstance(s, form.SetCell) and s.cell in self.seen_cells)
            or isinstance(s, form.SetTempo | form.TapTempo | form.ClockRun)
            or (isinstance(s, form.If) and (self.shows_change(s.then) or self.shows_change(s.otherwise)))
            or (isinstance(s, form.For) and self.shows_change(s.body))
            for s in body
        )

    def _block(self, body: Sequence[Statement], depth: int, constants: dict[int, int]) -> None:
        for statement in body:
            self._statement(statement, depth, constants)
        if not body:
            self.lines.append("    " * depth + "pass")

    def _statement(self, statement: Statement, depth: int, constants: dict[int, int]) -> None:
        def expression(e: Expression) -> str:
            return self.expression(e, constants)

        indent = "    " * depth
        add = self.lines.append
        match statement:
            case form.SetCell():
                for line in self._set_cell(statement, constants):
                    add(indent + line)
            case form.SetLocal(slot, value):
                add(f"{indent}v{slot} = {expression(value)}")
            case form.SetTempo(value):
                add(f"{indent}e.set_tempo({expression(value)})")
            case form.If(condition, then, otherwise):
                add(f"{indent}if {expression(condition)}:")
                self._block(then, depth + 1, constants)
                if otherwise:
                    add(f"{indent}else:")
                    self._block(otherwise, depth + 1, constants)
            case form.For(slot, start, stop, step, inner):
                add(f"{indent}for v{slot} in range({start}, {stop}, {step}):")
                self._block(inner, depth + 1, constants)
            case form.Call(procedure, arguments):
                add(f"{indent}p{procedure}({', '.join(['e', *map(expression, arguments)])})")
            case form.Send():
                for line in self._send(statement, constants):
                    add(indent + line)
            case form.Enter(mode):
                add(f"{indent}e.next_mode = {mode}")
            case form.Notice(text, duration_us):
                add(f"{indent}e.show_notice({self.text(text, constants)}, {duration_us})")
            case form.TapTempo():
                add(f"{indent}e.tap_tempo()")
            case form.ClockRun(running):
                add(f"{indent}e.run_clock({running})")
            case form.SaveDraft():
                add(f"{indent}e.save_draft()")
            case form.CancelDraft():
                add(f"{indent}e.cancel_draft()")
            case _:
                raise TypeError(f"no Python for {statement!r}")

    def _set_cell(self, statement: form.SetCell, constants: dict[int, int]) -> list[str]:
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

    def _send(self, statement: form.Send, constants: dict[int, int]) -> list[str]:
        length = len(statement.data)
        fixed = 1 << 8 * length
        moving = []
        for i, byte in enumerate(statement.data):
            if isinstance(byte, form.Constant):
                fixed |= byte.value << 8 * i
            else:
                moving.append(f"{self.expression(byte, constants)} << {8 * i + 5}")
        item = " | ".join([str((fixed << 2 | statement.ports) << 3 | MESSAGE), *moving])
        if statement.delay_us:
            return [f"e.send_later({statement.delay_us}, {item})"]
        return [f"e.packed += (e.now_us, {item})"]

    def _cell(self, cell: int, index: Expression | None, constants: dict[int, int]) -> str:
        offset = self.design.cells[cell].offset
        if index is None:
            return f"c[{offset}]"
        if isinstance(index, form.Constant):
            return f"c[{offset + index.value}]"
        place = self.expression(index, constants)
        return f"c[{place} + {offset}]" if offset else f"c[{place}]"

    def text(self, text: form.Text, constants: dict[int, int]) -> str:
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
            case form.Constant():
                return str(e.value) if e.value >= 0 else f"({e.value})"
            case form.CellValue(cell=cell, index=index):
                return self._cell(cell, index, constants)
            case form.Local(slot=slot):
                return str(constants[slot]) if slot in constants else f"v{slot}"
            case form.Unary(operator="-", operand=operand):
                return f"(-{inner(operand)})"
            case form.Unary(operator="abs", operand=operand):
                return f"abs({inner(operand)})"
            case form.Unary(operand=operand):
                return f"(0 if {inner(operand)} else 1)"
            case form.Binary(operator="min" | "max" as operator, left=left, right=right):
                return f"{operator}({inner(left)}, {inner(right)})"
            case form.Binary(operator=operator, left=left, right=right):
                return f"({inner(left)} {operator} {inner(right)})"
            case form.Compare(operator=operator, left=left, right=right):
                return f"(1 if {inner(left)} {operator} {inner(right)} else 0)"
            case form.Logic(operator=operator, left=left, right=right):
                return f"(1 if {inner(left)} {operator} {inner(right)} else 0)"
            case form.Choice(condition=condition, then=then, otherwise=otherwise):
                return f"({inner(then)} if {inner(condition)} else {inner(otherwise)})"
            case form.Reading(name=name):
                return f"e.{name}"
            case form.Position(pedal=pedal):
                return f"e.positions[{pedal}]"
        raise TypeError(f"no Python for {e!r}")


def assigned_slots(body: Sequence[Statement]) -> set[int]:
    """Slots of locals that a body may assign."""
    slots: set[int] = set()
    for statement in body:
        match statement:
            case form.SetLocal(slot, _):
                slots.add(slot)
            case form.If(_, then, otherwise):
                slots |= assigned_slots(then) | assigned_slots(otherwise)
            case form.For(slot, _, _, _, inner):
                slots |= {slot} | assigned_slots(inner)
    return slots
