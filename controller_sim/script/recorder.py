"""From a run to a script that demands exactly that run."""

from __future__ import annotations

from collections import defaultdict
from itertools import product

from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import PORT_NAMES, Design
from controller_sim.design.outputs import LedSet, Message, ModeEntered, Output, Restarted, Shown
from controller_sim.script.patterns import RAW, pattern_for
from controller_sim.script.player import Run
from controller_sim.script.printer import print_script
from controller_sim.script.syntax import (
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
    When,
)
from controller_sim.simulator.simulator import Input


def record(run: Run) -> str:
    """A script that does to the contacts what was done in a run, and expects every output at its microsecond.

    It names each message, restart, display, LED and mode when it came, and memory, pedals, tempo and clock at the end. Played on the
    same design it passes, and it fails when anything differs.
    """
    return print_script(record_script(run))


def record_script(run: Run) -> Script:
    """The same as values."""
    inputs: dict[int, list[Input]] = defaultdict(list)
    outputs: dict[int, list[Output]] = defaultdict(list)
    for entry in run.inputs:
        inputs[entry.time_us].append(entry)
    for output in run.outputs:
        outputs[output.time_us].append(output)
    steps: list[Step] = []
    contacts = 0
    for time_us in sorted({*inputs, *outputs}):
        at = When(time_us, True)
        power = [entry for entry in inputs[time_us] if entry.kind in ("on", "off")]
        steps += [_power(at, entry) for entry in power]
        # A contact may have turned over and back at one time, as a second instant there; what it came to is what counts.
        after = inputs[time_us][-1].contacts if inputs[time_us] else contacts
        steps += _changes(run.design, at, contacts, after)
        contacts = after
        steps += _arrivals(run.design, at, [event for entry in inputs[time_us] for event in entry.arrived])
        steps += _messages(run.design, at, outputs[time_us])
        steps += [ExpectRestart(when=at, within_us=None) for output in outputs[time_us] if isinstance(output, Restarted)]
        if not power:
            steps += _state(run.design, at, outputs[time_us])
    return Script(tuple(steps + _end(run)))


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
