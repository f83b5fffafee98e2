"""A simulator object: a design, played by one of the engines."""

from controller_sim.simulator.simulator import Engine, Input, Memory, Simulator, SimulatorError, duration_us

__all__ = ["Engine", "Input", "Memory", "Simulator", "SimulatorError", "duration_us"]
