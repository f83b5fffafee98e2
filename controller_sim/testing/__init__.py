"""Tests of designs with hypothesis and pytest, and tests of engines: random histories and designs, and the comparison of two engines.

from controller_sim import load_design
from controller_sim.testing import histories, machine_for

TestBooth = machine_for(load_design("booth.yaml")).TestCase
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller_sim.testing.contacts import histories, sessions
    from controller_sim.testing.machine import DesignMachine, machine_for
    from controller_sim.testing.playing import play_history
    from controller_sim.verify.watching import Session

__all__ = ["DesignMachine", "Session", "histories", "machine_for", "play_history", "sessions"]

_HOMES = {
    "DesignMachine": "machine",
    "Session": "contacts",
    "histories": "contacts",
    "machine_for": "machine",
    "play_history": "playing",
    "sessions": "contacts",
}


def __getattr__(name: str) -> object:
    # Names are looked up when they are first asked for: the pytest plugin stands in this folder, and hypothesis is slow to import.
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
