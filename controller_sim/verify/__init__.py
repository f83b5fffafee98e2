"""What would go wrong on stage: properties of every design, watched while random feet play it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller_sim.lazily import asked_for

if TYPE_CHECKING:
    from controller_sim.verify.campaigns import campaign, on_processes
    from controller_sim.verify.properties import PROPERTIES, Property
    from controller_sim.verify.scripts import script_of, shows_on_reference
    from controller_sim.verify.searching import Finding, Found, Judge, search
    from controller_sim.verify.shrinking import shrink_finding
    from controller_sim.verify.watching import Session, Watcher, walk

__all__ = [
    "PROPERTIES",
    "Finding",
    "Found",
    "Judge",
    "Property",
    "Session",
    "Watcher",
    "campaign",
    "on_processes",
    "script_of",
    "search",
    "shows_on_reference",
    "shrink_finding",
    "walk",
]

_HOMES = {
    "PROPERTIES": "properties",
    "Finding": "searching",
    "Found": "searching",
    "Judge": "searching",
    "Property": "properties",
    "Session": "watching",
    "shrink_finding": "shrinking",
    "Watcher": "watching",
    "campaign": "campaigns",
    "on_processes": "campaigns",
    "script_of": "scripts",
    "search": "searching",
    "shows_on_reference": "scripts",
    "walk": "watching",
}

__getattr__ = asked_for(__name__, _HOMES)
