"""What happens to a controller, in a form that every engine and every port can play, and that can be written as a press script."""

from __future__ import annotations

from dataclasses import dataclass, replace

from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import PORT_NAMES, Design
from controller_sim.simulator.engines import EngineFactory
from controller_sim.simulator.simulator import Input, Simulator


@dataclass(frozen=True, slots=True)
class History:
    """What happens from the first power-on, at time 0 with every switch up, to the last power-off. Times in microseconds."""

    inputs: tuple[Input, ...]
    """In order of time; of what happens at one time while the power is on, all is one instant."""
    end_us: int


def played(design: Design, history: History, engine: str | EngineFactory) -> Simulator:
    """A simulator that a history has happened to; `engine` is as it takes it. Raises SimulatorError for what cannot happen."""
    simulator = Simulator(design, engine)
    names = {bit: name for name, bit in PORT_NAMES.items()}
    for entry in history.inputs:
        simulator.advance_to(entry.time_us)
        match entry.kind:
            case "on":
                simulator.power_on()
            case "off":
                simulator.power_off()
            case "contacts":
                simulator.change(entry.contacts)
            case _:
                for event in unpack(entry.arrived):
                    if isinstance(event, PedalReading):
                        simulator.turn(design.pedals[event.pedal].name, event.value)
                    else:
                        simulator.receive(bytes([event.byte]), names[event.port])
    simulator.advance_to(history.end_us)
    return simulator


def is_possible(history: History) -> bool:
    """Whether the power goes off and on by turns."""
    powered = True
    for entry in history.inputs:
        if entry.kind in ("on", "off"):
            if powered == (entry.kind == "on"):
                return False
            powered = entry.kind == "on"
    return True


def moved(entry: Input, by_us: int) -> Input:
    """The same, later."""
    return replace(entry, time_us=entry.time_us + by_us)
