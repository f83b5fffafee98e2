"""What a node of a design file must be, and the value that it holds."""

from __future__ import annotations

import keyword
import re
from collections.abc import Iterable, Sequence

from controller_sim.design.errors import DesignError
from controller_sim.design.keys import nearest, parse_duration
from controller_sim.design.yaml_text import Mapping, Node, Scalar
from controller_sim.design.yaml_text import Sequence as ListNode

TRUTHS = {"yes": True, "true": True, "no": False, "false": False}
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,39}")
_NUMBER = re.compile(r"[-+]?[0-9]{1,10}")


def scalar(node: Node, what: str) -> Scalar:
    """The node as a single value, not empty. Raises DesignError."""
    if not isinstance(node, Scalar):
        raise DesignError(f"{what} is a single value, not a {'list' if isinstance(node, ListNode) else 'mapping'}", node.place)
    if not node.text.strip():
        raise DesignError(f"{what} is missing here", node.place)
    return node


def mapping(node: Node, what: str, allowed: Sequence[str] = ()) -> Mapping:
    """The node as a mapping, its keys among `allowed` unless that is empty. Raises DesignError."""
    if not isinstance(node, Mapping):
        raise DesignError(f"{what} is a mapping of keys to values", node.place)
    for key, _ in node.pairs if allowed else ():
        if key.text not in allowed:
            hint = nearest(key.text, allowed) or f": write {', '.join(allowed)}"
            raise DesignError(f"{what} has no key '{key.text}'{hint}", key.place)
    return node


def items(node: Node, what: str) -> tuple[Node, ...]:
    """The node as a list. Raises DesignError."""
    if not isinstance(node, ListNode):
        raise DesignError(f"{what} is a list: [a, b]", node.place)
    return node.items


def number(node: Node, what: str, low: int, high: int) -> int:
    """A whole number in low..high. Raises DesignError."""
    value = scalar(node, what)
    if not _NUMBER.fullmatch(value.text):
        raise DesignError(f"{what} is a whole number, not '{value.text}'", value.place)
    if not low <= int(value.text) <= high:
        allowed = str(low) if low == high else f"{low}..{high}"
        raise DesignError(f"{what} is {int(value.text)}, but must be {allowed}", value.place)
    return int(value.text)


def truth(node: Node, what: str) -> bool:
    """yes or no (or true or false). Raises DesignError."""
    value = scalar(node, what)
    if value.text not in TRUTHS:
        raise DesignError(f"{what} is yes or no, not '{value.text}'", value.place)
    return TRUTHS[value.text]


def choice(node: Node, what: str, allowed: Iterable[str]) -> str:
    """One of some words. Raises DesignError."""
    value = scalar(node, what)
    words = list(allowed)
    if value.text not in words:
        raise DesignError(f"{what} is {' or '.join(words)}, not '{value.text}'{nearest(value.text, words)}", value.place)
    return value.text


def name_of(node: Node, what: str) -> Scalar:
    """A name: letters, digits and _, starting with a letter, at most 40. Raises DesignError."""
    value = scalar(node, f"the name of a {what}")
    if not _NAME.fullmatch(value.text):
        raise DesignError(
            f"'{value.text}' is no name for a {what}: letters, digits and _, starting with a letter, at most 40 characters", value.place
        )
    if keyword.iskeyword(value.text):
        raise DesignError(f"'{value.text}' is a word of the action language and cannot name a {what}", value.place)
    return value


def duration(node: Node, what: str, least_us: int = 1) -> int:
    """A time in microseconds, of at least `least_us`. Raises DesignError."""
    return parse_duration(scalar(node, what).source(), least_us=least_us)


def check_length(node: Node, what: str, low: int, high: int) -> None:
    length = len(items(node, what))
    if not low <= length <= high:
        raise DesignError(f"{what} has {length} entries, but must have {low}..{high}", node.place)
