"""What is done to a controller from power-on to power-off, and how it is polled meanwhile."""

from __future__ import annotations

from dataclasses import dataclass

POLLS = ("none", "deadline", "before", "after", "middle")
"""How an engine is polled between two changes: not at all, at its next deadlines, 1 us around them, or half-way."""


@dataclass(frozen=True, slots=True)
class Session:
    """`changes[0]` is at power-on; times in microseconds rise strictly; the last is at most `end_us`."""

    changes: tuple[tuple[int, int], ...]
    """(time, word): bit n of the word says that switch n is down from then on."""
    end_us: int
    polls: tuple[str, ...] = ("none",)
    arrivals: tuple[tuple[int, tuple[int, ...]], ...] = ()
    """(time, what arrived), packed as core.kinds says; times rise strictly and are at most `end_us`."""

    @property
    def start_us(self) -> int:
        return self.changes[0][0]

    def shifted(self, by_us: int) -> Session:
        """The same, `by_us` later."""
        changes = tuple((time_us + by_us, word) for time_us, word in self.changes)
        arrivals = tuple((time_us + by_us, arrived) for time_us, arrived in self.arrivals)
        return Session(changes, self.end_us + by_us, self.polls, arrivals)
