"""From a run to a script that demands exactly that run."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby, product

from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import PORT_NAMES, Design
from controller_sim.design.outputs import LedSet, Message, ModeEntered, Output, Restarted, Shown
from controller_sim.design.storage import keeps
from controller_sim.script.patterns import RAW, pattern_for
from controller_sim.script.player import Run
from controller_sim.script.printer import print_script
from controller_sim.script.syntax import (
    READY_US,
    Change,
    CutPower,
    ExpectClock,
    ExpectDisplay,
    ExpectLed,
    ExpectMemory,
    ExpectMessage,
    ExpectMode,
    ExpectNothingElse,
    ExpectPedal,
    ExpectRestart,
    ExpectTempo,
    Move,
    Pattern,
    PowerOff,
    PowerOn,
    Receive,
    Script,
    Step,
    Wait,
    When,
)
from controller_sim.simulator.history import History, played
from controller_sim.simulator.simulator import Input, cell_offset


def record(run: Run) -> str:
    """A script that does to the contacts what was done in a run, and expects every output at its microsecond.

    It names each message, restart, display, LED and mode when it came, and memory, pedals, tempo and clock at the end. Played on the
    same design it passes, and it fails when anything differs.
    """
    return print_script(record_script(run))


def record_script(run: Run) -> Script:
    """The same as values."""
    doings: dict[int, list[Step]] = defaultdict(list)
    outputs: dict[int, list[Output]] = defaultdict(list)
    for step in _doings(run.design, run.inputs):
        assert step.when is not None
        doings[step.when.time_us].append(step)
    for output in run.outputs:
        outputs[output.time_us].append(output)
    steps: list[Step] = []
    for time_us in sorted({*doings, *outputs}):
        at = When(time_us, True)
        steps += doings[time_us]
        steps += _messages(run.design, at, outputs[time_us])
        steps += [ExpectRestart(when=at, within_us=None) for output in outputs[time_us] if isinstance(output, Restarted)]
        if not any(isinstance(step, PowerOn | PowerOff | CutPower) for step in doings[time_us]):
            steps += _state(run.design, at, outputs[time_us])
    return Script(tuple(steps + _end(run)))


def record_history(design: Design, history: History, engine: str = "reference") -> str:
    """A script in which a history happens and which expects what `engine` puts out, and the cells that have changed at the end.

    Raises SimulatorError for what cannot happen.
    """
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
    return print_script(Script(tuple(step for step in record_script(run).steps if not _as_at_first(design, step))))


def _as_at_first(design: Design, step: Step) -> bool:
    """Whether a step only says that a cell is as it was on the first day."""
    if not isinstance(step, ExpectMemory):
        return False
    cell, place = cell_offset(design, step.cell, step.indices)
    return cell.start_values[place - cell.offset] == step.value


def retell(design: Design, history: History) -> str:
    """A script in which a history happens and which expects nothing; a step's time counts from the step before."""
    steps: list[Step] = []
    clock_us = READY_US
    for step in _doings(design, history.inputs):
        assert step.when is not None
        at_us = step.when.time_us
        when = When(at_us - clock_us, False) if at_us > clock_us else When(at_us, True)
        steps.append(replace(step, when=None if at_us == clock_us else when))
        clock_us = at_us + READY_US if isinstance(step, PowerOn) else at_us
    if history.end_us > clock_us:
        steps.append(Wait(duration_us=history.end_us - clock_us))
    elif not steps or isinstance(steps[-1], PowerOn):
        # What happened at power-on is over before the next step can be; a last step lets it happen.
        steps.append(Wait(duration_us=1))
    return print_script(Script(tuple(steps)))


def _doings(design: Design, inputs: Sequence[Input]) -> Iterator[Step]:
    """What was done, each step at its time; of what happened at one time the power comes first."""
    contacts = 0
    for time_us, instant in groupby(inputs, lambda entry: entry.time_us):
        at, entries = When(time_us, True), list(instant)
        yield from (_power(at, entry) for entry in entries if entry.kind in ("on", "off"))
        # A contact may have turned over and back at one time, as a second instant there; what it came to is what counts.
        yield from _changes(design, at, contacts, entries[-1].contacts)
        contacts = entries[-1].contacts
        yield from _arrivals(design, at, [event for entry in entries for event in entry.arrived])


def _power(at: When, entry: Input) -> Step:
    if entry.kind == "on":
        return PowerOn(when=at)
    return PowerOff(when=at) if entry.cut is None else CutPower(when=at, byte=entry.cut.byte, leaving=entry.cut.leaving)


def _changes(design: Design, at: When, before: int, after: int) -> list[Step]:
    steps: list[Step] = []
    for down, word in ((False, before & ~after), (True, after & ~before)):
        names = tuple(name for i, name in enumerate(design.switches) if word >> i & 1)
        if names:
            steps.append(Change(when=at, switches=names, down=down))
    return steps


def _arrivals(design: Design, at: When, arrived: list[int]) -> list[Step]:
    """Pedals as they were read; bytes that came to one port in a row as one step."""
    steps: list[Step] = []
    for arrival in unpack(arrived):
        if isinstance(arrival, PedalReading):
            steps.append(Move(when=at, pedal=design.pedals[arrival.pedal].name, to=arrival.value))
            continue
        port = next(name for name, bit in PORT_NAMES.items() if bit == arrival.port)
        before = b""
        if steps and isinstance(last := steps[-1], Receive) and last.port == port:
            before = last.data
            steps.pop()
        steps.append(Receive(when=at, port=port, data=before + bytes([arrival.byte])))
    return steps


def _messages(design: Design, at: When, outputs: list[Output]) -> list[Step]:
    steps: list[Step] = []
    for message in outputs:
        if not isinstance(message, Message):
            continue
        pattern, channel = pattern_for(message.data)
        device = next((device for device in design.devices if device.channel == channel and device.ports == message.ports), None)
        if device is not None:
            steps.append(ExpectMessage(when=at, to=device.name, message=pattern, within_us=None))
            continue
        if channel is not None:
            pattern = Pattern(RAW, tuple(message.data))
        steps += [
            ExpectMessage(when=at, to=name, message=pattern, within_us=None) for name, port in PORT_NAMES.items() if port & message.ports
        ]
    return steps


def _state(design: Design, at: When, outputs: list[Output]) -> list[Step]:
    """What the state came to at an instant: the last of each kind of output counts."""
    last: dict[object, Step] = {}
    for output in outputs:
        if isinstance(output, Shown):
            last["display"] = ExpectDisplay(when=at, lines=tuple(output.text.split("\n")), within_us=None)
        elif isinstance(output, LedSet):
            shown = design.led_text(output.led, output.value)
            last["led", output.led] = ExpectLed(when=at, led=design.leds[output.led], level=shown, within_us=None)
        elif isinstance(output, ModeEntered):
            last["mode"] = ExpectMode(when=at, mode=design.modes[output.mode].name, within_us=None)
        elif isinstance(output, Restarted):
            last.pop("mode", None)
    return list(last.values())


def _end(run: Run) -> list[Step]:
    at = When(run.end_us, True)
    steps: list[Step] = [ExpectNothingElse(when=at)]
    if run.cells is not None:
        for cell in run.design.cells:
            for number, indices in enumerate(product(*map(range, cell.shape))):
                value = run.cells[cell.offset + number]
                steps.append(ExpectMemory(when=at, cell=cell.name, indices=indices, value=value, within_us=None))
    for pedal, position in zip(run.design.pedals, run.positions or (), strict=False):
        steps.append(ExpectPedal(when=at, pedal=pedal.name, position=position, within_us=None))
    if run.tempo is not None and run.clock_running is not None:
        steps.append(ExpectTempo(when=at, tempo=run.tempo, within_us=None))
        steps.append(ExpectClock(when=at, running=run.clock_running, within_us=None))
    return steps
