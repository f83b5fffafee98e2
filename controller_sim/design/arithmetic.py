"""What the operators of the intermediate form give, on whole numbers that are proved to have a result."""

from __future__ import annotations

import operator
from collections.abc import Callable

ARITHMETIC: dict[str, Callable[[int, int], int]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "//": operator.floordiv,
    "%": operator.mod,
    "min": min,
    "max": max,
}
COMPARISONS: dict[str, Callable[[int, int], bool]] = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}
UNARY: dict[str, Callable[[int], int]] = {"-": operator.neg, "abs": abs, "not": lambda a: int(not a)}
