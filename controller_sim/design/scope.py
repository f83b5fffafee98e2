"""What the names in an action, a condition or a text can mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from controller_sim.design.form import Cell, Device, Pedal, Tempo


@dataclass(frozen=True, slots=True)
class ProcedureSignature:
    """How a procedure is called: its index in the design and its parameters as (name, low, high)."""

    index: int
    parameters: tuple[tuple[str, int, int], ...]


@dataclass(slots=True)
class Scope:
    """All that a design declares and an action may name. Switches, LEDs and modes map to their indices."""

    file: str
    switches: Mapping[str, int]
    leds: Mapping[str, int]
    cells: tuple[Cell, ...]
    devices: tuple[Device, ...]
    modes: Mapping[str, int]
    value_names: Mapping[str, int]
    tempo: Tempo
    ports_in_use: int
    procedures: Mapping[str, ProcedureSignature]
    display_characters: int | None = None
    """How many characters a notice may have at most; None: not checked here."""
    pedals: tuple[Pedal, ...] = ()

    def cell_index(self, name: str) -> int | None:
        """The index of the cell of that name, or None."""
        return next((i for i, cell in enumerate(self.cells) if cell.name == name), None)

    def pedal_index(self, name: str) -> int | None:
        """The index of the pedal of that name, or None."""
        return next((i for i, pedal in enumerate(self.pedals) if pedal.name == name), None)

    def device(self, name: str) -> Device | None:
        """The device of that name, or None."""
        return next((device for device in self.devices if device.name == name), None)
