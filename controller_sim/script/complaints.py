"""What to say when a script does not follow the grammar."""

from __future__ import annotations

import difflib
import re

from lark.exceptions import UnexpectedInput

from controller_sim.script.patterns import STATUSES
from controller_sim.script.syntax import ScriptError

_PHRASES = {
    "DURATION": "a duration such as 60ms",
    "CLOCK_TIME": "a time such as 1:02.5",
    "NAME": "a name",
    "INTEGER": "a number",
    "STRING": 'a text in "quotes"',
    "STATUS": "a message's bytes such as C9 05",
    "DATA": "two hexadecimal digits",
    "KIND": "a message such as program_change",
    "LEVEL": "off, on, blink or dim",
    "RUNNING": "running or stopped",
    "_END": "the end of the line",
    "PLUS": "`+`",
    "SLASH": "`/`",
    "COMMA": "`,`",
    "EQUAL": "`=`",
    "LSQB": "`[`",
    "RSQB": "`]`",
}
_WORD = re.compile(r"[A-Za-z0-9_.:]+|\S")


def explain(error: UnexpectedInput, text: str, file: str) -> ScriptError:
    """Turn the parser's complaint into one for the writer of the script."""
    lines = text.split("\n")
    line = error.line if error.line > 0 else len(lines)
    found = lines[line - 1].rstrip("\r") if line <= len(lines) else ""
    column = min(max(error.column, 1), len(found) + 1) if error.line > 0 else len(found) + 1
    names = getattr(error, "accepts", None) or getattr(error, "allowed", None) or getattr(error, "expected", None) or ()
    expected = {str(name) for name in names}
    match = _WORD.match(found, column - 1)
    word = match[0] if match and not found[column - 1 :].startswith("#") else ""
    return ScriptError(_message(word, expected, found[column - 1 :]), file, line, column, found)


def _message(word: str, expected: set[str], rest: str) -> str:
    what = f"{word!r} does not fit here" if word else "something is missing here"
    if word == '"' and "STRING" in expected:
        return f"the text is not closed: {rest.rstrip()}"
    keywords = sorted(name[1:].lower() for name in expected if name not in _PHRASES and name.startswith("_"))
    candidates = keywords + (list(STATUSES) if "KIND" in expected else [])
    nearest = difflib.get_close_matches(word.lower(), candidates, n=1, cutoff=0.6)
    if nearest:
        return f"{what}; did you mean {nearest[0]!r}?"
    phrases = [f"`{keyword}`" for keyword in keywords] + [_PHRASES[name] for name in sorted(expected) if name in _PHRASES]
    return f"{what}; expected {_listed(phrases)}" if phrases else what


def _listed(phrases: list[str]) -> str:
    return phrases[0] if len(phrases) == 1 else f"{', '.join(phrases[:-1])} or {phrases[-1]}"
