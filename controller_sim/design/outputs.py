"""What an engine puts out, as objects for the edge of the package, and the packed form of the fast engine.

The fast engine appends pairs to one flat list: a time in microseconds, then an item. A text (str) is a new
display; an integer holds its kind in the lowest three bits and the rest above:

    MESSAGE  ports (2 bits), then the bytes, first byte lowest, topped by a 1 that marks the length
    FIRED    binding
    ENDED    fate (2 bits), switch
    MODE     mode
    LED      value (8 bits), led
    EDGE     down (1 bit), switch
    RESTARTED  nothing
    RESPONDED  values of 14 bits, first value lowest, topped by a 1, then response (10 bits)
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from controller_sim.core.kinds import EDGE, ENDED, FIRED, LED, MESSAGE, MODE, RESTARTED, message_item, response_item, response_of

FATES = ("unbound", "cancelled", "spent")


@dataclass(frozen=True, slots=True)
class Output:
    time_us: int


@dataclass(frozen=True, slots=True)
class Message(Output):
    """A whole MIDI message handed to a set of ports (SERIAL | USB of design.form)."""

    ports: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Fired(Output):
    """A gesture fired: the binding's index."""

    binding: int


@dataclass(frozen=True, slots=True)
class Ended(Output):
    """A debounced press of a switch came to its end without anything having fired for it."""

    switch: int
    fate: str


@dataclass(frozen=True, slots=True)
class ModeEntered(Output):
    mode: int


@dataclass(frozen=True, slots=True)
class LedSet(Output):
    led: int
    value: int


@dataclass(frozen=True, slots=True)
class Shown(Output):
    """The display's new text; lines are separated by newlines."""

    text: str


@dataclass(frozen=True, slots=True)
class Edge(Output):
    """A debounced edge; put out only by an engine that was asked to trace."""

    switch: int
    down: bool


@dataclass(frozen=True, slots=True)
class Restarted(Output):
    """The controller began again as at power-on; no switch counts as down any more, and what goes dark follows as outputs."""


@dataclass(frozen=True, slots=True)
class Responded(Output):
    """A pedal moved or a message was received: the response's index, and the values that came, as many as its cause has."""

    response: int
    values: tuple[int, ...] = ()


def decode(packed: Iterable[int | str]) -> list[Output]:
    """Turn the fast engine's flat list of time, item, time, item into objects."""
    items = iter(packed)
    return [decode_one(time, item) for time, item in zip(items, items, strict=True)]  # type: ignore[arg-type]  # a time is never a text


def decode_one(time_us: int, item: int | str) -> Output:
    """One output as an object."""
    if isinstance(item, str):
        return Shown(time_us, item)
    kind, rest = item & 7, item >> 3
    if kind == MESSAGE:
        marked = rest >> 2
        length = (marked.bit_length() - 1) // 8
        return Message(time_us, rest & 3, (marked ^ (1 << 8 * length)).to_bytes(length, "little"))
    if kind == FIRED:
        return Fired(time_us, rest)
    if kind == ENDED:
        return Ended(time_us, rest >> 2, FATES[rest & 3])
    if kind == MODE:
        return ModeEntered(time_us, rest)
    if kind == LED:
        return LedSet(time_us, rest >> 8, rest & 255)
    if kind == RESTARTED:
        return Restarted(time_us)
    if kind == EDGE:
        return Edge(time_us, rest >> 1, bool(rest & 1))
    return Responded(time_us, response_of(item), tuple(_values(rest >> 10)))


def _values(marked: int) -> Iterator[int]:
    while marked >> 14:
        yield marked & 0x3FFF
        marked >>= 14


def encode(outputs: Iterable[Output]) -> list[int | str]:
    """The inverse of `decode`."""
    return [part for output in outputs for part in (output.time_us, _encode_one(output))]


def _encode_one(output: Output) -> int | str:
    match output:
        case Shown(text=text):
            return text
        case Message(ports=ports, data=data):
            item: int = message_item(ports, data)
            return item
        case Fired(binding=binding):
            return binding << 3 | FIRED
        case Ended(switch=switch, fate=fate):
            return (switch << 2 | FATES.index(fate)) << 3 | ENDED
        case ModeEntered(mode=mode):
            return mode << 3 | MODE
        case LedSet(led=led, value=value):
            return (led << 8 | value) << 3 | LED
        case Edge(switch=switch, down=down):
            return (switch << 1 | down) << 3 | EDGE
        case Restarted():
            return RESTARTED
        case Responded(response=response, values=values):
            answer: int = response_item(response, values)
            return answer
    raise TypeError(f"no output: {output!r}")
