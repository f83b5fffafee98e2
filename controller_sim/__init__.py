"""Write down, play and check the behaviour of a multi-mode footswitch controller before it is built.

from controller_sim import Simulator, load_design

booth = Simulator(load_design("booth.yaml"))
booth.wait("100ms")
booth.tap("a")
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller_sim.design import DesignError, load_design
    from controller_sim.design.form import Design
    from controller_sim.script import Run, Script, ScriptError, parse_script, play, print_script, record
    from controller_sim.simulator import Simulator, SimulatorError

__all__ = [
    "Design",
    "DesignError",
    "Run",
    "Script",
    "ScriptError",
    "Simulator",
    "SimulatorError",
    "load_design",
    "parse_script",
    "play",
    "print_script",
    "record",
]

_HOMES = {
    "Design": "controller_sim.design.form",
    "DesignError": "controller_sim.design",
    "load_design": "controller_sim.design",
    "Simulator": "controller_sim.simulator",
    "SimulatorError": "controller_sim.simulator",
}


def __getattr__(name: str) -> object:
    # Names are looked up when they are first asked for, so that importing the package loads nothing.
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOMES.get(name, "controller_sim.script")), name)
