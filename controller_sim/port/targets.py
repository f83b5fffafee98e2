"""What histories are played on: the engines, and the ports as the programs that they are."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Protocol

from controller_sim.design.form import Design
from controller_sim.port.emulated import Atmega328p
from controller_sim.port.rehearsal import MicroPython
from controller_sim.port.trace import Trace, trace_of
from controller_sim.simulator import History, played
from controller_sim.simulator.engines import EngineFactory
from controller_sim.verify.shrinking import MOST_TRIES


class Target(Protocol):
    """Something that plays histories. It may keep what it has made of a design until another comes or it is closed."""

    @property
    def name(self) -> str: ...
    @property
    def most_tries(self) -> int:
        """How many histories it may be tried with to make one short in which it differs."""

    def available(self) -> str | None:
        """None, or what is missing and how to install it."""

    def play(self, design: Design, source: str, histories: Sequence[History]) -> Iterable[Trace]:
        """What comes of each history; `source` is the text of the design's file. Raises PortError for a design that it refuses."""

    def close(self) -> None: ...


class EngineTarget:
    """An engine in a simulator: one of its own, `fast` or `reference`, or one that `make` makes."""

    most_tries = MOST_TRIES

    def __init__(self, name: str, make: EngineFactory | None = None) -> None:
        self.name = name
        self._engine: str | EngineFactory = make or name

    def available(self) -> str | None:
        return None

    def play(self, design: Design, source: str, histories: Sequence[History]) -> Iterator[Trace]:
        for history in histories:
            yield trace_of(design, history, played(design, history, self._engine))

    def close(self) -> None:
        pass


def _host() -> Target:
    from controller_sim.port.native import native

    return EngineTarget("host", native)


TARGETS: Mapping[str, Callable[[], Target]] = {"host": _host, "avr": Atmega328p, "micropython": MicroPython}
"""The ports that can be played, by name; `controller-sim conform --on NAME`."""
