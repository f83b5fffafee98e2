"""The MIDI Implementation Chart of a design, in the form of the MIDI 1.0 Detailed Specification 4.2.1, pp. A-7 and A-8."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from controller_sim.core.kinds import kind_of
from controller_sim.design.form import PORT_NAMES, Design, Device, Received
from controller_sim.design.program import Call, ClockRun, Send, Statement
from controller_sim.design.steps import actions_without_gesture, statements_in
from controller_sim.midi.messages import STATUS_TABLE, is_channel
from controller_sim.view.sheet import Cell, Line, Table, words
from controller_sim.view.terms import spoken
from controller_sim.view.wording import CONTROLLER, NOTE_OFF, NOTE_ON, PITCH, PROGRAM, controller_of

YES, NO = "o", "x"
FIXED = "**************"
"""What the form shows where a column cannot apply."""
POLY_TOUCH, CHANNEL_TOUCH = 0xA0, 0xD0
SYSEX, SONG_POSITION, SONG_SELECT, TUNE = 0xF0, 0xF2, 0xF3, 0xF6
CLOCK, START, CONTINUE, STOP, SENSING, RESET = 0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF
FIRST_OF_MODES = 124
FIRST_MODE_MESSAGE = 120
"""120 is a mode message too, though two pages of the text say 121 (p. 20, Table III)."""
_STANDARD = {
    0: "bank select MSB",
    32: "bank select LSB",
    120: "all sound off",
    121: "reset all controllers",
    122: "local control",
    123: "all notes off",
    124: "omni off",
    125: "omni on",
    126: "mono",
    127: "poly",
}
_FOOT = (
    "Mode 1: OMNI ON, POLY    Mode 2: OMNI ON, MONO    Mode 3: OMNI OFF, POLY    Mode 4: OMNI OFF, MONO",
    "o: yes    x: no    Channels 1-16, other numbers as on the wire",
)
Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Traffic:
    """One message that may be sent or is answered: its status, at which ports, and the interval proved for each data byte."""

    status: int
    ports: int
    data: tuple[Span, ...]

    @property
    def kind(self) -> int:
        return self.status & 0xF0 if is_channel(self.status) else self.status


def transmitted(design: Design) -> list[Traffic]:
    """Every message that some action of the design may send; each once, in the order of the table of messages."""
    reached = _reached(design)
    sends = [each for each in reached if isinstance(each, Send)]
    found = {Traffic(send.data[0].low, send.ports, tuple((byte.low, byte.high) for byte in send.data[1:])) for send in sends}
    if design.tempo.ports and any(isinstance(each, ClockRun) and each.running for each in reached):
        found.add(Traffic(CLOCK, design.tempo.ports, ()))
    return sorted(found, key=lambda each: (each.status, each.data, each.ports))


def recognized(design: Design) -> list[Traffic]:
    """Every message that some mode answers, and the clock if it sets the tempo."""
    causes = {response.cause for response in design.responses if isinstance(response.cause, Received)}
    found = {Traffic(cause.status, cause.ports, cause.data[: STATUS_TABLE[cause.status].data_bytes]) for cause in causes}
    if design.tempo.follow:
        found.add(Traffic(CLOCK, design.tempo.follow, ()))
    return sorted(found, key=lambda each: (each.status, each.data, each.ports))


def _reached(design: Design) -> list[Statement]:
    """The statements of all procedures that something runs."""
    waiting = {each.action.procedure for each in design.bindings} | {each.procedure for each in design.responses}
    waiting |= {each.procedure for each in actions_without_gesture(design)}
    done: set[int] = set()
    statements: list[Statement] = []
    while waiting:
        number = min(waiting)
        waiting.discard(number)
        done.add(number)
        body = list(statements_in(design.procedures[number].body))
        statements += body
        waiting |= {each.procedure for each in body if isinstance(each, Call)} - done
    return statements


def implementation_chart(design: Design) -> Table:
    """The chart: functions, and for each what is transmitted, what is recognized, and remarks."""
    chart = _Chart(design, transmitted(design), recognized(design))
    rows = []
    for group, items in chart.groups():
        for place, (item, sent, heard, remark) in enumerate(items):
            rows.append((Cell() if place else Cell((Line(group),)), words(item), words(sent), words(heard), words(remark)))
    header = ("Function", "", "Transmitted", "Recognized", "Remarks")
    return Table(f"MIDI Implementation Chart: {design.title}", header, tuple(rows), _FOOT)


Row = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True)
class _Chart:
    design: Design
    sent: Sequence[Traffic]
    heard: Sequence[Traffic]

    def groups(self) -> Iterator[tuple[str, list[Row]]]:
        """Each function of the form with its rows: item, transmitted, recognized, remarks."""
        modes = self._marks((CONTROLLER,), _of_number(FIRST_OF_MODES, 127))
        notes = (NOTE_ON, NOTE_OFF)
        yield "Basic channel", [("default", self._channels(self.sent), self._channels(self.heard), self._who()), ("changed", NO, NO, "")]
        yield "Mode", [("default", NO, NO, ""), ("messages", *modes, ""), ("altered", FIXED, NO, "")]
        numbers = self._values(self.sent, notes), self._values(self.heard, notes)
        yield "Note number", [("", *numbers, self._devices(notes, 0)), ("true voice", FIXED, NO, "")]
        yield "Velocity", [self._velocity("note on", NOTE_ON), self._velocity("note off", NOTE_OFF)]
        yield "After touch", [self._row("keys", POLY_TOUCH, 1), self._row("channels", CHANNEL_TOUCH, 0)]
        yield "Pitch bend", [("", *self._marks((PITCH,)), self._devices((PITCH,)))]
        yield "Control change", list(self._controllers()) or [("", NO, NO, "")]
        yield "Program change", [self._row("", PROGRAM, 0), ("true number", FIXED, *self._true_numbers())]
        yield "System exclusive", [("", *self._marks((SYSEX,)), "")]
        yield "System common", [(name, *self._marks((status,)), "") for name, status in _COMMON]
        follows = "sets the tempo" if self.design.tempo.follow else ""
        yield "System real time", [("clock", *self._marks((CLOCK,)), follows), ("commands", *self._marks(_COMMANDS), self._commands())]
        yield "Aux messages", list(self._aux())
        yield "Notes", [("", "", "", remark) for remark in self._notes()]

    def _channels(self, side: Sequence[Traffic]) -> str:
        return _spans({((each.status & 15) + 1,) * 2 for each in side if is_channel(each.status)}) or NO

    def _who(self) -> str:
        return ", ".join(f"{device.channel + 1} {spoken(device.name)}" for device in self.design.devices)

    def _of(self, side: Iterable[Traffic], kinds: Sequence[int]) -> list[Traffic]:
        return [each for each in side if each.kind in kinds]

    def _marks(self, kinds: Sequence[int], which: Callable[[Traffic], bool] = lambda each: True) -> tuple[str, str]:
        sent, heard = (YES if any(map(which, self._of(side, kinds))) else NO for side in (self.sent, self.heard))
        return sent, heard

    def _values(self, side: Iterable[Traffic], kinds: Sequence[int], byte: int = 0) -> str:
        return _spans({each.data[byte] for each in self._of(side, kinds)}) or NO

    def _devices(self, kinds: Sequence[int], byte: int | None = None) -> str:
        """Which devices the messages are for, or come from, with the values of a data byte."""
        found: dict[str, set[Span]] = {}
        for each in self._of((*self.sent, *self.heard), kinds):
            device = self._device(each)
            found.setdefault(spoken(device.name) if device else f"channel {(each.status & 15) + 1}", set()).update(
                () if byte is None else [each.data[byte]]
            )
        return ", ".join(f"{name} {_spans(values)}".strip() for name, values in found.items())

    def _device(self, traffic: Traffic) -> Device | None:
        heard = [each for each in self.design.devices if each.channel == traffic.status & 15 and each.ports & traffic.ports]
        return next((each for each in heard if each.ports == traffic.ports), heard[0] if heard else None)

    def _row(self, item: str, kind: int, byte: int) -> Row:
        sent, heard = (self._values(side, (kind,), byte) for side in (self.sent, self.heard))
        return item, _marked(sent), _marked(heard), self._devices((kind,), byte)

    def _velocity(self, item: str, kind: int) -> Row:
        """`9nH` and `8nH` are the statuses of note on and note off; a note on of velocity 0 is a note off."""
        status = f"{kind >> 4}nH"
        sides = []
        for side in (self.sent, self.heard):
            found = self._values(side, (kind,), 1)
            sides.append(NO if found == NO else f"{YES} {status}, v = {found}")
        return item, sides[0], sides[1], ""

    def _controllers(self) -> Iterator[Row]:
        numbers = {each.data[0] for each in self._of((*self.sent, *self.heard), (CONTROLLER,))}
        for span in sorted(span for span in numbers if span[0] < FIRST_MODE_MESSAGE):
            yield _spans({span}), *self._marks((CONTROLLER,), _of_number(*span)), self._controller_remark(span)

    def _controller_remark(self, span: Span) -> str:
        """Names by device with the values that go there; both halves of 14 bits have the name."""
        values: dict[str, set[Span]] = {}
        for each in self._of((*self.sent, *self.heard), (CONTROLLER,)):
            if each.data[0] == span:
                device = self._device(each)
                own = controller_of(device, span[0]) if span[0] == span[1] else None
                name = own.name if own else _STANDARD.get(span[0], "")
                if own and own.bits == 14:
                    name += " LSB" if span[0] == own.lower_number else " MSB"
                values.setdefault(" ".join(filter(None, (spoken(device.name) if device else "", spoken(name)))), set()).add(each.data[1])
        return "; ".join(f"{name} {_spans(found)}".strip() for name, found in values.items())

    def _true_numbers(self) -> tuple[str, str]:
        heard = self._values(self.heard, (PROGRAM,))
        from_1 = [spoken(device.name) for device in self.design.devices if device.numbers_from == 1 and device.programs is not None]
        return heard, f"{', '.join(from_1)} counted from 1" if from_1 else ""

    def _commands(self) -> str:
        sides = []
        for word, side in (("sends", self.sent), ("answers", self.heard)):
            names = dict.fromkeys(STATUS_TABLE[each.status].name for each in self._of(side, _COMMANDS))
            sides += [f"{word} {', '.join(names)}"] if names else []
        return "; ".join(sides)

    def _aux(self) -> Iterator[Row]:
        for item, low, high in (("local on/off", 122, 122), ("all notes off", 123, 127)):
            marks = self._marks((CONTROLLER,), _of_number(low, high))
            numbers = {each.data[0] for each in self._of((*self.sent, *self.heard), (CONTROLLER,)) if low <= each.data[0][0] <= high}
            yield item, *marks, _spans(numbers) if low != high else ""
        yield "active sense", *self._marks((SENSING,)), ""
        yield "reset", *self._marks((RESET,)), ""
        for item, number in (("all sound off", 120), ("reset controllers", 121)):
            marks = self._marks((CONTROLLER,), _of_number(number, number))
            if YES in marks:
                yield item, *marks, str(number)

    def _notes(self) -> Iterator[str]:
        used = {name for name, port in PORT_NAMES.items() if any(each.ports & port for each in self.sent)}
        yield f"sends at {', '.join(name for name in PORT_NAMES if name in used) or 'no port'}"
        if self.design.running_status and "serial" in used:
            yield "running status at serial"
        for thru in self.design.thru:
            to = ", ".join(name for name, port in PORT_NAMES.items() if thru.ports & port)
            source = next(name for name, port in PORT_NAMES.items() if port == thru.source)
            statuses = [status for status in STATUS_TABLE if not is_channel(status) or status & 15 == 0]
            names = [STATUS_TABLE[status].name for status in statuses if thru.kinds >> kind_of(status) & 1]
            what = "everything" if len(names) == len(statuses) else ", ".join(map(spoken, names))
            yield f"passes on from {source} to {to}: {what}"


_COMMON = (("song position", SONG_POSITION), ("song select", SONG_SELECT), ("tune", TUNE))
_COMMANDS = (START, CONTINUE, STOP)


def _of_number(low: int, high: int) -> Callable[[Traffic], bool]:
    """Whether a control change may have a number of low..high."""
    return lambda each: each.data[0][0] <= high and low <= each.data[0][1]


def _marked(values: str) -> str:
    return values if values == NO else f"{YES} {values}"


def _spans(spans: Iterable[Span]) -> str:
    """Intervals as one text, those that touch as one: `1-3, 7`."""
    joined: list[list[int]] = []
    for low, high in sorted(spans):
        if joined and low <= joined[-1][1] + 1:
            joined[-1][1] = max(joined[-1][1], high)
        else:
            joined.append([low, high])
    return ", ".join(str(low) if low == high else f"{low}-{high}" for low, high in joined)
