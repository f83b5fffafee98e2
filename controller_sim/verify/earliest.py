"""Earliest decision, on a run: just before a gesture fired, something could still have made it something else.

The rule speaks of debounced edges, so they are given to the same design without debouncing. For a gesture that fired, the run
is taken up to a little before it, and from there silence, every single edge, and every key pressed or lifted as a whole are
tried. If the gesture fires whatever the feet do, it was late.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from controller_sim.core.kinds import EDGE, FIRED, RESTARTED
from controller_sim.design.form import Debounce, Design
from controller_sim.verify.accounts import Wrong
from controller_sim.verify.believing import ready_us
from controller_sim.verify.dice import Dice
from controller_sim.verify.pairs import Tally
from controller_sim.verify.playing import outputs_of, tell
from controller_sim.verify.thresholds import holds
from controller_sim.verify.watching import EngineFactory, Item, Session, packed_outputs

EARLIEST = "earliest decision"
TRIED = 2
"""Gestures tried in a session."""
BACK_US = 3
"""How far before a gesture the run is taken; no edge may lie in between."""
AT_ONCE = Debounce("lockout", 0)


def undebounced(design: Design) -> Design:
    """The same design for a controller that believes its contacts at once."""
    return replace(design, timing=replace(design.timing, press=AT_ONCE, release=AT_ONCE))


class Edges:
    """A design without debouncing, which a campaign makes once."""

    def __init__(self, design: Design) -> None:
        self.given = design
        self.design = undebounced(design)
        timing = design.timing
        self.horizon_us = 2 * timing.chord_us + timing.double_us + max(holds(design), default=0) + 10

    def check(self, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
        """Try up to TRIED gestures of a session."""
        if session.arrivals:
            return None
        packed = outputs_of(factory, self.given, session)
        edges = self._session(session, packed)
        if edges is None:
            return None
        fired = [pair for pair in _fired(outputs_of(factory, self.design, edges)) if pair[0] >= edges.times_us[1]]
        if fired != [pair for pair in _fired(packed) if pair[0] <= edges.times_us[-1]]:
            return None
        candidates = [pair for pair in fired if self._can_be_tried(pair, edges)]
        for _ in range(min(TRIED, len(candidates))):
            time_us, number = dice.one_of(candidates)
            tally.reached[EARLIEST] += 1
            if self._is_late(factory, edges, time_us, number):
                what = tell(self.given, number << 3 | FIRED)
                return Wrong(EARLIEST, time_us, f"{what} fires at {time_us} us, and would fire whatever came 1 us earlier")
        return None

    def _session(self, session: Session, packed: list[Item]) -> Session | None:
        """The debounced edges as contacts, from the instant at which they had settled, or None where they are none of a plain kind."""
        start_us = ready_us(self.given, session)
        if start_us is None or start_us < 1:
            return None
        words: dict[int, int] = {start_us: 0}
        turned: set[tuple[int, int]] = set()
        word = 0
        end_us = session.times_us[-1]
        for time_us, item in zip(packed[::2], packed[1::2], strict=True):
            if not isinstance(item, int) or not isinstance(time_us, int):
                continue
            if item == RESTARTED:
                end_us = time_us - 1
                break
            if item & 7 == EDGE:
                if (time_us, item >> 4) in turned:
                    return None
                turned.add((time_us, item >> 4))
                word = word | 1 << (item >> 4) if item & 8 else word & ~(1 << (item >> 4))
                words[time_us] = word
        words = {time_us: word for time_us, word in words.items() if time_us <= end_us}
        if end_us <= start_us:
            return None
        words.setdefault(end_us, words[max(words)])
        # With no debouncing a controller is ready 1 us after power-on.
        return Session((start_us - 1, *words), (words[start_us], *words.values()), (), session.kept)

    def _can_be_tried(self, fired: tuple[int, int], edges: Session) -> bool:
        time_us, number = fired
        binding = self.given.bindings[number]
        if binding.gesture == "release" or binding.eager or time_us - BACK_US <= edges.times_us[1]:
            return False
        return not any(time_us - BACK_US <= edge_us < time_us for edge_us in edges.times_us)

    def _is_late(self, factory: EngineFactory, edges: Session, time_us: int, number: int) -> bool:
        engine: Any = factory(self.design, edges.times_us[0], edges.kept, True)
        word = edges.words[0]
        for edge_us, word_then in zip(edges.times_us, edges.words, strict=True):
            if edge_us >= time_us:
                break
            word = word_then
            engine.advance(edge_us, word)
        engine.advance(time_us - BACK_US, word)
        snapshot = engine.snapshot()
        # A tap or a press may be settled a little earlier; a hold or a repeat that fires earlier is another one.
        since_us = time_us if self.given.bindings[number].gesture in ("hold", "repeat") else 0
        for first, second in self._tries(word):
            engine.restore(snapshot, time_us - BACK_US)
            packed_outputs(engine)
            engine.advance(time_us - 2, first)
            engine.advance(time_us - 1, second)
            engine.advance(time_us + self.horizon_us, second)
            if not any(fired == number and fired_us >= since_us for fired_us, fired in _fired(packed_outputs(engine))):
                return False
        return True

    def _tries(self, word: int) -> Iterator[tuple[int, int]]:
        """Contacts at the last two instants before."""
        yield word, word
        for s in range(len(self.design.switches)):
            yield word, word ^ 1 << s
        for key in self.design.keys:
            yield word, word | key.mask
            yield word, word & ~key.mask
            yield word & ~key.mask, word | key.mask


def _fired(packed: list[Item]) -> list[tuple[int, int]]:
    return [
        (time_us, item >> 3)
        for time_us, item in zip(packed[::2], packed[1::2], strict=True)
        if isinstance(item, int) and isinstance(time_us, int) and item & 7 == FIRED
    ]
