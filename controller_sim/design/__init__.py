"""From a design file to the checked intermediate form."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

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


def __getattr__(name: str) -> object:
    # Names are looked up when they are first asked for, so that importing the package loads nothing.
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
