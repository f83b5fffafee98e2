"""Tests of designs with hypothesis and pytest, and tests of engines: random histories and designs, and the comparison of two engines.

from controller_sim import load_design
from controller_sim.testing import histories, machine_for

TestBooth = machine_for(load_design("booth.yaml")).TestCase
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller_sim.lazily import asked_for

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

# The pytest plugin stands in this folder, and hypothesis is slow to import.
__getattr__ = asked_for(__name__, _HOMES)
