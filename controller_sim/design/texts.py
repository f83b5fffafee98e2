"""Texts with `{expression:02}` fields -> the intermediate form, and how wide they can get."""

from __future__ import annotations

import ast
import re

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.expressions import ExpressionCompiler
from controller_sim.design.form import CellValue, Field, Place, Text
from controller_sim.design.parsing import MAX_TEXT, parse_value

MAX_WIDTH = 40
"""How wide a field may be asked to be: as wide as the widest display."""

_FORMAT = re.compile(r"(0?)([1-9][0-9]?)")


def text_with(compiler: ExpressionCompiler, source: Source) -> Text:
    """The text of `source`, its fields compiled under what `compiler` knows."""
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
            parts.append(_field(compiler, source, at + 1, end))
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


def _field(compiler: ExpressionCompiler, source: Source, start: int, end: int) -> Field:
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
