"""Random histories in the form that ports play, and a given number of them from a seed."""

from __future__ import annotations

from typing import TypeVar

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from controller_sim.design import form
from controller_sim.port.polling import seen_by_polling
from controller_sim.simulator import History
from controller_sim.testing import contacts
from controller_sim.verify.histories import history_of

T = TypeVar("T")


def port_histories(design: form.Design) -> st.SearchStrategy[History]:
    """One to three sessions, one after another, as a controller sees them that reads its inputs in turn."""
    return contacts.histories(design).map(lambda sessions: seen_by_polling(design, history_of(sessions)))


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
