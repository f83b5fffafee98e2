"""The keys that say what an entry is about: bindings, groups, chords, LEDs, timers, durations and ranges."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import GESTURES

MAX_DURATION_US = 1_800_000_000
"""Half an hour: time counters wrap at 32 bits, and differences must stay below half of that."""
LEAST_PERIOD_US = 1000
"""Of whatever repeats: a three-byte message takes 960 us on the wire (MIDI 1.0 Detailed Specification 4.2.1, p. 9)."""
UNITS_US = {"us": 1, "ms": 1000, "s": 1_000_000}
_DURATION = re.compile(r"([0-9]{1,12})(?:\.([0-9]{1,9}))?(us|ms|s)")
_RANGE = re.compile(r"(-?[0-9]{1,10})\s*\.\.\s*(-?[0-9]{1,10})")
WHEN = re.compile(r"(?:^|\s+)when(?:\s+|$)")
_TOKEN = re.compile(r"\s*(?:(?P<name>[A-Za-z_]\w*)|(?P<number>[0-9]+(?:\.[0-9]+)?[A-Za-z]*)|(?P<sign>\.\.|[+,])|(?P<other>\S))")


def nearest(name: str, known: Iterable[str]) -> str:
    """`; did you mean 'x'?` when something known is close, else nothing."""
    close = difflib.get_close_matches(name, list(known), 1)
    return f"; did you mean '{close[0]}'?" if close else ""


def _shortest(least_us: int) -> str:
    return f"{least_us // 1000}ms, since one message takes nearly that long on the wire" if least_us >= 1000 else f"{least_us}us"


def parse_duration(source: Source, *, least_us: int = 1) -> int:
    """`5ms`, `1.5s`, `250us` -> whole microseconds, `least_us` to 30 minutes."""
    text = source.text.strip()
    place = source.place(0, 0)
    match = _DURATION.fullmatch(text)
    if match is None:
        raise DesignError(f"'{text}' is no duration: write for example 5ms, 1.5s or 250us", place)
    fraction = match[2] or ""
    scale = int("1" + "0" * len(fraction))
    numerator = int(match[1] + fraction) * UNITS_US[match[3]]
    if numerator % scale:
        raise DesignError(f"'{text}' is not a whole number of microseconds", place)
    duration_us = numerator // scale
    if duration_us < least_us:
        raise DesignError(f"'{text}' is too short: at least {_shortest(least_us)}", place)
    if duration_us > MAX_DURATION_US:
        raise DesignError(f"'{text}' is too long: at most {MAX_DURATION_US // 1_000_000}s", place)
    return duration_us


def parse_range(source: Source, low: int, high: int) -> tuple[int, int]:
    """`lo..hi`, both inside low..high and in order."""
    text = source.text.strip()
    place = source.place(0, 0)
    match = _RANGE.fullmatch(text)
    if match is None:
        raise DesignError(f"'{text}' is no range: write for example {max(low, 0)}..{min(high, 127)}", place)
    first, last = int(match[1]), int(match[2])
    if first > last:
        raise DesignError(f"the range {text} is empty: {first} is more than {last}", place)
    if first < low or last > high:
        raise DesignError(f"the range {text} leaves {low}..{high}", place)
    return first, last


@dataclass(frozen=True, slots=True)
class BindingKey:
    """What a binding is on. `switches` are a chord's members or a group's, in the order written; `hold_us` None: the design's."""

    gesture: str
    chord: bool
    switches: tuple[int, ...]
    hold_us: int | None
    eager: bool
    condition: Source | None


class _Tokens:
    def __init__(self, source: Source, end: int, what: str) -> None:
        self.source = source
        self.what = what
        self.end = end
        self.at = 0

    def peek(self) -> tuple[str, str]:
        match = _TOKEN.match(self.source.text, self.at, self.end)
        return ("end", "") if match is None or match.lastgroup is None else (match.lastgroup, match[match.lastgroup])

    def next(self) -> tuple[str, str]:
        token = self.peek()
        match = _TOKEN.match(self.source.text, self.at, self.end)
        if match is not None:
            self.at = match.end()
        return token

    def error(self, message: str) -> DesignError:
        """An error at the token that comes next."""
        return self.error_at(self.start(), message)

    def start(self) -> int:
        """Where the token that comes next begins."""
        match = _TOKEN.match(self.source.text, self.at, self.end)
        return self.end if match is None or match.lastgroup is None else match.start(match.lastgroup)

    def error_at(self, index: int, message: str) -> DesignError:
        before = self.source.text[:index].split("\n")
        return DesignError(message, self.source.place(len(before) - 1, len(before[-1])))

    def name(self, known: Mapping[str, int]) -> int:
        kind, text = self.peek()
        if kind != "name":
            raise self.error(f"the name of a {self.what} is missing here")
        if text not in known:
            raise self.error(f"there is no {self.what} '{text}'{nearest(text, known)}")
        self.next()
        return known[text]

    def group(self, known: Mapping[str, int]) -> tuple[int, ...]:
        """`a`, `a..c`, `a, b, d..e`."""
        found: list[int] = []
        while True:
            at = self.start()
            first = last = self.name(known)
            if self.peek() == ("sign", ".."):
                self.next()
                last = self.name(known)
                if last < first:
                    raise self.error_at(at, f"this range runs backwards: write {list(known)[last]}..{list(known)[first]}")
            for index in range(first, last + 1):
                if index in found:
                    raise self.error_at(at, f"{list(known)[index]} stands in this group twice")
                found.append(index)
            if self.peek() != ("sign", ","):
                return tuple(found)
            self.next()

    def chord(self, known: Mapping[str, int]) -> tuple[int, ...]:
        """`a+b`, two or more switches."""
        found = [self.name(known)]
        while self.peek() == ("sign", "+"):
            self.next()
            at = self.start()
            index = self.name(known)
            if index in found:
                raise self.error_at(at, f"{list(known)[index]} stands in this chord twice")
            found.append(index)
        if self.peek()[0] == "sign":
            raise self.error("a chord is single switches joined by '+', not groups")
        return tuple(sorted(found))

    def is_chord(self) -> bool:
        return "+" in self.source.text[self.at : self.end]

    def finish(self) -> None:
        if self.peek()[0] != "end":
            raise self.error(f"'{self.peek()[1]}' cannot stand here")


def parse_binding_key(source: Source, switches: Mapping[str, int]) -> BindingKey:
    """`GESTURE KEY [DURATION] [eager] [when CONDITION]`. Raises DesignError at the word that is wrong."""
    text = source.text
    when = WHEN.search(text)
    tokens = _Tokens(source, when.start() if when else len(text), "switch")
    gesture = tokens.peek()[1]
    known = (*GESTURES, "chord")
    if gesture not in known:
        raise tokens.error(f"'{gesture}' is no gesture: write {', '.join(known)}{nearest(gesture, (*known, 'move', 'received'))}")
    tokens.next()
    chord = tokens.is_chord()
    at = tokens.start()
    members = tokens.chord(switches) if chord else tokens.group(switches)
    written = text[at : tokens.at].strip()
    if chord and gesture == "press":
        raise tokens.error_at(0, f"the press of a chord is written 'chord {written}'")
    if not chord and gesture == "chord":
        raise tokens.error_at(0, f"a chord needs two or more switches joined by '+', not '{written}'")
    hold_us = _hold_time(tokens, gesture)
    eager = _eager(tokens, gesture, chord)
    tokens.finish()
    condition = None
    if when:
        condition = Source(text[when.end() :], (tokens.error_at(when.end(), "").place,))
        if not condition.text.strip():
            raise tokens.error_at(when.start() + 1, "a condition is missing after 'when'")
    return BindingKey("press" if gesture == "chord" else gesture, chord, members, hold_us, eager, condition)


def _hold_time(tokens: _Tokens, gesture: str) -> int | None:
    kind, text = tokens.peek()
    if kind != "number":
        return None
    if gesture != "hold":
        raise tokens.error(f"only 'hold' takes a duration, '{gesture}' does not")
    duration_us = parse_duration(Source(text, (tokens.error("").place,)))
    tokens.next()
    return duration_us


def _eager(tokens: _Tokens, gesture: str, chord: bool) -> bool:
    if tokens.peek() != ("name", "eager"):
        return False
    if gesture != "press" or chord:
        raise tokens.error("only the press of a single switch can be eager")
    tokens.next()
    return True


def parse_group(source: Source, known: Mapping[str, int], what: str) -> tuple[int, ...]:
    """`a`, `a..c` or `a, b, e` -> indices in the order written."""
    tokens = _Tokens(source, len(source.text), what)
    found = tokens.group(known)
    tokens.finish()
    return found


def parse_switches(source: Source, switches: Mapping[str, int]) -> tuple[int, ...]:
    """`a` or `a+e` -> indices, sorted: the switches that are down at power-on."""
    tokens = _Tokens(source, len(source.text), "switch")
    found = tokens.chord(switches)
    tokens.finish()
    return found


def parse_timer_key(source: Source) -> tuple[bool, int]:
    """`after 1s` or `every 500ms` -> whether it is `every`, and the period in microseconds."""
    word, _, duration = source.text.strip().partition(" ")
    if word not in ("after", "every"):
        message = f"'{source.text}' is no timer: write for example 'after 1s' or 'every 500ms'"
        raise DesignError(message + nearest(word, ("after", "every")), source.place(0, 0))
    column = source.text.index(word) + len(word) + 1
    return word == "every", parse_duration(Source(duration, (source.place(0, column),)), least_us=LEAST_PERIOD_US)
