"""Names of a design as names that C takes, each once."""

from __future__ import annotations

import re
from collections.abc import Iterable

_WORDS_OF_C = """
    auto break case char const continue default do double else enum extern float for goto if inline int long register restrict return
    short signed sizeof static struct switch typedef union unsigned void volatile while bool true false NULL errno offsetof
    int8_t int16_t int32_t int64_t uint8_t uint16_t uint32_t uint64_t size_t linux unix i386 asm typeof main cells ctl
"""
RESERVED = frozenset(_WORDS_OF_C.split())
"""C's own words, macros that some compilers define unasked, and the two names that everything else stands in."""

_WORDS = (("..", "_to_"), ("+", "_and_"), ("==", "_is_"), ("!=", "_is_not_"), ("<=", "_at_most_"), (">=", "_at_least_"), ("<", "_below_"))
_LONGEST = 60


def identifier(text: str) -> str:
    """A C name that reads like the text."""
    for sign, word in _WORDS:
        text = text.replace(sign, word)
    name = re.sub(r"_+", "_", re.sub(r"[^A-Za-z0-9]", "_", text)).strip("_")[:_LONGEST].rstrip("_") or "it"
    if name[0].isdigit():
        name = f"n{name}"
    return f"{name}_" if name in RESERVED else name


def distinct(texts: Iterable[str], prefix: str = "", taken: Iterable[str] = ()) -> list[str]:
    """A C name for each text, numbered where two would be the same; none is in `taken`."""
    used = set(taken)
    names = []
    for text in texts:
        stem = name = prefix + identifier(text)
        number = 2
        while name in used:
            name = f"{stem}_{number}"
            number += 1
        used.add(name)
        names.append(name)
    return names
