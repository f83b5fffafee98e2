"""Random feet: sessions drawn from a seed and a number, as strings of moves, in less time than it takes to play them.

Sessions come in blocks. A block has a recipe: what its feet do at all (whole kinds of figure are left out, so that others come more
often), and a table of figures, each a few moves at times like a person's, at a threshold of the design, one microsecond before
it or after it. A session then is a row of figures.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from hashlib import shake_128
from itertools import chain, combinations_with_replacement, pairwise

from controller_sim.design.form import Design
from controller_sim.verify.arrivals import listens
from controller_sim.verify.dice import Dice
from controller_sim.verify.moves import (
    ARRIVE,
    BARE,
    BROKEN,
    EARLIER,
    INTERRUPTED,
    LIFT,
    MORE,
    SELDOM,
    TURN,
    USB,
    WAIT,
    Move,
    beats_us,
    bounce_us,
    done,
    moves_of,
    read,
)
from controller_sim.verify.thresholds import chord_us, double_us, holds, latency_us, waits
from controller_sim.verify.watching import Session

SESSIONS = 64
"""Sessions in a block."""
MOST_FIGURES = 64
"""The most figures in a session."""
FIGURES = 64
"""Different figures in a block."""
BEATS = 7
"""Strokes in a row, for a tempo to be tapped."""
STYLES = ("mixed", "mixed", "boundary", "human")


@dataclass(frozen=True, slots=True)
class Recipe:
    """What the feet of a block do, in moves."""

    figures: tuple[bytes, ...]
    begins: tuple[bytes, ...]
    """What stands before the first figure: how seldom contacts are looked at, what is down at power-on."""
    ends: tuple[bytes, ...]
    """Every foot goes up; or the power goes off in the midst of things, after so long."""


class Feet:
    """Draws the sessions of one design from a seed."""

    def __init__(self, design: Design, seed: int) -> None:
        self.design = design
        self.seed = seed
        self.moves = moves_of(design)
        self.times = _Times(design, self.moves.ways)

    def block(self, number: int) -> list[Session]:
        """The sessions of a block; what the chip holds at first is left to whoever plays them."""
        rows = self._rows(number)
        deeds = {figure: read(self.moves, figure) for figure in set(chain.from_iterable(rows))}
        return [done(self.moves, chain.from_iterable([deeds[figure] for figure in row]), cuts=False)[0] for row in rows]

    def written(self, number: int) -> list[bytes]:
        """The same in moves."""
        return [b"".join(row) for row in self._rows(number)]

    def _rows(self, number: int) -> list[list[bytes]]:
        recipe = self.recipe(number)
        return [_row(recipe, f"{self.seed}.{number}.{place}") for place in range(SESSIONS)]

    def recipe(self, number: int) -> Recipe:
        dice = Dice(f"{self.seed}.{number}")
        figures = _Figures(self.design, dice, self.moves.ways, self.times)
        kinds = [kind for kind in figures.kinds if dice.below(2)] or [figures.tap]
        if listens(self.design) and dice.below(3):
            kinds += [figures.arrival] * max(1, len(kinds) // 2)
        ways = self.moves.ways
        begin = dice.one_of([*[b""] * 4, *(way for (kind, _), way in ways.items() if kind == SELDOM)])
        at_once = begin + ways[EARLIER, None] + ways[WAIT, 0]
        lift = figures.lift()
        cuts = dice.once_in(3)
        return Recipe(
            figures=tuple(dice.one_of(kinds)() for _ in range(FIGURES)),
            begins=(begin,) * 5 + (at_once, at_once + figures.held(), at_once + figures.held_at_power_on()),
            ends=(lift,) * 4 + tuple(figures.time(self.times.pause) if cuts else lift for _ in range(4)),
        )


def _row(recipe: Recipe, key: str) -> list[bytes]:
    drawn = shake_128(key.encode()).digest(MOST_FIGURES + 2)
    first, last = drawn[0], drawn[1]
    figures = recipe.figures
    row = [figures[n & FIGURES - 1] for n in drawn[2 : 3 + (last >> 3) * MOST_FIGURES // 32]]
    row[0] = recipe.begins[first & 7] + row[0]
    row.append(recipe.ends[last & 7])
    return row


Pool = tuple[list[bytes], list[bytes]]
"""Times at thresholds and beside them, and times that people take."""


class _Times:
    """Times to draw from, each written as moves, in the contacts' own times: what a debouncer adds or takes off is allowed for."""

    def __init__(self, design: Design, ways: dict[Move, bytes]) -> None:
        timing = design.timing
        self._ways = ways
        self._exact = sorted({what for kind, what in ways if kind == WAIT})
        self._pairs = [(one, two, one + two) for one, two in combinations_with_replacement(self._exact, 2)]
        press_us, release_us = latency_us(timing.press), latency_us(timing.release)
        debounce = {timing.press.time_us, timing.release.time_us}
        window_us, gap_us = chord_us(design), double_us(design)
        hold_us = timing.hold_us
        windows = {0, *([] if window_us is None else [window_us])}
        lengths = {*holds(design), *windows, *debounce}
        gaps = {*debounce, *([] if gap_us is None else [gap_us])}
        pauses = {*waits(design)} | windows | gaps | debounce
        self.skew = self._pool(windows, (0, timing.chord_us * 5 // 4))
        self.length = self._pool({length + press_us - release_us for length in lengths} | debounce, (hold_us // 20, hold_us // 3))
        self.hold = self._pool({length + press_us - release_us for length in holds(design)} | {hold_us}, (hold_us, 3 * hold_us))
        self.gap = self._pool({gap + release_us - press_us for gap in gaps} | debounce, (timing.double_us // 4, timing.double_us * 5 // 4))
        self.pause = self._pool(pauses, (1, hold_us), (timing.double_us, 3 * hold_us + timing.double_us))
        self.debounce = self._pool(debounce, (0, 0))
        self.beat = self._pool({*beats_us(design)}, (timing.double_us, 3 * hold_us))
        self.bounce = self._pool({bounce_us(design)}, (1, max(debounce)))

    def _pool(self, at_us: Iterable[int], *ranges: tuple[int, int]) -> Pool:
        ways, more = self._ways, self._ways[MORE, None]
        near = [ways[WAIT, us] for us in sorted({us + off for us in at_us for off in (-1, 0, 1)}) if (WAIT, us) in ways]
        human = [ways[WAIT, us] for us in self._exact if any(low <= us <= high for low, high in ranges)]
        for low, high in ranges:
            human += [ways[WAIT, one] + more + ways[WAIT, two] for one, two, both in self._pairs if low <= both <= high]
        return near or human or [ways[WAIT, 0]], human or near or [ways[WAIT, 0]]


class _Figures:
    """Figures that feet make on the keys of a design."""

    def __init__(self, design: Design, dice: Dice, ways: dict[Move, bytes], times: _Times) -> None:
        self.dice = dice
        self.ways = ways
        self.times = times
        self.style = dice.one_of(STYLES)
        self.switches = len(design.switches)
        self.power_on = [binding.mask for binding in design.power_on]
        bound = sorted({binding.key for binding in design.bindings})
        self.keys = [design.keys[key].members for key in bound] or [key.members for key in design.keys]
        self.doubled = [design.keys[b.key].members for b in design.bindings if b.gesture == "double"] or self.keys
        self.chords = [members for members in self.keys if len(members) > 1] or self.keys
        self.kinds: list[Callable[[], bytes]] = [
            self.tap, self.long, self.double, self.chord, self.rolled, self.overlap, self.stamp, self.bounce, self.tangle, self.beat,
            self.rest_a_foot, self.lift,
        ]  # fmt: skip
        self.arrivals = [way for (kind, _), way in ways.items() if kind == ARRIVE]
        self.manners = [b""] * 6 + [way for (kind, _), way in ways.items() if kind in (USB, BROKEN, BARE, INTERRUPTED)]

    def time(self, pool: Pool) -> bytes:
        near, human = pool
        at_threshold = self.style == "boundary" or (self.style == "mixed" and self.dice.below(2))
        return self.dice.one_of(near if at_threshold else human)

    def turn(self, switch: int) -> bytes:
        return self.ways[TURN, 1 << switch]

    def any_switch(self) -> int:
        return self.dice.below(self.switches)

    def tap(self) -> bytes:
        return self.time(self.times.pause) + self.stroke(self.dice.one_of(self.keys), self.times.length)

    def long(self) -> bytes:
        return self.time(self.times.pause) + self.stroke(self.dice.one_of(self.keys), self.times.hold)

    def double(self) -> bytes:
        members = self.dice.one_of(self.doubled)
        first = self.time(self.times.pause) + self.stroke(members, self.times.length)
        return first + self.time(self.times.gap) + self.stroke(members, self.times.length)

    def chord(self) -> bytes:
        lengths = self.dice.one_of((self.times.length, self.times.hold))
        return self.time(self.times.pause) + self.stroke(self.dice.one_of(self.chords), lengths)

    def order(self, members: Sequence[int]) -> list[int]:
        left, order = list(members), []
        while left:
            order.append(left.pop(self.dice.below(len(left))))
        return order

    def down(self, members: Sequence[int]) -> bytes:
        first, *rest = self.order(members)
        return self.turn(first) + b"".join(self.time(self.times.skew) + self.turn(s) for s in rest)

    def stroke(self, members: Sequence[int], lengths: Pool) -> bytes:
        """Down, one after another, and up again, together or one after another."""
        mask = sum(1 << s for s in members)
        if (TURN, mask) in self.ways and (len(members) == 1 or self.dice.below(2)):
            return self.down(members) + self.time(lengths) + self.ways[TURN, mask]
        return self.down(members) + self.time(lengths) + self.down(members)

    def rolled(self) -> bytes:
        """Several switches in a row, each down before the one before is up."""
        order = [self.any_switch() for _ in range(self.dice.between(2, 4))]
        row = self.time(self.times.pause) + self.turn(order[0])
        for before, s in pairwise(order):
            row += self.time(self.times.skew) + self.turn(s) + self.time(self.times.length) + self.turn(before)
        return row + self.time(self.times.length) + self.turn(order[-1])

    def overlap(self) -> bytes:
        """One switch while another is down; the first goes up at its own time, however long the second took."""
        a, b = self.turn(self.any_switch()), self.turn(self.any_switch())
        lengths = self.dice.one_of((self.times.length, self.times.hold))
        between = self.dice.one_of((self.times.skew, self.times.length))
        earlier = self.ways[EARLIER, None]
        first = self.time(self.times.pause) + a + self.time(between) + b
        return first + earlier + self.time(lengths) + a + earlier + self.time(lengths) + b

    def stamp(self) -> bytes:
        mask = 1 + self.dice.below((1 << self.switches) - 1)
        members = [s for s in range(self.switches) if mask >> s & 1]
        down = self.ways[WAIT, 0].join(self.turn(s) for s in members)
        return self.time(self.times.pause) + down + self.time(self.times.length) + down

    def bounce(self) -> bytes:
        turn, bounce = self.turn(self.any_switch()), self.times.bounce
        row = self.time(self.times.pause) + turn + self.time(bounce) + turn + self.time(bounce) + turn
        return row + self.time(self.times.length) + turn + self.time(bounce) + turn + self.time(bounce) + turn

    def tangle(self) -> bytes:
        """One switch bounces, and at the very instant at which its debouncer looks again another one changes."""
        a, b = self.turn(self.any_switch()), self.turn(self.any_switch())
        earlier, times = self.ways[EARLIER, None], self.times
        row = self.time(times.pause) + a + self.time(times.bounce) + a + earlier + self.time(times.debounce) + b
        return row + self.time(times.debounce) + b + self.time(times.length) + a + self.time(times.length) + self.ways[LIFT, None]

    def beat(self) -> bytes:
        members = self.dice.one_of(self.keys)
        stroke = self.stroke(members, self.times.length)
        return self.time(self.times.pause) + (stroke + self.time(self.times.beat)) * (BEATS - 1) + stroke

    def rest_a_foot(self) -> bytes:
        return self.time(self.times.pause) + self.down(self.dice.one_of(self.keys))

    def lift(self) -> bytes:
        return self.time(self.times.pause) + self.ways[LIFT, None]

    def arrival(self) -> bytes:
        manner = self.dice.one_of(self.manners)
        earlier = self.ways[EARLIER, None] * self.dice.below(3)
        return earlier + self.time(self.times.pause) + manner + self.arrivals[self.dice.below(1 + self.dice.below(len(self.arrivals)))]

    def held(self) -> bytes:
        """Any switches go down at once, after a beginning that says when."""
        return self._at_once(self.dice.below(1 << self.switches))

    def held_at_power_on(self) -> bytes:
        """The same with switches that mean something at power-on."""
        return self._at_once(self.dice.one_of(self.power_on) if self.power_on else 0)

    def _at_once(self, mask: int) -> bytes:
        row = [self.turn(s) for s in range(self.switches) if mask >> s & 1]
        return (self.ways[EARLIER, None] + self.ways[WAIT, 0]).join(row)
