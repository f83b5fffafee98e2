"""What the names in an action, a condition or a text can mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from controller_sim.design.errors import Source
from controller_sim.design.form import Cell, Device, Pedal, Place, Tempo


@dataclass(frozen=True, slots=True)
class ProcedureSignature:
    """How a procedure is called: its index in the design and its parameters as (name, low, high)."""

    index: int
    parameters: tuple[tuple[str, int, int], ...]


@dataclass(frozen=True, slots=True)
class FormField:
    """One field of a form: the cell or element that it edits, between which ends, and what runs after a change."""

    label: str
    cell: Source
    shown: Device | None
    """Its numbers_from is added to what is shown."""
    range: tuple[int, int] | None
    """None: the cell's own."""
    range_place: Place | None
    ends: str | None
    """`wrap`, `clamp`, or as the cell has it."""
    then: Source | None


@dataclass(slots=True)
class Form:
    """The form of a mode. `index` and `label_shown` are the cells that say which field is at hand, and whether its label shows."""

    mode: str
    fields: tuple[FormField, ...]
    index: int
    label_shown: int
    label_timer: int
    procedure: int = -1
    """What `form_value(step)` calls, once it is compiled."""


NO_FORM = "only works in a mode with a form, and this also runs where there is none"
"""Why a statement about forms is refused where nothing more is known."""
IN_THEN = "does not work here: it would run after its own change"


@dataclass(frozen=True, slots=True)
class Lamp:
    """An LED whose value is being worked out, and its colours."""

    name: str
    colours: tuple[str, ...]


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
    drafted: frozenset[int] = frozenset()
    """The cells that some mode drafts."""
    form_cells: frozenset[int] = frozenset()
    """The cells that only the statements about forms set."""
    led_colours: tuple[tuple[str, ...], ...] = ()
    """The colours of each LED; empty: none has any."""
    mode_drafted: frozenset[int] = frozenset()
    """The cells that the mode at hand drafts."""
    mode_form: Form | None = None
    """The form of the mode at hand."""
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
