"""Gestures played on purpose: from where a run has come to rest, the strokes that make a given binding fire."""

from __future__ import annotations

from typing import Any

from controller_sim.core.kinds import FIRED
from controller_sim.design.form import Design
from controller_sim.verify.playing import play
from controller_sim.verify.thresholds import rest_us
from controller_sim.verify.watching import EngineFactory, Item, Session, packed_outputs

Stroke = tuple[tuple[int, int], ...]
"""What the feet do: microseconds since the change before, and the switches that are down from then on."""


MILLISECOND_US = 1_000
ROUNDED_US = 10_000
"""From here on times are whole milliseconds, so that scripts of what was done can be read."""


def _round(time_us: int) -> int:
    return time_us if time_us < ROUNDED_US else -(-time_us // MILLISECOND_US) * MILLISECOND_US


class Strokes:
    """The strokes of a design's bindings, made once."""

    def __init__(self, design: Design) -> None:
        self.design = design
        timing = design.timing
        self.brief_us = _round(timing.press.time_us + timing.release.time_us + 2)
        """Longer than either debouncer waits."""
        self.rest_us = _round(rest_us(design))
        self.first_us = 1 if self.brief_us < ROUNDED_US else MILLISECOND_US
        self.of = [self._of(number) for number in range(len(design.bindings))]

    def _of(self, number: int) -> Stroke:
        """What makes a binding fire, where its condition holds and nothing else comes first."""
        binding = self.design.bindings[number]
        mask, first_us, brief_us = self.design.keys[binding.key].mask, self.first_us, self.brief_us
        match binding.gesture:
            case "hold":
                return (first_us, mask), (binding.hold_us + brief_us, 0)
            case "repeat":
                return (first_us, mask), (self.design.timing.repeat.first_us + brief_us, 0)
            case "double":
                return (first_us, mask), (brief_us, 0), (brief_us, mask), (brief_us, 0)
        return (first_us, mask), (brief_us, 0)

    def while_down(self, held: int, stroke: Stroke) -> Stroke:
        """A stroke while other switches (a mask) are down, from long before it until long after it."""
        settle_us = self.brief_us + self.rest_us
        first, *rest = stroke
        return (self.first_us, held), (settle_us, first[1] | held), *((after_us, word | held) for after_us, word in rest), (settle_us, 0)


class Onward:
    """A run that is played on from the end of a session at rest."""

    def __init__(self, strokes: Strokes, factory: EngineFactory, session: Session) -> None:
        self.strokes = strokes
        self.engine: Any = play(factory, strokes.design, session)
        self.put_out: list[Item] = packed_outputs(self.engine)
        """All of it, from power-on."""
        self.end_us: int = self.engine.now_us
        """When the session was over."""
        self.log: list[tuple[int, int]] = []
        """What was done since: times since the session's end, and the switches that are down from there on."""

    def make(self, stroke: Stroke) -> list[int]:
        """Make a stroke and wait until no gesture is under way; the bindings that fired."""
        before = len(self.put_out)
        for after_us, word in stroke:
            self.advance(after_us, word)
        self.wait(self.strokes.rest_us)
        return [item >> 3 for item in self.put_out[before + 1 :: 2] if isinstance(item, int) and item & 7 == FIRED]

    def fire(self, number: int) -> list[int]:
        """Make the strokes of a binding; the bindings that fired."""
        return self.make(self.strokes.of[number])

    def wait(self, time_us: int) -> None:
        """Let time pass with the feet as they are."""
        self.advance(time_us, self.log[-1][1] if self.log else 0)

    def advance(self, after_us: int, word: int) -> None:
        """Some time later, so many switches (a mask) are down."""
        time_us = self.engine.now_us + after_us
        self.engine.advance(time_us, word)
        self.put_out += packed_outputs(self.engine)
        self.log.append((time_us - self.end_us, word))


def lasts_us(stroke: Stroke) -> int:
    """How long a stroke takes."""
    return sum(after_us for after_us, _ in stroke)
