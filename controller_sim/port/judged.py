"""What an emulated board has put out, held against what the reference does with what the board has seen.

A poll does one thing, and looks at the contacts only when nothing else is left to do. So whatever the reference puts out at a time must
leave the board not before the first poll whose clock shows that time, and before the first that looks at the contacts at a later time;
in the same order, and nothing else.
A byte for the serial line begins then, or when the line is free, real-time bytes before all others; a display and a blinking or dim LED
need a little longer to show what they should, and are held to what each of them shows meanwhile. What keeps to this gets the time of
the reference, all else the time at which it came.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller_sim.design.form import Design
from controller_sim.design.outputs import LedSet
from controller_sim.midi.messages import is_real_time
from controller_sim.port.avr import BYTE_CYCLES, CYCLES_PER_US, OVERFLOW_CYCLES, Session
from controller_sim.port.boards import led_pins
from controller_sim.port.polled import Seen
from controller_sim.port.trace import Happening, Trace
from controller_sim.simulator import Simulator

INTERRUPT_CYCLES = 10 * CYCLES_PER_US
"""The most that the interrupt which takes a byte to the line may be held up by others."""
CLOCK_CYCLES = CYCLES_PER_US
"""A clock of whole microseconds is behind by less than this."""
CHARACTER_US = 64
"""The least time between two characters for the display (board.c)."""
LINES_AT = (0x00, 0x40, 0x14, 0x54)
"""Where the lines of a display begin in its memory (HD44780U data sheet, 20 columns; from memory)."""
SET_ADDRESS = 0x80
BLINK_CYCLES = 8 * OVERFLOW_CYCLES
"""So long a blinking LED is on, and then off (board.c)."""
OFF, ON, BLINK, DIM = range(4)
DIM_POLLS = 4
"""A dim LED is lit in one poll of so many (board.c)."""


@dataclass(frozen=True, slots=True)
class View:
    """A session with what the reference does in it; times are microseconds from the session's beginning."""

    session: Session
    start_us: int
    times_us: Sequence[int]

    def poll_of(self, time_us: int) -> int:
        """The first poll whose clock shows a time."""
        return bisect_left(self.times_us, time_us)

    def done_by(self, time_us: int) -> int:
        """The first poll that looks at the contacts later than at a time: before it all is done that has this time."""
        return self.session.next_look(bisect_right(self.times_us, time_us))

    def begins(self, poll: int) -> int:
        """The cycle at which a poll begins, or all polls have ended."""
        polls = self.session.polls
        return polls[poll] if poll < len(polls) else self.session.off

    def since_us(self, cycle: int) -> int:
        return self.start_us + (cycle - self.session.first_clock) // CYCLES_PER_US

    def at_us(self, poll: int) -> int:
        return self.start_us + self.times_us[poll]


def judged(design: Design, what: Seen, expected: Trace, simulator: Simulator) -> Trace:
    """The trace of a board, in the times of the reference where it keeps to them; without the image.

    `expected` and `simulator` are what the reference has done with what the board has seen.
    """
    trace = Trace()
    leds = [output for output in simulator.outputs if isinstance(output, LedSet)]
    bounds = [*what.starts_us[1:], what.history.end_us + 1]
    for session, start_us, end_us, times_us in zip(what.sessions, what.starts_us, bounds, what.times_us, strict=True):
        view = View(session, start_us, times_us)
        trace.outputs.setdefault("serial", []).extend(serial(view, _between(expected.outputs.get("serial", ()), start_us, end_us)))
        trace.outputs.setdefault("display", []).extend(
            display(design, view, _between(expected.outputs.get("display", ()), start_us, end_us))
        )
        pins = Pins(session)
        for led, name in enumerate(design.leds):
            changes = [(output.time_us, output.value) for output in leds if output.led == led and start_us <= output.time_us < end_us]
            trace.outputs.setdefault(f"led {name}", []).extend(lamp(design, view, pins, led, changes))
    return trace


@dataclass(frozen=True, slots=True)
class Sent:
    """A byte on the serial line, and the cycles at which it began, at which the line was free for it, and free of real-time bytes."""

    start: int
    byte: int
    free: int
    urgent_free: int


def _between(happenings: Sequence[Happening], start_us: int, end_us: int) -> list[Happening]:
    return [happening for happening in happenings if start_us <= happening[0] < end_us]


def serial(view: View, expected: Sequence[Happening]) -> list[Happening]:
    """The messages as they came; what is more or less than was expected stays as it is. Real-time bytes may overtake all others."""
    came = {True: deque[Sent](), False: deque[Sent]()}
    end = urgent_end = 0
    for what, numbers in view.session.told:
        if what == "byte":
            sent = Sent(numbers[2], numbers[3], end, urgent_end)
            came[is_real_time(sent.byte)].append(sent)
            end = sent.start + BYTE_CYCLES
            urgent_end = end if is_real_time(sent.byte) else urgent_end
    found: list[Happening] = []
    for time_us, text in expected:
        data = bytes.fromhex(text)
        left = came[is_real_time(data[0])]
        got = [left.popleft() for _ in data if left]
        if not got:
            break
        early = view.session.first_clock + (time_us - view.start_us) * CYCLES_PER_US - CLOCK_CYCLES
        late = view.begins(view.done_by(time_us - view.start_us)) + INTERRUPT_CYCLES
        in_time = all(max(early, sent.free) <= sent.start <= max(late, sent.free + INTERRUPT_CYCLES) for sent in got)
        if is_real_time(data[0]):
            # One byte is on its way, the next in the chip's data register: these can no longer be overtaken.
            in_time &= got[0].start <= max(late + 2 * BYTE_CYCLES, got[0].urgent_free + INTERRUPT_CYCLES)
        first_us = view.since_us(got[0].start)
        found.append((time_us if in_time else _other(first_us, time_us), bytes(sent.byte for sent in got).hex(" ")))
    rest = sorted((*came[True], *came[False]), key=lambda sent: sent.start)
    return found + [(view.since_us(sent.start), f"{sent.byte:02x}") for sent in rest]


def _other(came_us: int, expected_us: int) -> int:
    """When something came that did not come in time: never the time expected, however little it was missed."""
    return came_us + (came_us == expected_us)


@dataclass(frozen=True, slots=True)
class Stretch:
    """Polls in which a display or an LED is to show the same: from `first` on it may, from `sure` to before `end` it must."""

    first: int
    sure: int
    end: int
    number: int
    """Which of the changes; -1 for none of them yet."""
    others: tuple[int, ...]
    """Those that may show before `sure` besides: the one before, and all that has changed meanwhile."""


def _stretches(view: View, changes: Sequence[tuple[int, object]]) -> list[Stretch]:
    """All polls of a session, by what is to be shown; what has changed by the same look at the contacts counts as one change."""
    began: list[tuple[int, int, int]] = [(0, 0, -1)]
    for number, (time_us, _) in enumerate(changes):
        first, sure = view.poll_of(time_us - view.start_us), view.done_by(time_us - view.start_us)
        if began[-1][1] == sure:
            first = began.pop()[0]
        began.append((first, sure, number))
    ends = [*(first for first, _, _ in began[1:]), len(view.times_us)]
    numbers = [-1, *(number for _, _, number in began)]
    return [
        Stretch(first, sure, max(end, sure), number, tuple(range(before, number)))
        for (first, sure, number), end, before in zip(began, ends, numbers, strict=False)
    ]


def display(design: Design, view: View, expected: Sequence[Happening]) -> list[Happening]:
    """What was expected, up to the first text that is not shown, not wholly, or not in time."""
    writes = [numbers for what, numbers in view.session.told if what == "display" and numbers[1] > view.session.first_clock]
    texts = [_wanted(design, text) for text in ("", *(text for _, text in expected))]
    memory: dict[int, int] = {}
    cursor = None
    place = 0
    for stretch in _stretches(view, expected):
        wanted, others = texts[stretch.number + 1], [texts[number + 1] for number in stretch.others]
        changed_us = 0
        while place < len(writes) and writes[place][0] < stretch.end:
            poll, _, is_text, byte = writes[place]
            place += 1
            if not is_text and byte >= SET_ADDRESS:
                cursor = byte - SET_ADDRESS
                continue
            possible = [wanted, *others] if poll < stretch.sure else [wanted]
            if not is_text or cursor is None or all(text.get(cursor) != byte for text in possible):
                return [*expected[: max(stretch.number, 0)], (view.at_us(poll), f"byte {byte:#04x} at place {cursor}")]
            if memory.get(cursor, ord(" ")) != byte:
                changed_us = view.times_us[poll]
            memory[cursor] = byte
            cursor += 1
        by_us = _drawn_by(view, stretch.sure, len(wanted) + design.display_lines)
        is_whole = all(memory.get(address, ord(" ")) == byte for address, byte in wanted.items())
        if stretch.end > stretch.sure and by_us <= view.times_us[stretch.end - 1] and (not is_whole or changed_us > by_us):
            return [*expected[: max(stretch.number, 0)], (view.start_us + by_us, repr(_read(design, memory)))]
    return list(expected)


def _wanted(design: Design, text: str) -> dict[int, int]:
    """What the display's memory must hold to show a text."""
    lines = text.encode().split(b"\n")
    padded = [line.ljust(design.display_characters) for line in lines] + [b" " * design.display_characters] * design.display_lines
    return {
        at + column: byte for at, line in zip(LINES_AT[: design.display_lines], padded, strict=False) for column, byte in enumerate(line)
    }


def _read(design: Design, memory: dict[int, int]) -> str:
    lines = LINES_AT[: design.display_lines]
    return "\n".join("".join(chr(memory.get(at + column, 32)) for column in range(design.display_characters)) for at in lines)


def _drawn_by(view: View, poll: int, steps: int) -> int:
    """When so many characters must be on the display, at one a poll and CHARACTER_US apart at least, from a poll on; the first may
    have to wait as long, as timer 0 comes round."""
    longest_us = 1
    while poll < len(view.times_us):
        by_us = view.times_us[poll] + (steps + 1) * CHARACTER_US + (steps + 1) * longest_us
        times = view.times_us[poll : bisect_right(view.times_us, by_us) + 1]
        worst_us = max((later - earlier for earlier, later in pairwise(times)), default=0)
        if worst_us <= longest_us:
            return by_us
        longest_us = worst_us
    return 0


class Pins:
    """The levels of the pins with LEDs, at the end of each poll. the emulator tells of those that are not as four polls before."""

    def __init__(self, session: Session) -> None:
        self._changes: dict[tuple[int, int], tuple[list[int], list[int]]] = {}
        self.polls: list[int] = []
        """The polls in which some pin changes."""
        lit: dict[int, tuple[int, ...]] = {}
        for what, numbers in session.told:
            if what == "leds":
                poll, phase = numbers[0], numbers[0] % DIM_POLLS
                before, after = lit.get(phase, (0, 0, 0)), numbers[1:]
                lit[phase] = after
                self.polls.append(poll)
                for port in range(3):
                    for bit in range(8):
                        if (before[port] ^ after[port]) >> bit & 1:
                            polls, levels = self._changes.setdefault((8 * port + bit, phase), ([], []))
                            polls.append(poll)
                            levels.append(after[port] >> bit & 1)

    def level(self, pin: int, poll: int) -> int:
        polls, levels = self._changes.get((pin, poll % DIM_POLLS), ([], []))
        place = bisect_right(polls, poll)
        return levels[place - 1] if place else 0

    def changes(self, pin: int, first: int, end: int) -> list[int]:
        """The polls from `first` to before `end` in which a pin is not as four polls before."""
        found: list[int] = []
        for phase in range(DIM_POLLS):
            polls, _ = self._changes.get((pin, phase), ([], []))
            found += polls[bisect_left(polls, first) : bisect_left(polls, end)]
        return sorted(found)

    def unlike(self, pin: int, first: int, end: int, level: int) -> int | None:
        """The first poll from `first` to before `end` at whose end a pin does not have a level."""
        looked_at = sorted({*range(first, min(first + DIM_POLLS, end)), *self.changes(pin, first, end)})
        return next((poll for poll in looked_at if self.level(pin, poll) != level), None)

    def not_dim(self, pin: int, first: int, end: int) -> int | None:
        """The first poll that shows a pin not to be lit once in four polls."""
        lit = sum(self.level(pin, poll) for poll in range(first, min(first + DIM_POLLS, end)))
        if lit > 1 or (lit == 0 and end - first >= DIM_POLLS):
            return first
        return next(iter(self.changes(pin, first + DIM_POLLS, end)), None)


def lamp(design: Design, view: View, pins: Pins, led: int, changes: Sequence[tuple[int, int]]) -> list[Happening]:
    """What an LED was expected to show, up to the first time that one of its pins shows something else."""
    expected = [(time_us, design.led_text(led, value)) for time_us, value in changes]
    for stretch in _stretches(view, changes):
        value = changes[stretch.number][1] if stretch.number >= 0 else 0
        for colour, pin in enumerate(led_pins(design)[led]):
            level = value & 3 if colour == value >> 2 else OFF
            poll = _unlike(view, pins, pin, stretch.sure, stretch.end, level)
            if poll is not None:
                shown = "lit" if pins.level(pin, poll) else "dark"
                return [*expected[: max(stretch.number, 0)], (view.at_us(poll), f"pin {pin} {shown} in poll {poll}")]
    return expected


def _unlike(view: View, pins: Pins, pin: int, first: int, end: int, level: int) -> int | None:
    if level == DIM:
        return pins.not_dim(pin, first, end)
    if level != BLINK:
        return pins.unlike(pin, first, end, int(level == ON))
    for begin, until, is_lit in _blinks(view, first, end):
        poll = pins.unlike(pin, begin, until, is_lit)
        if poll is not None:
            return poll
    return None


def _blinks(view: View, first: int, end: int) -> Iterator[tuple[int, int, int]]:
    """The polls in which blinking LEDs are lit or dark throughout, and which of both; between them is one in which they change."""
    polls, start = view.session.polls, view.session.clock_start
    while first < end:
        number = (polls[first] - start) // BLINK_CYCLES
        following = bisect_left(polls, start + (number + 1) * BLINK_CYCLES)
        yield first, min(following - 1, end), 1 - number % 2
        first = following
