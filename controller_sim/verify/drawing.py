"""Random feet: sessions drawn from a seed and a number, compactly enough to be drawn faster than they are played.

Sessions come in blocks. A block has a recipe: what its feet do at all (whole kinds of event are switched off, so that others
come more often), and tables of times, some like a person's, some at a threshold of the design, one microsecond before it or
after it. A session then takes a number for each figure and a number for its times, and looks everything up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

from controller_sim.core.kinds import MINUTE_US
from controller_sim.design.form import Design
from controller_sim.verify.arriving import Sender
from controller_sim.verify.dice import Dice, numbers
from controller_sim.verify.thresholds import chord_us, double_us, holds, latency_us, rest_us, settled_us, waits
from controller_sim.verify.watching import Session

SESSIONS = 64
"""Sessions in a block."""
FIGURES = 48
"""The most figures in a session."""
TABLE = 64
"""Entries in a table of times: a draw of six bits picks one."""

BEATS = 7
"""Strokes in a row, for a tempo to be tapped."""

Times = tuple[int, ...]
Step = tuple[int, int, Times, int]
"""Switches that stay as they are (mask), switches that go down, times since the step before, or since the `back`-th last one (0: 1)."""
Figure = tuple[Step, ...]

KINDS = ("tap", "long", "double", "chord", "rolled", "overlap", "stamp", "bounce", "tangle", "beat", "rest a foot", "lift")
STYLES = ("mixed", "mixed", "boundary", "human")


@dataclass(frozen=True, slots=True)
class Recipe:
    """What the feet of a block do."""

    figures: tuple[Figure, ...]
    pauses: Times
    held: tuple[int, ...]
    """Switches that may be down at power-on."""
    grid_us: int
    """How far apart the contacts are looked at; 0: at every change."""
    cuts: bool
    """Whether power goes off in the midst of things."""
    sender: Sender | None
    """What arrives meanwhile; None: nothing."""


class Feet:
    """Draws the sessions of one design from a seed."""

    def __init__(self, design: Design, seed: int) -> None:
        self.design = design
        self.seed = seed
        self.rest_us = rest_us(design)
        self.settled_us = settled_us(design)
        self._all = (1 << len(design.switches)) - 1

    def block(self, number: int) -> list[Session]:
        """The sessions of a block, each with `kept` still to be filled in by whoever plays them."""
        recipe = self.recipe(number)
        return [self.session(recipe, f"{self.seed}.{number}.{place}") for place in range(SESSIONS)]

    def recipe(self, number: int) -> Recipe:
        dice = Dice(f"{self.seed}.{number}")
        tables = _Tables(self.design, dice)
        kinds = [kind for kind in KINDS if dice.below(2)] or ["tap"]
        figures = _Figures(self.design, dice, tables)
        power_on = [binding.mask for binding in self.design.power_on]
        sender = Sender(self.design, dice, tables.pause) if Sender.has_work(self.design) and dice.below(3) else None
        return Recipe(
            figures=tuple(figures.draw(dice.one_of(kinds)) for _ in range(TABLE)),
            pauses=tables.pause,
            held=(0,) * 6 + (dice.one_of(power_on) if power_on else 0, dice.below(self._all + 1)),
            grid_us=dice.one_of((0, 0, 0, 1_000, 4_000, max(1, self.design.timing.chord_us // 3), self.design.timing.hold_us)),
            cuts=dice.once_in(3),
            sender=sender,
        )

    def session(self, recipe: Recipe, key: str) -> Session:
        """One session by its recipe; the key decides everything else."""
        drawn = numbers(key, 2 * FIGURES + 2)
        first = drawn[0]
        count = 1 + (first >> 3) % FIGURES
        times, words = self._play(recipe, drawn, count, recipe.held[first & 7])
        if recipe.grid_us:
            times, words = _seen_every(recipe.grid_us, times, words)
        last_us = times[-1]
        at_rest = not (recipe.cuts and first >> 20 & 1)
        if at_rest:
            if words[-1]:
                last_us += 1 + (first >> 24) % (2 * self.rest_us)
                times.append(last_us)
                words.append(0)
            last_us += self.rest_us
        else:
            last_us += recipe.pauses[first >> 24 & 63]
        arrivals = recipe.sender.arrivals(drawn[-1], times) if recipe.sender else ()
        if arrivals:
            last_us = max(last_us, arrivals[-1][0])
        times.append(last_us)
        words.append(words[-1])
        return Session(tuple(times), tuple(words), arrivals, None, at_rest)

    def _play(self, recipe: Recipe, drawn: Sequence[int], count: int, held: int) -> tuple[list[int], list[int]]:
        figures, pauses = recipe.figures, recipe.pauses
        word = held
        times, words = [0], [word]
        last_us = 0
        # Mostly the controller is ready before a foot moves.
        now_us = self.settled_us + 2 if drawn[0] >> 40 & 7 else 0
        for place in range(1, 2 * count, 2):
            choice, bits = drawn[place], drawn[place + 1]
            now_us += pauses[choice >> 6 & 63]
            for keep, down, delays, back in figures[choice & 63]:
                if back:
                    now_us = times[-back] + delays[bits & 63]
                    if now_us <= last_us:
                        now_us = last_us + 1
                else:
                    now_us += delays[bits & 63]
                bits >>= 6
                word = word & keep | down
                if now_us > last_us:
                    times.append(now_us)
                    words.append(word)
                    last_us = now_us
                else:
                    words[-1] = word
        return times, words


def _seen_every(grid_us: int, times: Sequence[int], words: Sequence[int]) -> tuple[list[int], list[int]]:
    """The same for a controller that looks at its contacts only now and then: what changed in between is seen at once, or never."""
    seen_times, seen_words = [0], [words[0]]
    for time_us, word in zip(times[1:], words[1:], strict=True):
        at_us = -(-time_us // grid_us) * grid_us
        if at_us == seen_times[-1]:
            seen_words[-1] = word
        else:
            seen_times.append(at_us)
            seen_words.append(word)
    return seen_times, seen_words


class _Tables:
    """Tables of times for one block, in the contacts' own times: what a debouncer adds or takes off is allowed for."""

    def __init__(self, design: Design, dice: Dice) -> None:
        timing = design.timing
        self.dice = dice
        self.style = dice.one_of(STYLES)
        press_us, release_us = latency_us(timing.press), latency_us(timing.release)
        debounce = {timing.press.time_us, timing.release.time_us}
        window_us, gap_us = chord_us(design), double_us(design)
        hold_us = timing.hold_us
        windows = {0, *([] if window_us is None else [window_us])}
        self.skew = self._table(windows, (0, timing.chord_us * 5 // 4))
        lengths = {*holds(design), *windows, *debounce}
        self.length = self._table({length + press_us - release_us for length in lengths} | debounce, (hold_us // 20, hold_us // 3))
        self.hold = self._table({length + press_us - release_us for length in holds(design)} | {hold_us}, (hold_us, 3 * hold_us))
        gaps = {*debounce, *([] if gap_us is None else [gap_us])}
        self.gap = self._table({gap + release_us - press_us for gap in gaps} | debounce, (timing.double_us // 4, timing.double_us * 5 // 4))
        longest_us = 8 * max(hold_us, timing.double_us, 1)
        pauses = {wait for wait in waits(design) if wait <= longest_us} | windows | gaps | debounce
        self.pause = self._table(pauses, (1, hold_us), (timing.double_us, 3 * hold_us + timing.double_us), least=1)
        self.debounce = tuple(dice.one_of(sorted(debounce)) + dice.one_of((0, 0, 0, 1, -1)) for _ in range(TABLE))
        # A design whose own times are tiny does much in a long one: its feet tap faster than any tempo.
        beat_us = min(MINUTE_US // dice.between(design.tempo.low, design.tempo.high), longest_us)
        self.beat = tuple(max(1, beat_us + dice.one_of((0, 0, 1, -1, beat_us // 5, beat_us // 3))) for _ in range(TABLE))
        self.bounce = tuple(dice.between(1, max(1, max(debounce) // 3)) for _ in range(TABLE))

    def _table(self, at_us: set[int], *ranges: tuple[int, int], least: int = 0) -> Times:
        near = sorted({time_us + off for time_us in at_us for off in (-1, 0, 1) if time_us + off >= least}) or [least]
        table = []
        for _ in range(TABLE):
            if self.style == "boundary" or (self.style == "mixed" and self.dice.below(2)):
                table.append(self.dice.one_of(near))
            else:
                low, high = self.dice.one_of(ranges)
                table.append(max(least, self.dice.between(low, max(low, high))))
        return tuple(table)


class _Figures:
    """Figures that feet make on the keys of a design."""

    def __init__(self, design: Design, dice: Dice, tables: _Tables) -> None:
        self.dice = dice
        self.tables = tables
        self.all = (1 << len(design.switches)) - 1
        self.switches = len(design.switches)
        bound = sorted({binding.key for binding in design.bindings})
        self.keys = [design.keys[key].members for key in bound] or [key.members for key in design.keys]
        self.doubled = [design.keys[b.key].members for b in design.bindings if b.gesture == "double"] or self.keys
        self.chords = [members for members in self.keys if len(members) > 1]

    def draw(self, kind: str) -> Figure:
        tables = self.tables
        members = self.dice.one_of(self.keys)
        if kind == "long":
            return self._stroke(members, tables.hold)
        if kind == "double":
            members = self.dice.one_of(self.doubled)
            again = self._stroke(members, tables.length)
            return (*self._stroke(members, tables.length), *_later(again, tables.gap))
        if kind == "chord" and self.chords:
            return self._stroke(self.dice.one_of(self.chords), self.dice.one_of((tables.length, tables.hold)))
        if kind == "rolled":
            return self._rolled()
        if kind == "overlap":
            return self._overlap(self.dice.below(self.switches), self.dice.below(self.switches))
        if kind == "stamp":
            mask = 1 + self.dice.below(self.all)
            return ((self.all, mask, tables.skew, 0), (self.all & ~mask, 0, tables.length, 0))
        if kind == "bounce":
            return self._bouncing(self.dice.below(self.switches))
        if kind == "tangle":
            return self._tangled(self.dice.below(self.switches), self.dice.below(self.switches))
        if kind == "beat":
            first, *rest = self._stroke(members, tables.length) * BEATS
            return (first, *((*step[:2], tables.beat if place % 2 else step[2], step[3]) for place, step in enumerate(rest)))
        if kind == "rest a foot":
            return self._down(members)
        if kind == "lift":
            return ((0, 0, tables.length, 0),)
        return self._stroke(members, tables.length)

    def _order(self, members: Sequence[int]) -> tuple[int, ...]:
        return self.dice.one_of(list(permutations(members))) if len(members) < 5 else tuple(members)

    def _tangled(self, first: int, second: int) -> Figure:
        """One switch bounces, and at the very instant at which its debouncer looks again another one changes."""
        a, b = 1 << first, 1 << second
        return (
            (self.all, a, (0,) * TABLE, 0),
            (self.all & ~a, 0, self.tables.bounce, 0),
            (self.all, b, self.tables.debounce, 2),
            (self.all & ~b, 0, self.tables.debounce, 1),
            (self.all, a, self.tables.length, 0),
            (0, 0, self.tables.length, 0),
        )

    def _down(self, members: Sequence[int]) -> Figure:
        order = self._order(members)
        return tuple((self.all, 1 << s, self.tables.skew if place else (0,) * TABLE, 0) for place, s in enumerate(order))

    def _stroke(self, members: Sequence[int], lengths: Times) -> Figure:
        """Down, one after another, and up again, together or one after another."""
        down = self._down(members)
        mask = sum(1 << s for s in members)
        if len(members) == 1 or self.dice.below(2):
            return (*down, (self.all & ~mask, 0, lengths, 0))
        up = tuple((self.all & ~(1 << s), 0, self.tables.skew if place else lengths, 0) for place, s in enumerate(self._order(members)))
        return (*down, *up)

    def _rolled(self) -> Figure:
        """Several switches in a row, each down before the one before is up."""
        order = [self.dice.below(self.switches) for _ in range(self.dice.between(2, 4))]
        steps: list[Step] = []
        for place, s in enumerate(order):
            steps.append((self.all, 1 << s, self.tables.skew if place else (0,) * TABLE, 0))
            if place:
                steps.append((self.all & ~(1 << order[place - 1]), 0, self.tables.length, 0))
        return (*steps, (self.all & ~(1 << order[-1]), 0, self.tables.length, 0))

    def _overlap(self, first: int, second: int) -> Figure:
        """One switch while another is down; the first goes up at its own time, however long the second took."""
        a, b = 1 << first, 1 << second
        lengths = self.dice.one_of((self.tables.length, self.tables.hold))
        return (
            (self.all, a, (0,) * TABLE, 0),
            (self.all, b, self.dice.one_of((self.tables.skew, self.tables.length)), 0),
            (self.all & ~a, 0, lengths, 2),
            (self.all & ~b, 0, lengths, 2),
        )

    def _bouncing(self, switch: int) -> Figure:
        bit, bounce = 1 << switch, self.tables.bounce
        down, up = (self.all, bit), (self.all & ~bit, 0)
        return (
            (*down, bounce, 0),
            (*up, bounce, 0),
            (*down, bounce, 0),
            (*up, self.tables.length, 0),
            (*down, bounce, 0),
            (*up, bounce, 0),
        )


def _later(figure: Figure, pause: Times) -> Figure:
    """The same figure after a pause of its own."""
    (keep, down, _, back), *rest = figure
    return ((keep, down, pause, back), *rest)
