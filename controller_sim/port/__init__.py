"""A design as a program for a controller: writers, and playing the same histories on what they write."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller_sim.design.form import Design

__all__ = ["BUILDERS_OWN", "WRITERS", "Writer"]

Writer = Callable[["Design", str], dict[str, str]]
"""From a design and the text of its file to the files of a program: their names, with `/` between folders, and their texts.

Raises PortError (errors.py) for a design that it cannot write.
"""


def _micropython(design: Design, source: str) -> dict[str, str]:
    from controller_sim.port.micropython import write

    return write(design, source)


def _c99(design: Design, source: str) -> dict[str, str]:
    from controller_sim.port.c99 import write_c99

    return write_c99(design, source)


def _atmega328p(design: Design, source: str) -> dict[str, str]:
    from controller_sim.port.boards import write_atmega328p

    return write_atmega328p(design, source)


WRITERS: Mapping[str, Writer] = {"c99": _c99, "atmega328p": _atmega328p, "micropython": _micropython}
"""Writers by the names of what they write for."""

BUILDERS_OWN = ("board.c", "pins.h", "board.py", "pins.py")
"""Files that say how a board is wired: once written, they are the builder's."""
