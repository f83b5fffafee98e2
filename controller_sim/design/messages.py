"""The built-in message calls -> `Send` statements, each data byte proved."""

from __future__ import annotations

import ast
from collections.abc import Callable

from controller_sim.design.expressions import ExpressionCompiler
from controller_sim.design.form import Controller, Device
from controller_sim.design.parsing import cited, nearest
from controller_sim.design.program import Choice, Constant, Expression, Hasten, Send, Statement

BANK_MSB, BANK_LSB = 0, 32
"""Controllers of Bank Select (MIDI 1.0 Detailed Specification 4.2.1, p. 13)."""
PITCH_CENTRE = 8192
NOTE_OFF, NOTE_ON = 0x80, 0x90
MAX_DELAY_MS = 60_000
DEFAULT_VELOCITY = 64

Bytes = tuple[Expression, ...]


def message(compiler: ExpressionCompiler, node: ast.Call) -> list[Statement]:
    """The statements of a message call whose name is one of `MESSAGES`."""
    assert isinstance(node.func, ast.Name)
    return list(_COMPILERS[node.func.id](compiler, node))


def _byte(value: int) -> Constant:
    return Constant(value, value)


def _delay_us(compiler: ExpressionCompiler, arguments: dict[str, ast.expr]) -> int:
    node = arguments.get("delay_ms")
    return 0 if node is None else compiler.constant(node, 1, MAX_DELAY_MS, "delay_ms") * 1000


def _keywords_only(compiler: ExpressionCompiler, node: ast.Call, positional: int) -> None:
    """`delay_ms` may only be named, lest a forgotten argument becomes a delay."""
    if len(node.args) > positional:
        assert isinstance(node.func, ast.Name)
        raise compiler.error(
            node.args[positional], f"{node.func.id} takes at most {positional} argument(s) by position, not {len(node.args)}"
        )


def _channel_message(status: int, *names: str, optional: tuple[str, ...] = ()) -> Callable[[ExpressionCompiler, ast.Call], list[Statement]]:
    def compile_message(compiler: ExpressionCompiler, node: ast.Call) -> list[Statement]:
        arguments = compiler.arguments(node, ("device", *names), (*optional, "delay_ms"))
        _keywords_only(compiler, node, 1 + len(names) + len(optional))
        device = compiler.device(arguments["device"])
        data: list[Expression] = [_byte(status | device.channel)]
        for name in (*names, *optional):
            if name not in arguments:
                data.append(_byte(DEFAULT_VELOCITY))
                continue
            low, high = (device.notes or (0, 127)) if name == "note" else (0, 127)
            data.append(compiler.prove(arguments[name], compiler.value(arguments[name]), low, high, name, device.name))
        return [Send(device.ports, tuple(data), _delay_us(compiler, arguments))]

    return compile_message


def _note(compiler: ExpressionCompiler, node: ast.Call) -> list[Statement]:
    """Note on now and off after `length_ms`; an off of the same note that still waits leaves first, so that on and off alternate."""
    arguments = compiler.arguments(node, ("device", "note"), ("velocity", "length_ms"))
    _keywords_only(compiler, node, 3)
    if "length_ms" not in arguments:
        raise compiler.error(node, "note needs 'length_ms': note(device, note, [velocity], length_ms=...)")
    device = compiler.device(arguments["device"])
    low, high = device.notes or (0, 127)
    number = compiler.prove(arguments["note"], compiler.value(arguments["note"]), low, high, "note", device.name)
    velocity: Expression = _byte(DEFAULT_VELOCITY)
    if "velocity" in arguments:
        velocity = compiler.prove(arguments["velocity"], compiler.value(arguments["velocity"]), 1, 127, "velocity", "note")
    length_us = compiler.constant(arguments["length_ms"], 1, MAX_DELAY_MS, "length_ms") * 1000
    off = (_byte(NOTE_OFF | device.channel), number, _byte(DEFAULT_VELOCITY))
    on = (_byte(NOTE_ON | device.channel), number, velocity)
    return [Hasten(device.ports, off), Send(device.ports, on), Send(device.ports, off, length_us)]


def _program_change(compiler: ExpressionCompiler, node: ast.Call) -> list[Statement]:
    arguments = compiler.arguments(node, ("device", "program"), ("bank", "delay_ms"))
    _keywords_only(compiler, node, 2)
    device = compiler.device(arguments["device"])
    if device.programs is None:
        raise compiler.error(arguments["device"], f"{device.name} declares no 'programs': it takes no program change")
    delay_us = _delay_us(compiler, arguments)
    sends: list[Statement] = []
    if "bank" in arguments:
        for controller, value in _bank(compiler, arguments["bank"], device):
            sends.append(Send(device.ports, (_byte(0xB0 | device.channel), _byte(controller), value), delay_us))
    program = compiler.prove(arguments["program"], compiler.value(arguments["program"]), *device.programs, "program", device.name)
    sends.append(Send(device.ports, (_byte(0xC0 | device.channel), program), delay_us))
    return sends


def _bank(compiler: ExpressionCompiler, node: ast.expr, device: Device) -> list[tuple[int, Expression]]:
    if device.bank_select == "none":
        raise compiler.error(node, f"{device.name} declares no 'bank_select': it takes no bank")
    both = device.bank_select == "both"
    bank = compiler.prove(node, compiler.value(node), 0, 16383 if both else 127, "bank", device.name)
    if both:
        return list(zip((BANK_MSB, BANK_LSB), _halves(compiler, bank), strict=True))
    return [(BANK_MSB if device.bank_select == "msb" else BANK_LSB, bank)]


def _halves(compiler: ExpressionCompiler, value: Expression) -> tuple[Expression, Expression]:
    """The upper and the lower seven bits of a value in 0..16383."""
    return compiler.binary("//", value, _byte(128)), compiler.binary("%", value, _byte(128))


def _control_change(compiler: ExpressionCompiler, node: ast.Call) -> list[Statement]:
    arguments = compiler.arguments(node, ("device", "controller", "value"), ("delay_ms",))
    _keywords_only(compiler, node, 3)
    device = compiler.device(arguments["device"])
    if device.controllers is None:
        number = compiler.value(arguments["controller"])
        number = compiler.prove(arguments["controller"], number, 0, 127, "controller", device.name)
        value = compiler.prove(arguments["value"], compiler.value(arguments["value"]), 0, 127, "value", device.name)
        changes = [(number, value)]
    else:
        controller = _controller(compiler, arguments["controller"], device, device.controllers)
        value = _controller_value(compiler, arguments["value"], device, controller)
        changes = [(_byte(controller.number), value)]
        if controller.lower_number is not None:
            upper, lower = _halves(compiler, value)
            changes = [(_byte(controller.number), upper), (_byte(controller.lower_number), lower)]
    delay_us = _delay_us(compiler, arguments)
    return [Send(device.ports, (_byte(0xB0 | device.channel), number, value), delay_us) for number, value in changes]


def _controller(compiler: ExpressionCompiler, node: ast.expr, device: Device, controllers: tuple[Controller, ...]) -> Controller:
    names = [controller.name for controller in controllers]
    if not isinstance(node, ast.Name):
        listed = ", ".join(names) or "none"
        raise compiler.error(node, f"{device.name} takes only its named controllers ({listed}), not {cited(node)}")
    for controller in controllers:
        if controller.name == node.id:
            return controller
    raise compiler.error(node, f"{device.name} has no controller '{node.id}'{nearest(node.id, names)}")


def _controller_value(compiler: ExpressionCompiler, node: ast.expr, device: Device, controller: Controller) -> Expression:
    what = f"{device.name}'s {controller.name}"
    if controller.on is None:
        return compiler.prove(node, compiler.value(node), controller.low, controller.high, "value", what)
    truth = compiler.condition(node)
    on = _byte(controller.on)
    if controller.off is None:
        if truth.low != 1 and compiler.proving:
            raise compiler.error(node, f"{what} has no 'off': {cited(node)} must always be true, and is {truth.low}..{truth.high}")
        return on
    off = _byte(controller.off)
    if truth.low == truth.high:
        return on if truth.low else off
    return Choice(min(controller.on, controller.off), max(controller.on, controller.off), truth, on, off)


def _pitchwheel(compiler: ExpressionCompiler, node: ast.Call) -> list[Statement]:
    arguments = compiler.arguments(node, ("device", "pitch"), ("delay_ms",))
    _keywords_only(compiler, node, 2)
    device = compiler.device(arguments["device"])
    pitch = compiler.prove(arguments["pitch"], compiler.value(arguments["pitch"]), -PITCH_CENTRE, PITCH_CENTRE - 1, "pitch", device.name)
    upper, lower = _halves(compiler, compiler.finish(arguments["pitch"], compiler.binary("+", pitch, _byte(PITCH_CENTRE))))
    return [Send(device.ports, (_byte(0xE0 | device.channel), lower, upper), _delay_us(compiler, arguments))]


def _sysex(compiler: ExpressionCompiler, node: ast.Call) -> list[Statement]:
    values = node.args[1:]
    named = ast.Call(node.func, node.args[:1], node.keywords)
    ast.copy_location(named, node)
    arguments = compiler.arguments(named, ("device",), ("delay_ms",))
    device = compiler.device(arguments["device"])
    data = [compiler.prove(value, compiler.value(value), 0, 127, "byte", "a system exclusive message") for value in values]
    return [Send(device.ports, (_byte(0xF0), *data, _byte(0xF7)), _delay_us(compiler, arguments))]


def _system_message(status: int, name: str = "", high: int = 0) -> Callable[[ExpressionCompiler, ast.Call], list[Statement]]:
    def compile_message(compiler: ExpressionCompiler, node: ast.Call) -> list[Statement]:
        required = (name,) if name else ()
        arguments = compiler.arguments(node, required, ("device", "delay_ms"))
        _keywords_only(compiler, node, len(required) + 1)
        data: Bytes = (_byte(status),)
        if name:
            assert isinstance(node.func, ast.Name)
            value = compiler.prove(arguments[name], compiler.value(arguments[name]), 0, high, name, node.func.id)
            data += (value,) if high == 127 else _halves(compiler, value)[::-1]
        ports = compiler.device(arguments["device"]).ports if "device" in arguments else compiler.scope.ports_in_use
        if not ports:
            raise compiler.error(node, "no device is declared, so there is no port to send to")
        return [Send(ports, data, _delay_us(compiler, arguments))]

    return compile_message


_COMPILERS: dict[str, Callable[[ExpressionCompiler, ast.Call], list[Statement]]] = {
    "program_change": _program_change,
    "control_change": _control_change,
    "note_on": _channel_message(NOTE_ON, "note", optional=("velocity",)),
    "note_off": _channel_message(NOTE_OFF, "note", optional=("velocity",)),
    "note": _note,
    "polytouch": _channel_message(0xA0, "note", "value"),
    "aftertouch": _channel_message(0xD0, "value"),
    "pitchwheel": _pitchwheel,
    "sysex": _sysex,
    "start": _system_message(0xFA),
    "stop": _system_message(0xFC),
    "continue_": _system_message(0xFB),
    "reset": _system_message(0xFF),
    "tune_request": _system_message(0xF6),
    "active_sensing": _system_message(0xFE),
    "songpos": _system_message(0xF2, "beats", 16383),
    "song_select": _system_message(0xF3, "song", 127),
}
"""Status bytes: MIDI 1.0 Detailed Specification 4.2.1, tables I, II, V and VI."""
