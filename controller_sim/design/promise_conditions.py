"""The conditions of promises: expressions that may ask besides for what can be seen from outside, and for how things were."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from itertools import takewhile

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.expressions import ExpressionCompiler
from controller_sim.design.intervals import State
from controller_sim.design.keys import nearest
from controller_sim.design.parsing import cited
from controller_sim.design.program import Choice, Constant, Down, Expression, Field, Lit, Local, Reading, Shows, Text, Unary, Was
from controller_sim.design.scope import Form, Lamp, Scope
from controller_sim.design.texts import MAX_VERSIONS, text_with, versions

DISPLAY, MODE, NOTICE_SHOWN, SWITCH = "display", "mode", "notice_shown", "switch"
READ_BEFORE = "'was' has no meaning here: this is read as things were before that instant already"
FIELD = "field"


class PromiseCompiler(ExpressionCompiler):
    """Compiles them. `forms` are those of the design by their modes, `display` how many lines the display has (0: there is none)."""

    def __init__(self, scope: Scope, source: Source, forms: Mapping[int, Form], display: int) -> None:
        super().__init__(scope, source, {})
        self.forms = forms
        self.display = display
        self.drafted = scope.drafted
        self.no_was = ""
        """Why it cannot be asked here how things were; empty: it can."""

    def _declared(self, name: str) -> bool:
        scope = self.scope
        return name in self.slots or scope.cell_index(name) is not None or scope.pedal_index(name) is not None

    def _free(self, name: str) -> bool:
        return not self._declared(name) and name not in (*self.scope.switches, *self.scope.value_names)

    def _name(self, node: ast.Name) -> Expression:
        if not self._declared(node.id) and node.id in self.scope.modes:
            mode = self.scope.modes[node.id]
            return Constant(mode, mode)
        if node.id in (MODE, NOTICE_SHOWN) and self._free(node.id):
            return self._reading(node, node.id)
        if self._is_display(node):
            raise self.error(node, 'the display shows a text: compare it with one, for example display == "act {act + 1}"')
        return super()._name(node)

    def _reading(self, node: ast.expr, name: str) -> Expression:
        return self.finish(node, Reading(0, len(self.scope.modes) - 1 if name == MODE else 1, name))

    def _unknown(self, node: ast.Name) -> DesignError:
        hint = nearest(node.id, (*self.scope.modes, DISPLAY, MODE, NOTICE_SHOWN))
        return self.error(node, f"unknown name '{node.id}'{hint}") if hint else super()._unknown(node)

    def _function(self, node: ast.Call) -> Expression:
        if isinstance(node.func, ast.Name) and node.func.id == "led":
            return self._led(node)
        if isinstance(node.func, ast.Name) and node.func.id == "was":
            return self._was(node)
        if isinstance(node.func, ast.Name) and node.func.id == "down":
            return self._down(node)
        return super()._function(node)

    def _was(self, node: ast.Call) -> Expression:
        asked = self.arguments(node, ("value",))["value"]
        if self.no_was:
            raise self.error(node, self.no_was)
        outside, self.state = self.state, State(dict(self.state.locals))
        self.no_was = "'was' inside 'was': only the instant before is known"
        try:
            value = self.value(asked)
        finally:
            self.state, self.no_was = outside, ""
        return value if isinstance(value, Constant | Local) else self.finish(node, Was(value.low, value.high, value))

    def _down(self, node: ast.Call) -> Expression:
        asked = self.arguments(node, ("switch",))["switch"]
        named = isinstance(asked, ast.Name) and (asked.id in self.scope.switches or (asked.id == SWITCH and SWITCH in self.slots))
        if not named:
            hint = nearest(asked.id, self.scope.switches) if isinstance(asked, ast.Name) else ""
            raise self.error(asked, f"there is no switch '{cited(asked)}'{hint}")
        return self.finish(node, Down(0, 1, self.value(asked)))

    def _comparison(self, node: ast.Compare) -> Expression:
        """What the display shows, or numbers; an LED's colours mean something beside it."""
        sides = (node.left, *node.comparators)
        if any(self._is_display(each) for each in sides):
            return self._shows(node)
        leds = [led for each in sides for led in self._leds_in(each)]
        if not leds:
            return super()._comparison(node)
        outside, self.lamp = self.lamp, self._lamp(leds)
        try:
            return super()._comparison(node)
        finally:
            self.lamp = outside

    def _is_display(self, node: ast.expr) -> bool:
        if isinstance(node, ast.Subscript):
            node = node.value
        return isinstance(node, ast.Name) and node.id == DISPLAY and self._free(DISPLAY)

    def _shows(self, node: ast.Compare) -> Expression:
        """`display == "..."`, `display[line] == "..."`, `"..." in display`, and their negations."""
        operator, (left, right) = node.ops[0], (node.left, node.comparators[0])
        if len(node.ops) > 1 or not isinstance(operator, ast.Eq | ast.NotEq | ast.In | ast.NotIn):
            raise self.error(node, "the display is compared with one text, by ==, != or 'in'")
        if not self.display:
            raise self.error(node, "the design has no display: declare one, for example 'display: {characters: 6}'")
        inside = isinstance(operator, ast.In | ast.NotIn)
        shown, text = (left, right) if self._is_display(left) and not inside else (right, left)
        if not self._is_display(shown):
            raise self.error(node, 'write the text first: "act" in display')
        if not isinstance(text, ast.Constant) or not isinstance(text.value, str):
            raise self.error(text, f'a text belongs here, for example "act {{act + 1}}", not {cited(text)}')
        value = self._text(text, text.value, self._line(shown, inside), inside)
        return value if isinstance(operator, ast.Eq | ast.In) else Unary(0, 1, "not", value)

    def _line(self, node: ast.expr, inside: bool) -> int | None:
        if isinstance(node, ast.Subscript):
            return self.constant(node.slice, 0, self.display - 1, "a line of the display")
        if self.display > 1 and not inside:
            raise self.error(node, f"the display has {self.display} lines: say which, display[0] to display[{self.display - 1}]")
        return None

    def _text(self, node: ast.Constant, text: str, line: int | None, inside: bool) -> Expression:
        place = self.place(node)
        source = Source(text, (self.source.place(node.lineno, node.col_offset + 1),))
        value: Expression | None = None
        found = list(zip(range(MAX_VERSIONS + 1), versions((text_with(self, source),)), strict=False))
        if len(found) > MAX_VERSIONS:
            raise DesignError(f"this can look in more than {MAX_VERSIONS} ways, by the texts of its values", place)
        room = self.scope.display_characters
        for _, (condition, (one,)) in reversed(found):
            if room is not None and condition is None and len(found) == 1 and _shortest(one) > room:
                raise DesignError(f"the text is {_shortest(one)} characters long, but the display has {room}: it never shows it", place)
            shows = Shows(0, 1, line, one, inside)
            value = shows if condition is None or value is None else Choice(0, 1, condition, shows, value)
        assert value is not None
        return value

    def _led(self, node: ast.Call) -> Expression:
        """`led(NAME)`, `led(switch)` for the LED of that name, or the LED with an index."""
        asked = self.arguments(node, ("led",))["led"]
        leds = self._choices(asked)
        if len(leds) == 1:
            return self._lit(node, leds[0][1])
        index = self.value(asked)
        value = self._lit(node, leds[-1][1])
        for at, led in reversed(leds[:-1]):
            lit = self._lit(node, led)
            condition = self._compare("==", index, Constant(at, at))
            value = Choice(min(lit.low, value.low), max(lit.high, value.high), condition, lit, value)
        return value

    def _lit(self, node: ast.expr, led: int) -> Expression:
        return self.finish(node, Lit(0, 4 * max(len(self._colours(led)), 1) - 1, led))

    def _choices(self, node: ast.expr) -> list[tuple[int, int]]:
        """The LEDs that an argument of `led` may name, each with the number that means it."""
        names = list(self.scope.leds)
        if isinstance(node, ast.Name) and node.id in names:
            return [(0, self.scope.leds[node.id])]
        if isinstance(node, ast.Name) and self._free(node.id):
            raise self.error(node, f"there is no LED '{node.id}'{nearest(node.id, names)}")
        if isinstance(node, ast.Name) and node.id == SWITCH and SWITCH in self.slots:
            return list(self._lamps_of_switches(node))
        value = self.value(node)
        self.prove(node, value, 0, len(names) - 1, "the LED", "led")
        return [(at, at) for at in range(value.low, value.high + 1)]

    def _lamps_of_switches(self, node: ast.Name) -> Iterator[tuple[int, int]]:
        value = self.value(node)
        for name, switch in self.scope.switches.items():
            if value.low <= switch <= value.high:
                if name not in self.scope.leds:
                    raise self.error(node, f"the switch {name} has no LED of its name")
                yield switch, self.scope.leds[name]

    def _leds_in(self, node: ast.expr) -> list[int]:
        """The LEDs whose values one side of a comparison may be; empty if it is no LED's value."""
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            if node.func.id == "was" and len(node.args) == 1:
                return self._leds_in(node.args[0])
            if node.func.id == "led":
                return [led for _, led in self._choices(self.arguments(node, ("led",))["led"])]
        return []

    def _colours(self, led: int) -> tuple[str, ...]:
        return self.scope.led_colours[led] if self.scope.led_colours else ()

    def _lamp(self, leds: list[int]) -> Lamp:
        """What LEDs that may stand in one place have in common."""
        names = list(self.scope.leds)
        alike = takewhile(lambda colours: len(set(colours)) == 1, zip(*(self._colours(led) for led in leds), strict=False))
        return Lamp(" or ".join(dict.fromkeys(names[led] for led in leds)), tuple(colours[0] for colours in alike))

    def _changed(self, node: ast.Call) -> Expression:
        """Of the field at hand: in whichever mode with a form this is."""
        asked = self.arguments(node, (), ("cell",)).get("cell")
        if not (isinstance(asked, ast.Name) and asked.id == FIELD and self.forms):
            return super()._changed(node)
        value: Expression = Constant(0, 0)
        for mode, form in self.forms.items():
            here = self._compare("==", self._reading(node, MODE), Constant(mode, mode))
            with self.knowing(here, True) as state:
                changed = Constant(0, 0) if state.dead else self._field_changed_in(node, form)
            value = self.logic("or", value, self.logic("and", here, changed))
        return value

    def _field_changed_in(self, node: ast.Call, form: Form) -> Expression:
        """False for a form of which nothing is drafted."""
        cells = {self.field_element(field)[0] for field in form.fields}
        return self._field_changed(node, form) if cells & self.drafted else Constant(0, 0)

    def _changed_element(self, node: ast.expr, cell: int, index: Expression | None) -> Expression:
        if cell not in self.drafted:
            raise self.error(node, f"no mode drafts {self.scope.cells[cell].name}, so this is never true")
        return super()._changed_element(node, cell, index)


def _shortest(text: Text) -> int:
    """How few characters a text can have."""
    return sum(len(part) if isinstance(part, str) else _narrowest(part) for part in text.parts)


def _narrowest(field: Field) -> int:
    return min(map(len, field.names)) if field.names else max(field.width, 1)
