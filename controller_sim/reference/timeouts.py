"""The deadlines of an engine and the order in which equal ones are met (semantics, sections 1 and 9)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum


class Kind(IntEnum):
    """In the order in which equal deadlines are met."""

    POWER_ON = 0
    CHORD_WINDOW = 1
    HOLD = 2
    REPEAT = 3
    DOUBLE_GAP = 4
    MODE_TIMER = 5
    DELAYED_MESSAGE = 6
    CLOCK = 7
    NOTICE = 8
    PEDAL = 9


@dataclass(frozen=True, slots=True)
class Timeout:
    due_us: int
    kind: Kind
    number: int
    """Among those of one kind: the key, the timer, the pedal, or the message's place in the queue."""
    meet: Callable[[], None]

    @property
    def order(self) -> tuple[int, int, int]:
        return (self.due_us, self.kind, self.number)


@dataclass(frozen=True, slots=True)
class Wait:
    """Something that a contact or a key is waiting for after an instant: whoever looks on sees why nothing is decided yet."""

    what: str
    """power_on, settle, lockout, chord, hold, repeat or double."""
    switches: int
    """Bit i: it is about switch i."""
    since_us: int
    due_us: int


@dataclass(frozen=True, slots=True)
class Pending:
    """What will come by itself after an instant, unless something stops it: a timer of the mode, or a delayed message."""

    mode: int
    """In which the timer runs, or the message was sent."""
    timer: int | None
    """Its number in the mode; None: it is a message."""
    ports: int
    data: bytes
    since_us: int
    due_us: int
