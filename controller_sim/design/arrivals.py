"""What arrives besides contacts, as objects: the inverse of the packing in core.kinds."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PedalReading:
    """A raw reading of a pedal, 0..65535."""

    pedal: int
    value: int


@dataclass(frozen=True, slots=True)
class MidiByte:
    """A byte that came in at a port (SERIAL or USB of design.form)."""

    port: int
    byte: int


def unpack(arrived: Iterable[int]) -> list[PedalReading | MidiByte]:
    """The arrivals of one instant, in order."""
    return [MidiByte(event & 3, event >> 2) if event & 3 else PedalReading(event >> 2 & 15, event >> 6) for event in arrived]
