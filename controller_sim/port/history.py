"""What happens to a controller, in a form that every engine and every port can play, and that can be written as a press script."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from controller_sim.core.kinds import midi_bytes, pedal_reading
from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import PORT_NAMES, Design, Pedal
from controller_sim.design.storage import keeps
from controller_sim.script import Run, print_script
from controller_sim.script.recorder import record_script
from controller_sim.script.syntax import ExpectMemory, Script, Step
from controller_sim.simulator import Input, Simulator
from controller_sim.simulator.engines import EngineFactory
from controller_sim.simulator.simulator import cell_offset


@dataclass(frozen=True, slots=True)
class History:
    """What happens from the first power-on, at time 0 with every switch up, to the last power-off."""

    inputs: tuple[Input, ...]
    """In order of time; of what happens at one time while the power is on, all is one instant."""
    end_us: int


def seen_by_polling(design: Design, history: History) -> History:
    """The same as a controller sees it that reads its inputs in turn.

    At one instant it finds a pedal at one place only, then bytes from the serial port, then from USB. At power-on it finds every
    pedal where it stood; what arrives at that very instant comes 1 us later, and MIDI bytes without power not at all. A reading
    beyond what a pedal reads is the nearest that it does.
    """
    inputs: list[Input] = []
    for entry in history.inputs:
        if entry.kind == "arrived" and entry.time_us == _last_power_on_us(inputs):
            entry = moved(entry, 1)
        inputs.append(entry)
    inputs.sort(key=lambda entry: entry.time_us)
    taken: list[Input] = []
    powered, word = True, 0
    for time_us, kinds in _instants(inputs):
        if kinds[0].kind in ("on", "off"):
            powered = kinds[0].kind == "on"
            taken.append(replace(kinds[0], contacts=word))
            continue
        after = [entry.contacts for entry in kinds if entry.kind == "contacts"]
        if after and after[-1] != word:
            word = after[-1]
            taken.append(Input(time_us, "contacts", word))
        readings, received = _sorted_out(entry for each in kinds for entry in each.arrived)
        events = [pedal_reading(pedal, _possible(design.pedals[pedal], value)) for pedal, value in sorted(readings.items())]
        for port, data in sorted(received.items()) if powered else ():
            events += midi_bytes(port, data)
        if events:
            taken.append(Input(time_us, "arrived", word, tuple(events)))
    return History(tuple(taken), max(history.end_us, taken[-1].time_us if taken else 0))


def _possible(pedal: Pedal, value: int) -> int:
    low, high = pedal.reads
    return min(max(value, low), high)


def _last_power_on_us(inputs: Sequence[Input]) -> int:
    """When the power came on last; -1 while it is off."""
    power = next((entry for entry in reversed(inputs) if entry.kind in ("on", "off")), None)
    if power is None:
        return 0
    return power.time_us if power.kind == "on" else -1


def _instants(inputs: Iterable[Input]) -> Iterator[tuple[int, list[Input]]]:
    """Inputs that belong together: all of one time, but each change of power alone."""
    number = 0

    def instant(entry: Input) -> tuple[int, int]:
        nonlocal number
        number += entry.kind in ("on", "off")
        return entry.time_us, 2 * number + (entry.kind in ("on", "off"))

    for (time_us, _), group in groupby(inputs, instant):
        yield time_us, list(group)


def _sorted_out(arrived: Iterable[int]) -> tuple[dict[int, int], dict[int, bytearray]]:
    """The last reading of each pedal, and the bytes of each port."""
    readings: dict[int, int] = {}
    received: dict[int, bytearray] = {}
    for event in unpack(arrived):
        if isinstance(event, PedalReading):
            readings[event.pedal] = event.value
        else:
            received.setdefault(event.port, bytearray()).append(event.byte)
    return readings, received


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


def as_script(design: Design, history: History, engine: str) -> str:
    """A press script in which the history happens and which expects what `engine` puts out, and the cells that have changed at the end."""
    simulator = played(design, history, engine)
    outputs = tuple(simulator.outputs)
    power = simulator.powered_engine() if simulator.powered else None
    run = Run(
        design=design,
        script=Script(()),
        engine=engine,
        inputs=tuple(simulator.inputs),
        outputs=outputs,
        failures=(),
        end_us=simulator.now_us,
        mode=simulator.mode,
        cells=tuple(power.cells) if power else None,
        tempo=power.tempo if power else None,
        clock_running=bool(power.clock_running) if power else None,
        storage=simulator.storage if keeps(design) else None,
    )
    starts = [value for cell in design.cells for value in cell.start_values]
    script = record_script(run)
    return print_script(Script(tuple(step for step in script.steps if not _as_at_first(design, step, starts))))


def _as_at_first(design: Design, step: Step, starts: Sequence[int]) -> bool:
    """Whether a step only says that a cell holds its first value."""
    return isinstance(step, ExpectMemory) and starts[cell_offset(design, step.cell, step.indices)[1]] == step.value


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
