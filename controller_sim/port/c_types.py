"""The smallest C type for an interval, and texts as C literals."""

from __future__ import annotations

INT16 = (-(1 << 15), (1 << 15) - 1)
_TYPES = (
    ("uint8_t", 0, 255),
    ("int8_t", -128, 127),
    ("int16_t", *INT16),
    ("uint16_t", 0, 65_535),
    ("int32_t", -(1 << 31), (1 << 31) - 1),
    ("uint32_t", 0, (1 << 32) - 1),
)


def type_for(low: int, high: int) -> str:
    """The smallest type that holds low..high; a signed one where either would do, as its arithmetic needs no care."""
    for name, least, most in _TYPES:
        if least <= low and high <= most:
            return name
    raise ValueError(f"no C type holds {low}..{high}")


def type_bytes(kind: str) -> int:
    """How many bytes a value of a type takes."""
    return {"8_t": 1, "6_t": 2, "2_t": 4}[kind[-3:]]


def widens(kind: str, to: str) -> bool:
    """Whether every value of a type is one of another; `int` of arithmetic is of unknown width."""
    ends = {name: (least, most) for name, least, most in _TYPES}
    return kind == to or (kind in ends and ends[to][0] <= ends[kind][0] and ends[kind][1] <= ends[to][1])


def fits_int(low: int, high: int) -> bool:
    """Whether plain int arithmetic is enough, which has 16 bits on small chips."""
    return INT16[0] <= low and high <= INT16[1]


def number(value: int) -> str:
    """A signed constant of at least its own width, without relying on how wide int is."""
    if fits_int(value, value):
        return str(value)
    if value == -(1 << 31):
        return "(-INT32_C(2147483647) - 1)"
    return f"INT32_C({value})" if value >= 0 else f"-INT32_C({-value})"


def plus(text: str, more: int) -> str:
    """A sum with a constant that has 32 bits, or its opposite has."""
    return f"{text} - {number(-more)}" if -(1 << 31) < more < 0 or more == 1 << 31 else f"{text} + {number(more)}"


def string(text: str) -> str:
    """A C string literal of the text's UTF-8 bytes."""
    parts = []
    for byte in text.encode():
        character = chr(byte)
        if character in '"\\?':
            parts.append("\\" + character)
        elif character == "\n":
            parts.append("\\n")
        elif 32 <= byte < 127:
            parts.append(character)
        else:
            parts.append(f"\\{byte:03o}")
    return '"' + "".join(parts) + '"'


def comment(text: str) -> str:
    """A text on one line that may stand in a comment."""
    return " ".join(text.split()).replace("*/", "* /").replace("/*", "/ *")
