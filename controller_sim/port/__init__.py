"""A design as a program for a controller: writers, and playing the same histories on what they write."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from controller_sim.design.form import Design
from controller_sim.port import micropython

__all__ = ["WRITERS", "Writer"]

Writer = Callable[[Design, str], dict[str, str]]
"""From a design and the text of its file to the files of a program: their names, with `/` between folders, and their texts."""

WRITERS: Mapping[str, Writer] = {"micropython": micropython.write}
"""Writers by the names of what they write for."""
