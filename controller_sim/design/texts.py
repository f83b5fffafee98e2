"""Texts with `{expression:02}` fields -> the intermediate form, and how wide they can get.

Where some values of a cell have texts of their own, a text is written out into several, each under its condition (`versions`).
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.expressions import ExpressionCompiler
from controller_sim.design.form import Place
from controller_sim.design.parsing import FORM_TEXTS, MAX_TEXT, parse_value
from controller_sim.design.program import CellValue, Compare, Constant, Expression, Field, Logic, Text
from controller_sim.design.scope import FormField

MAX_WIDTH = 40
"""How wide a field may be asked to be: as wide as the widest display."""

MAX_VERSIONS = 64
"""How many texts the texts for single values may come to in one place."""

_PLAIN_NAME = re.compile(r"\{\s*([a-z_]+)\s*[:}]")
_FORMAT = re.compile(r"(0?)([1-9][0-9]?)")


@dataclass(frozen=True, slots=True, kw_only=True)
class _WordedField(Field):
    """A field that shows a text of its own for some values of a cell. It never leaves this module but for `versions`."""

    value: Expression
    """The cell's value, from which the expression differs by a constant."""
    texts: tuple[tuple[int, str], ...]

    def possible(self) -> list[tuple[int, str]]:
        """The values that the cell can have here, of those that have a text."""
        return [(at, text) for at, text in self.texts if self.value.low <= at <= self.value.high]

    def of_numbers(self) -> Field | None:
        """The field where none of the texts is shown; None where that never is."""
        worded = {at for at, _ in self.texts}
        low, high = self.value.low, self.value.high
        while low <= high and low in worded:
            low += 1
        while high > low and high in worded:
            high -= 1
        if low > high:
            return None
        by = self.expression.low - self.value.low
        return Field(replace(self.expression, low=low + by, high=high + by), self.width, self.fill)


def text_with(compiler: ExpressionCompiler, source: Source, at_hand: FormField | None = None) -> Text:
    """The text of `source`, its fields compiled under what `compiler` knows; `at_hand` is the form's field that it may show."""
    text = source.text
    if len(text) > MAX_TEXT:
        raise DesignError(f"the text has {len(text)} characters, more than {MAX_TEXT}", source.place(0, 0))
    parts: list[str | Field] = []
    plain = ""
    at = 0
    while at < len(text):
        character = text[at]
        if text[at : at + 2] in ("{{", "}}"):
            plain += character
            at += 2
        elif character == "{":
            end = text.find("}", at)
            if end < 0:
                raise DesignError("'{' without '}'; a brace itself is written '{{'", _place(source, at))
            if plain:
                parts.append(plain)
            plain = ""
            parts.append(_part(compiler, source, at + 1, end, at_hand))
            at = end + 1
        elif character == "}":
            raise DesignError("'}' without '{'; a brace itself is written '}}'", _place(source, at))
        elif not character.isprintable():
            raise DesignError(f"the character U+{ord(character):04X} cannot be shown", _place(source, at))
        else:
            plain += character
            at += 1
    return Text((*parts, plain) if plain else tuple(parts))


def _place(source: Source, at: int) -> Place:
    before = source.text[:at].split("\n")
    return source.place(len(before) - 1, len(before[-1]))


def names_form(text: str) -> bool:
    """Whether a text shows something of the form's field at hand."""
    return any(match[1] in FORM_TEXTS for match in _PLAIN_NAME.finditer(text))


def form_value(compiler: ExpressionCompiler, field: FormField, width: int = 0, fill: str = " ") -> Field:
    """The value that a form's field edits, as a text shows it: with the device's count, or by its name."""
    cell, index = compiler.field_element(field)
    declared = compiler.scope.cells[cell]
    outside, compiler.source = compiler.source, field.cell
    node = parse_value(field.cell)
    value = now = compiler.finish(node, CellValue(declared.low, declared.high, cell, index))
    if field.shown is not None:
        offset = field.shown.numbers_from
        value = compiler.finish(node, compiler.binary("+", value, Constant(offset, offset)))
    compiler.source = outside
    return _field(value, width, fill, () if field.shown else declared.names, now, declared.texts)


def _field(
    shown: Expression, width: int, fill: str, names: tuple[str, ...], value: Expression, texts: tuple[tuple[int, str], ...]
) -> Field:
    return _WordedField(shown, width, fill, value=value, texts=texts) if texts else Field(shown, width, fill, names)


def versions(lines: Sequence[Text]) -> Iterator[tuple[Expression | None, tuple[Text, ...]]]:
    """The same lines without texts for single values: (condition or None, lines), of which the first that holds counts."""
    for number, line in enumerate(lines):
        for place, part in enumerate(line.parts):
            if not isinstance(part, _WordedField):
                continue
            for condition, instead in _instead_of(part):
                text = Text((*line.parts[:place], instead, *line.parts[place + 1 :]))
                for other, rest in versions((*lines[:number], text, *lines[number + 1 :])):
                    yield all_of((condition, other)), rest
            return
    yield None, tuple(lines)


def all_of(conditions: Iterable[Expression | None]) -> Expression | None:
    """Truths joined by `and`, Nones left out; None for none."""
    whole: Expression | None = None
    for condition in conditions:
        if condition is not None:
            whole = condition if whole is None else Logic(0, 1, "and", whole, condition)
    return whole


def _instead_of(field: _WordedField) -> Iterator[tuple[Expression | None, str | Field]]:
    possible, numbers = field.possible(), field.of_numbers()
    for at, text in possible:
        last = numbers is None and at == possible[-1][0]
        yield None if last else Compare(0, 1, "==", field.value, Constant(at, at)), text.rjust(field.width)
    if numbers is not None:
        yield None, numbers


def _part(compiler: ExpressionCompiler, source: Source, start: int, end: int, at_hand: FormField | None) -> str | Field:
    inner, colon, form = source.text[start:end].partition(":")
    if "\n" in inner:
        raise DesignError("a field must stand in one line", _place(source, start))
    width, fill = 0, " "
    if colon:
        match = _FORMAT.fullmatch(form)
        if match is None or int(match[2]) > MAX_WIDTH:
            message = f"':{form}' is no width: write 1..{MAX_WIDTH}, with a leading 0 for zeros, for example ':02'"
            raise DesignError(message, _place(source, start + len(inner)))
        width, fill = int(match[2]), "0" if match[1] else " "
    name = inner.strip()
    if at_hand is not None and name in FORM_TEXTS:
        field = form_value(compiler, at_hand, width, fill) if name == "field_value" else None
        if colon and (field is None or field.names):
            message = f"a width is for numbers, and this shows {'a name' if field else 'a label'}, of the field '{at_hand.label}'"
            raise DesignError(message, _place(source, start + len(inner)))
        return field or at_hand.label
    outer = compiler.source
    compiler.source = Source(inner, (_place(source, start),))
    try:
        node = parse_value(compiler.source)
        value = compiler.value(node)
    finally:
        compiler.source = outer
    bare = isinstance(node, ast.Name | ast.Subscript)
    declared = compiler.scope.cells[value.cell] if bare and isinstance(value, CellValue) else None
    names, texts = (declared.names, declared.texts) if declared else ((), ())
    if names and colon:
        raise DesignError("a width is for numbers, and this shows a name", _place(source, start + len(inner)))
    return _field(value, width, fill, names, value, texts)


def text_width(text: Text) -> int:
    """The longest width of a text, in characters."""
    return sum(len(part) if isinstance(part, str) else _field_width(part) for part in text.parts)


def _field_width(field: Field) -> int:
    if isinstance(field, _WordedField):
        numbers = field.of_numbers()
        widths = [max(len(text), field.width) for _, text in field.possible()]
        return max([*widths, _field_width(numbers)] if numbers else widths)
    low, high = field.expression.low, field.expression.high
    if field.names:
        return max(len(name) for name in field.names[low : high + 1])
    return max(field.width, _digits(low), _digits(high))


def _digits(value: int) -> int:
    return len(str(value))
