"""Plant a defect in the engine of a process of its own, and see whether the property that claims it notices.

A process that is forked before anything of the project is imported gets the changed source by an import hook; nothing on disk is touched.
"""

from __future__ import annotations

import importlib.abc
import importlib.machinery
import multiprocessing
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, ModuleType

from planted.engine import Defect

ROOT = Path(__file__).resolve().parent.parent.parent
DESIGNS = Path(__file__).with_name("designs")
SEED = 1
MOST_SESSIONS = 600
"""So many random sessions are tried before a defect counts as not noticed; all that are known show within 150."""
POWER_CUT_SESSIONS = 24
"""Cutting the power at every byte takes longer."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a defect."""

    defect: Defect
    noticed_by: str
    """The property that noticed it: the one that claims to, or ACCIDENT; empty if none did."""
    noticed: str
    """What that property said."""
    sessions: int
    """How many random sessions were played, the one that showed it included."""
    seconds: float

    @property
    def as_claimed(self) -> bool:
        return self.noticed_by == ("" if self.defect.harmless else self.defect.caught_by)


class Planter(importlib.abc.MetaPathFinder):
    """Finds the module of a defect and gives its source with the defect in it."""

    def __init__(self, defect: Defect) -> None:
        self.defect = defect
        self.module = "controller_sim." + defect.file.removesuffix(".py").replace("/", ".")

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.module:
            return None
        found = importlib.machinery.PathFinder.find_spec(fullname, path)
        assert found is not None and found.origin is not None
        return importlib.machinery.ModuleSpec(fullname, Changed(fullname, found.origin, self.defect), origin=found.origin)


class Changed(importlib.machinery.SourceFileLoader):
    def __init__(self, fullname: str, path: str, defect: Defect) -> None:
        super().__init__(fullname, path)
        self.defect = defect

    def get_code(self, fullname: str) -> CodeType:
        return compile(planted(Path(self.path).read_text(encoding="utf-8"), self.defect), self.path, "exec")


def planted(source: str, defect: Defect) -> str:
    """The source with the defect in it. Raises ValueError when the text to be replaced does not stand there exactly once."""
    count = source.count(defect.old)
    if count != 1:
        raise ValueError(f"{defect.file}: the text to be replaced for {defect.name!r} stands there {count} times")
    return source.replace(defect.old, defect.new)


def check_places(defects: Sequence[Defect]) -> None:
    """Raises ValueError if a defect has no place in the sources of the package any more."""
    for defect in defects:
        planted((ROOT / "controller_sim" / defect.file).read_text(encoding="utf-8"), defect)


def try_all(defects: Sequence[Defect], processes: int) -> Iterator[Verdict]:
    """Try each defect in a process of its own; the verdicts come in the order of the defects."""
    check_places(defects)
    if any(name.startswith("controller_sim") for name in sys.modules):
        raise RuntimeError("the project has been imported already: forked processes would have it without the defect")
    with multiprocessing.get_context("fork").Pool(processes, maxtasksperchild=1) as pool:
        yield from pool.imap(try_one, defects, chunksize=1)


def try_one(defect: Defect) -> Verdict:
    """Plant a defect in this process, for good, and hold its engine to the property that claims to notice."""
    sys.meta_path.insert(0, Planter(defect))
    sys.path.insert(0, str(ROOT))
    started = time.perf_counter()
    most = POWER_CUT_SESSIONS if defect.caught_by == "power cuts" else MOST_SESSIONS
    noticed_by, noticed, sessions = hold(defect.caught_by, defect.design, most)
    return Verdict(defect, noticed_by, noticed, sessions, time.perf_counter() - started)


def hold(caught_by: str, name: str, most: int) -> tuple[str, str, int]:
    """Hold the engine as it is to one property on a design, on so many random sessions: what noticed what, and after how many."""
    from controller_sim.design import load_design
    from controller_sim.verify.drawing import SESSIONS, Feet
    from controller_sim.verify.properties import ACCIDENT
    from controller_sim.verify.searching import Judge

    design = load_design(DESIGNS / f"{name}.yaml")
    judge, feet = Judge(design), Feet(design, SEED)
    for number in range(most):
        if number % SESSIONS == 0:
            block = feet.block(number // SESSIONS)
        session = block[number % SESSIONS]
        try:
            wrong = judge.check(caught_by, session, f"{SEED}.{number}")
        except Exception as error:  # a broken engine may raise anything
            return ACCIDENT.name, f"{type(error).__name__}: {error}", number + 1
        if wrong is not None:
            return wrong.name, wrong.text, number + 1
    return "", "", most
