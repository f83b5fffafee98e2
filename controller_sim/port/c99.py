"""A design as C99 firmware: a file of tables and actions, its header, and the runtime that every design shares."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from controller_sim.design import program
from controller_sim.design.form import Design, Place
from controller_sim.design.steps import expressions_in
from controller_sim.port.c_code import CodeWriter
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_first import FirstValues
from controller_sim.port.c_header import header_lines
from controller_sim.port.c_limits import check_limits
from controller_sim.port.c_tables import Bound, table_lines
from controller_sim.port.c_types import comment, number, plus
from controller_sim.port.c_views import view_lines
from controller_sim.port.names import identifier

RUNTIME = Path(__file__).parent / "runtime" / "c99"

OFTEN = 4
"""An element that is read so often is given a name."""


def write_c99(design: Design, source: str) -> dict[str, str]:
    """The firmware of a design as file names and texts; `source` is the text of the design file, quoted in comments.

    Raises PortError for what a design asks that the firmware cannot do.
    """
    generated = design_files(design, source)
    return {**runtime_files(), **generated}


def runtime_files() -> dict[str, str]:
    """The runtime, the same for all designs."""
    return {path.name: path.read_text(encoding="utf-8") for path in sorted(RUNTIME.iterdir())}


def design_files(design: Design, source: str = "") -> dict[str, str]:
    """What is written for one design: design.h and design.c."""
    check_limits(design)
    facts, bound = Facts(design), Bound(design)
    writer = DesignWriter(facts, source)
    actions = writer.actions()
    body = [
        f"/* {comment(design.title)}: tables and actions. Written by controller-sim from {comment(design.file)}. */",
        '#include "state.h"',
        "",
        *writer.cells(actions),
        *table_lines(facts, bound),
        *facts.text_tables(),
        *([""] if facts.texts or facts.name_lists else []),
        *actions,
        *writer.host(),
    ]
    while not body[-1]:
        body.pop()
    return {"design.h": "\n".join(header_lines(facts, bound)) + "\n", "design.c": "\n".join(body) + "\n"}


def _without_unread(body: Sequence[str], names: Iterable[str]) -> list[str]:
    """Lines without the assignments to locals that nothing reads."""
    lines = list(body)
    for name in [*names] * 2:
        sets = re.compile(rf"\s*{name} = [^;]*;")
        if not any(re.search(rf"\b{name}\b", line) for line in lines if not sets.fullmatch(line)):
            lines = [line for line in lines if not sets.fullmatch(line)]
    return lines


def _is_negation(one: program.Expression, other: program.Expression) -> bool:
    """Whether two comparisons for equality say the opposite."""
    if not isinstance(one, program.Compare) or not isinstance(other, program.Compare):
        return False
    return {one.operator, other.operator} == {"==", "!="} and (one.left, one.right) == (other.left, other.right)


class DesignWriter:
    """Writes design.c but for its tables."""

    def __init__(self, facts: Facts, source: str) -> None:
        self.facts = facts
        self.design = facts.design
        self.source = source.splitlines()
        self.plain = CodeWriter(facts, {}, {}, frozenset())
        self.first_values = FirstValues(facts)

    def cells(self, actions: Sequence[str]) -> list[str]:
        facts = self.facts
        lines = []
        for n in sorted(facts.constant_cells):
            cell = self.design.cells[n]
            values = ", ".join(number(value - facts.cell_zeros[n]) for value in cell.start_values)
            shape, values = (f"[{cell.size}]", f"{{{values}}}") if cell.shape else ("", values)
            if n in facts.read_cells:
                lines.append(f"static const CTL_FLASH {facts.cell_types[n]} constant_{facts.cell_names[n]}{shape} = {values};")
        if facts.moving_cells:
            lines += ["struct ctl_cells cells;", "", *self.first_values.lines(actions)[:-1]]
        return [*lines, ""] if lines else []

    def actions(self) -> list[str]:
        facts, design = self.facts, self.design
        procedures = {n: self.procedure(n) for n in facts.reached}
        lines = self._bindings()
        lines += self._by_mode("void ctl_run_enter(void)", [[facts.run(m.enter)] if m.enter else [] for m in design.modes])
        lines += self._by_mode("void ctl_run_leave(void)", [[facts.run(m.leave)] if m.leave else [] for m in design.modes])
        lines += self._power_on()
        if facts.timers:
            lines += self._timers()
        if design.responses:
            lines += self._responses()
        if facts.has_conditions:
            lines += self._conditions()
        if any(binding.eager for binding in design.bindings):
            lines += self._eager()
        if facts.has_display:
            lines += self._by_mode("void ctl_put_display(void)", [view_lines(self.plain, mode.views) for mode in design.modes])
        if design.leds:
            lines += self._leds()
        # A branch that can never run is not written, and what only it calls is not either.
        for n in reversed(facts.reached):
            if any(f" {facts.procedure_names[n]}(" in line for line in lines):
                lines = [*procedures[n], *lines]
        return self._with_names(lines)

    def _with_names(self, lines: list[str]) -> list[str]:
        """Lines in which what is often looked up has a function of its own: an element of an array that says which element is meant."""
        heads: list[str] = []
        for text, element in self.facts.indices.items():
            read = re.compile(re.escape(text) + r"(?! = )")
            if sum(len(read.findall(line)) for line in lines) < OFTEN:
                continue
            parts = [self.facts.cell_names[e.cell] for e in expressions_in((element,)) if isinstance(e, program.CellValue)]
            name = f"get_{identifier(f'{parts[0]}_of_' + '_and_'.join(parts[1:]))}"
            if any(f" {name}(void)" in line for line in heads):
                continue
            lines = [read.sub(f"{name}()", line) for line in lines]
            kind = self.facts.cell_types[element.cell]
            heads += [f"static {kind} {name}(void)", "{", f"    return {text};", "}", ""]
        return [*heads, *lines]

    def place(self, place: Place) -> str:
        """Where something stands, with the line itself."""
        text = self.source[place.line - 1].strip() if place.line <= len(self.source) else ""
        name = place.file.rsplit("/", 1)[-1]
        return comment(f"{name}:{place.line}" + (f": {text}" if text else ""))

    def procedure(self, n: int) -> list[str]:
        procedure, facts = self.design.procedures[n], self.facts
        names, direct, types = facts.local_names(procedure), facts.direct_loops(procedure), dict(facts.local_types[n])
        body = CodeWriter(facts, types, names, direct, facts.local_ends[n], n in facts.run_in_modes).block(procedure.body)
        if facts.shows_change(procedure.body):
            body.insert(0, "ctl.dirty = true;")
        body = _without_unread(body, names.values())
        read = {slot for slot, name in names.items() if any(re.search(rf"\b{name}\b", line) for line in body)}
        parameters = facts.used_parameters[n] = [slot for slot in range(procedure.parameters) if slot in read]
        heading = ", ".join(f"{types[slot]} {names[slot]}" for slot in parameters) or "void"
        lines = [
            f"/* {comment(procedure.name)} ({self.place(procedure.place)}) */",
            f"static void {facts.procedure_names[n]}({heading})",
            "{",
        ]
        for slot in sorted(read - set(parameters) - direct):
            lines.append(f"    {types[slot]} {names[slot]} = 0;")
        return [*lines, *(f"    {line}" for line in body), "}", ""]

    def _switch(self, what: str, cases: Sequence[tuple[str, Sequence[str]]]) -> list[str]:
        """A switch over cases that have something to do; nothing where none has."""
        lines: list[str] = []
        for label, body in cases:
            if body:
                lines += [f"    case {label}", *(f"        {line}" for line in body), "        break;"]
        return [f"    switch ({what}) {{", *lines, "    default:", "        break;", "    }"] if lines else []

    def _by_mode(self, heading: str, bodies: Sequence[Sequence[str]]) -> list[str]:
        cases = [(f"{name}:", body) for name, body in zip(self.facts.mode_names, bodies, strict=True)]
        return [heading, "{", *self._switch("ctl.mode", cases), "}", ""]

    def _bindings(self) -> list[str]:
        cases = []
        for n, binding in enumerate(self.design.bindings):
            when = f"{self.design.modes[binding.mode].name}: {binding.gesture} {self.design.keys[binding.key].name}"
            cases.append((f"{n + 1}: /* {comment(when)} */", [self.facts.run(binding.action)]))
        return ["void ctl_run_binding(ctl_choice_t binding)", "{", *(self._switch("binding", cases) or ["    (void)binding;"]), "}", ""]

    def _power_on(self) -> list[str]:
        cases = [(f"{binding.mask}:", [self.facts.run(binding.action)]) for binding in self.design.power_on]
        always = [f"    {self.facts.run(self.design.every_power_on)}"] if self.design.every_power_on else []
        return ["void ctl_run_power_on(ctl_switches_t down)", "{", *(self._switch("down", cases) or ["    (void)down;"]), *always, "}", ""]

    def _timers(self) -> list[str]:
        cases = []
        for name, mode in zip(self.facts.mode_names, self.design.modes, strict=True):
            for n, timer in enumerate(mode.timers):
                cases.append((f"{name} * CTL_TIMERS + {n}:", [self.facts.run(timer.action)]))
        body = self._switch("mode * CTL_TIMERS + timer", cases)
        return ["void ctl_run_timer(uint8_t mode, uint8_t timer)", "{", *body, "}", ""]

    def _responses(self) -> list[str]:
        """What moves and messages do; the values of a message are locals from 0 on."""
        slots = range(max(response.values for response in self.design.responses))
        data = CodeWriter(self.facts, dict.fromkeys(slots, "int16_t"), {slot: f"values[{slot}]" for slot in slots}, frozenset())
        cases = []
        for n, response in enumerate(self.design.responses):
            types = self.facts.local_types[response.procedure]
            arguments = [data.value(argument, types[slot]) for slot, argument in enumerate(response.arguments)]
            label = f"{n}: /* {self.place(response.place)} */"
            cases.append((label, [f"{self.facts.call(response.procedure, arguments)};"]))
        read = " ".join(line for _, lines in cases for line in lines)
        body = [] if "values[" in read else ["    (void)values;"]
        heading = "void ctl_run_response(uint16_t response, const int16_t values[])"
        return [heading, "{", *body, *self._switch("response", cases), "}", ""]

    def _conditions(self) -> list[str]:
        bodies = []
        for mode in self.design.modes:
            body: list[str] = []
            for n, condition in enumerate(mode.conditions):
                negated = next((m for m in range(n) if _is_negation(mode.conditions[m], condition)), None)
                text = self.plain.condition(condition) if negated is None else f"!(holds & 0x{1 << negated:X}u)"
                body += [f"if ({text}) {{", f"    holds |= 0x{1 << n:X}u;", "}"]
            bodies.append(body)
        cases = [(f"{name}:", body) for name, body in zip(self.facts.mode_names, bodies, strict=True)]
        start = ["ctl_conditions_t ctl_read_conditions(void)", "{", "    ctl_conditions_t holds = 0;"]
        return [*start, *self._switch("ctl.mode", cases), "    return holds;", "}", ""]

    def _eager(self) -> list[str]:
        eager = [f"    case {n + 1}:" for n, binding in enumerate(self.design.bindings) if binding.eager]
        body = ["    switch (binding) {", *eager, "        return true;", "    default:", "        return false;", "    }"]
        return ["bool ctl_is_eager(ctl_choice_t binding)", "{", *body, "}", ""]

    def _leds(self) -> list[str]:
        bodies = []
        for mode in self.design.modes:
            first: dict[str, str] = {}
            body = []
            for name, led in zip(self.facts.led_names, mode.leds, strict=True):
                value = self.plain.value(led, "uint8_t")
                # Computed once, where several LEDs show the same.
                body.append(f"values[{name}] = {value if value.isdigit() else first.get(value, value)};")
                first.setdefault(value, f"values[{name}]")
            bodies.append(body)
        cases = [(f"{name}:", body) for name, body in zip(self.facts.mode_names, bodies, strict=True)]
        dark = ["    for (uint8_t led = 0; led < CTL_LEDS; led++) {", "        values[led] = 0;", "    }"]
        return ["void ctl_read_leds(uint8_t values[])", "{", *dark, *self._switch("ctl.mode", cases), "}", ""]

    def host(self) -> list[str]:
        """What only a host asks for: the cells as plain numbers, in the order of the design."""
        facts = self.facts
        lines = ["#ifdef CTL_HOST", "void host_list_cells(int32_t *values)", "{", "    int32_t *next = values;"]
        for n, cell in enumerate(self.design.cells):
            if n in facts.constant_cells:
                lines += [f"    *next++ = {number(value)};" for value in cell.start_values]
            else:
                lines += self._each(n, f"    *next++ = {self._held(n)};")
        lines += ["    (void)next;", "}", ""]
        kept = [n for n, cell in enumerate(self.design.cells) if cell.keep]
        lines += ["void host_list_kept(int32_t *values)", "{"]
        lines += [line for n in kept for line in self._each(n, f"    *values++ = {self._held(n)};")]
        lines += ["    (void)values;", "}", "", "void host_set_kept(const int32_t *values)", "{"]
        for n in kept:
            kind, zero = facts.cell_types[n], facts.cell_zeros[n]
            value = f"({plus('*values++', -zero)})" if zero else "*values++"
            lines += self._each(n, f"    cells.{{}} = ({kind}){value};")
        return [*lines, "    (void)values;", "}", "", "#endif"]

    def _held(self, cell: int) -> str:
        zero = self.facts.cell_zeros[cell]
        return plus("(int32_t)cells.{}", zero) if zero else "cells.{}"

    def _each(self, cell: int, line: str) -> list[str]:
        name, declared = self.facts.cell_names[cell], self.design.cells[cell]
        if not declared.shape:
            return [line.format(name)]
        return [f"    for (uint16_t i = 0; i < {declared.size}; i++) {{", f"    {line.format(f'{name}[i]')}", "    }"]
