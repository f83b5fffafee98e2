"""Whole numbers that follow from a text, the same on every machine and in every version of Python."""

from __future__ import annotations

import sys
from array import array
from collections.abc import Sequence
from hashlib import shake_128
from typing import TypeVar

T = TypeVar("T")


def numbers(key: str, count: int) -> array[int]:
    """`count` numbers of 64 bits."""
    drawn = array("Q", shake_128(key.encode()).digest(8 * count))
    if sys.byteorder == "big":
        drawn.byteswap()
    return drawn


class Dice:
    """A row of draws without end."""

    def __init__(self, key: str) -> None:
        self._key = key
        self._turn = 0
        self._drawn = iter(numbers(key, 64))

    def below(self, end: int) -> int:
        """One of 0..end-1; the last ones of a large `end` are rarer by nothing that matters."""
        number = next(self._drawn, None)
        if number is None:
            self._turn += 1
            self._drawn = iter(numbers(f"{self._key}+{self._turn}", 256))
            number = next(self._drawn)
        return number % end

    def between(self, low: int, high: int) -> int:
        """One of low..high."""
        return low + self.below(high - low + 1)

    def one_of(self, choices: Sequence[T]) -> T:
        return choices[self.below(len(choices))]

    def once_in(self, times: int) -> bool:
        return self.below(times) == 0
