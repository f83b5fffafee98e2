"""What is bound to something that is no press: `move PEDAL` and `received MESSAGE(...)`."""

from __future__ import annotations

import keyword
import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

from controller_sim.design.actions import compile_condition
from controller_sim.design.bindings import ModeBindings, Parameters
from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import PORT_NAMES, Controller, Device, Moved, Place, Received, Response
from controller_sim.design.keys import WHEN, nearest, parse_range
from controller_sim.design.layout import Layout, new_parameter
from controller_sim.design.nodes import scalar
from controller_sim.design.program import Binary, Constant, Expression, Local
from controller_sim.design.yaml_text import Mapping, Node, Scalar
from controller_sim.midi.messages import STATUS_TABLE, is_channel

MAX_RESPONSES = 1000
ALL_PORTS = sum(PORT_NAMES.values())
DATA = (0, 127)
PAIR = (0, 16383)
MAX_SYSEX_VALUES = 16
"""How many of the bytes between F0 and F7 a binding may name."""
CENTRE = 8192
ANY_KIND = 16
"""A status below is a channel: of what is sent, any message on it."""
_WIDE = ("pitchwheel", "songpos")
"""Their two data bytes are one value."""


def _kinds(channel: bool) -> dict[str, tuple[int, int]]:
    """By the word of the language, the status byte (on channel 1) and how many values a message has that can be named."""
    kinds: dict[str, tuple[int, int]] = {}
    for status, kind in STATUS_TABLE.items():
        if is_channel(status) == channel and status & (15 if channel else 0) == 0 and kind.data_bytes is not None:
            word = f"{kind.name}_" if keyword.iskeyword(kind.name) else kind.name
            kinds[word] = status, 1 if kind.name in _WIDE else kind.data_bytes
    return kinds


CHANNEL_KINDS = _kinds(channel=True)
SYSTEM_KINDS = {
    **{word: kind for word, kind in _kinds(channel=False).items() if word != "quarter_frame"},
    "sysex": (0xF0, MAX_SYSEX_VALUES),
}
_MESSAGE = re.compile(r"\s*(?:received|sent)\s+(?P<kind>\w+)\s*(?:\((?P<inside>[^()]*)\)\s*)?")
_MOVE = re.compile(r"\s*move\s+(?P<pedal>\w+)\s*")
_CHANNEL = re.compile(r"channel\s+([0-9]{1,2})")
_CAPTURE = re.compile(r"(?P<name>[A-Za-z_]\w*)(?:\s+in\s+(?P<range>\S.*))?")


@dataclass(slots=True)
class ResponseEntry:
    """One entry of a file, its action compiled when first asked for."""

    cause: Moved | Received
    mode: str | None
    """None: it is bound everywhere."""
    captured: Parameters
    arguments: tuple[Expression, ...]
    condition: Source | None
    place: Place
    name: str
    source: Source
    has_draft: bool
    procedure: int | None = None


def is_response(key: Scalar) -> bool:
    """Whether an entry is bound to something that is no press."""
    return key.text.split(maxsplit=1)[:1] in (["move"], ["received"])


def read_responses(layout: Layout, node: Mapping, mode: str | None, has_draft: bool) -> list[ResponseEntry]:
    """Those entries of a mode's `on` or (without one) `everywhere` that are no gestures, their keys understood. Raises DesignError."""
    return [_entry(layout, key, value, mode, has_draft) for key, value in node.pairs if is_response(key)]


def _entry(layout: Layout, key: Scalar, value: Node, mode: str | None, has_draft: bool) -> ResponseEntry:
    source = key.source()
    when = WHEN.search(source.text)
    head = source.text[: when.start()] if when else source.text
    condition = Source(source.text[when.end() :], (_at(source, when.end()),)) if when else None
    if condition is not None and not condition.text.strip():
        raise DesignError("a condition is missing after 'when'", key.place)
    cause: Moved | Received
    arguments: tuple[Expression, ...] = ()
    captured: Parameters = ()
    if head.split()[0] == "move":
        cause = moved_of(layout, source, head)
    else:
        pattern = MessagePattern(layout, key, source, head)
        cause = pattern.cause()
        captured, arguments = tuple(pattern.captured), tuple(pattern.arguments)
    action = scalar(value, "an action").source()
    name = f"{mode or 'everywhere'}: {key.text}"
    return ResponseEntry(cause, mode, captured, arguments, condition, key.place, name, action, has_draft)


def _at(source: Source, index: int) -> Place:
    before = source.text[:index].split("\n")
    return source.place(len(before) - 1, len(before[-1]))


def moved_of(layout: Layout, source: Source, head: str) -> Moved:
    """`move PEDAL` understood. Raises DesignError."""
    match = _MOVE.fullmatch(head)
    if match is None:
        raise DesignError(f"'{head.strip()}' is no move of a pedal: write for example 'move swell'", source.place(0, 0))
    names = [pedal.name for pedal in layout.pedals]
    if match["pedal"] not in names:
        raise DesignError(f"there is no pedal '{match['pedal']}'{nearest(match['pedal'], names)}", _at(source, match.start("pedal")))
    return Moved(names.index(match["pedal"]))


class MessagePattern:
    """Reads `received KIND(FROM, VALUE, ...)` or `sent KIND(TO, VALUE, ...)`: the parts in brackets with their places.

    `known` are names that stand for values already; where one of them stands, it joins `same` with the value it must equal.
    """

    def __init__(self, layout: Layout, key: Scalar, source: Source, head: str, known: Collection[str] = ()) -> None:
        self.layout = layout
        self.key = key
        self.source = source
        match = _MESSAGE.fullmatch(head)
        if match is None:
            word = head.split()[0]
            message = f"'{head.strip()}' is no message: write for example '{word} program_change(sampler, n)' or '{word} start'"
            raise DesignError(message, source.place(0, 0))
        self.sent = head.split()[0] == "sent"
        self.kind = match["kind"]
        self.kind_place = _at(source, match.start("kind"))
        self.parts: list[tuple[str, Place]] = []
        inside = match["inside"] or ""
        at = match.start("inside")
        for part in inside.split(",") if inside.strip() else ():
            self.parts.append((part.strip(), _at(source, at + len(part) - len(part.lstrip()))))
            at += len(part) + 1
        self.captured: list[tuple[str, int, int]] = []
        self.arguments: list[Expression] = []
        self.known = known
        self.same: list[tuple[str, Expression]] = []
        self.device: Device | None = None

    def cause(self) -> Received:
        if self.kind == "message" and self.sent:
            channel, ports = self._channel_source()
            if self.parts:
                raise DesignError("of any message no value can be named", self.parts[0][1])
            return Received(channel, ports, ())
        if self.kind in CHANNEL_KINDS:
            status, count = CHANNEL_KINDS[self.kind]
            channel, ports = self._channel_source()
            status |= channel
        elif self.kind in SYSTEM_KINDS:
            status, count = SYSTEM_KINDS[self.kind]
            ports = ALL_PORTS
            if self.parts and self.parts[0][0] in PORT_NAMES:
                ports = PORT_NAMES[self.parts.pop(0)[0]]
        else:
            known = (*CHANNEL_KINDS, *SYSTEM_KINDS)
            raise DesignError(
                f"'{self.kind}' is no message that can be bound: write {', '.join(known)}{nearest(self.kind, known)}", self.kind_place
            )
        if len(self.parts) > count:
            raise DesignError(f"{self.kind} has {count or 'no'} value{'s' if count != 1 else ''} to be named", self.parts[count][1])
        if self.kind in _WIDE:
            self._wide()
            return Received(status, ports)
        first = self._controller() if self.kind == "control_change" else None
        ranges = [self._value(index, first) for index in range(len(self.parts))]
        if self.kind == "sysex":
            return Received(status, ports, tuple(ranges))
        ranges += [self._usual(index, first) for index in range(len(ranges), count)]
        return Received(status, ports, (*ranges, DATA, DATA)[:2], first.bits if first else 7)

    def _channel_source(self) -> tuple[int, int]:
        """The channel, 0..15, and the ports that the first part names."""
        names = [device.name for device in self.layout.devices]
        if not self.parts:
            whom = "to" if self.sent else "from"
            raise DesignError(f"{whom} whom? Write a device or a channel, for example '{self.kind}(channel 1)'", self.kind_place)
        text, place = self.parts.pop(0)
        if match := _CHANNEL.fullmatch(text):
            if not 1 <= int(match[1]) <= 16:
                raise DesignError(f"channel {match[1]} is not in 1..16", place)
            return int(match[1]) - 1, ALL_PORTS
        self.device = next((device for device in self.layout.devices if device.name == text), None)
        if self.device is None:
            raise DesignError(f"there is no device '{text}'{nearest(text, names)}", place)
        return self.device.channel, self.device.ports

    def _controller(self) -> Controller | None:
        """The device's own controller that the next part names, if it names one."""
        if not self.parts or self.device is None or self.device.controllers is None:
            return None
        text, place = self.parts[0]
        if text[:1].isdigit():
            return None
        names = [controller.name for controller in self.device.controllers]
        if text not in names:
            raise DesignError(f"{self.device.name} has no controller '{text}'{nearest(text, names)}", place)
        return self.device.controllers[names.index(text)]

    def _usual(self, index: int, controller: Controller | None) -> tuple[int, int]:
        """What a value can be: what the device declares."""
        if index == 1:
            return (controller.low, controller.high) if controller else DATA
        if controller is not None:
            return controller.number, controller.number
        if self.device is not None and self.kind == "program_change":
            return self.device.programs or DATA
        if self.device is not None and self.kind in ("note_on", "note_off", "polytouch"):
            return self.device.notes or DATA
        return DATA

    def _value(self, index: int, controller: Controller | None) -> tuple[int, int]:
        text, place = self.parts[index]
        usual = self._usual(index, controller)
        if controller is not None and index == 0:
            return usual
        if index == 1 and controller is not None and controller.on is not None and text in ("on", "off"):
            level = controller.on if text == "on" else controller.off
            if level is None:
                raise DesignError(f"{controller.name} has no 'off'", place)
            return level, level
        low, high = PAIR if index == 1 and controller is not None and controller.bits == 14 else DATA
        if text.isascii() and text.isdigit():
            if len(text) > 5 or int(text) > high:
                raise DesignError(f"{text} is not in {low}..{high}", place)
            return int(text), int(text)
        if text[:1].isdigit():
            return parse_range(Source(text, (place,)), low, high)
        match = _CAPTURE.fullmatch(text)
        if match is None:
            raise DesignError(f"'{text}' is no value: write a number, a range such as 0..7, or a name for it", place)
        low, high = usual
        if match["range"]:
            low, high = parse_range(Source(match["range"], (replace(place, column=place.column + match.start("range")),)), *usual)
        self._capture(match["name"], place, Local(low, high, index))
        return low, high

    def _wide(self) -> None:
        if not self.parts:
            return
        text, place = self.parts[0]
        if not re.fullmatch(r"[A-Za-z_]\w*", text):
            raise DesignError(f"the value of {self.kind} can only be given a name", place)
        whole = Binary(0, 16383, "+", Local(*DATA, 0), Binary(0, 16256, "*", Local(*DATA, 1), Constant(128, 128)))
        bend = Binary(-CENTRE, CENTRE - 1, "-", whole, Constant(CENTRE, CENTRE))
        self._capture(text, place, bend if self.kind == "pitchwheel" else whole)

    def _capture(self, text: str, place: Place, value: Expression) -> None:
        if text in self.known:
            self.same.append((text, value))
            return
        node = Scalar(place, text, None, 0, 0, self.key.document)
        name = new_parameter(self.layout, node, [each for each, _, _ in self.captured])
        self.captured.append((name, value.low, value.high))
        self.arguments.append(value)


def add_responses(
    bindings: ModeBindings,
    own: list[ResponseEntry],
    everywhere: list[ResponseEntry],
    responses: list[Response],
    compile_action: Callable[[ResponseEntry], int],
) -> tuple[int, ...]:
    """Add a mode's responses, its own before those of every mode, to those of the design; their indices. Raises DesignError."""
    indices: list[int] = []
    for entry in (*own, *everywhere):
        condition = _condition(bindings, entry)
        earlier = next((responses[n] for n in indices if _takes_first(responses[n], entry.cause, condition)), None)
        if earlier is not None:
            if entry in everywhere:
                continue
            reason = "always" if earlier.condition is None else "under the same condition"
            raise DesignError(f"this can never happen: it is bound before, {reason}", entry.place, (("it is bound here", earlier.place),))
        if entry.procedure is None:
            entry.procedure = compile_action(entry)
        if len(responses) == MAX_RESPONSES:
            raise DesignError(f"the design has more than {MAX_RESPONSES} moves and messages bound, counted in each mode", entry.place)
        indices.append(len(responses))
        responses.append(Response(bindings.mode, entry.cause, entry.procedure, entry.arguments, entry.place, condition))
    return tuple(indices)


def _condition(bindings: ModeBindings, entry: ResponseEntry) -> int | None:
    if entry.condition is None:
        return None
    condition = compile_condition(bindings.scope, entry.condition, {})
    if condition.high == 0:
        raise DesignError("this condition is never true", entry.condition.place(0, 0))
    return None if condition.low == 1 else bindings.condition_number(condition, entry.condition)


def _takes_first(earlier: Response, cause: Moved | Received, condition: int | None) -> bool:
    return earlier.condition in (None, condition) and covers(earlier.cause, cause)


def meet(asked: Moved | Received, answered: Moved | Received) -> bool:
    """Whether what is answered is, if its values are, what is asked for."""
    if isinstance(asked, Moved) or isinstance(answered, Moved):
        return asked == answered
    alike = (asked.status, asked.bits) == (answered.status, answered.bits) and len(asked.data) <= len(answered.data)
    both = all(max(a, c) <= min(b, d) for (a, b), (c, d) in zip(asked.data, answered.data, strict=False))
    return alike and both and answered.ports & ~asked.ports == 0


def covers(wide: Moved | Received, narrow: Moved | Received) -> bool:
    """Whether everything that is the narrow cause is the wide one too."""
    if isinstance(wide, Moved) or isinstance(narrow, Moved):
        return wide == narrow
    # Of a SysEx a cause names the first bytes only: more of them fit less.
    alike = (wide.status, wide.bits) == (narrow.status, narrow.bits) and len(wide.data) <= len(narrow.data)
    inside = all(low <= first and last <= high for (low, high), (first, last) in zip(wide.data, narrow.data, strict=False))
    return alike and inside and narrow.ports & ~wide.ports == 0
