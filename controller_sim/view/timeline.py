"""A run as a person reads it: what the feet did, what fired, what was shown and sent, and when each byte was on the wire."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from controller_sim.design.arrivals import MidiByte, PedalReading, unpack
from controller_sim.design.form import PORT_NAMES, SERIAL, USB, Design
from controller_sim.design.outputs import Edge, Ended, Fired, LedSet, Message, ModeEntered, Output, Responded, Restarted, Shown
from controller_sim.midi import Decoder, describe, largest_queue_bytes, serial_times, usb_times
from controller_sim.midi.wire import FRAME_US, UsbMessage, WireMessage
from controller_sim.simulator import Input
from controller_sim.view.words import Paint, gesture_title, instant, plural, response_title, unpainted

BOUNCE_US = 10_000
"""A contact that changes again sooner than this is told as a bouncing one; no foot is that fast."""
CLOCK = 0xF8

_STYLES = {
    "contact": "foot",
    "power": "foot",
    "pedal": "foot",
    "received": "foot",
    "gesture": "strong",
    "response": "strong",
    "fate": "quiet",
    "mode": "strong",
    "restart": "strong",
    "message": "sound",
    "display": "good",
}


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened. `facts` holds what `text` says as plain data, for scripts."""

    time_us: int
    kind: str
    """contact, pedal, received, power, gesture, response, fate, edge, mode, restart, led, display or message."""
    text: str
    facts: dict[str, Any] = field(default_factory=dict)


Echo = tuple[int, int, bytes]
"""A message that came in and counted for nothing: (time, port, message)."""


def events(design: Design, inputs: Sequence[Input], outputs: Sequence[Output], echoes: Iterable[Echo] = ()) -> list[Event]:
    """Everything that happened, in order of time; at one instant the feet come first, then what they caused.

    Which messages were `echoes` only an engine knows: `watched.watch` tells.
    """
    ranked = list(_input_events(design, inputs, Counter(echoes)))
    wires = _wires(design, outputs)
    for number, output in enumerate(outputs):
        ranked.append((output.time_us, 1, _output_event(design, output, wires.get(number, {}))))
    ranked.sort(key=lambda item: item[:2])
    return [event for _, _, event in ranked]


def _input_events(design: Design, inputs: Sequence[Input], echoes: Counter[Echo]) -> Iterator[tuple[int, int, Event]]:
    """Events with a rank: contacts come before what they cause, a power cut after all that happened by then."""
    word, cut_us = 0, -1
    decoders = {port: Decoder() for port in PORT_NAMES.values()}
    changes: list[tuple[int, int, int, bool]] = []
    for item in inputs:
        if item.kind == "arrived":
            rank = 3 if item.time_us == cut_us else 0
            yield from ((item.time_us, rank, event) for event in _arrived_events(design, item, decoders, echoes))
            continue
        if item.kind != "contacts":
            cut_us = item.time_us
            where = "" if item.cut is None else f" in byte {item.cut.byte} of a save"
            yield item.time_us, 2, Event(item.time_us, "power", f"power {item.kind}{where}", {"on": item.kind == "on"})
            continue
        rank = 3 if item.time_us == cut_us else 0
        changed = word ^ item.contacts
        changes += [(item.time_us, rank, n, bool(item.contacts >> n & 1)) for n in range(len(design.switches)) if changed >> n & 1]
        word = item.contacts
    yield from _contact_events(design, changes)


def _arrived_events(design: Design, item: Input, decoders: Mapping[int, Decoder], echoes: Counter[Echo]) -> Iterator[Event]:
    """An event for each reading of a pedal, and for the bytes that came to one port in a row; takes the echoes that it tells."""
    for is_byte, group in groupby(unpack(item.arrived), lambda arrival: arrival.port if isinstance(arrival, MidiByte) else 0):
        arrivals = list(group)
        if is_byte:
            data = bytes(arrival.byte for arrival in arrivals if isinstance(arrival, MidiByte))
            told, dropped = [], 0
            for message in decoders[is_byte].feed(data):
                echo = (item.time_us, is_byte, bytes(message))
                found = echoes[echo] > 0
                echoes[echo] -= found
                dropped += found
                told.append(("echo, dropped: " if found else "") + describe(message))
            port, meaning = _port_names(is_byte), ", ".join(told)
            facts: dict[str, Any] = {"port": port, "bytes": data.hex(" ").upper(), "meaning": meaning, "echoes": dropped}
            yield Event(item.time_us, "received", f"{port} receives {facts['bytes']}" + (f"  {meaning}" if meaning else ""), facts)
        for arrival in arrivals:
            if isinstance(arrival, PedalReading):
                name = design.pedals[arrival.pedal].name
                yield Event(item.time_us, "pedal", f"{name} reads {arrival.value}", {"pedal": name, "value": arrival.value})


@dataclass(slots=True)
class _Move:
    """A contact's first change, and how it ended after the changes that followed at once."""

    time_us: int
    rank: int
    switch: int
    first_down: bool
    down: bool
    until_us: int
    bounces: int = 0


def _contact_events(design: Design, changes: Sequence[tuple[int, int, int, bool]]) -> Iterator[tuple[int, int, Event]]:
    """One event for each move of a foot: the changes that follow at once are the contact's bounce."""
    moves: list[_Move] = []
    latest: dict[int, _Move] = {}
    for time_us, rank, switch, down in changes:
        move = latest.get(switch)
        if move is not None and time_us - move.until_us < BOUNCE_US:
            move.down, move.until_us, move.bounces = down, time_us, move.bounces + 1
        else:
            latest[switch] = move = _Move(time_us, rank, switch, down, down, time_us)
            moves.append(move)
    for move in moves:
        yield move.time_us, move.rank, _contact_event(design, move)


def _contact_event(design: Design, move: _Move) -> Event:
    name = design.switches[move.switch]
    facts: dict[str, Any] = {"switch": name, "down": move.down, "spike": move.down != move.first_down}
    if move.bounces:
        facts |= {"bounces": move.bounces, "until_us": move.until_us}
    if facts["spike"]:
        text = f"{name} {'closes' if move.first_down else 'opens'} for a moment, until {instant(move.until_us)}"
    else:
        text = f"{'down' if move.down else 'up'} {name}"
        text += f", bouncing until {instant(move.until_us)}" if move.bounces else ""
    return Event(move.time_us, "contact", text, facts)


def _output_event(design: Design, output: Output, wire: dict[str, Any]) -> Event:
    time_us = output.time_us
    facts: dict[str, Any]
    if isinstance(output, Message):
        return _message_event(design, output, wire)
    if isinstance(output, Fired):
        binding = design.bindings[output.binding]
        mode = design.modes[binding.mode].name
        key = design.keys[binding.key].name
        title = gesture_title(design, binding)
        facts = {
            "gesture": binding.gesture,
            "key": key,
            "mode": mode,
            "file": binding.place.file,
            "line": binding.place.line,
        }
        return Event(time_us, "gesture", f"{title}  in {mode}, line {binding.place.line}", facts)
    if isinstance(output, Responded):
        response = design.responses[output.response]
        title, mode, place = response_title(design, response), design.modes[response.mode].name, response.place
        return Event(
            time_us,
            "response",
            f"{title}  in {mode}, line {place.line}",
            {"response": title, "mode": mode, "file": place.file, "line": place.line},
        )
    if isinstance(output, Ended):
        name = design.switches[output.switch]
        return Event(time_us, "fate", f"press of {name}: {output.fate}", {"switch": name, "fate": output.fate})
    if isinstance(output, ModeEntered):
        name = design.modes[output.mode].name
        return Event(time_us, "mode", f"mode {name}", {"mode": name})
    if isinstance(output, Restarted):
        return Event(time_us, "restart", "restarts as at power-on")
    if isinstance(output, LedSet):
        name, level = design.leds[output.led], design.led_text(output.led, output.value)
        return Event(time_us, "led", f"{name} {level}", {"led": name, "level": level})
    if isinstance(output, Shown):
        lines = output.text.split("\n")
        return Event(time_us, "display", "display  " + " / ".join(f"[{line}]" for line in lines), {"lines": lines})
    if isinstance(output, Edge):
        name = design.switches[output.switch]
        return Event(time_us, "edge", f"edge {'down' if output.down else 'up'} {name}", {"switch": name, "down": output.down})
    raise TypeError(f"no such output: {output!r}")


def _message_event(design: Design, message: Message, wire: dict[str, Any]) -> Event:
    meaning = meaning_of(design, message)
    ports = [name for name, port in PORT_NAMES.items() if message.ports & port]
    text = meaning
    if wire:
        text += "  " + ", ".join(f"{name} {instant(times['start_us'])}..{instant(times['end_us'])}" for name, times in wire.items())
    facts = {"ports": ports, "bytes": message.data.hex(" ").upper(), "meaning": meaning, "wire": wire}
    return Event(message.time_us, "message", text, facts)


def meaning_of(design: Design, message: Message) -> str:
    """A message in words: the devices that hear it, what it is, and the controller's name where the device gives it one."""
    status = message.data[0]
    text = describe(message.data)
    if status >= 0xF0:
        return f"{_port_names(message.ports)}  {text}"
    listeners = [device for device in design.devices if device.channel == status & 15 and device.ports & message.ports]
    if status & 0xF0 == 0xB0:
        changed = message.data[1]
        names = {c.name for device in listeners for c in device.controllers or () if changed in (c.number, c.lower_number)}
        if names:
            text += f" ({', '.join(sorted(names))})"
    return f"{', '.join(device.name for device in listeners) or _port_names(message.ports)}  {text}"


def _port_names(ports: int) -> str:
    return ", ".join(name for name, port in PORT_NAMES.items() if ports & port)


def _on_port(outputs: Sequence[Output], port: int) -> list[tuple[int, Message]]:
    return [(number, output) for number, output in enumerate(outputs) if isinstance(output, Message) and output.ports & port]


def _serial(design: Design, outputs: Sequence[Output]) -> list[tuple[int, WireMessage]]:
    mine = _on_port(outputs, SERIAL)
    timed = serial_times([(message.time_us, message.data) for _, message in mine], design.running_status)
    return [(number, wire) for (number, _), wire in zip(mine, timed, strict=True)]


def _usb(outputs: Sequence[Output]) -> list[tuple[int, UsbMessage]]:
    mine = _on_port(outputs, USB)
    timed = usb_times([(message.time_us, message.data) for _, message in mine])
    return [(number, wire) for (number, _), wire in zip(mine, timed, strict=True)]


def _wires(design: Design, outputs: Sequence[Output]) -> dict[int, dict[str, Any]]:
    """For each output that is a message, by its number: when it is on each of its ports."""
    wires: dict[int, dict[str, Any]] = {}
    for number, serial in _serial(design, outputs):
        wires.setdefault(number, {})["serial"] = {"start_us": serial.start_us, "end_us": serial.end_us}
    for number, usb in _usb(outputs):
        times = {"start_us": usb.packets[0].frame_us, "end_us": usb.packets[-1].frame_us + FRAME_US}
        wires.setdefault(number, {})["usb"] = times
    return wires


def timeline_lines(happened: Iterable[Event], paint: Paint = unpainted) -> Iterator[str]:
    """The run as text: time in seconds, the feet at the left, what they caused further right.

    LEDs that change together share a line, and MIDI clock ticks and readings of a pedal in a row are counted rather than listed.
    """
    last_us = -1
    last_foot_us = 0
    for event in _condensed(happened):
        foot = event.kind in ("contact", "power", "pedal", "received")
        if foot and last_us >= 0 and event.time_us - last_foot_us > 500_000:
            yield ""
        if foot:
            last_foot_us = event.time_us
        stamp = instant(event.time_us) if event.time_us != last_us else ""
        last_us = event.time_us
        indent = "" if foot else "    "
        style = _STYLES.get(event.kind, "")
        yield f"{paint(f'{stamp:>12}', 'quiet')}  {indent}{paint(event.text, style) if style else event.text}"


def _condensed(happened: Iterable[Event]) -> Iterator[Event]:
    """Ticks in a row become one event, and so do readings of a pedal and LEDs of one instant."""
    run: list[Event] = []
    for event in happened:
        if run and not _together(run[0], event):
            yield _joined(run)
            run = []
        run.append(event)
    if run:
        yield _joined(run)


def _together(first: Event, event: Event) -> bool:
    if first.kind == event.kind == "led":
        return first.time_us == event.time_us
    if first.kind == event.kind == "pedal":
        return bool(first.facts["pedal"] == event.facts["pedal"])
    return _is_tick(first) and _is_tick(event)


def _is_tick(event: Event) -> bool:
    return event.kind == "message" and event.facts["bytes"] == f"{CLOCK:02X}"


def _joined(run: Sequence[Event]) -> Event:
    first = run[0]
    if first.kind == "led":
        return Event(first.time_us, "led", "LEDs  " + ", ".join(event.text for event in run))
    if len(run) == 1:
        return first
    if first.kind == "pedal":
        values = f"{first.facts['value']} to {run[-1].facts['value']}"
        return Event(
            first.time_us, "pedal", f"{first.facts['pedal']} reads {values} in {len(run)} readings until {instant(run[-1].time_us)}"
        )
    ports = ", ".join(first.facts["ports"])
    return Event(first.time_us, "message", f"{ports}  {len(run)} clock ticks until {instant(run[-1].time_us)}")


def wire_lines(design: Design, outputs: Sequence[Output]) -> Iterator[str]:
    """Every byte on the serial line and every USB packet, with its times in seconds."""
    serial = [wire for _, wire in _serial(design, outputs)]
    if serial:
        yield f"serial, 31,250 baud, at most {plural(largest_queue_bytes(serial), 'byte')} waiting"
        for byte in sorted((byte for wire in serial for byte in wire.sent), key=lambda byte: byte.start_us):
            yield f"{instant(byte.start_us):>12} .. {instant(byte.end_us)}  {byte.value:02X}"
    packets = [packet for _, wire in _usb(outputs) for packet in wire.packets]
    if packets:
        yield "USB packets, by the start of their frame"
        for packet in packets:
            yield f"{instant(packet.frame_us):>12}  {packet.data.hex(' ').upper()}"


def wire_json(design: Design, outputs: Sequence[Output]) -> dict[str, Any]:
    """The same as plain data, times in microseconds."""
    return {
        "serial": [
            {"start_us": byte.start_us, "end_us": byte.end_us, "byte": f"{byte.value:02X}"}
            for byte in sorted((byte for _, wire in _serial(design, outputs) for byte in wire.sent), key=lambda byte: byte.start_us)
        ],
        "usb": [
            {"frame_us": packet.frame_us, "packet": packet.data.hex(" ").upper()} for _, wire in _usb(outputs) for packet in wire.packets
        ],
    }


def as_json(happened: Iterable[Event]) -> list[dict[str, Any]]:
    """The events as plain data, nothing left out: times in microseconds, messages as bytes and in words."""
    return [{"time_us": event.time_us, "kind": event.kind, **event.facts} for event in happened]


def summary(happened: Sequence[Event]) -> str:
    """A run in one line of numbers."""
    presses = sum(event.kind == "contact" and event.facts["down"] and not event.facts["spike"] for event in happened)
    gestures = sum(event.kind == "gesture" for event in happened)
    ticks = sum(_is_tick(event) for event in happened)
    messages = sum(event.kind == "message" for event in happened) - ticks
    text = f"{plural(presses, 'press')}, {plural(gestures, 'gesture')}, {plural(messages, 'message')}"
    return text + (f", {plural(ticks, 'clock tick')}" if ticks else "")
