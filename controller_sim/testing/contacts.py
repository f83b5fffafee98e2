"""Strategies of raw histories: what a foot, a worn contact, or an adversary who knows the thresholds does, and what arrives meanwhile.

A history is one or more sessions, each from power-on to power-off. A session lists the instants at which a
contact changes, with the switch word after the change (bit n: switch n is closed).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hypothesis import strategies as st

from controller_sim.design import form
from controller_sim.testing.arrivals import arrivals
from controller_sim.testing.expressions import Draw, between, one_of

POLLS = ("none", "deadline", "before", "after", "middle")
"""How an engine is polled between two changes: not at all, at its next deadlines, 1 us around them, or half-way."""


@dataclass(frozen=True, slots=True)
class Session:
    """`changes[0]` is at power-on; times in microseconds rise strictly; the last is at most `end_us`."""

    changes: tuple[tuple[int, int], ...]
    end_us: int
    polls: tuple[str, ...] = ("none",)
    arrivals: tuple[tuple[int, tuple[int, ...]], ...] = ()
    """(time, what arrived), packed as core.kinds says; times rise strictly and are at most `end_us`."""

    @property
    def start_us(self) -> int:
        return self.changes[0][0]

    def shifted(self, by_us: int) -> Session:
        changes = tuple((time_us + by_us, word) for time_us, word in self.changes)
        arrivals = tuple((time_us + by_us, arrived) for time_us, arrived in self.arrivals)
        return Session(changes, self.end_us + by_us, self.polls, arrivals)


@dataclass(slots=True)
class Script:
    """Collects toggles, at times not earlier than the last one, and folds those at one instant together."""

    now_us: int
    word: int
    edges_us: list[int] = field(default_factory=list)
    changes: dict[int, int] = field(default_factory=dict)

    def set(self, time_us: int, word: int) -> None:
        self.now_us = max(time_us, self.now_us)
        self.word = word
        self.changes[self.now_us] = word
        self.edges_us.append(self.now_us)


def thresholds(design: form.Design) -> tuple[int, ...]:
    """Every duration that a key can be measured by, also with the debouncers' waits added or taken off; not below 0."""
    timing = design.timing
    base = {0, timing.chord_us, timing.hold_us, timing.double_us, timing.repeat.first_us}
    base |= {binding.hold_us for binding in design.bindings if binding.hold_us}
    base |= {timer.period_us for mode in design.modes for timer in mode.timers}
    press, release = timing.press.time_us, timing.release.time_us
    shifts = (0, press, release, press - release, release - press)
    found = {time + shift for time in base for shift in shifts if time + shift >= 0}
    longest = max(base)
    found |= {silence for silence in (100_000, 500_000) if silence <= 8 * longest}
    return tuple(sorted(found))


def quiet_us(design: form.Design) -> int:
    """Longer than a group, a hold, a waiting tap or a debouncer takes to come to rest."""
    timing = design.timing
    holds = [timing.hold_us, *(binding.hold_us for binding in design.bindings)]
    return 2 * (timing.press.time_us + timing.release.time_us) + timing.chord_us + timing.double_us + max(holds) + 3


def settled_us(design: form.Design) -> int:
    return max(design.timing.press.time_us, design.timing.release.time_us)


@st.composite
def sessions(draw: Draw, design: form.Design, start_us: int = 0, steps: int = 14, released: bool = False) -> Session:
    """One session from power-on. With `released` it begins and ends with every foot up, at rest."""
    held = 0 if released or draw(between(0, 3)) < 3 else draw(between(0, (1 << len(design.switches)) - 1))
    script = Script(start_us, held)
    script.set(start_us, held)
    if released or draw(between(0, 5)) < 5:
        script.edges_us[0] = start_us + settled_us(design) + 2
        script.now_us = script.edges_us[0]
    known = thresholds(design)
    count = steps - draw(between(0, steps)) if draw(between(0, 1)) else draw(between(min(3, steps), steps))
    for _ in range(count):
        _step(draw, script, design, known)
    if released:
        script.set(script.now_us + 1 + settled_us(design), 0)
    end_us = script.now_us + (quiet_us(design) if released or draw(between(0, 1)) else draw(one_of(known)))
    polls = tuple(draw(st.lists(st.sampled_from(POLLS), min_size=1, max_size=4)))
    arrived = arrivals(draw, design, tuple(script.changes), known)
    return Session(tuple(script.changes.items()), max(end_us, *(time_us for time_us, _ in arrived), 0), polls, arrived)


def _step(draw: Draw, script: Script, design: form.Design, known: tuple[int, ...]) -> None:
    back = draw(one_of((1, 1, 2, 3)))
    delay_us = draw(one_of(known)) + draw(one_of((0, 0, 1, -1)))
    start_us = script.edges_us[-min(back, len(script.edges_us))] + delay_us
    kind = draw(one_of(("press", "release", "stroke", "double", "toggle", "bounce")))
    if kind == "toggle":
        script.set(start_us, script.word ^ draw(between(1, (1 << len(design.switches)) - 1)))
        return
    bound = tuple(sorted({binding.key for binding in design.bindings if kind != "double" or binding.gesture == "double"} or {0}))
    key = design.keys[draw(one_of(bound))] if draw(between(0, 4)) else draw(one_of(design.keys))
    if kind == "bounce":
        _bounce(draw, script, start_us, key.mask, max(1, design.timing.press.time_us // 3))
        return
    gap_us = draw(one_of((0, 1, design.timing.chord_us - 1, design.timing.chord_us)))
    order = tuple(draw(st.permutations(key.members))) if len(key.members) > 1 else key.members
    if kind == "press":
        _move(script, start_us, order, gap_us, True)
    elif kind == "release":
        _move(script, start_us, order, gap_us, False)
    else:
        _stroke(draw, script, design, start_us, order, gap_us)
    if kind == "double":
        again_us = draw(one_of((settled_us(design), design.timing.double_us))) + draw(one_of((0, 1, -1)))
        _stroke(draw, script, design, script.now_us + again_us, order, gap_us)


def _move(script: Script, start_us: int, order: tuple[int, ...], gap_us: int, down: bool) -> None:
    for place, switch in enumerate(order):
        word = script.word | 1 << switch if down else script.word & ~(1 << switch)
        script.set(start_us + place * gap_us, word)


def _stroke(draw: Draw, script: Script, design: form.Design, start_us: int, order: tuple[int, ...], gap_us: int) -> None:
    timing = design.timing
    _move(script, start_us, order, gap_us, True)
    down_us = draw(
        st.sampled_from((1, timing.chord_us, timing.hold_us, timing.repeat.first_us, timing.repeat.first_us + timing.repeat.last_us))
    )
    edge_us = draw(one_of((0, 1, -1)))
    _move(script, script.now_us + timing.press.time_us + down_us + edge_us, order, gap_us, False)


def _bounce(draw: Draw, script: Script, start_us: int, mask: int, gap_us: int) -> None:
    for place in range(draw(between(2, 4))):
        script.set(start_us + place * gap_us, script.word ^ mask)


@st.composite
def histories(draw: Draw, design: form.Design) -> tuple[Session, ...]:
    """One to three sessions; kept cells go from each to the next."""
    start_us = draw(one_of((0, 2**32 - 7, 2**31 - 1000)))
    first = draw(sessions(design, start_us))
    if draw(between(0, 3)) < 3:
        return (first,)
    rest = [draw(sessions(design, draw(one_of((0, 5))), 6)) for _ in range(draw(between(1, 2)))]
    return (first, *rest)
