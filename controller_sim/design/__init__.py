"""From a design file to the checked intermediate form."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller_sim.lazily import asked_for

if TYPE_CHECKING:
    from controller_sim.design.errors import DesignError
    from controller_sim.design.form import Design, Place
    from controller_sim.design.loader import load_design, load_design_text
    from controller_sim.design.schema import design_schema

__all__ = ["Design", "DesignError", "Place", "design_schema", "load_design", "load_design_text"]

_HOMES = {
    "Design": "form",
    "DesignError": "errors",
    "Place": "form",
    "design_schema": "schema",
    "load_design": "loader",
    "load_design_text": "loader",
}

__getattr__ = asked_for(__name__, _HOMES)
