"""Random histories in the form that ports play, and a given number of them from a seed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from controller_sim.design import form
from controller_sim.port.history import History, seen_by_polling
from controller_sim.simulator import Input
from controller_sim.testing import contacts
from controller_sim.testing.contacts import Session

T = TypeVar("T")

PAUSE_US = 1_000_000
"""Without power, between two sessions."""


def port_histories(design: form.Design) -> st.SearchStrategy[History]:
    """One to three sessions, one after another, as a controller sees them that reads its inputs in turn."""
    return contacts.histories(design).map(lambda sessions: seen_by_polling(design, history_of(sessions)))


def history_of(sessions: Sequence[Session]) -> History:
    """Sessions one after another from time 0 on; the power is off between them."""
    inputs: list[Input] = []
    word = end_us = 0
    for number, session in enumerate(sessions):
        start_us = end_us + PAUSE_US if number else 0
        if number:
            inputs += [Input(end_us, "off", word), Input(start_us, "on", word)]
        shifted = session.shifted(start_us - session.start_us)
        words, arrivals = dict(shifted.changes), dict(shifted.arrivals)
        for time_us in sorted({*words, *arrivals}):
            if words.get(time_us, word) != word:
                word = words[time_us]
                inputs.append(Input(time_us, "contacts", word))
            if time_us in arrivals:
                inputs.append(Input(time_us, "arrived", word, arrivals[time_us]))
        end_us = shifted.end_us
    return History(tuple(inputs), end_us)


def drawn(strategy: st.SearchStrategy[T], count: int, number: int) -> list[T]:
    """Up to `count` different examples, the same for the same seed `number`."""
    found: list[T] = []

    @seed(number)
    @settings(max_examples=count, database=None, phases=[Phase.generate], deadline=None, suppress_health_check=list(HealthCheck))
    @given(strategy)
    def collect(example: T) -> None:
        found.append(example)

    collect()
    return found[:count]
