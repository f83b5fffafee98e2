"""What happens to a controller, as one sees it that reads its inputs in turn."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import groupby

from controller_sim.core.kinds import midi_bytes, pedal_reading
from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import Design, Pedal
from controller_sim.simulator import History, Input
from controller_sim.simulator.history import moved


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
