"""The input of the engine bench: what four contacts do, drawn from a seed, as two columns of integers."""

from __future__ import annotations

import random
from array import array
from collections.abc import Callable

START_US = 1_000_000
A, B, C, D = range(4)

Columns = tuple["array[int]", "array[int]"]
"""Times in microseconds, strictly rising, and the word of switches that are closed from then on (bit 0 is switch a)."""

# A release is believed 12 ms after the contact opens, so these make the debounced edge fall on, or next to, a deadline.
CLOSED_FOR_A_HOLD_US = 500_000 - 12_000
CHORD_WINDOW_US = 45_000


class _Contacts:
    """Toggles of single contacts at instants, collected in any order and then read out as columns."""

    def __init__(self, random_: random.Random, bounce: bool) -> None:
        self.random = random_
        self.bounce = bounce
        self.toggles: dict[int, int] = {}
        self.edges = 0
        self.free_us = [0, 0, 0, 0]

    def toggle(self, time_us: int, switch: int) -> None:
        self.toggles[time_us] = self.toggles.get(time_us, 0) ^ 1 << switch

    def change(self, time_us: int, switch: int, bounces_us: int) -> None:
        self.toggle(time_us, switch)
        self.edges += 1
        if self.bounce:
            # An even number of further toggles, all inside the time that the debouncer allows for.
            offsets = sorted(self.random.sample(range(1, bounces_us), 2 * self.random.randrange(3)))
            for offset in offsets:
                self.toggle(time_us + offset, switch)

    def down(self, time_us: int, switch: int, length_us: int) -> None:
        """Closes a contact for a time; moves it later if the same switch was used just before."""
        time_us = max(time_us, self.free_us[switch])
        self.change(time_us, switch, 4_000)
        self.change(time_us + length_us, switch, 4_000)
        # The contact may close again at the very instant at which its release is believed, but not before.
        self.free_us[switch] = time_us + length_us + 12_000 + (4_000 if self.bounce else 0)


def _tap(contacts: _Contacts, time_us: int) -> int:
    length_us = contacts.random.randrange(40_000, 150_001)
    contacts.down(time_us, contacts.random.randrange(4), length_us)
    return time_us + length_us + contacts.random.choice((0, 12_000, contacts.random.randrange(200_000)))


def _leave(contacts: _Contacts, time_us: int) -> int:
    contacts.down(time_us, D, contacts.random.randrange(40_000, 150_001))
    return time_us + contacts.random.randrange(150_000, 300_000)


def _hold(contacts: _Contacts, time_us: int) -> int:
    length_us = contacts.random.choice((CLOSED_FOR_A_HOLD_US - 1, CLOSED_FOR_A_HOLD_US, contacts.random.randrange(480_000, 900_000)))
    contacts.down(time_us, contacts.random.choice((A, A, B, C, C)), length_us)
    return time_us + contacts.random.choice((0, length_us, length_us + 12_000, contacts.random.randrange(700_000)))


def _chord(contacts: _Contacts, time_us: int) -> int:
    first, second = contacts.random.sample((C, D), 2)
    skew_us = contacts.random.choice((0, CHORD_WINDOW_US - 1, CHORD_WINDOW_US, contacts.random.randrange(60_001)))
    contacts.down(time_us, first, contacts.random.randrange(80_000, 200_000))
    contacts.down(time_us + skew_us, second, contacts.random.randrange(40_000, 250_000))
    return time_us + contacts.random.randrange(250_000, 500_000)


def _overlap(contacts: _Contacts, time_us: int) -> int:
    for switch in contacts.random.sample(range(4), contacts.random.randrange(2, 5)):
        contacts.down(time_us, switch, contacts.random.randrange(40_000, 700_000))
        time_us += contacts.random.choice((0, contacts.random.randrange(60_000)))
    return time_us + contacts.random.randrange(300_000)


FIGURES: tuple[Callable[[_Contacts, int], int], ...] = (_tap, _tap, _tap, _leave, _hold, _chord, _overlap)


def make(edges: int, seed: int = 1, bounce: bool = False) -> Columns:
    """At least `edges` debounced edges (without bounce each is one toggle), after the power-on row and before a row that lets all end."""
    contacts = _Contacts(random.Random(seed), bounce)
    time_us = START_US
    while contacts.edges < edges:
        time_us = contacts.random.choice(FIGURES)(contacts, time_us)
    times, words = array("q", [0]), array("q", [0])
    word = 0
    for instant_us, toggled in sorted(contacts.toggles.items()):
        word ^= toggled
        if toggled:
            times.append(instant_us)
            words.append(word)
    times.append(times[-1] + 2_000_000)
    words.append(0)
    return times, words


def prefix(columns: Columns, edges: int) -> Columns:
    """The rows up to the one that brings the number of toggles to `edges`; contacts may be left closed."""
    times, words = columns
    toggles = 0
    for row in range(1, len(times)):
        toggles += (words[row] ^ words[row - 1]).bit_count()
        if toggles >= edges:
            return times[: row + 1], words[: row + 1]
    return columns


def toggle_count(columns: Columns) -> int:
    """How many changes of single contacts the columns hold; without bounce, the number of debounced edges."""
    words = columns[1]
    return sum((words[row] ^ words[row - 1]).bit_count() for row in range(1, len(words)))
