"""The action language (semantics, section 6): a tree-walking evaluator of the intermediate form."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from controller_sim.design import program
from controller_sim.design.arithmetic import ARITHMETIC, COMPARISONS, UNARY
from controller_sim.design.form import Action, Cell, Design, Response
from controller_sim.design.program import Expression, Statement, Text


class Effects(Protocol):
    """What the statements of an action ask of the engine."""

    @property
    def cells(self) -> list[int]: ...
    @property
    def positions(self) -> list[int]: ...
    def reading(self, name: str) -> int: ...
    def changed(self, cell: int | None, element: int | None) -> bool: ...
    def send(self, ports: int, data: bytes, delay_us: int) -> None: ...
    def hasten(self, ports: int, data: bytes) -> None: ...
    def cancel_delayed(self) -> None: ...
    def set_tempo(self, beats: int) -> None: ...
    def enter(self, mode: int) -> None: ...
    def notice(self, text: str, duration_us: int) -> None: ...
    def tap_tempo(self) -> None: ...
    def clock_run(self, running: bool) -> None: ...
    def restart_timer(self, timer: int) -> None: ...
    def save_draft(self) -> None: ...
    def cancel_draft(self) -> None: ...
    def factory_values(self, cells: Sequence[int]) -> None: ...
    def restart(self) -> None: ...


class Interpreter:
    """Evaluates expressions and texts, and runs actions, over the engine's memory."""

    def __init__(self, design: Design, effects: Effects) -> None:
        self.design = design
        self.effects = effects

    def truth(self, condition: Expression) -> bool:
        """A condition of a mode or a view: it has no locals."""
        return self.value(condition, []) != 0

    def value(self, expression: Expression, slots: list[int]) -> int:
        match expression:
            case program.Constant():
                return expression.value
            case program.CellValue(cell=cell, index=index):
                return self.effects.cells[self._element(self.design.cells[cell], index, slots)]
            case program.Local(slot=slot):
                return slots[slot]
            case program.Reading(name=name):
                return self.effects.reading(name)
            case program.Changed(cell=changed, index=index):
                return int(self.effects.changed(changed, None if index is None else self.value(index, slots)))
            case program.Position(pedal=pedal):
                return self.effects.positions[pedal]
            case program.Unary(operator=operator, operand=operand):
                return UNARY[operator](self.value(operand, slots))
            case program.Binary(operator=operator, left=left, right=right):
                return ARITHMETIC[operator](self.value(left, slots), self.value(right, slots))
            case program.Compare(operator=operator, left=left, right=right):
                return int(COMPARISONS[operator](self.value(left, slots), self.value(right, slots)))
            case program.Logic(operator="and", left=left, right=right):
                return int(self.value(left, slots) != 0 and self.value(right, slots) != 0)
            case program.Logic(operator="or", left=left, right=right):
                return int(self.value(left, slots) != 0 or self.value(right, slots) != 0)
            case program.Choice(condition=condition, then=then, otherwise=otherwise):
                return self.value(then if self.value(condition, slots) else otherwise, slots)
        raise TypeError(f"not an expression: {expression!r}")

    def _element(self, cell: Cell, index: Expression | None, slots: list[int]) -> int:
        return cell.offset + (0 if index is None else self.value(index, slots))

    def text(self, text: Text, slots: list[int]) -> str:
        return "".join(part if isinstance(part, str) else self._field(part, slots) for part in text.parts)

    def _field(self, field: program.Field, slots: list[int]) -> str:
        value = self.value(field.expression, slots)
        if field.names:
            return field.names[value]
        if field.fill == "0":
            return str(value).zfill(field.width)
        return str(value).rjust(field.width, field.fill)

    def run(self, action: Action) -> None:
        """Run an action to completion."""
        self._call(action.procedure, list(action.arguments))

    def respond(self, response: Response, data: list[int]) -> None:
        """Run a response to completion; `data` are the values of what arrived."""
        self._call(response.procedure, [self.value(argument, data) for argument in response.arguments])

    def _call(self, number: int, arguments: list[int]) -> None:
        procedure = self.design.procedures[number]
        self._block(procedure.body, arguments + [0] * (procedure.locals - len(arguments)))

    def _block(self, statements: tuple[Statement, ...], slots: list[int]) -> None:
        for statement in statements:
            self._statement(statement, slots)

    def _statement(self, statement: Statement, slots: list[int]) -> None:
        match statement:
            case program.SetCell(cell=cell, index=index, value=value):
                self._store(self.design.cells[cell], index, self.value(value, slots), slots)
            case program.SetLocal(slot=slot, value=value):
                slots[slot] = self.value(value, slots)
            case program.If(condition=condition, then=then, otherwise=otherwise):
                self._block(then if self.value(condition, slots) else otherwise, slots)
            case program.For(slot=slot, body=body):
                for slots[slot] in range(statement.start, statement.stop, statement.step):
                    self._block(body, slots)
            case program.Call(procedure=procedure, arguments=arguments):
                self._call(procedure, [self.value(argument, slots) for argument in arguments])
            case _:
                self._effect(statement, slots)

    def _store(self, cell: Cell, index: Expression | None, value: int, slots: list[int]) -> None:
        element = self._element(cell, index, slots)
        if cell.ends == "wrap":
            value = cell.low + (value - cell.low) % (cell.high - cell.low + 1)
        elif cell.ends == "clamp":
            value = min(max(value, cell.low), cell.high)
        self.effects.cells[element] = value

    def _effect(self, statement: Statement, slots: list[int]) -> None:
        match statement:
            case program.Send(ports=ports, data=data, delay_us=delay_us):
                self.effects.send(ports, bytes(self.value(byte, slots) for byte in data), delay_us)
            case program.Hasten(ports=ports, data=data):
                self.effects.hasten(ports, bytes(self.value(byte, slots) for byte in data))
            case program.CancelDelayed():
                self.effects.cancel_delayed()
            case program.FactoryValues(cells=cells):
                self.effects.factory_values(cells)
            case program.Restart():
                self.effects.restart()
            case program.SetTempo(value=value):
                self.effects.set_tempo(self.value(value, slots))
            case program.Enter(mode=mode):
                self.effects.enter(mode)
            case program.Notice(text=text, duration_us=duration_us):
                self.effects.notice(self.text(text, slots), duration_us)
            case program.TapTempo():
                self.effects.tap_tempo()
            case program.ClockRun(running=running):
                self.effects.clock_run(running != 0)
            case program.RestartTimer(timer=timer):
                self.effects.restart_timer(timer)
            case program.SaveDraft():
                self.effects.save_draft()
            case program.CancelDraft():
                self.effects.cancel_draft()
            case _:
                raise TypeError(f"not a statement: {statement!r}")
