"""Write down, play and check the behaviour of a multi-mode footswitch controller before it is built.

from controller_sim import Simulator, load_design

booth = Simulator(load_design("booth.yaml"))
booth.wait("100ms")
booth.tap("a")
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller_sim.lazily import asked_for

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
    "Design": "design.form",
    "DesignError": "design",
    "Run": "script",
    "Script": "script",
    "ScriptError": "script",
    "Simulator": "simulator",
    "SimulatorError": "simulator",
    "load_design": "design",
    "parse_script": "script",
    "play": "script",
    "print_script": "script",
    "record": "script",
}

__getattr__ = asked_for(__name__, _HOMES)
