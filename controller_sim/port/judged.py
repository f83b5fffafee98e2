"""What an emulated board has put out, held against what the reference does with what the board has seen.

A poll does all whose time has come since the poll before. So whatever the reference puts out at a time must leave the board in the
first poll whose clock shows that time or a later one: not before that poll and not after it, in the same order, and nothing else.
A byte for the serial line begins then, or when the line is free; a display and a blinking or dim LED need a little longer to show what
they should, and are held to what each of them shows meanwhile. What keeps to this gets the time of the reference, all else the
time at which it came.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from controller_sim.design.form import Design
from controller_sim.design.outputs import LedSet
from controller_sim.port.avr import CYCLES_PER_US, Session
from controller_sim.port.boards import led_pins
from controller_sim.port.polled import Seen
from controller_sim.port.trace import Happening, Trace
from controller_sim.simulator import Simulator

BYTE_CYCLES = 320 * CYCLES_PER_US
INTERRUPT_CYCLES = 10 * CYCLES_PER_US
"""The most that the interrupt which takes a byte to the line may be held up by others."""
CLOCK_CYCLES = CYCLES_PER_US
"""A clock of whole microseconds is behind by less than this."""
CHARACTER_US = 64
"""The least time between two characters for the display (board.c)."""
LINES_AT = (0x00, 0x40, 0x14, 0x54)
"""Where the lines of a display begin in its memory (HD44780U data sheet, 20 columns; from memory)."""
SET_ADDRESS = 0x80
BLINK_CYCLES = 8 * 65_536 * 8
"""So long a blinking LED is on, and then off: 8 overflows of a timer of 16 bits that counts every eighth cycle (board.c)."""
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

    def ends(self, poll: int) -> int:
        """The cycle at which a poll has ended."""
        polls = self.session.polls
        return polls[poll + 1] if poll + 1 < len(polls) else self.session.off

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


def _between(happenings: Sequence[Happening], start_us: int, end_us: int) -> list[Happening]:
    return [happening for happening in happenings if start_us <= happening[0] < end_us]


def serial(view: View, expected: Sequence[Happening]) -> list[Happening]:
    """The messages as they came; what is more or less than was expected stays as it is."""
    came = [(numbers[2], numbers[3]) for what, numbers in view.session.told if what == "byte"]
    found: list[Happening] = []
    place = earliest_free = latest_free = 0
    for time_us, text in expected:
        got = came[place : place + len(bytes.fromhex(text))]
        if not got:
            break
        place += len(got)
        early = view.session.first_clock + (time_us - view.start_us) * CYCLES_PER_US - CLOCK_CYCLES
        late = view.ends(view.poll_of(time_us - view.start_us)) + INTERRUPT_CYCLES
        in_time = True
        for start, _ in got:
            earliest, latest = max(early, earliest_free), max(late, latest_free)
            in_time &= earliest <= start <= latest
            earliest_free, latest_free = earliest + BYTE_CYCLES, latest + BYTE_CYCLES
        found.append((time_us if in_time else _other(view.since_us(got[0][0]), time_us), bytes(byte for _, byte in got).hex(" ")))
    return found + [(view.since_us(start), f"{byte:02x}") for start, byte in came[place:]]


def _other(came_us: int, expected_us: int) -> int:
    """When something came that did not come in time: never the time expected, however little it was missed."""
    return came_us + (came_us == expected_us)


def _by_poll(view: View, changes: Sequence[tuple[int, object]]) -> list[tuple[int, int]]:
    """From which poll on which of the changes counts, -1 for none of them yet: the last of each poll."""
    found = {0: -1}
    for number, (time_us, _) in enumerate(changes):
        found[view.poll_of(time_us - view.start_us)] = number
    return sorted(found.items())


def display(design: Design, view: View, expected: Sequence[Happening]) -> list[Happening]:
    """What was expected, up to the first text that is not shown, not wholly, or not in time."""
    writes = [numbers for what, numbers in view.session.told if what == "display" and numbers[1] > view.session.first_clock]
    changes = _by_poll(view, expected)
    memory: dict[int, int] = {}
    cursor = None
    place = 0
    for (first, number), end in zip(changes, [*(poll for poll, _ in changes[1:]), len(view.times_us)], strict=True):
        wanted = _wanted(design, expected[number][1] if number >= 0 else "")
        changed_us = 0
        while place < len(writes) and writes[place][0] < end:
            poll, _, is_text, byte = writes[place]
            place += 1
            if not is_text and byte >= SET_ADDRESS:
                cursor = byte - SET_ADDRESS
            elif not is_text or cursor is None or wanted.get(cursor) != byte:
                return [*expected[: max(number, 0)], (view.at_us(poll), f"byte {byte:#04x} at place {cursor}")]
            else:
                if memory.get(cursor, ord(" ")) != byte:
                    changed_us = view.times_us[poll]
                memory[cursor] = byte
                cursor += 1
        by_us = _drawn_by(view, first, len(wanted) + design.display_lines)
        is_whole = all(memory.get(address, ord(" ")) == byte for address, byte in wanted.items())
        if end > first and by_us <= view.times_us[end - 1] and (not is_whole or changed_us > by_us):
            return [*expected[: max(number, 0)], (view.start_us + by_us, repr(_read(design, memory)))]
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
    """When so many characters must be on the display, at one a poll and CHARACTER_US apart at least, from a poll on."""
    longest_us = 1
    while poll < len(view.times_us):
        by_us = view.times_us[poll] + steps * CHARACTER_US + (steps + 1) * longest_us
        times = view.times_us[poll : bisect_right(view.times_us, by_us) + 1]
        worst_us = max((later - earlier for earlier, later in pairwise(times)), default=0)
        if worst_us <= longest_us:
            return by_us
        longest_us = worst_us
    return 0


class Pins:
    """The levels of the pins with LEDs, at the end of each poll. emulator.c tells of those that are not as four polls before."""

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
    steps = _by_poll(view, changes)
    for (first, number), end in zip(steps, [*(poll for poll, _ in steps[1:]), len(view.times_us)], strict=True):
        value = changes[number][1] if number >= 0 else 0
        for colour, pin in enumerate(led_pins(design)[led]):
            level = value & 3 if colour == value >> 2 else OFF
            poll = _unlike(view, pins, pin, first, end, level)
            if poll is not None:
                shown = "lit" if pins.level(pin, poll) else "dark"
                return [*expected[: max(number, 0)], (view.at_us(poll), f"pin {pin} {shown} in poll {poll}")]
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
