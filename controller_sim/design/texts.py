"""Texts with `{expression:02}` fields -> the intermediate form, and how wide they can get."""

from __future__ import annotations

import ast
import re

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.expressions import ExpressionCompiler
from controller_sim.design.form import Place
from controller_sim.design.parsing import FORM_TEXTS, MAX_TEXT, parse_value
from controller_sim.design.program import CellValue, Constant, Field, Text
from controller_sim.design.scope import FormField

MAX_WIDTH = 40
"""How wide a field may be asked to be: as wide as the widest display."""

_PLAIN_NAME = re.compile(r"\{\s*([a-z_]+)\s*[:}]")
_FORMAT = re.compile(r"(0?)([1-9][0-9]?)")


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
    value = compiler.finish(node, CellValue(declared.low, declared.high, cell, index))
    if field.shown is not None:
        offset = field.shown.numbers_from
        value = compiler.finish(node, compiler.binary("+", value, Constant(offset, offset)))
    compiler.source = outside
    return Field(value, width, fill, () if field.shown else declared.names)


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
    names = compiler.scope.cells[value.cell].names if bare and isinstance(value, CellValue) else ()
    if names and colon:
        raise DesignError("a width is for numbers, and this shows a name", _place(source, start + len(inner)))
    return Field(value, width, fill, names)


def text_width(text: Text) -> int:
    """The longest width of a text, in characters."""
    return sum(len(part) if isinstance(part, str) else _field_width(part) for part in text.parts)


def _field_width(field: Field) -> int:
    low, high = field.expression.low, field.expression.high
    if field.names:
        return max(len(name) for name in field.names[low : high + 1])
    return max(field.width, _digits(low), _digits(high))


def _digits(value: int) -> int:
    return len(str(value))
