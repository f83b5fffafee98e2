"""A design as a folder of MicroPython files: the engine's own, the design's functions and tables, and a main loop for a board."""

from __future__ import annotations

import ast
import hashlib
import re
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path
from types import FunctionType
from typing import Any

import controller_sim.core as core
from controller_sim.design import form, program
from controller_sim.design.form import Design
from controller_sim.design.lowering import source_of, tables_of
from controller_sim.design.plan import Plan
from controller_sim.design.storage import keeps, layout_of
from controller_sim.port import wiring
from controller_sim.view.words import gesture_title, response_title

RUNTIME = Path(__file__).parent / "runtime" / "micropython"
MOST_COLUMNS = 120


def write(design: Design, source: str) -> dict[str, str]:
    """The files to copy onto a board, by name; `source` is the text of the design's file, of which a digest is noted.

    The same design and text give the same files.
    """
    files = {f"core/{path.name}": path.read_text(encoding="utf-8") for path in sorted(Path(core.__file__).parent.glob("*.py"))}
    files |= {path.name: path.read_text(encoding="utf-8") for path in sorted(RUNTIME.glob("*.py"))}
    files["design.py"] = design_module(design, source)
    pins = wiring.pins_of(design, ports_used(design))
    files["pins.py"] = wiring.pins_module(design, pins)
    files["WIRING.md"] = wiring.note(design, pins)
    return dict(sorted(files.items()))


def ports_used(design: Design) -> int:
    """The ports that a design sends to or hears (SERIAL | USB of design.form)."""
    ports = design.tempo.ports | design.tempo.follow
    for statement in Plan(design).statements:
        if isinstance(statement, program.Send | program.Hasten):
            ports |= statement.ports
    for thru in design.thru:
        ports |= thru.source | thru.ports
    for response in design.responses:
        if isinstance(response.cause, form.Received):
            ports |= response.cause.ports
    return ports


def design_module(design: Design, source: str) -> str:
    """The compiled design as a module: its functions, `tables` for the engine, and what the main loop has to know."""
    digest = hashlib.sha256(source.encode()).hexdigest()[:16]
    tables = tables_of(design, False)
    lines = [
        f'"""{_plain(design.title)}: what the engine has to know.',
        "",
        f"Made by controller-sim from {_plain(Path(design.file).name)} (SHA-256 {digest}...). Change the design, not this file.",
        '"""',
        "",
        "from core.engine import Engine",
        "from core.storage import StorageLayout" if keeps(design) else "",
        "from core.tables import Tables",
        "",
        *_functions(source_of(design), _Names(design)),
        "tables = Tables()",
        *(line for name, value in vars(tables).items() for line in _assignment(f"tables.{name}", value)),
        "",
        *_assignment("PEDAL_READS", tuple(pedal.reads for pedal in design.pedals)),
        f"LISTENS = {design.listens}",
        f"RUNNING_STATUS = {design.running_status}",
        f"IMAGE_BYTES = {design.storage.bytes if keeps(design) else 0}",
        *_layout(design),
    ]
    return "\n".join(line for line, before in zip(lines, ["", *lines], strict=False) if line or before) + "\n"


def _plain(text: str) -> str:
    """A text that can stand in a comment or a docstring."""
    return " ".join(text.replace("\\", "/").replace('"', "'").split())


def _layout(design: Design) -> Iterator[str]:
    if not keeps(design):
        yield "LAYOUT = None"
        return
    layout = layout_of(design)
    values = [layout.row_bytes, layout.rows, layout.version, layout.oldest, layout.start, layout.cells]
    yield from _wrapped("LAYOUT = StorageLayout(", values, ")", "")


def _functions(source: str, names: _Names) -> Iterator[str]:
    """The design's functions, each with what it is for, and the other definitions that they use."""
    text = source.splitlines()
    body = ast.parse(source).body
    functions = [node for node in body if isinstance(node, ast.FunctionDef)]
    used = {node.id for function in functions for node in ast.walk(function) if isinstance(node, ast.Name)}
    for node in body:
        assert node.end_lineno is not None
        if isinstance(node, ast.FunctionDef):
            yield ""
            comment = names.comment(node.name)
            if comment:
                yield f"# {_plain(comment)}"
        elif not (isinstance(node, ast.Assign) and {target.id for target in node.targets if isinstance(target, ast.Name)} & used):
            continue
        yield from text[node.lineno - 1 : node.end_lineno]
        yield ""


class _Names:
    """What the design's functions are for, in the design's words."""

    def __init__(self, design: Design) -> None:
        self.design = design
        one: dict[str, Callable[[int], str]] = {
            "p": lambda n: f"procedure {design.procedures[n].name}",
            "binding": self._binding,
            "response": self._response,
            "power_on": lambda n: f"power-on with {self._switches(design.power_on[n].mask)} down",
            "rest": lambda n: f"pedal {design.pedals[n].name} may move again",
            "gap": lambda n: f"{design.keys[n].name} waits no longer for its double",
        }
        for kind in ("conditions", "display", "leds", "enter", "leave"):
            one[kind] = partial(self._of_mode, kind)
        self._one = one

    def _of_mode(self, kind: str, mode: int) -> str:
        return f"{kind} of mode {self.design.modes[mode].name}"

    def comment(self, function: str) -> str:
        """What a function of that name is for; empty where its name says all."""
        match = re.fullmatch(r"(\D+)(\d+)(?:_(\d+))?", function)
        if match is None:
            return ""
        kind, first, second = match[1], int(match[2]), match[3]
        if second is None:
            return self._one[kind](first) if kind in self._one else ""
        mode = self.design.modes[first].name
        if kind == "timer":
            return f"timer {second} of mode {mode}"
        return f"{self.design.keys[int(second)].name} in mode {mode}"

    def _binding(self, number: int) -> str:
        binding = self.design.bindings[number]
        return f"{gesture_title(self.design, binding)} in mode {self.design.modes[binding.mode].name}"

    def _response(self, number: int) -> str:
        response = self.design.responses[number]
        return f"{response_title(self.design, response)} in mode {self.design.modes[response.mode].name}"

    def _switches(self, mask: int) -> str:
        return "+".join(name for i, name in enumerate(self.design.switches) if mask >> i & 1) or "nothing"


def _assignment(name: str, value: Any) -> Iterator[str]:
    whole = f"{name} = {literal(value)}"
    if len(whole) <= MOST_COLUMNS or not isinstance(value, list | tuple):
        yield whole
        return
    left, right = "[]" if isinstance(value, list) else "()"
    yield from _wrapped(f"{name} = {left}", value, right, "")


def _wrapped(start: str, values: Sequence[Any], end: str, indent: str) -> Iterator[str]:
    """Values between brackets, one to a line, and taken apart in their turn where a line does not hold them."""
    yield f"{indent}{start}"
    for value in values:
        line = f"{indent}    {literal(value)},"
        if len(line) <= MOST_COLUMNS or not isinstance(value, list | tuple):
            yield line
        else:
            left, right = "[]" if isinstance(value, list) else "()"
            yield from _wrapped(left, value, f"{right},", f"{indent}    ")
    yield f"{indent}{end}"


def literal(value: Any) -> str:
    """A value of the tables as Python source; the engine's own functions by their class, the design's by their names."""
    if isinstance(value, FunctionType):
        return f"Engine.{value.__name__}" if (value.__module__ or "").startswith(core.__name__) else value.__name__
    if isinstance(value, tuple):
        return f"({', '.join(map(literal, value))}{',' if len(value) == 1 else ''})"
    if isinstance(value, list):
        return f"[{', '.join(map(literal, value))}]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{literal(key)}: {literal(each)}" for key, each in value.items()) + "}"
    if isinstance(value, frozenset):
        return f"frozenset(({''.join(f'{each}, ' for each in sorted(value))}))"
    if value is None or isinstance(value, bool | int | str | bytes):
        return repr(value)
    raise TypeError(f"no literal for {value!r}")
