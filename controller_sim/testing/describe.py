"""A design in words, short enough to read beside a failing history."""

from __future__ import annotations

from controller_sim.design import form, program
from controller_sim.design.form import Design
from controller_sim.design.program import Expression, Statement


def describe_design(design: Design) -> str:
    """Several lines: timing, cells, procedures, and each mode's bindings."""
    timing = design.timing
    repeat = timing.repeat
    lines = [
        f"press {timing.press.kind} {timing.press.time_us}, release {timing.release.kind} {timing.release.time_us}, "
        f"chord {timing.chord_us}, hold {timing.hold_us}, double {timing.double_us}, "
        f"repeat {repeat.first_us} {repeat.steps} {repeat.last_us}",
        f"tempo {design.tempo}, at most {design.delayed_messages} delayed, keys {[key.name for key in design.keys]}",
    ]
    for cell in design.cells:
        keep = " keep" if cell.keep else ""
        lines.append(f"cell {cell.name}{list(cell.shape)} {cell.low}..{cell.high} start {cell.start} {cell.ends}{keep}")
    lines += [f"procedure {n} {procedure.name}: {_block(procedure.body)}" for n, procedure in enumerate(design.procedures)]
    for index, mode in enumerate(design.modes):
        lines += _mode_lines(design, index, mode)
    if design.every_power_on is not None:
        lines.append(f"every power on: {_action(design.every_power_on)}")
    lines += [f"{pedal}" for pedal in design.pedals] + [f"{thru}" for thru in design.thru]
    for n, response in enumerate(design.responses):
        arguments = [_text(argument) for argument in response.arguments]
        when = "" if response.condition is None else f" when condition {response.condition}"
        lines.append(f"response {n} of mode {response.mode} to {response.cause}{when}: procedure {response.procedure}{arguments or ''}")
    lines += [f"power on {binding.mask:b}: {_action(binding.action)}" for binding in design.power_on]
    return "\n".join(lines)


def _mode_lines(design: Design, index: int, mode: form.Mode) -> list[str]:
    home = " (home)" if index == design.home else ""
    ways = f"draft {mode.draft} {mode.on_other_exit}, delayed {mode.delayed}"
    lines = [f"mode {index}{home} {ways}, conditions {[_text(c) for c in mode.conditions]}"]
    for name, action in (("enter", mode.enter), ("leave", mode.leave)):
        if action is not None:
            lines.append(f"  {name}: {_action(action)}")
    for timer in mode.timers:
        lines.append(f"  {'every' if timer.every else 'after'} {timer.period_us}: {_action(timer.action)}")
    for number in mode.bindings:
        binding = design.bindings[number]
        when = "" if binding.condition is None else f" when condition {binding.condition}"
        hold = f" {binding.hold_us}" if binding.gesture == "hold" else ""
        eager = " eager" if binding.eager else ""
        lines.append(f"  {number}: {binding.gesture} {design.keys[binding.key].name}{hold}{eager}{when}: {_action(binding.action)}")
    for view in mode.views:
        lines.append(f"  view when {view.condition and _text(view.condition)}: {[_words(line) for line in view.lines]}")
    if mode.leds:
        lines.append(f"  leds {[_text(led) for led in mode.leds]}")
    return lines


def _action(action: form.Action) -> str:
    return f"procedure {action.procedure}{list(action.arguments) or ''}"


def _words(text: program.Text) -> str:
    return "".join(
        part if isinstance(part, str) else f"{{{_text(part.expression)}:{part.fill}{part.width}{part.names}}}" for part in text.parts
    )


def _block(body: tuple[Statement, ...]) -> str:
    return "; ".join(_statement(statement) for statement in body) or "pass"


def _statement(statement: Statement) -> str:
    match statement:
        case program.SetCell():
            return f"cell{statement.cell}[{statement.index and _text(statement.index)}] = {_text(statement.value)}"
        case program.SetLocal():
            return f"local{statement.slot} = {_text(statement.value)}"
        case program.SetTempo():
            return f"tempo = {_text(statement.value)}"
        case program.If():
            return f"if {_text(statement.condition)} {{{_block(statement.then)}}} else {{{_block(statement.otherwise)}}}"
        case program.For():
            turns = f"{statement.start}, {statement.stop}, {statement.step}"
            return f"for local{statement.slot} in range({turns}) {{{_block(statement.body)}}}"
        case program.Call():
            return f"procedure {statement.procedure}({', '.join(_text(a) for a in statement.arguments)})"
        case program.Send():
            return f"send {statement.ports} [{', '.join(_text(byte) for byte in statement.data)}] delay {statement.delay_us}"
        case program.Hasten():
            return f"hasten {statement.ports} [{', '.join(_text(byte) for byte in statement.data)}]"
        case program.Notice():
            return f"notice {_words(statement.text)!r} for {statement.duration_us}"
        case _:
            return repr(statement)


def _text(expression: Expression) -> str:
    match expression:
        case program.Constant():
            return str(expression.value)
        case program.CellValue():
            return f"cell{expression.cell}" + ("" if expression.index is None else f"[{_text(expression.index)}]")
        case program.Local():
            return f"local{expression.slot}"
        case program.Unary():
            return f"{expression.operator}({_text(expression.operand)})"
        case program.Binary() | program.Compare() | program.Logic():
            return f"({_text(expression.left)} {expression.operator} {_text(expression.right)})"
        case program.Choice():
            return f"({_text(expression.then)} if {_text(expression.condition)} else {_text(expression.otherwise)})"
        case program.Reading():
            return expression.name
        case program.Changed(cell=cell, index=index):
            return "changed()" if cell is None else f"changed(cell{cell}{'' if index is None else f'[{_text(index)}]'})"
        case program.Position():
            return f"pedal{expression.pedal}"
        case _:
            return repr(expression)
