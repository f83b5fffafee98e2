"""From text to steps, with every name checked against the design."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any

from lark import Lark, Token, Tree
from lark.exceptions import UnexpectedInput

from controller_sim.design.form import LED_LEVELS, PORT_NAMES, Cell, Design, Device, Pedal
from controller_sim.midi.messages import MidiError
from controller_sim.script.complaints import explain
from controller_sim.script.patterns import RAW, find_device, target_of, wanted_bytes
from controller_sim.script.syntax import (
    MOST_CHARACTERS,
    READ_EVERY_US,
    WITHIN_US,
    Bounce,
    Change,
    CutPower,
    ExpectClock,
    ExpectDisplay,
    ExpectLed,
    ExpectMemory,
    ExpectMessage,
    ExpectMode,
    ExpectNoMessages,
    ExpectNothingElse,
    ExpectPedal,
    ExpectRestart,
    ExpectSilence,
    ExpectTempo,
    Jitter,
    Move,
    Pattern,
    PowerOff,
    PowerOn,
    Press,
    Receive,
    Script,
    ScriptError,
    Step,
    Sweep,
    Wait,
    When,
)
from controller_sim.script.timeline import lay_out
from controller_sim.simulator.errors import SimulatorError
from controller_sim.simulator.simulator import GAP_US, TAP_US, cell_offset, duration_us, unknown_name
from controller_sim.simulator.storage import BYTE_US

_Node = Tree[Token]
FORMAT = 1


def parse_script(text: str, design: Design, file: str = "<script>") -> Script:
    """Parse a press script and check it against a design. `file` is only named in errors. Raises ScriptError."""
    if len(text) > MOST_CHARACTERS:
        raise ScriptError(f"a script has at most {MOST_CHARACTERS} characters, not {len(text)}", file)
    try:
        tree = _grammar().parse(text if text.endswith("\n") else text + "\n")
    except UnexpectedInput as error:
        raise explain(error, text, file) from None
    script = _Builder(design, file, text).script(tree)
    lay_out(script, design)
    return script


@lru_cache(maxsize=1)
def _grammar() -> Lark:
    grammar = Path(__file__).with_name("press.lark").read_text(encoding="utf-8")
    return Lark(grammar, parser="lalr", propagate_positions=True, maybe_placeholders=True)


class _Builder:
    """Builds the steps of one script; every method `_<rule>` takes the children of that rule of the grammar."""

    def __init__(self, design: Design, file: str, text: str) -> None:
        self.design = design
        self.file = file
        self.lines = text.split("\n")
        self.steps: dict[str, Callable[[When | None, int, list[Any]], Step]] = {
            "down": lambda when, line, parts: self._change(when, line, parts, True),
            "up": lambda when, line, parts: self._change(when, line, parts, False),
            "tap": self._press,
            "hold": self._press,
            "chord": self._chord,
            "double": self._double,
            "wait": lambda when, line, parts: Wait(when=when, line=line, duration_us=self._duration(parts[0])),
            "move": self._move,
            "sweep": self._sweep,
            "receive": self._receive,
            "power_off": lambda when, line, _: PowerOff(when=when, line=line),
            "power_on": lambda when, line, parts: PowerOn(when=when, line=line, holding=self._switches(parts[0])),
            "cut": self._cut,
            "cut_after": self._cut_after,
            "expect_message": self._expect_message,
            "expect_no_messages": lambda when, line, parts: ExpectNoMessages(when=when, line=line, to=self._to(parts[0])),
            "expect_silence": self._expect_silence,
            "expect_nothing_else": lambda when, line, _: ExpectNothingElse(when=when, line=line),
            "expect_restart": lambda when, line, parts: ExpectRestart(when=when, line=line, within_us=self._within(parts[0])),
            "expect_display": self._expect_display,
            "expect_led": self._expect_led,
            "expect_mode": self._expect_mode,
            "expect_memory": self._expect_memory,
            "expect_pedal": self._expect_pedal,
            "expect_tempo": self._expect_tempo,
            "expect_clock": self._expect_clock,
        }

    def script(self, tree: _Node) -> Script:
        steps = []
        for part in tree.children:
            if not isinstance(part, Tree):
                continue
            if part.data == "header":
                version = part.children[0]
                if self._integer(version) != FORMAT:
                    raise self._error(f"this is format {version}; this player reads format {FORMAT}", version)
                continue
            when, step = part.children
            assert isinstance(step, Tree)
            steps.append(self.steps[step.data](self._when(when), part.meta.line, step.children))
        return Script(tuple(steps), self.file, "\n".join(self.lines))

    def _error(self, message: str, token: Any) -> ScriptError:
        line, column = (token.meta.line, token.meta.column) if isinstance(token, Tree) else (token.line, token.column)
        return ScriptError(message, self.file, line, column, self.lines[line - 1].rstrip("\r"))

    def _integer(self, token: Any) -> int:
        # Longer ones are no number that anything here takes, and Python refuses to read very long ones.
        if len(token) > 12:
            raise self._error("this number is too large", token)
        return int(token)

    def _duration(self, token: Any) -> int:
        if len(token) > 40:
            raise self._error("this duration is too long to read", token)
        try:
            return duration_us(str(token))
        except SimulatorError as error:
            raise self._error(str(error), token) from None

    def _when(self, node: Any) -> When | None:
        if node is None:
            return None
        token = node.children[0]
        if node.data != "at_clock":
            return When(self._duration(token), node.data == "at")
        minutes, seconds = token.split(":")
        if len(token) > 40:
            raise self._error("this time is too long to read", token)
        try:
            return When(int(minutes) * 60_000_000 + duration_us(f"{seconds}s"), True)
        except SimulatorError as error:
            raise self._error(str(error), token) from None

    def _known(self, what: str, token: Any, names: Iterable[str]) -> str:
        known = tuple(names)
        if token not in known:
            raise self._error(unknown_name(what, str(token), known), token)
        return str(token)

    def _switches(self, node: Any) -> tuple[str, ...]:
        if node is None:
            return ()
        names: list[str] = []
        for token in node.children:
            if self._known("switch", token, self.design.switches) in names:
                raise self._error(f"switch {str(token)!r} is named twice", token)
            names.append(str(token))
        return tuple(names)

    def _bounce(self, node: Any) -> Bounce | None:
        if node is None:
            return None
        time, seed = node.children
        bounce_us = self._duration(time)
        if bounce_us < 3:
            raise self._error("bounce lasts at least 3us", time)
        return Bounce(bounce_us, self._seed(seed))

    def _part(self, node: Any, default_us: int) -> int:
        return default_us if node is None else self._duration(node.children[0])

    def _change(self, when: When | None, line: int, parts: list[Any], down: bool) -> Step:
        return Change(when=when, line=line, switches=self._switches(parts[0]), down=down, bounce=self._bounce(parts[1]))

    def _press(self, when: When | None, line: int, parts: list[Any]) -> Press:
        switches, skew, length, bounce = parts
        return Press(
            when=when,
            line=line,
            switches=self._switches(switches),
            length_us=self._part(length, TAP_US),
            skew_us=self._part(skew, 0),
            bounce=self._bounce(bounce),
        )

    def _chord(self, when: When | None, line: int, parts: list[Any]) -> Press:
        if len(parts[0].children) < 2:
            raise self._error("a chord has two switches or more, such as `chord a+c`", parts[0])
        return self._press(when, line, parts)

    def _double(self, when: When | None, line: int, parts: list[Any]) -> Press:
        switches, gap, skew, length, bounce = parts
        return Press(
            when=when,
            line=line,
            switches=self._switches(switches),
            gap_us=self._part(gap, GAP_US),
            length_us=self._part(length, TAP_US),
            skew_us=self._part(skew, 0),
            bounce=self._bounce(bounce),
        )

    def _pedal(self, token: Any) -> Pedal:
        name = self._known("pedal", token, (pedal.name for pedal in self.design.pedals))
        return next(pedal for pedal in self.design.pedals if pedal.name == name)

    def _reading(self, node: Any, pedal: Pedal) -> int:
        token = node.children[0]
        if node.data == "word":
            return pedal.heel if self._known("end of a pedal", token, ("heel", "toe")) == "heel" else pedal.toe
        value, (low, high) = self._integer(token), pedal.reads
        if not low <= value <= high:
            raise self._error(f"{pedal.name} reads {low}..{high}; it never reads {value}", token)
        return value

    def _move(self, when: When | None, line: int, parts: list[Any]) -> Step:
        pedal = self._pedal(parts[0])
        return Move(when=when, line=line, pedal=pedal.name, to=self._reading(parts[1], pedal))

    def _sweep(self, when: When | None, line: int, parts: list[Any]) -> Step:
        name, start, to, duration, every, jitter = parts
        pedal = self._pedal(name)
        return Sweep(
            when=when,
            line=line,
            pedal=pedal.name,
            start=None if start is None else self._reading(start, pedal),
            to=self._reading(to, pedal),
            duration_us=self._duration(duration),
            every_us=self._part(every, READ_EVERY_US),
            jitter=self._jitter(jitter),
        )

    def _jitter(self, node: Any) -> Jitter | None:
        if node is None:
            return None
        most, seed = node.children
        if not 1 <= self._integer(most) <= 65_535:
            raise self._error("jitter is 1..65535", most)
        return Jitter(self._integer(most), self._seed(seed))

    def _seed(self, token: Any) -> int:
        number = 0 if token is None else self._integer(token)
        if number < 0:
            raise self._error("a seed is 0 or more", token)
        return number

    def _receive(self, when: When | None, line: int, parts: list[Any]) -> Step:
        source, message, every, length = parts
        device = find_device(self.design, self._known("device or port", source, [*(d.name for d in self.design.devices), *PORT_NAMES]))
        if message.data == "raw_message":
            data = bytes(int(token, 16) for token in message.children)
        else:
            target = target_of(self.design, str(source))
            assert target is not None
            try:
                wanted = wanted_bytes(self._pattern(message, device), target)
            except MidiError as error:
                raise self._error(error.message, message) from None
            if None in wanted:
                raise self._error("what arrives has all its numbers", message)
            data = bytes(byte for byte in wanted if byte is not None)
        # A device on both ports speaks on the first.
        ports = PORT_NAMES[str(source)] if device is None else device.ports
        port = next(name for name, bit in PORT_NAMES.items() if bit & ports)
        every_us = None if every is None else self._duration(every.children[0])
        return Receive(when=when, line=line, port=port, data=data, every_us=every_us, duration_us=self._part(length, 0))

    def _cut(self, when: When | None, line: int, parts: list[Any]) -> Step:
        token, leaving = parts
        byte = self._integer(token)
        if byte < 1:
            raise self._error("the bytes of a save count from 1", token)
        return CutPower(when=when, line=line, byte=byte, leaving=None if leaving is None else int(leaving, 16))

    def _cut_after(self, when: When | None, line: int, parts: list[Any]) -> Step:
        return CutPower(when=when, line=line, byte=self._duration(parts[0]) // BYTE_US + 1)

    def _within(self, node: Any) -> int | None:
        if node is None:
            return WITHIN_US
        return None if node.data == "now" else self._duration(node.children[0])

    def _to(self, node: Any) -> str | None:
        if node is None:
            return None
        names = [device.name for device in self.design.devices]
        return self._known("device or port", node.children[0], [*names, *PORT_NAMES])

    def _expect_message(self, when: When | None, line: int, parts: list[Any]) -> Step:
        to_node, message, window = parts
        to = self._to(to_node)
        assert to is not None
        pattern = self._pattern(message, find_device(self.design, to))
        target = target_of(self.design, to)
        assert target is not None
        try:
            wanted_bytes(pattern, target)
        except MidiError as error:
            raise self._error(error.message, message) from None
        return ExpectMessage(when=when, line=line, to=to, message=pattern, within_us=self._within(window))

    def _pattern(self, node: Any, device: Device | None) -> Pattern:
        if node.data == "raw_message":
            return Pattern(RAW, tuple(int(token, 16) for token in node.children))
        kind, *arguments, channel = node.children
        if kind == "control_change":
            values = self._controller_values(arguments, device)
        else:
            values = tuple(self._number(argument) for argument in arguments)
        return Pattern(str(kind), values, None if channel is None else self._integer(channel))

    def _number(self, node: Any) -> int:
        token = node.children[0]
        if node.data == "word":
            raise self._error(f"a number is expected here, not {str(token)!r}", token)
        return self._integer(token)

    def _controller_values(self, arguments: list[Any], device: Device | None) -> tuple[int, ...]:
        if not arguments or arguments[0].data == "number":
            return tuple(self._number(argument) for argument in arguments)
        token = arguments[0].children[0]
        if device is None:
            raise self._error("a controller has a name only at a device; give its number", token)
        controllers = {controller.name: controller for controller in device.controllers or ()}
        controller = controllers[self._known(f"controller of {device.name}", token, controllers)]
        values = [controller.number]
        for argument in arguments[1:]:
            word = argument.children[0]
            if argument.data == "word":
                level = {"on": controller.on, "off": controller.off}.get(str(word))
                if level is None:
                    raise self._error(f"{controller.name} has no {str(word)!r}; give a number", word)
                values.append(level)
            else:
                values.append(self._integer(word))
        return tuple(values)

    def _expect_silence(self, when: When | None, line: int, parts: list[Any]) -> Step:
        return ExpectSilence(when=when, line=line, to=self._to(parts[0]), duration_us=self._duration(parts[1]))

    def _expect_display(self, when: When | None, line: int, parts: list[Any]) -> Step:
        *tokens, window = parts
        lines = []
        for token in tokens:
            try:
                text = json.loads(token, strict=False)
            except ValueError:
                raise self._error('in a text, write \\" for " and \\\\ for \\', token) from None
            if "\n" in text:
                raise self._error('each line of the display is a text of its own: "one" / "two"', token)
            lines.append(text)
        return ExpectDisplay(when=when, line=line, lines=tuple(lines), within_us=self._within(window))

    def _expect_led(self, when: When | None, line: int, parts: list[Any]) -> Step:
        led, level, window = parts
        name = self._known("LED", led, self.design.leds)
        return ExpectLed(when=when, line=line, led=name, level=self._level(name, level), within_us=self._within(window))

    def _level(self, name: str, node: Any) -> str:
        led = self.design.leds.index(name)
        text = " ".join(str(token) for token in node.children if token is not None)
        if text in LED_LEVELS:
            return self.design.led_text(led, LED_LEVELS.index(text))
        known = self.design.led_texts(led)
        if text not in known:
            raise self._error(f"LED {name} shows {', '.join(known[:-1])} or {known[-1]}, not '{text}'", node)
        return text

    def _expect_mode(self, when: When | None, line: int, parts: list[Any]) -> Step:
        name = self._known("mode", parts[0], (mode.name for mode in self.design.modes))
        return ExpectMode(when=when, line=line, mode=name, within_us=self._within(parts[1]))

    def _expect_memory(self, when: When | None, line: int, parts: list[Any]) -> Step:
        name, index_node, value_node, window = parts
        self._known("memory cell", name, (cell.name for cell in self.design.cells))
        indices = () if index_node is None else tuple(self._integer(token) for token in index_node.children)
        try:
            cell, _ = cell_offset(self.design, str(name), indices)
        except SimulatorError as error:
            raise self._error(str(error), index_node or name) from None
        value = self._cell_value(cell, value_node)
        return ExpectMemory(when=when, line=line, cell=cell.name, indices=indices, value=value, within_us=self._within(window))

    def _cell_value(self, cell: Cell, node: Any) -> int:
        token = node.children[0]
        if node.data == "word":
            return cell.low + cell.names.index(self._known(f"value of {cell.name}", token, cell.names))
        value = self._integer(token)
        if not cell.low <= value <= cell.high:
            raise self._error(f"{cell.name} is in {cell.low}..{cell.high}; it is never {value}", token)
        return value

    def _expect_pedal(self, when: When | None, line: int, parts: list[Any]) -> Step:
        name, token, window = parts
        pedal, position = self._pedal(name), self._integer(token)
        if not pedal.low <= position <= pedal.high:
            raise self._error(f"{pedal.name} gives {pedal.low}..{pedal.high}; it never stands at {position}", token)
        return ExpectPedal(when=when, line=line, pedal=pedal.name, position=position, within_us=self._within(window))

    def _expect_tempo(self, when: When | None, line: int, parts: list[Any]) -> Step:
        token, window = parts
        tempo, bounds = self._integer(token), self.design.tempo
        if not bounds.low <= tempo <= bounds.high:
            raise self._error(f"the tempo is in {bounds.low}..{bounds.high}; it is never {tempo}", token)
        return ExpectTempo(when=when, line=line, tempo=tempo, within_us=self._within(window))

    def _expect_clock(self, when: When | None, line: int, parts: list[Any]) -> Step:
        return ExpectClock(when=when, line=line, running=parts[0] == "running", within_us=self._within(parts[1]))
