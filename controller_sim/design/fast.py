"""The fast engine of a design: the core engine on the design's tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller_sim.core.engine import Engine
from controller_sim.core.snapshot import restore_snapshot, take_snapshot
from controller_sim.design.form import Design
from controller_sim.design.lowering import tables_of
from controller_sim.design.outputs import Output, decode


class FastEngine(Engine):
    """`Engine` with the design's tables and with outputs as objects for those who want them."""

    __slots__ = ()

    def __init__(self, design: Design, now_us: int = 0, kept: Sequence[int] | None = None, trace: bool = False) -> None:
        super().__init__(tables_of(design, trace), now_us, kept)

    @property
    def notice_shown(self) -> bool:
        """Whether a notice covers the display."""
        return self.notice is not None

    def take_outputs(self) -> list[Output]:
        """What was put out since the last call."""
        return decode(self.take())

    def snapshot(self) -> tuple[Any, ...]:
        """The state, comparable and hashable, with all times relative to now."""
        return take_snapshot(self)

    def restore(self, snapshot: tuple[Any, ...], now_us: int) -> None:
        """Take on the state of a snapshot of the same design, at `now_us`."""
        restore_snapshot(self, snapshot, now_us)
