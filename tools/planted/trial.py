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

from planted import faults, played
from planted.defect import Defect

ROOT = Path(__file__).resolve().parent.parent.parent
DESIGNS = Path(__file__).with_name("designs")
SEED = 1
MOST_SESSIONS = 3000
"""So many random sessions are tried before a defect counts as not noticed; all that are known show within 1,500."""
POWER_CUT_SESSIONS = 24
"""Cutting the power at every byte takes longer."""


@dataclass(frozen=True, slots=True)
class InDesign:
    """A defect in a design: its text with the fault, and mended. `played` blocks of sessions are to show it; 0: `check` is."""

    name: str
    caught_by: str
    bad: str
    good: str
    played: int = 0
    harmless: str = ""


BLOCKS = 4
TWIN = "the mended twin"
IN_DESIGNS = (
    *(
        InDesign(
            f"design: {each.code}, the {number}. of the list",
            each.code,
            faults.BASE.replace(each.old, each.bad, 1),
            faults.BASE.replace(each.old, each.good, 1),
        )
        for number, each in enumerate(faults.PLANTED, 1)
    ),
    *(
        InDesign(f"design: {each.name}", each.caught_by, each.head + played.BASE + each.bad, each.head + played.BASE + each.good, BLOCKS)
        for each in played.PLAYED
    ),
)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a defect."""

    defect: Defect | InDesign
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


def try_all(defects: Sequence[Defect | InDesign], processes: int) -> Iterator[Verdict]:
    """Try each defect of the engine in a process of its own, then those in designs; the verdicts come in that order."""
    check_places([defect for defect in defects if isinstance(defect, Defect)])
    if any(name.startswith("controller_sim") for name in sys.modules):
        raise RuntimeError("the project has been imported already: forked processes would have it without the defect")
    with multiprocessing.get_context("fork").Pool(processes, maxtasksperchild=1) as pool:
        yield from pool.imap(try_one, [defect for defect in defects if isinstance(defect, Defect)], chunksize=1)
    # Nothing is changed for a design, so that these can share a process.
    with multiprocessing.get_context("fork").Pool(processes) as pool:
        yield from pool.imap(try_one, [defect for defect in defects if isinstance(defect, InDesign)], chunksize=1)


def try_design(defect: InDesign) -> Verdict:
    """Whether what claims to notice a fault in a design does, and keeps quiet about the mended twin."""
    started = time.perf_counter()
    bad, sessions = complaints(defect, defect.bad)
    good, _ = complaints(defect, defect.good)
    by, text = (defect.caught_by, bad[defect.caught_by]) if defect.caught_by in bad else ("", "")
    # A played twin must pass the whole campaign; of a twin in text only the one fault is mended.
    if good if defect.played else defect.caught_by in good:
        by, text = TWIN, next(iter(good.values()))
    return Verdict(defect, by, text, sessions, time.perf_counter() - started)


def complaints(defect: InDesign, text: str) -> tuple[dict[str, str], int]:
    """What is said of a design, by finding or property, and how many sessions were played."""
    from controller_sim.design.loader import load_design_text
    from controller_sim.verify.checking import check
    from controller_sim.verify.searching import search

    design = load_design_text(text, "booth.yaml")
    if not defect.played:
        return {each.code: each.message for each in check(design).findings}, 0
    found = search(design, SEED, range(defect.played))
    return {name: finding.wrong.text for name, finding in found.findings.items()}, found.coverage.sessions


def try_one(defect: Defect | InDesign) -> Verdict:
    """Plant a defect in this process, for good, and hold its engine to the property that claims to notice."""
    if isinstance(defect, InDesign):
        sys.path.insert(0, str(ROOT))
        return try_design(defect)
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
