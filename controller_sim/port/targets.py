"""What histories are played on: the engines, and the ports as the programs that they are."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Protocol

from controller_sim.design.form import Design
from controller_sim.port.history import History, played
from controller_sim.port.rehearsal import MicroPython
from controller_sim.port.trace import Trace, trace_of


class Target(Protocol):
    """Something that plays histories. It may keep what it has made of a design until another comes or it is closed."""

    @property
    def name(self) -> str: ...

    def available(self) -> str | None:
        """None, or what is missing and how to install it."""

    def play(self, design: Design, source: str, histories: Sequence[History]) -> Iterable[Trace]:
        """What comes of each history; `source` is the text of the design's file. Raises PortError for a design that it refuses."""

    def close(self) -> None: ...


class EngineTarget:
    """One of the engines of a simulator, such as `fast` or `reference`."""

    def __init__(self, name: str) -> None:
        self.name = name

    def available(self) -> str | None:
        return None

    def play(self, design: Design, source: str, histories: Sequence[History]) -> Iterator[Trace]:
        for history in histories:
            yield trace_of(design, history, played(design, history, self.name))

    def close(self) -> None:
        pass


TARGETS: Mapping[str, Callable[[], Target]] = {"micropython": MicroPython}
"""The ports that can be played, by name; `controller-sim conform --on NAME`."""
