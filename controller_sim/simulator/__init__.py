"""A simulator object: a design, played by one of the engines, and the chip that keeps its cells."""

from controller_sim.simulator.engines import Engine
from controller_sim.simulator.errors import SimulatorError
from controller_sim.simulator.history import History, played
from controller_sim.simulator.simulator import Input, Memory, Simulator, duration_us
from controller_sim.simulator.storage import Save, Storage

__all__ = ["Engine", "History", "Input", "Memory", "Save", "Simulator", "SimulatorError", "Storage", "duration_us", "played"]
