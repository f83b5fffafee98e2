"""Reading the text of actions and expressions, and the words of the action language.

Python's own parser reads the text; nothing is ever run by Python.
"""

from __future__ import annotations

import ast
import difflib
import warnings
from collections.abc import Iterable

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import Place

MAX_DEPTH = 40
"""How deep expressions and statements may nest: engines and ports recurse over them."""
MAX_CHAIN = 32
"""How many operands one `and`, `or` or chain of comparisons may have; they become nested pairs."""
MAX_TEXT = 20_000
"""How many characters one action may have."""
CITED = 60
"""How many characters of an expression a message quotes."""

TRUTHS = {"true": 1, "false": 0, "True": 1, "False": 0}
MESSAGES = (
    "program_change",
    "control_change",
    "note_on",
    "note_off",
    "note",
    "polytouch",
    "aftertouch",
    "pitchwheel",
    "sysex",
    "start",
    "stop",
    "continue_",
    "reset",
    "tune_request",
    "active_sensing",
    "songpos",
    "song_select",
)
FORM_COMMANDS = ("form_next", "form_previous", "form_value")
FUNCTIONS = ("min", "max", "abs", "shown", "changed")
COMMANDS = (
    "enter",
    "notice",
    "tap_tempo",
    "clock_start",
    "clock_stop",
    "clock_toggle",
    "save",
    "cancel",
    "factory_values",
    "restart",
    "cancel_delayed",
    "panic",
    *FORM_COMMANDS,
)
READINGS = ("tempo", "clock_running")
FORM_TEXTS = ("field_label", "field_value")
"""What the display of a mode with a form can show of the field at hand."""
BUILT_IN = frozenset((*TRUTHS, *MESSAGES, *COMMANDS, *FUNCTIONS, *READINGS, *FORM_TEXTS, "switch", "position", "range"))

ARITHMETIC: dict[type[ast.operator], str] = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.FloorDiv: "//", ast.Mod: "%"}
COMPARISONS: dict[type[ast.cmpop], str] = {ast.Eq: "==", ast.NotEq: "!=", ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">="}
NOT_ARITHMETIC: dict[type[ast.operator], str] = {
    ast.Div: "'/' gives fractions: write '//'",
    ast.Pow: "'**' is not part of the action language: multiply instead",
    ast.MatMult: "'@' is not part of the action language",
    ast.LShift: "'<<' is not part of the action language: multiply by a power of two",
    ast.RShift: "'>>' is not part of the action language: use '//'",
    ast.BitAnd: "'&' is not part of the action language: use 'and', or '%'",
    ast.BitOr: "'|' is not part of the action language: use 'or'",
    ast.BitXor: "'^' is not part of the action language: use '!='",
}
NOT_COMPARISONS: dict[type[ast.cmpop], str] = {
    ast.Is: "'is' is not part of the action language: use '=='",
    ast.IsNot: "'is not' is not part of the action language: use '!='",
    ast.In: "'in' is not part of the action language: compare, for example '0 <= n <= 7'",
    ast.NotIn: "'not in' is not part of the action language: compare, for example 'n < 0 or n > 7'",
}
REFUSED: dict[type[ast.AST], str] = {
    ast.Lambda: "lambda",
    ast.Attribute: "a dotted name",
    ast.NamedExpr: "':='",
    ast.Starred: "'*' before a value",
    ast.JoinedStr: "an f-string",
    ast.ListComp: "a comprehension",
    ast.SetComp: "a comprehension",
    ast.DictComp: "a comprehension",
    ast.GeneratorExp: "a comprehension",
    ast.List: "a list",
    ast.Tuple: "a tuple",
    ast.Set: "a set",
    ast.Dict: "a dictionary",
    ast.Slice: "a slice",
    ast.Await: "'await'",
    ast.Yield: "'yield'",
    ast.YieldFrom: "'yield from'",
    ast.While: "'while' (use 'for i in range(...)')",
    ast.Import: "'import'",
    ast.ImportFrom: "'import'",
    ast.FunctionDef: "'def' (write a procedure under 'procedures')",
    ast.AsyncFunctionDef: "'async'",
    ast.ClassDef: "'class'",
    ast.Return: "'return'",
    ast.Break: "'break'",
    ast.Continue: "'continue'",
    ast.Delete: "'del'",
    ast.Assert: "'assert'",
    ast.Raise: "'raise'",
    ast.Try: "'try'",
    ast.TryStar: "'try'",
    ast.With: "'with'",
    ast.Global: "'global'",
    ast.Nonlocal: "'nonlocal'",
    ast.Match: "'match'",
    ast.AnnAssign: "a type annotation",
    ast.AsyncFor: "'async'",
    ast.AsyncWith: "'async'",
}


def parse_statements(source: Source) -> list[ast.stmt]:
    """The statements of an action's text."""
    tree = _parse(source, "exec")
    assert isinstance(tree, ast.Module)
    return tree.body


def parse_value(source: Source) -> ast.expr:
    """The one expression of a text."""
    tree = _parse(source, "eval")
    assert isinstance(tree, ast.Expression)
    return tree.body


def _parse(source: Source, mode: str) -> ast.AST:
    text = source.text
    if len(text) > MAX_TEXT:
        raise DesignError(f"the text has {len(text)} characters, more than {MAX_TEXT}", source.place(0, 0))
    if not text.strip():
        raise DesignError("an expression is missing here" if mode == "eval" else "an action is missing here", source.place(0, 0))
    for number, line in enumerate(text.split("\n")):
        for column, character in enumerate(line):
            if (ord(character) < 32 and character != "\t") or character in "\x7f\x85\u2028\u2029":
                raise DesignError(f"the character U+{ord(character):04X} cannot stand here", source.place(number, column))
    if mode == "eval":
        # In parentheses an expression may be broken over lines and begin with blanks.
        return _parse_text(source, f"({text}\n)", mode, 1)
    if "\n" not in text.strip("\n"):
        text = text.lstrip(" ")
    return _parse_text(source, text, mode, len(text) - len(source.text))


def _parse_text(source: Source, text: str, mode: str, shift: int) -> ast.AST:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            tree = ast.parse(text, mode=mode)
    except SyntaxError as error:
        line, column = _error_at(error, source, shift)
        message = "a number has too many digits" if "integer string conversion" in error.msg else f"this cannot be read: {error.msg}"
        raise DesignError(message, source.place(line, column)) from None
    except (RecursionError, MemoryError):
        raise DesignError("this is nested too deeply", source.place(0, 0)) from None
    except ValueError as error:
        raise DesignError(f"this cannot be read: {error}", source.place(0, 0)) from None
    if isinstance(tree, ast.Expression) and tree.body.col_offset == 0 and not isinstance(tree.body, ast.Tuple | ast.GeneratorExp):
        # The parenthesis put before the text was closed in its midst.
        raise DesignError("this cannot be read: unmatched ')'", source.place(0, 0))
    _settle_places(tree, text, shift)
    _check_depth(tree, source)
    return tree


def _error_at(error: SyntaxError, source: Source, shift: int) -> tuple[int, int]:
    lines = source.text.split("\n")
    line, column = max((error.lineno or 1) - 1, 0), max((error.offset or 1) - 1, 0)
    if line >= len(lines):
        return len(lines) - 1, len(lines[-1])
    if isinstance(error, IndentationError):
        return line, len(lines[line]) - len(lines[line].lstrip())
    return line, max(column - shift, 0) if line == 0 else column


def _settle_places(tree: ast.AST, text: str, shift: int) -> None:
    """Make line and column count characters of the source from 0 (Python counts bytes)."""
    lines = [line.encode() for line in text.split("\n")]
    for node in ast.walk(tree):
        if isinstance(node, ast.expr | ast.stmt | ast.keyword):
            line = node.lineno - 1
            column = len(lines[line][: node.col_offset].decode(errors="replace"))
            node.lineno, node.col_offset = line, max(column - shift, 0) if line == 0 else column


def _check_depth(tree: ast.AST, source: Source) -> None:
    waiting: list[tuple[ast.AST, int, Place]] = [(tree, 0, source.place(0, 0))]
    while waiting:
        node, depth, place = waiting.pop()
        if isinstance(node, ast.expr | ast.stmt):
            place = source.place(node.lineno, node.col_offset)
        if depth > MAX_DEPTH:
            raise DesignError(f"this is nested more than {MAX_DEPTH} deep: split it", place)
        waiting.extend((child, depth + 1, place) for child in ast.iter_child_nodes(node))


def cited(node: ast.AST) -> str:
    """An expression's text as a message quotes it."""
    text = ast.unparse(node)
    return text if len(text) <= CITED else text[: CITED - 3] + "..."


def span(low: int, high: int) -> str:
    return str(low) if low == high else f"{low}..{high}"


def nearest(name: str, known: Iterable[str]) -> str:
    """A suggestion, or nothing."""
    close = difflib.get_close_matches(name, sorted(known), 1)
    return f"; did you mean '{close[0]}'?" if close else ""
