"""Play sessions as fast as an engine can, and tell where two runs part."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller_sim.design.form import Design
from controller_sim.design.outputs import Edge, Ended, Fired, LedSet, Message, ModeEntered, Responded, Restarted, decode_one
from controller_sim.midi import describe
from controller_sim.verify.accounts import Wrong
from controller_sim.verify.watching import EngineFactory, Item, Session, packed_outputs


def play(factory: EngineFactory, design: Design, session: Session, start_us: int = 0) -> Any:
    """The engine after a session, with all that it has put out; power comes on at the session's start + `start_us`."""
    engine = factory(design, session.times_us[0] + start_us, session.kept, True)
    if session.arrivals or not hasattr(engine, "play"):
        for time_us, word, arrived in session.instants():
            engine.advance(time_us + start_us, word, arrived)
    elif start_us:
        engine.play([time_us + start_us for time_us in session.times_us], session.words)
    else:
        engine.play(session.times_us, session.words)
    return engine


def compare(name: str, design: Design, one: Sequence[Item], other: Sequence[Item], otherwise: str, by_us: int = 0) -> Wrong | None:
    """The first output in which two runs differ, the other being `by_us` later; `otherwise` says in words what the other did."""
    if not by_us and one == other:
        return None
    first, second = _pairs(one, 0), _pairs(other, by_us)
    if first == second:
        return None
    place = 0
    while place < min(len(first), len(second)) and first[place] == second[place]:
        place += 1
    here = first[place] if place < len(first) else None
    there = second[place] if place < len(second) else None
    time_us = min(pair[0] for pair in (here, there) if pair is not None)
    return Wrong(name, time_us, f"{_tell(design, here)}, but {otherwise} {_tell(design, there)}")


def _pairs(packed: Sequence[Item], by_us: int) -> list[tuple[int, Item]]:
    return [(time_us - by_us, item) for time_us, item in zip(packed[::2], packed[1::2], strict=True) if isinstance(time_us, int)]


def _tell(design: Design, pair: tuple[int, Item] | None) -> str:
    return "nothing more comes" if pair is None else f"at {pair[0]} us comes {tell(design, pair[1])}"


def tell(design: Design, item: Item) -> str:
    """Something put out, in words."""
    match decode_one(0, item):
        case Message(data=data):
            return describe(data)
        case Fired(binding=number):
            b = design.bindings[number]
            return f"{b.gesture} {design.keys[b.key].name} of {design.modes[b.mode].name}"
        case Ended(switch=switch, fate=fate):
            return f"{fate}: {design.switches[switch]}"
        case ModeEntered(mode=mode):
            return f"mode {design.modes[mode].name}"
        case LedSet(led=led, value=value):
            return f"LED {design.leds[led]} {design.led_text(led, value)}"
        case Edge(switch=switch, down=down):
            return f"{design.switches[switch]} {'down' if down else 'up'}"
        case Restarted():
            return "a restart"
        case Responded(response=number):
            return f"the response of line {design.responses[number].place.line}"
    return f"display {item!r}"


def state_difference(design: Design, one: Any, other: Any) -> str | None:
    """What can be seen of two engines that differs, in words."""
    for name in ("mode", "display", "leds", "tempo", "clock_running", "positions"):
        ours, theirs = getattr(one, name), getattr(other, name)
        if name in ("leds", "positions"):
            ours, theirs = list(ours), list(theirs)
        if ours != theirs:
            return f"{name.replace('_', ' ')} is {ours!r} and {theirs!r}"
    for cell in design.cells:
        places = slice(cell.offset, cell.offset + cell.size)
        if list(one.cells[places]) != list(other.cells[places]):
            return f"{cell.name} is {list(one.cells[places])} and {list(other.cells[places])}"
    if tuple(one.kept()) != tuple(other.kept()):
        return "what survives power-off differs"
    return None


def outputs_of(factory: EngineFactory, design: Design, session: Session) -> list[Item]:
    """All that a session brings about, packed."""
    return packed_outputs(play(factory, design, session))
