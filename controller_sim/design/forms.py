"""Forms: the lists of fields that a mode edits on the device, written out into cells, conditions and procedures."""

from __future__ import annotations

from collections.abc import Mapping as AnyMapping

from controller_sim.design.actions import MAX_FORM_STEP, ActionCompiler
from controller_sim.design.cells import MAX_ELEMENTS, WORD_HIGH, WORD_LOW
from controller_sim.design.errors import DesignError
from controller_sim.design.form import Cell, Device, Place, Procedure
from controller_sim.design.keys import nearest, parse_range
from controller_sim.design.layout import Layout
from controller_sim.design.nodes import choice, items, mapping, scalar
from controller_sim.design.parsing import parse_statements, parse_value
from controller_sim.design.program import CellValue, Compare, Constant, If, Local, SetCell, SetLocal, Statement
from controller_sim.design.scope import IN_THEN, Form, FormField, Scope
from controller_sim.design.yaml_text import Node

MAX_FIELDS = 32
FIELD, LABEL_SHOWN = "field", "label_shown"
_STEP, _VALUE = "the step", "the value"
"""Names of the parameter and of a local that no action can write."""


def read_fields(layout: Layout, node: Node) -> tuple[FormField, ...]:
    """`form` of a mode. Raises DesignError."""
    nodes = items(node, "form")
    if not 1 <= len(nodes) <= MAX_FIELDS:
        raise DesignError(f"the form has {len(nodes)} fields, but must have 1..{MAX_FIELDS}", node.place)
    devices = {device.name: device for device in layout.devices}
    return tuple(_field(layout, devices, each) for each in nodes)


def _field(layout: Layout, devices: AnyMapping[str, Device], node: Node) -> FormField:
    whole = mapping(node, "a field", ("label", "cell", "shown", "range", "ends", "then"))
    label, cell = whole.get("label"), whole.get("cell")
    if label is None or cell is None:
        raise DesignError("a field needs a 'label' and a 'cell', for example {label: cue, cell: 'cue[act, slot]'}", node.place)
    label = scalar(label, "label")
    if not label.text.isprintable():
        raise DesignError("a label is one line of text", label.place)
    if layout.display_characters and len(label.text) > layout.display_characters:
        raise DesignError(f"the label has {len(label.text)} characters, but the display has {layout.display_characters}", label.place)
    shown, span, then = whole.get("shown"), whole.get("range"), whole.get("then")
    return FormField(
        label=label.text,
        cell=scalar(cell, "cell").source(),
        shown=_device(devices, shown) if shown else None,
        range=_range(devices, span) if span else None,
        range_place=span.place if span else None,
        ends=choice(ends, "ends", ("wrap", "clamp")) if (ends := whole.get("ends")) else None,
        then=scalar(then, "an action").source() if then else None,
    )


def _device(devices: AnyMapping[str, Device], node: Node) -> Device:
    name = scalar(node, "the name of a device")
    if name.text not in devices:
        raise DesignError(f"there is no device '{name.text}'{nearest(name.text, devices)}", name.place)
    return devices[name.text]


def _range(devices: AnyMapping[str, Device], node: Node) -> tuple[int, int]:
    """`lo..hi`, or the name of a device for the programs that it takes."""
    value = scalar(node, "range")
    if ".." in value.text:
        return parse_range(value.source(), WORD_LOW, WORD_HIGH)
    programs = _device(devices, node).programs
    if programs is None:
        raise DesignError(f"{value.text} declares no programs: write the range itself, lo..hi", node.place)
    return programs


def add_form_cells(layout: Layout, place: Place, fields: int) -> tuple[int, int]:
    """The cells that all forms share: the field at hand, and whether its label shows; `fields` is the most that a form has."""
    offset = sum(cell.size for cell in layout.cells)
    if offset + 2 > MAX_ELEMENTS:
        raise DesignError(f"the memory holds at most {MAX_ELEMENTS} elements, of which forms need 2", place)
    for name, high in ((FIELD, fields - 1), (LABEL_SHOWN, 1)):
        if name in layout.places:
            kind, taken = layout.places[name]
            related = (("a form stands here", place),)
            raise DesignError(f"'{name}' cannot name a {kind}: forms have a memory cell of that name", taken, related)
        if name in layout.leds or name in layout.value_names:
            raise DesignError(f"forms have a memory cell '{name}', and so no LED and no value can have this name", place)
        layout.places[name] = ("memory cell of the forms", place)
        layout.cells += (Cell(name, 0, high, 0, (), "proved", False, (), offset, place),)
        offset += 1
    return len(layout.cells) - 2, len(layout.cells) - 1


def entering(form: Form) -> tuple[Statement, ...]:
    """What a mode with a form does before its own enter action: the first field, with its label."""
    return SetCell(form.index, None, Constant(0, 0)), SetCell(form.label_shown, None, Constant(1, 1))


def label_gone(form: Form, place: Place) -> Procedure:
    """What the timer of the label runs."""
    return Procedure(f"{form.mode}: label", 0, 0, (SetCell(form.label_shown, None, Constant(0, 0)),), place)


def compile_form_value(scope: Scope, form: Form, place: Place, *, has_draft: bool) -> Procedure:
    """The procedure behind `form_value(step)`. Raises DesignError for a field that cannot be edited so."""
    compiler = ActionCompiler(scope, form.fields[0].cell, {})
    compiler.may_enter, compiler.has_draft, compiler.drafted = True, has_draft, scope.drafted
    compiler.form, compiler.no_form = None, IN_THEN
    compiler.slots.update({_STEP: 0, _VALUE: 1})
    compiler.state.locals[0] = (-MAX_FORM_STEP, MAX_FORM_STEP)
    compiler.state.set_cell(form.label_shown, None, (0, 0))
    before = compiler.state
    branches = []
    for number, field in enumerate(form.fields):
        compiler.state = before.copy()
        at_hand = compiler.at_field(form, number)
        compiler.state.assume(at_hand, True)
        branches.append((at_hand, _change(compiler, field)))
    body = branches[-1][1]
    for at_hand, statements in reversed(branches[:-1]):
        body = (If(at_hand, statements, body),)
    return Procedure(f"{form.mode}: form_value", 1, len(compiler.slots), (SetCell(form.label_shown, None, Constant(0, 0)), *body), place)


def _change(compiler: ActionCompiler, field: FormField) -> tuple[Statement, ...]:
    cell, index = compiler.field_element(field)
    declared = compiler.scope.cells[cell]
    low, high = field.range or (declared.low, declared.high)
    if low < declared.low or high > declared.high:
        assert field.range_place is not None
        raise DesignError(f"the range {low}..{high} leaves that of {declared.name}, {declared.low}..{declared.high}", field.range_place)
    compiler.source = field.cell
    node = parse_value(field.cell)
    now = compiler.finish(node, CellValue(declared.low, declared.high, cell, index))
    value = compiler.finish(node, compiler.binary("+", now, Local(-MAX_FORM_STEP, MAX_FORM_STEP, 0)))
    ends = field.ends or ("wrap" if declared.ends == "wrap" else "clamp")
    if ends == "wrap":
        from_low = compiler.finish(node, compiler.binary("-", value, Constant(low, low)))
        size = high - low + 1
        value = compiler.binary("+", compiler.binary("%", from_low, Constant(size, size)), Constant(low, low))
    else:
        value = compiler.binary("max", compiler.binary("min", value, Constant(high, high)), Constant(low, low))
    compiler.state.set_cell(cell, index, (low, high))
    stored = Local(value.low, value.high, 1)
    changed = (SetCell(cell, index, stored), *_then(compiler, field))
    return SetLocal(1, value), If(Compare(0, 1, "!=", now, stored), changed, ())


def _then(compiler: ActionCompiler, field: FormField) -> list[Statement]:
    if field.then is None:
        return []
    compiler.source = field.then
    body = parse_statements(field.then)
    compiler.find_locals(body)
    return compiler.block(body)
