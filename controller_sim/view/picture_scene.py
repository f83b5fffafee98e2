"""What a picture of a run holds, before anything has a place: lanes from the foot to the wire, each with what happens in it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import PORT_NAMES, SERIAL, Design
from controller_sim.design.outputs import Edge, LedSet, Message, ModeEntered, Output, Restarted, Shown
from controller_sim.midi import serial_times, usb_times
from controller_sim.midi.messages import STATUS_TABLE, is_channel
from controller_sim.script import Run
from controller_sim.view.timeline import CLOCK, Event, events, meaning_of, summary
from controller_sim.view.watched import Watched, Window, watch_run
from controller_sim.view.words import duration, instant, moment

SECTIONS = ("in", "controller", "out")


@dataclass(frozen=True, slots=True)
class Item:
    """One thing in a lane, from `time_us` to `until_us` (equal: an instant)."""

    kind: str
    """contact, level, reading, what a window is, received, echo, gesture, response, fate, restart, mode, display, led, beats, tick,
    message or failed."""
    time_us: int
    until_us: int
    label: str = ""
    """What may stand beside it; empty: nothing."""
    detail: str = ""
    """All that there is to say of it."""
    row: int = 0
    """Among windows that are open at the same time: which of them."""
    ties: tuple[tuple[int, int], ...] = ()
    """(lane, time) of what made it happen."""
    series: str = ""
    """Neighbours with the same series may share a label."""
    value: str = ""
    """What differs from its neighbours in the series."""
    due_us: int = 0
    """Windows: when they would have ended by themselves. Messages: when they were handed over."""
    parts_us: tuple[int, ...] = ()
    """Messages: when each of their bytes or packets begins on the wire."""


@dataclass(frozen=True, slots=True)
class Lane:
    kind: str
    """switch, pedal, received, decided, waiting, mode, display, led, clock, port or failed."""
    name: str
    section: str
    items: tuple[Item, ...]
    steps: tuple[tuple[int, float], ...] = ()
    """(time, level 0..1) from then on: a contact, or a pedal from heel to toe."""
    rows: int = 0
    """The most windows that are open at the same time."""


@dataclass(frozen=True, slots=True)
class Scene:
    """A run as lanes. Times are microseconds since power first came on."""

    title: str
    about: str
    verdict: str
    start_us: int
    end_us: int
    lanes: tuple[Lane, ...]
    off: tuple[tuple[int, int], ...]
    """When there was no power."""
    idle: tuple[str, ...]
    """What the design has and nothing happened to."""


def scene_of(run: Run, start_us: int = 0, end_us: int | None = None) -> Scene:
    """The scene of a run, or of what happened in it from `start_us` to `end_us`."""
    design = run.design
    watched = watch_run(run)
    happened = events(design, run.inputs, watched.outputs, watched.echoes)
    off = tuple(_power_cuts(run))
    ins = [*_switches(run, watched, off), *_pedals(run), *_received(happened)]
    lanes = [
        *ins,
        *_controller(design, watched, happened, ins, off, run.end_us),
        *_failures(run),
        *_ports(design, watched.outputs, happened),
    ]
    last_us = max([run.end_us, *(item.until_us for lane in lanes for item in lane.items)])
    whole = end_us is None and not start_us
    to_us = last_us if end_us is None else min(end_us, last_us)
    kept_lanes, idle = _busy([_within(lane, start_us, to_us) for lane in lanes], lanes)
    told_of = [event for event in happened if start_us <= event.time_us <= to_us]
    told = run.script.file.replace("\\", "/").rpartition("/")[2]
    extent = duration(run.end_us) if whole else f"{moment(start_us)} to {moment(to_us)} of {duration(run.end_us)}"
    missed = len(run.failures)
    verdict = "all expectations met" if not missed else f"{missed} expectation{'s' if missed > 1 else ''} not met"
    return Scene(design.title, f"{told}, {extent}: {summary(told_of)}", verdict, start_us, to_us, kept_lanes, off, idle)


def _within(lane: Lane, start_us: int, end_us: int) -> Lane:
    return replace(lane, items=tuple(item for item in lane.items if item.until_us >= start_us and item.time_us <= end_us))


def _busy(lanes: Sequence[Lane], whole: Sequence[Lane]) -> tuple[tuple[Lane, ...], tuple[str, ...]]:
    """The lanes in which something happens, with ties to their new numbers, and the names of the others."""
    busy = [
        number for number, lane in enumerate(lanes) if lane.kind == "mode" or any(item.kind not in ("power_on",) for item in lane.items)
    ]
    place = {number: new for new, number in enumerate(busy)}
    named = {"switch": "", "pedal": "pedal ", "led": "LED "}
    idle = [named[lane.kind] + lane.name for number, lane in enumerate(whole) if number not in place and lane.kind in named]

    def moved(item: Item) -> Item:
        return replace(item, ties=tuple((place[lane], time_us) for lane, time_us in item.ties if lane in place)) if item.ties else item

    return tuple(replace(lanes[number], items=tuple(map(moved, lanes[number].items))) for number in busy), tuple(idle)


def _power_cuts(run: Run) -> Iterator[tuple[int, int]]:
    off_us: int | None = None
    for item in run.inputs:
        if item.kind == "off":
            off_us = item.time_us
        elif item.kind == "on" and off_us is not None:
            yield off_us, item.time_us
            off_us = None
    if off_us is not None:
        yield off_us, run.end_us


def _switches(run: Run, watched: Watched, off: Sequence[tuple[int, int]]) -> Iterator[Lane]:
    cuts = [start_us for start_us, _ in off]
    for number, name in enumerate(run.design.switches):
        steps = [(0, 0.0)]
        items = []
        for put in run.inputs:
            level = float(put.contacts >> number & 1)
            if put.kind in ("contacts", "on") and level != steps[-1][1]:
                steps.append((put.time_us, level))
                items.append(Item("contact", put.time_us, put.time_us, detail=f"contact of {name} {'closes' if level else 'opens'}"))
        levels = list(_levels(number, name, watched.outputs, cuts, run.end_us))
        windows, rows = _packed([window for window in watched.windows if number in window.switches], levels)
        yield Lane("switch", name, "in", (*items, *levels, *windows), tuple(steps), rows)


def _levels(switch: int, name: str, outputs: Sequence[Output], cuts: Sequence[int], end_us: int) -> Iterator[Item]:
    """When a switch counted as down."""
    since_us: int | None = None
    restarts = [output.time_us for output in outputs if isinstance(output, Restarted)]
    ends: list[tuple[int, int, bool]] = [(time_us, 1, False) for time_us in [*cuts, *restarts, end_us]]
    ends += [(output.time_us, 0, output.down) for output in outputs if isinstance(output, Edge) and output.switch == switch]
    for time_us, _, down in sorted(ends):
        if since_us is not None and not down:
            yield Item("level", since_us, time_us, detail=f"{name} counts as down for {duration(time_us - since_us)}")
            since_us = None
        elif down:
            since_us = time_us


_TOLD = {
    "settle": "contact settles",
    "lockout": "contact not believed",
    "power_on": "contacts settle after power-on",
    "chord": "chord window",
    "hold": "hold",
    "repeat": "repeat",
    "double": "waits for a second press",
}
ON_CONTACT = ("settle", "lockout", "power_on")
"""Windows of the contact itself."""
KEY_WINDOWS = ("chord", "hold", "repeat", "double")
"""Windows of keys: what a press waits for."""


def _packed(windows: Sequence[Window], levels: Sequence[Item]) -> tuple[list[Item], int]:
    """Windows of one switch as items, those of keys in as few rows as they need."""
    items: list[Item] = []
    ends: list[tuple[int, tuple[str, int]]] = []
    for window in sorted(windows, key=lambda window: (window.since_us, (*ON_CONTACT, *KEY_WINDOWS).index(window.what), -window.due_us)):
        since_us = window.since_us
        if window.what == "chord":
            # A switch that joins late waits from its own press on.
            joined = [level.time_us for level in levels if window.since_us <= level.time_us < window.until_us]
            since_us = joined[0] if joined else since_us
        row, same = 0, (window.what, window.since_us)
        if window.what not in ON_CONTACT:
            while row < len(ends) and ends[row][0] > since_us and ends[row][1] != same:
                row += 1
            ends[row : row + 1] = [(max(window.until_us, ends[row][0] if row < len(ends) else 0), same)]
        detail = f"{_TOLD[window.what]}: {_lasted(window)}"
        label = "" if window.what in ON_CONTACT else window.what
        items.append(Item(window.what, since_us, window.until_us, label, detail, row, due_us=window.due_us))
    return items, len(ends)


def _pedals(run: Run) -> Iterator[Lane]:
    for number, pedal in enumerate(run.design.pedals):
        steps = [(0, 0.0)]
        items = []
        for put in run.inputs:
            for arrival in unpack(put.arrived):
                if isinstance(arrival, PedalReading) and arrival.pedal == number:
                    way = (arrival.value - pedal.heel) / (pedal.toe - pedal.heel)
                    steps.append((put.time_us, min(max(way, 0.0), 1.0)))
                    items.append(Item("reading", put.time_us, put.time_us, detail=f"{pedal.name} reads {arrival.value}"))
        yield Lane("pedal", pedal.name, "in", tuple(items), tuple(steps))


def _received(happened: Sequence[Event]) -> Iterator[Lane]:
    for port in PORT_NAMES:
        items = []
        for event in happened:
            if event.kind == "received" and event.facts["port"] == port:
                told = event.facts["meaning"].replace("echo, dropped: ", "echo: ") or event.facts["bytes"]
                series = told if event.facts["bytes"] == f"{CLOCK:02X}" else ""
                kind = "echo" if event.facts["echoes"] else "received"
                items.append(Item(kind, event.time_us, event.time_us, told, event.text, series=series))
        yield Lane("received", f"{port} in", "in", tuple(items))


def _controller(
    design: Design, watched: Watched, happened: Sequence[Event], ins: Sequence[Lane], off: Sequence[tuple[int, int]], end_us: int
) -> Iterator[Lane]:
    yield Lane("decided", "decided", "controller", tuple(_decided(design, watched, happened, ins)))
    waiting, rows = _waiting(design, watched)
    yield Lane("waiting", "waiting", "controller", tuple(waiting), rows=rows)
    cuts = [(start_us, None) for start_us, _ in off] + [(item.time_us, None) for item in watched.outputs if isinstance(item, Restarted)]
    entered = [(o.time_us, design.modes[o.mode].name) for o in watched.outputs if isinstance(o, ModeEntered)]
    yield Lane("mode", "mode", "controller", tuple(_spans("mode", entered, cuts, end_us)))
    shown = [(o.time_us, o.text) for o in watched.outputs if isinstance(o, Shown)]
    yield Lane("display", "display", "controller", tuple(_spans("display", shown, [(start_us, None) for start_us, _ in off], end_us)))
    for led, name in enumerate(design.leds):
        lit = [(o.time_us, _lit(design, led, o.value)) for o in watched.outputs if isinstance(o, LedSet) and o.led == led]
        yield Lane("led", name, "controller", tuple(_spans("led", lit, [(start_us, None) for start_us, _ in off], end_us)))
    yield Lane("clock", "tempo", "controller", tuple(_clock(watched, happened)))


def _waiting(design: Design, watched: Watched) -> tuple[list[Item], int]:
    """The controller's own waits, in as few rows as they need: timers of the mode, and messages that are delayed."""
    items: list[Item] = []
    ends: list[int] = []
    for window in sorted((each for each in watched.windows if each.pending), key=lambda each: (each.since_us, each.due_us)):
        pending = window.pending
        assert pending is not None
        row = next((number for number, end_us in enumerate(ends) if end_us <= window.since_us), len(ends))
        ends[row : row + 1] = [window.until_us]
        if pending.timer is None:
            meaning = meaning_of(design, Message(window.due_us, pending.ports, pending.data))
            label, told = " ".join(_in_short({"bytes": pending.data.hex(), "meaning": meaning})).strip(), f"{meaning}, delayed"
        else:
            timer, mode = design.modes[pending.mode].timers[pending.timer], design.modes[pending.mode].name
            label = f"{'every' if timer.every else 'after'} {duration(timer.period_us)}"
            told = f"timer of {mode}, {label}"
        items.append(Item(window.what, window.since_us, window.until_us, label, f"{told}: {_lasted(window)}", row, due_us=window.due_us))
    return items, len(ends)


def _lasted(window: Window) -> str:
    """How long a wait was to be, and when something cut it short."""
    cut = "" if window.until_us == window.due_us else f", ended after {duration(window.until_us - window.since_us)}"
    return f"{duration(window.due_us - window.since_us)}{cut}"


def _lit(design: Design, led: int, value: int) -> str | None:
    text = design.led_text(led, value)
    return None if text == "off" else text


def _spans(kind: str, changes: Sequence[tuple[int, str | None]], cuts: Sequence[tuple[int, None]], end_us: int) -> Iterator[Item]:
    """What lasts until the next change; None ends it."""
    rows: list[tuple[int, int, str | None]] = [(time_us, 1, text) for time_us, text in changes]
    rows += [(time_us, 0, None) for time_us, _ in cuts]
    rows.sort(key=lambda row: row[:2])
    rows.append((end_us, 2, None))
    for (time_us, _, text), (until_us, _, _) in pairwise(rows):
        if text:
            shown = text.replace("\n", " / ") if kind == "display" else text
            yield Item(kind, time_us, until_us, text, f"{kind} {shown}, for {duration(until_us - time_us)}")


def _decided(design: Design, watched: Watched, happened: Sequence[Event], ins: Sequence[Lane]) -> Iterator[Item]:
    """Gestures with their presses, responses, and the fates of presses that nothing came of."""
    numbers = {lane.name: number for number, lane in enumerate(ins) if lane.kind in ("switch", "pedal")}
    presses = iter(watched.presses)
    for event in happened:
        time_us, facts = event.time_us, event.facts
        if event.kind == "gesture":
            ties = tuple((numbers[design.switches[switch]], pressed_us) for switch, pressed_us in next(presses))
            title = event.text.partition("  ")[0]
            late_us = time_us - max((pressed_us for _, pressed_us in ties), default=time_us)
            later = f", {duration(late_us)} after the press" if late_us else ", at the press"
            # How long a foot waits for what it did: holds and repeats say so themselves, taps and releases wait for the foot.
            told = f"{title} +{duration(late_us)}" if late_us and facts["gesture"] in ("press", "double") else title
            yield Item("gesture", time_us, time_us, told, event.text + later, ties=ties, series=title)
        elif event.kind == "response":
            title = facts["response"]
            pedal = numbers.get(title.removeprefix("move ")) if title.startswith("move ") else None
            ties = () if pedal is None else ((pedal, time_us),)
            yield Item("response", time_us, time_us, title.removeprefix("received "), event.text, ties=ties, series=title)
        elif event.kind == "fate":
            yield Item("fate", time_us, time_us, f"{facts['switch']} {facts['fate']}", event.text, series=event.text)
        elif event.kind == "restart":
            yield Item("restart", time_us, time_us, "restart", event.text)


def _clock(watched: Watched, happened: Sequence[Event]) -> Iterator[Item]:
    ticks = [event for event in happened if _is_tick(event)]
    # A tempo matters where it can be heard, or where it changes.
    if ticks or len(watched.tempos) > 1:
        for time_us, tempo in watched.tempos:
            yield Item("beats", time_us, time_us, str(tempo), f"tempo {tempo} beats a minute")
    for event in ticks:
        yield Item("tick", event.time_us, event.time_us, detail=f"clock tick to {', '.join(event.facts['ports'])}")


def _is_tick(event: Event) -> bool:
    return event.kind == "message" and event.facts["bytes"] == f"{CLOCK:02X}"


def _failures(run: Run) -> Iterator[Lane]:
    items = []
    for failure in run.failures:
        came = "; ".join(failure.came) or "nothing"
        detail = f"line {failure.line}: {failure.step}; expected {failure.expected}; came {came}"
        items.append(Item("failed", failure.time_us, failure.time_us, f"line {failure.line}: {failure.step}", detail))
    yield Lane("failed", "not met", "controller", tuple(sorted(items, key=lambda item: item.time_us)))


def _parts(design: Design, outputs: Sequence[Output], port: int) -> list[tuple[int, ...]]:
    """For each message of a port, when its bytes or packets begin."""
    sent = [(output.time_us, output.data) for output in outputs if isinstance(output, Message) and output.ports & port]
    if port == SERIAL:
        return [tuple(byte.start_us for byte in wire.sent) for wire in serial_times(sent, design.running_status)]
    return [tuple(packet.frame_us for packet in wire.packets) for wire in usb_times(sent)]


def _ports(design: Design, outputs: Sequence[Output], happened: Sequence[Event]) -> Iterator[Lane]:
    for port, bit in PORT_NAMES.items():
        items = []
        parts = iter(_parts(design, outputs, bit))
        for event in happened:
            if event.kind == "message" and port in event.facts["wire"]:
                wire, facts, starts_us = event.facts["wire"][port], event.facts, next(parts)
                series, value = _in_short(facts)
                tick = _is_tick(event)
                label = "" if tick else f"{series} {value}".strip() + f" \u00b7 {facts['bytes']}"
                detail = (
                    f"{facts['meaning']}; {facts['bytes']}; handed over {instant(event.time_us)}, "
                    f"on {port} {instant(wire['start_us'])}..{instant(wire['end_us'])}"
                )
                start_us, end_us = wire["start_us"], wire["end_us"]
                items.append(Item("message", start_us, end_us, label, detail, 0, (), series, value, event.time_us, starts_us))
        items.sort(key=lambda item: item.time_us)
        yield Lane("port", port, "out", tuple(items))


_SHORT = {"program_change": "program", "control_change": "control", "pitchwheel": "bend", "aftertouch": "pressure"}


def _in_short(facts: dict[str, Any]) -> tuple[str, str]:
    """A message in few words, as what it is about and the value that it sets."""
    data = bytes.fromhex(facts["bytes"])
    who, _, what = facts["meaning"].partition("  ")
    if not is_channel(data[0]):
        return what, ""
    kind = STATUS_TABLE[data[0]].name
    if kind in ("note_on", "note_off"):
        off = kind == "note_off" or data[2] == 0
        return f"{who} note {data[1]}", "off" if off else f"on {data[2]}"
    if kind == "control_change":
        named = what.endswith(")")
        return f"{who} {what.rpartition('(')[2][:-1] if named else f'control {data[1]} ='}", str(data[2])
    if kind == "pitchwheel":
        return f"{who} bend", str((data[1] | data[2] << 7) - 8192)
    return f"{who} {_SHORT.get(kind, kind.replace('_', ' '))}", " ".join(str(byte) for byte in data[1:])
