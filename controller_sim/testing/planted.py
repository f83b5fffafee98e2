"""Engines that are wrong on purpose, to see whether checks find out: a campaign that finds nothing must be one that could."""

from __future__ import annotations

import importlib
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import spec_from_loader
from itertools import count
from pathlib import Path
from types import ModuleType
from typing import Any

import controller_sim
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design

PACKAGE = Path(controller_sim.__file__).parent
COPIED = ("core", "design.plan", "design.python_code", "design.handlers", "design.lowering", "design.fast")
"""What a planted engine has a copy of its own of: the engine, and what writes a design's functions for it."""
_OURS = re.compile(rf"controller_sim\.({'|'.join(re.escape(name) for name in COPIED)})\b")
_numbers = count()


class PlantingError(Exception):
    """A defect that cannot be planted: the text to be replaced is not there, or more than once."""


@dataclass(frozen=True, slots=True)
class Planted:
    """A factory of fast engines with one defect: in a file of core or of COPIED, one text stands instead of another.

    `file` is as in `core/recogniser.py`, `old` must be there exactly once. Called as FastEngine is. It can go to other processes.
    Raises PlantingError when it is first called.
    """

    file: str
    old: str
    new: str

    def __call__(self, design: Design, now_us: int = 0, kept: Sequence[int] | None = None, trace: bool = False) -> Any:
        return _engine_class(self)(design, now_us, kept, trace)


@dataclass(frozen=True, slots=True)
class OtherDesign:
    """A factory of fast engines that play another design than they are given: what `change`, a function of a module, makes of it."""

    change: Callable[[Design], Design]

    def __call__(self, design: Design, now_us: int = 0, kept: Sequence[int] | None = None, trace: bool = False) -> FastEngine:
        return FastEngine(_changed(self.change, design), now_us, kept, trace)


_known: list[tuple[Callable[[Design], Design], Design, Design]] = []


def _changed(change: Callable[[Design], Design], design: Design) -> Design:
    """The same object each time, so that its tables are made once."""
    for known_change, known, changed in _known:
        if known is design and known_change is change:
            return changed
    _known.append((change, design, change(design)))
    del _known[:-4]
    return _known[-1][2]


@cache
def _engine_class(planted: Planted) -> type[FastEngine]:
    name = f"_planted_{next(_numbers)}"
    sys.meta_path.append(_Copies(name, planted))
    found: type[FastEngine] = importlib.import_module(f"{name}.design.fast").FastEngine
    return found


class _Copies(MetaPathFinder, Loader):
    """Finds copies of our modules under another package's name; they import each other and not the originals."""

    def __init__(self, name: str, planted: Planted) -> None:
        self.name = name
        self.planted = planted

    def find_spec(self, fullname: str, path: object, target: object = None) -> ModuleSpec | None:
        if fullname.partition(".")[0] != self.name:
            return None
        return spec_from_loader(fullname, self, is_package=not self._file(fullname).is_file())

    def _file(self, fullname: str) -> Path:
        return PACKAGE.joinpath(*fullname.split(".")[1:]).with_suffix(".py")

    def exec_module(self, module: ModuleType) -> None:
        path = self._file(module.__name__)
        if path.is_file():
            exec(compile(self._text(path), str(path), "exec"), module.__dict__)

    def _text(self, path: Path) -> str:
        text = path.read_text(encoding="utf-8")
        if path == PACKAGE / self.planted.file:
            times = text.count(self.planted.old)
            if times != 1:
                raise PlantingError(f"{self.planted.file} has {self.planted.old!r} {times} times, not once")
            text = text.replace(self.planted.old, self.planted.new)
        return _OURS.sub(rf"{self.name}.\1", text)
