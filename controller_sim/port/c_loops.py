"""How often the loops of C sources go round at most: by their own heads, or by what stands beside them.

`for (uint8_t i = 0; i < CTL_SWITCHES; i++)` tells by itself where both ends are constant, or parameters of the function, and nothing else
sets the counter. Any other loop, and any line that the compiler makes a loop of, has the comment `/* at most N rounds */` in its line; N is
an expression of constants and parameters. A call whose argument is no constant has such a comment too, for what goes round by it.
`rounds in all` are those of all rounds of the loop around.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

_NOTE = re.compile(r"/\* at most (.*?) rounds?\b( in all\b)?")
_WORD = re.compile(r"\b(for|while|do)\b")
_COUNTED = re.compile(r"for\(\w+ (\w+)=(.+);(\w+)(<=|<|>)(.+);(\w+)(\+\+|--)(?:,\w+\+\+)?\)")
_COUNTS = re.compile(r"[-+*/() \w]+")
_DEFINED = re.compile(r"^(?:\w+ )+\*?(\w+)\(([^()]*)\)\n\{", re.MULTILINE)
_NAME = re.compile(r"\b[a-z_]\w*")
FILLS = ("memset", "memcpy", "memcmp")
"""Functions of C whose last parameter says how often they go round."""


@dataclass(frozen=True, slots=True)
class Note:
    """How often something goes round, as an expression of C, and where that stands."""

    text: str
    file: str
    line: int
    in_all: bool = False

    def with_values(self, macros: Mapping[str, int]) -> Note:
        """The same with other values for some macros."""
        return replace(self, text=re.sub(r"\w+", lambda word: str(macros.get(word[0], word[0])), self.text))


@dataclass(frozen=True, slots=True)
class SourceLoop:
    file: str
    first: int
    """The line of `for`, `while` or `do`."""
    body: int
    """The first line of what is repeated."""
    last: int
    tests: frozenset[int]
    """The lines of what is asked before or after each round."""
    rounds: Note | None
    """None: not known."""


class Sources:
    """The loops of all files, and all else in them that says how often something goes round."""

    def __init__(self, files: Mapping[str, str]) -> None:
        code = {name: text for name, text in files.items() if name.endswith((".c", ".h"))}
        self._lines = {name: text.splitlines() for name, text in code.items()}
        self._parameters: dict[str, tuple[str, ...]] = dict.fromkeys(FILLS, ("to", "with", "count"))
        for text in code.values():
            self._parameters |= {match[1]: tuple(_parameters(match[2])) for match in _DEFINED.finditer(_without_words(text))}
        self._loops = {name: list(self._loops_in(name, text)) for name, text in code.items()}

    def loops(self, file: str) -> Iterator[SourceLoop]:
        """All of a file."""
        yield from self._loops.get(file, ())

    def around(self, file: str, line: int) -> list[SourceLoop]:
        """The loops that a line is in, the outermost first."""
        return [loop for loop in self._loops.get(file, ()) if loop.first <= line <= loop.last]

    def note(self, file: str, line: int) -> Note | None:
        """What is said in a line."""
        lines = self._lines.get(file, [])
        match = _NOTE.search(lines[line - 1]) if line <= len(lines) else None
        return Note(match[1], file, line, bool(match[2])) if match else None

    def asks(self, function: str, text: str) -> bool:
        """Whether an expression is one of the parameters of a function that it stands in."""
        return not set(_NAME.findall(text)).isdisjoint(self._parameters.get(function, ()))

    def called(self, function: str, text: str, file: str, line: int) -> Note | None:
        """An expression of the parameters of a function as a call of it in some line makes it; or what is said beside the call."""
        if (note := self.note(file, line)) is not None:
            return note
        rest = "\n".join(self._lines.get(file, [])[line - 1 :])
        match = re.search(rf"\b{function}\(", rest)
        if not match or function not in self._parameters:
            return None
        given = _arguments(rest[match.end() : _closing(rest, match.end() - 1)])
        values = dict(zip(self._parameters[function], given, strict=False))
        return Note(_NAME.sub(lambda name: f"({values[name[0]]})" if name[0] in values else name[0], text), file, line)

    def _loops_in(self, file: str, text: str) -> Iterator[SourceLoop]:
        code = _without_words(text)
        ends_of_do: set[int] = set()
        for word in _WORD.finditer(code):
            start = word.start()
            if start in ends_of_do:
                continue
            if word[1] == "do":
                body = code.index("{", start)
                close = _closing(code, body)
                ends_of_do.add(code.index("while", close))
                last = _closing(code, code.index("(", close))
                tests = range(_line(code, close), _line(code, last) + 1)
            else:
                body = _closing(code, code.index("(", start)) + 1
                last = _statement_end(code, body)
                tests = range(_line(code, start), _line(code, body) + 1)
            first = _line(code, start)
            notes = (self.note(file, line) for line in range(first, _line(code, body) + 1))
            rounds = next((note for note in notes if note), None)
            if rounds is None and word[1] == "for":
                counted = _counted(code[start:body], code[body : last + 1])
                rounds = Note(counted, file, first) if counted else None
            yield SourceLoop(file, first, _line(code, body), _line(code, last), frozenset(tests), rounds)


def _line(code: str, place: int) -> int:
    return code.count("\n", 0, place) + 1


def _parameters(text: str) -> Iterator[str]:
    for each in text.split(","):
        yield re.sub(r"\[.*\]", "", each).split()[-1].lstrip("*")


def _arguments(text: str) -> list[str]:
    """What stands between commas that are in no brackets."""
    depth, found = 0, [""]
    for character in text:
        depth += (character in "([{") - (character in ")]}")
        if character == "," and not depth:
            found.append("")
        else:
            found[-1] += character
    return [" ".join(each.split()) for each in found]


def _without_words(text: str) -> str:
    """C whose comments, strings and characters are blank; every line stays where it is."""
    quiet = re.compile(r"/\*.*?\*/|//[^\n]*|\"(?:\\.|[^\"\\])*\"|'(?:\\.|[^'\\])*'", re.DOTALL)
    return quiet.sub(lambda match: re.sub(r"[^\n]", " ", match[0]), text)


def _closing(code: str, opened: int) -> int:
    """Where the bracket that opens here is closed."""
    pair = {"(": ")", "{": "}"}[code[opened]]
    depth = 0
    for place in range(opened, len(code)):
        depth += (code[place] == code[opened]) - (code[place] == pair)
        if not depth:
            return place
    raise ValueError(f"a bracket is not closed: {code[opened : opened + 40]}")


def _statement_end(code: str, start: int) -> int:
    """Where a statement ends that begins here."""
    first = start + len(code[start:]) - len(code[start:].lstrip())
    return _closing(code, first) if code[first] == "{" else code.index(";", first)


def _counted(head: str, body: str) -> str | None:
    """How often a loop goes round that counts from one constant to another."""
    match = _COUNTED.fullmatch(re.sub(r"\s*([^\w\s])\s*", r"\1", " ".join(head.split())))
    if not match or len({match[1], match[3], match[6]}) > 1:
        return None
    start, sign, end, step = match[2], match[4], match[5], match[7]
    if (sign == ">") != (step == "--") or not all(map(_COUNTS.fullmatch, (start, end))):
        return None
    if re.search(rf"\b{match[1]}\s*(?:[-+*/%&|^]|<<|>>)?=[^=]|\b{match[1]}\s*(?:\+\+|--)|(?:\+\+|--|(?<!&)&)\s*{match[1]}\b", body):
        return None
    rounds = f"({start}) - ({end})" if sign == ">" else f"({end}) - ({start})"
    return f"{rounds} + 1" if sign == "<=" else rounds
