"""What every engine offers, whoever made it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from controller_sim.design.form import Design
from controller_sim.design.outputs import Output


class Seen(Protocol):
    """What can be read of an engine between two instants. `mode` is -1 until the contacts have settled after power-on."""

    @property
    def now_us(self) -> int: ...
    @property
    def mode(self) -> int: ...
    @property
    def cells(self) -> Sequence[int]: ...
    @property
    def display(self) -> str: ...
    @property
    def leds(self) -> Sequence[int]: ...
    @property
    def tempo(self) -> int: ...
    @property
    def clock_running(self) -> int | bool: ...
    @property
    def positions(self) -> Sequence[int]: ...
    def kept(self) -> tuple[int, ...]: ...
    def next_deadline_us(self) -> int | None: ...


class Engine(Seen, Protocol):
    """What plays it besides."""

    def advance(self, now_us: int, contacts: int, arrived: tuple[int, ...] = ..., /) -> object: ...
    def take_outputs(self) -> list[Output]: ...


class EngineFactory(Protocol):
    """Makes an engine that this package does not know of; its name stands for it."""

    @property
    def __name__(self) -> str: ...
    def __call__(self, design: Design, now_us: int, kept: Sequence[int] | None, trace: bool, /) -> Engine: ...
