"""What is worked out once for a design and used in many searches."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TypeVar

from controller_sim.design.form import Design

MOST = 4
"""Designs of which a result is remembered."""
T = TypeVar("T")


def remembered(make: Callable[[Design], T]) -> Callable[[Design], T]:
    """A function of a design that remembers its results for the last few; they must not be changed afterwards.

    Designs are told apart by being the same object: to compare two of them takes long.
    """
    recent: list[tuple[Design, T]] = []

    @wraps(make)
    def of(design: Design) -> T:
        for known, result in recent:
            if known is design:
                return result
        result = make(design)
        recent.append((design, result))
        del recent[:-MOST]
        return result

    return of
