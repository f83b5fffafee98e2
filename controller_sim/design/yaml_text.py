"""YAML text -> nodes that know where they stand. Only what a design needs: no anchors, no tags, one document."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import Place

MAX_BYTES = 1 << 20
MAX_DEPTH = 16
MAX_NODES = 40_000
MAX_SCALAR = 20_000
MAX_KEY = 1_000
_FORBIDDEN = re.compile("[^\t\n\x20-\x7e\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]|[\u2028\u2029]")
_TAB = re.compile(r"^ *\t[ \t]*(?=\S)", re.MULTILINE)
_ESCAPE = re.compile(r"\\(x[0-9A-Fa-f]{2}|u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|[^\n])")
_BREAK = re.compile(r"[ \t]*\n(?:[ \t]*\n)*[ \t]*")


@dataclass(frozen=True, slots=True)
class Node:
    place: Place


@dataclass(frozen=True, slots=True)
class Scalar(Node):
    """`style` is None for a plain scalar, else its quote or `|`; `end` is the character after it in the file."""

    text: str
    style: str | None
    start: int
    end: int
    document: Document = field(repr=False, compare=False)

    def source(self) -> Source:
        """The text with the exact place of each of its lines."""
        if self.style == "|":
            return self._block_source()
        opening = 0 if self.style is None else 1
        raw = self.document.text[self.start + opening : self.end - opening]
        first = Place(self.place.file, self.place.line, self.place.column + opening)
        if raw == self.text or ("\n" not in raw and "\\" not in raw and "''" not in raw):
            return Source(self.text, (first,))
        return FoldedSource(self.text, (first,), tuple(_places_of(raw, first, self.style)))

    def _block_source(self) -> Source:
        lines = self.text.split("\n")
        raw = self.document.lines
        indent = 0
        for number, line in enumerate(lines):
            if line and self.place.line + number < len(raw):
                indent = max(len(raw[self.place.line + number]) - len(line), 0)
                break
        return Source(self.text, tuple(Place(self.place.file, self.place.line + 1 + i, indent + 1) for i in range(len(lines))))


@dataclass(frozen=True, slots=True)
class FoldedSource(Source):
    """A text whose characters do not stand side by side in the file: broken over lines, or with escapes."""

    characters: tuple[Place, ...] = ()

    def place(self, line: int, column: int) -> Place:
        """The place of a character, by line and column in `text`, both counted from 0."""
        at = sum(len(each) + 1 for each in self.text.split("\n")[:line]) + column
        return self.characters[min(max(at, 0), len(self.characters) - 1)] if self.characters else self.lines[0]


@dataclass(frozen=True, slots=True)
class Mapping(Node):
    """`pairs` in the order of the file; no key stands twice."""

    pairs: tuple[tuple[Scalar, Node], ...]

    def get(self, key: str) -> Node | None:
        """The value of a key, or None."""
        return next((value for name, value in self.pairs if name.text == key), None)

    def key(self, key: str) -> Scalar:
        """The key itself, which is known to be there."""
        return next(name for name, _ in self.pairs if name.text == key)


@dataclass(frozen=True, slots=True)
class Sequence(Node):
    items: tuple[Node, ...]


@dataclass(slots=True)
class Document:
    """A file's text, newlines all `\\n`, and its lines."""

    file: str
    text: str
    lines: list[str]

    def at(self, index: int) -> Place:
        """The place of a character by its index in the text."""
        line = self.text.count("\n", 0, index)
        return Place(self.file, line + 1, index - (self.text.rfind("\n", 0, index) + 1) + 1)


def _places_of(raw: str, first: Place, style: str | None) -> Iterator[Place]:
    """The place of each character of a flow scalar as its text has them after folding, and that of its end."""
    line, column, at = first.line, first.column, 0
    while at < len(raw):
        here = Place(first.file, line, column)
        skipped = _BREAK.match(raw, at)
        if skipped or (style == '"' and raw.startswith("\\\n", at)):
            found = skipped or _BREAK.match(raw, at + 1)
            assert found is not None
            breaks = found[0].count("\n")
            if skipped:
                yield from (here for _ in range(max(breaks - 1, 1)))
            line, column, at = line + breaks, found.end() - raw.rfind("\n", 0, found.end()), found.end()
            continue
        escape = _ESCAPE.match(raw, at) if style == '"' else None
        width = len(escape[0]) if escape else 2 if style == "'" and raw.startswith("''", at) else 1
        yield here
        at, column = at + width, column + width
    yield Place(first.file, line, column)


def read_file(path: str | Path) -> str:
    """The text of a design file of at most 1 MiB. Raises DesignError for what cannot be read as UTF-8."""
    start = Place(str(path), 1, 1)
    try:
        with open(path, "rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except IsADirectoryError:
        raise DesignError("this is a directory, not a design file", start) from None
    except FileNotFoundError:
        raise DesignError("there is no such file", start) from None
    except (OSError, ValueError) as error:
        raise DesignError(f"the file cannot be read: {getattr(error, 'strerror', None) or error}", start) from None
    if len(data) > MAX_BYTES:
        raise DesignError(f"the file is larger than {MAX_BYTES} bytes", start)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        column = error.start - (before.rfind(b"\n") + 1) + 1
        place = Place(str(path), before.count(b"\n") + 1, column)
        raise DesignError(f"the file is not UTF-8: byte 0x{data[error.start]:02X}", place) from None


def parse(text: str, file: str) -> Mapping:
    """The nodes of a design's text. Raises DesignError for everything that is no plain YAML 1.2 mapping."""
    if len(text) > MAX_BYTES:
        raise DesignError(f"the text is longer than {MAX_BYTES} characters", Place(file, 1, 1))
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    document = Document(file, text, text.split("\n"))
    if bad := _FORBIDDEN.search(text):
        raise DesignError(f"the character U+{ord(bad[0]):04X} cannot stand in a design", document.at(bad.start()))
    if tab := _TAB.search(text):
        raise DesignError("a tab cannot indent: use blanks", document.at(text.index("\t", tab.start())))
    root = _Builder(document).build()
    if root is None or (isinstance(root, Scalar) and not root.text):
        raise DesignError("the design is empty", Place(file, 1, 1))
    if not isinstance(root, Mapping):
        raise DesignError("a design is a mapping: 'switches: [a, b]' and so on", root.place)
    return root


class _Builder:
    """Nodes from the parser's events; the parser works without recursion, so depth is checked here."""

    def __init__(self, document: Document) -> None:
        self.document = document

    def build(self) -> Node | None:
        from ruamel.yaml import YAML
        from ruamel.yaml.error import MarkedYAMLError, YAMLError

        try:
            return self._document(YAML(typ="safe", pure=True).parse(self.document.text))
        except MarkedYAMLError as error:
            mark = error.problem_mark or error.context_mark
            place = Place(self.document.file, mark.line + 1, mark.column + 1) if mark else Place(self.document.file, 1, 1)
            raise DesignError(f"this is not YAML: {error.problem or error.context}", place) from None
        except YAMLError as error:
            raise DesignError(f"this is not YAML: {error}", Place(self.document.file, 1, 1)) from None
        except DesignError:
            raise
        except (ValueError, IndexError, AssertionError, AttributeError, TypeError, KeyError, RecursionError, NotImplementedError) as error:
            # The YAML scanner trips over some malformed texts instead of reporting them.
            reason = str(error) or type(error).__name__
            raise DesignError(f"this is not YAML: {reason}", Place(self.document.file, 1, 1)) from None

    def _place(self, mark: Any) -> Place:
        return Place(self.document.file, mark.line + 1, mark.column + 1)

    def _document(self, events: Iterable[Any]) -> Node | None:
        stack: list[tuple[Any, list[Node]]] = []
        root: Node | None = None
        documents = 0
        for number, event in enumerate(events):
            kind = type(event).__name__
            if number > MAX_NODES:
                raise DesignError(f"the design has more than {MAX_NODES} keys and values", self._place(event.start_mark))
            if kind == "DocumentStartEvent":
                documents += 1
                if documents > 1:
                    raise DesignError("a design file holds one document: '---' stands here again", self._place(event.start_mark))
                continue
            if kind in ("StreamStartEvent", "StreamEndEvent", "DocumentEndEvent", "CommentEvent"):
                continue
            node: Node
            if kind in ("MappingStartEvent", "SequenceStartEvent"):
                self._check_plain(event)
                if len(stack) >= MAX_DEPTH:
                    raise DesignError(f"this is nested more than {MAX_DEPTH} deep", self._place(event.start_mark))
                stack.append((event, []))
                continue
            if kind in ("MappingEndEvent", "SequenceEndEvent"):
                start, children = stack.pop()
                place = self._place(start.start_mark)
                node = self._mapping(place, children) if kind == "MappingEndEvent" else Sequence(place, tuple(children))
            else:
                node = self._scalar(event, kind)
            if stack:
                stack[-1][1].append(node)
            else:
                root = node
        return root

    def _check_plain(self, event: Any) -> None:
        if event.anchor is not None:
            raise DesignError("anchors ('&') and aliases ('*') are not part of a design", self._place(event.start_mark))
        if getattr(event, "tag", None) is not None:
            raise DesignError("tags ('!') are not part of a design", self._place(event.start_mark))

    def _scalar(self, event: Any, kind: str) -> Scalar:
        self._check_plain(event)
        assert kind == "ScalarEvent"
        style = event.style or None
        if style == ">":
            raise DesignError("a folded text ('>') is not part of a design: write '|'", self._place(event.start_mark))
        start, end = event.start_mark, event.end_mark
        if end.index - start.index > MAX_SCALAR:
            raise DesignError(f"this text is longer than {MAX_SCALAR} characters", self._place(start))
        return Scalar(self._place(start), event.value, style, start.index, end.index, self.document)

    def _mapping(self, place: Place, children: list[Node]) -> Mapping:
        pairs = []
        seen: dict[str, Scalar] = {}
        for key, value in zip(children[::2], children[1::2], strict=True):
            if not isinstance(key, Scalar):
                raise DesignError("a key must be a word or a line of text", key.place)
            if len(key.text) > MAX_KEY:
                raise DesignError(f"this key is longer than {MAX_KEY} characters", key.place)
            if key.text == "<<" and key.style is None:
                raise DesignError("merge keys ('<<') are not part of a design", key.place)
            if key.text in seen:
                raise DesignError(f"'{key.text}' stands here twice", key.place, (("the first is here", seen[key.text].place),))
            seen[key.text] = key
            if isinstance(value, Scalar) and value.style is None and not value.text:
                # What is missing is missing after its key; the scanner finds that out lines later.
                value = replace(value, place=key.place)
            pairs.append((key, value))
        return Mapping(place, tuple(pairs))
