"""What the display and the LEDs show in a mode."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from collections.abc import Mapping as AnyMapping

from controller_sim.design.actions import compile_condition, compile_expression, compile_text
from controller_sim.design.errors import DesignError, Source
from controller_sim.design.expressions import ExpressionCompiler
from controller_sim.design.form import LED_LEVELS, Place, View
from controller_sim.design.keys import parse_group
from controller_sim.design.layout import Layout
from controller_sim.design.nodes import mapping, scalar
from controller_sim.design.program import CellValue, Choice, Compare, Constant, Expression, Logic, Text
from controller_sim.design.scope import Form, FormField, Lamp, Scope
from controller_sim.design.texts import MAX_VERSIONS, all_of, form_value, names_form, text_width, versions
from controller_sim.design.yaml_text import Node, Scalar
from controller_sim.design.yaml_text import Sequence as ListNode

MAX_VIEWS = 32


def read_views(scope: Scope, layout: Layout, node: Node | None) -> tuple[View, ...]:
    """`display` of a mode: a text, or a list of texts and {when, text}; without it, its form. Raises DesignError."""
    if node is None:
        return tuple(_form_views(scope, layout, scope.mode_form)) if scope.mode_form and layout.display_lines else ()
    if not layout.display_lines:
        raise DesignError("the design has no display: declare one, for example 'display: {characters: 6}'", node.place)
    nodes = node.items if isinstance(node, ListNode) else (node,)
    if len(nodes) > MAX_VIEWS:
        raise DesignError(f"the display has {len(nodes)} views, but at most {MAX_VIEWS} are allowed", node.place)
    views: list[View] = []
    last: Place | None = None
    failing: list[Expression] = []
    for each in nodes:
        if last is not None:
            raise DesignError("this is never shown: the view before it always is", each.place, (("that view is here", last),))
        condition, text_node = _view_parts(scope, each)
        holding = () if condition is None else (condition,)
        if scope.mode_form is not None and _names_form(text_node):
            views.extend(_views_of_fields(scope, layout, scope.mode_form, text_node, holding, failing))
        else:
            views.extend(_written_out(_lines(scope, layout, text_node, holding, failing), holding, text_node.place))
        if condition is None:
            last = each.place
        else:
            failing.append(condition)
    return tuple(views)


def _written_out(lines: Sequence[Text], holding: Sequence[Expression], place: Place) -> Iterator[View]:
    """A view as one or more, because single values can have texts of their own; it is shown while all of `holding` hold."""
    for count, (condition, texts) in enumerate(versions(lines)):
        if count == MAX_VERSIONS:
            raise DesignError(f"this can look in more than {MAX_VERSIONS} ways, by the texts of its values", place)
        yield View(all_of((*holding, condition)), texts)


def _names_form(node: Node) -> bool:
    nodes = node.items if isinstance(node, ListNode) else (node,)
    return any(isinstance(each, Scalar) and names_form(each.text) for each in nodes)


def _views_of_fields(
    scope: Scope, layout: Layout, form: Form, node: Node, holding: Sequence[Expression], failing: Sequence[Expression]
) -> Iterator[View]:
    """A view that shows the field at hand is one view for each field."""
    for number, field in enumerate(form.fields):
        at_hand = ExpressionCompiler(scope, field.cell, {}).at_field(form, number)
        lines = _lines(scope, layout, node, (*holding, at_hand), failing, field)
        yield from _written_out(lines, (*holding, at_hand), node.place)


def _form_views(scope: Scope, layout: Layout, form: Form) -> Iterator[View]:
    """Of one line: the label while it shows, then the value, after its label where both fit. Of more: the label, and below it the value."""
    for number, field in enumerate(form.fields):
        compiler = ExpressionCompiler(scope, field.cell, {})
        at_hand = compiler.at_field(form, number)
        compiler.state.assume(at_hand, True)
        label, value = Text((field.label,)), Text((form_value(compiler, field),))
        both = Text((f"{field.label} ", *value.parts))
        if text_width(value) > layout.display_characters:
            message = f"the value can be {text_width(value)} characters long, but the display has {layout.display_characters}"
            raise DesignError(message, field.cell.place(0, 0))
        if layout.display_lines > 1:
            lines = [label, value]
        else:
            yield View(Logic(0, 1, "and", at_hand, CellValue(0, 1, form.label_shown, None)), (label,))
            lines = [both if text_width(both) <= layout.display_characters else value]
        yield from _written_out(lines, (at_hand,), field.cell.place(0, 0))


def _view_parts(scope: Scope, node: Node) -> tuple[Expression | None, Node]:
    if isinstance(node, Scalar):
        return None, node
    whole = mapping(node, "a view", ("when", "text"))
    if (text := whole.get("text")) is None:
        raise DesignError("a view needs a 'text'", node.place)
    when = whole.get("when")
    return compile_condition(scope, scalar(when, "a condition").source(), {}) if when else None, text


def _lines(
    scope: Scope,
    layout: Layout,
    node: Node,
    holding: Sequence[Expression],
    failing: Sequence[Expression],
    at_hand: FormField | None = None,
) -> tuple[Text, ...]:
    nodes = node.items if isinstance(node, ListNode) else (node,)
    if len(nodes) > layout.display_lines:
        count = f"{layout.display_lines} line" + ("s" if layout.display_lines > 1 else "")
        raise DesignError(f"the text has {len(nodes)} lines, but the display has {count}", node.place)
    lines = []
    for each in nodes:
        if not isinstance(each, Scalar):
            raise DesignError("a line of the display is a text", each.place)
        text = compile_text(scope, each.source(), {}, holding, failing, at_hand)
        if text_width(text) > layout.display_characters:
            where = f" at the field '{at_hand.label}'" if at_hand else ""
            message = f"the text can be {text_width(text)} characters long{where}, but the display has {layout.display_characters}"
            raise DesignError(message, each.place)
        lines.append(text)
    return tuple(lines)


def read_leds(scope: Scope, node: Node | None) -> tuple[Expression, ...]:
    """`leds` of a mode -> one expression for each LED: the first entry that speaks of it, else `other`, else off."""
    result: list[Expression] = [Constant(0, 0)] * len(scope.leds)
    if node is None:
        return tuple(result)
    entries: list[tuple[Scalar, Source]] = []
    for key, value in mapping(node, "leds").pairs:
        source = scalar(value, "the value of an LED").source()
        if key.text == "other":
            for led in range(len(result)):
                result[led] = _level(scope, source, led, {})
            if not result:
                raise DesignError("the design has no LEDs: declare them, for example 'leds: [a, b]'", key.place)
        else:
            entries.append((key, source))
    groups = [_led_group(scope, key) for key, _ in entries]
    _check_reached(scope, entries, groups)
    for (key, source), group in zip(reversed(entries), reversed(groups), strict=True):
        if group is None:
            _light_by_cell(scope, key, source, result)
        else:
            for position, led in enumerate(group):
                result[led] = _level(scope, source, led, {"position": position})
    return tuple(result)


def _constants(scope: Scope, led: int) -> dict[str, int]:
    name = list(scope.leds)[led]
    return {"switch": scope.switches[name]} if name in scope.switches else {}


def _led_group(scope: Scope, key: Scalar) -> tuple[int, ...] | None:
    """The LEDs of a key, or None when it is a cell that names one."""
    index = scope.cell_index(key.text)
    if index is None:
        known = {**scope.leds, **{cell.name: -1 for cell in scope.cells}, "other": -1}
        group = parse_group(key.source(), known, "LED")
        if -1 in group:
            raise DesignError("a memory cell or 'other' stands alone as the key of LEDs", key.place)
        return group
    cell = scope.cells[index]
    if cell.shape:
        raise DesignError(f"{cell.name} is an array: only a plain cell can name an LED", key.place)
    if not scope.leds or cell.high < 0 or cell.low >= len(scope.leds):
        message = f"{cell.name} is {cell.low}..{cell.high} and so never names one of the {len(scope.leds)} LEDs"
        raise DesignError(message, key.place)
    return None


def _check_reached(scope: Scope, entries: Sequence[tuple[Scalar, Source]], groups: Sequence[tuple[int, ...] | None]) -> None:
    taken: dict[int, Place] = {}
    for (key, _), group in zip(entries, groups, strict=True):
        if group is not None and all(led in taken for led in group):
            raise DesignError("this is never shown: its LEDs stand before", key.place, (("the first is here", taken[group[0]]),))
        for led in group or ():
            taken.setdefault(led, key.place)


def _light_by_cell(scope: Scope, key: Scalar, source: Source, result: list[Expression]) -> None:
    index = scope.cell_index(key.text)
    assert index is not None
    cell = scope.cells[index]
    for led in range(max(cell.low, 0), min(cell.high + 1, len(result))):
        chosen = Compare(0, 1, "==", CellValue(cell.low, cell.high, index, None), Constant(led, led))
        value = _level(scope, source, led, {}, (chosen,))
        otherwise = result[led]
        result[led] = Choice(min(value.low, otherwise.low), max(value.high, otherwise.high), chosen, value, otherwise)


def _level(scope: Scope, source: Source, led: int, constants: AnyMapping[str, int], holding: Sequence[Expression] = ()) -> Expression:
    lamp = Lamp(list(scope.leds)[led], scope.led_colours[led] if scope.led_colours else ())
    value = compile_expression(scope, source, {**_constants(scope, led), **constants}, holding, lamp=lamp)
    highest = 4 * max(len(lamp.colours), 1) - 1
    if value.low < 0 or value.high > highest:
        span = str(value.low) if value.low == value.high else f"{value.low}..{value.high}"
        takes = ", ".join((*LED_LEVELS, *lamp.colours))
        raise DesignError(f"the LED's value is {span}, but an LED takes 0..{highest} ({takes})", source.place(0, 0))
    return value
