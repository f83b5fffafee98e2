"""Typed access to the state machines of `transitions`, whose methods appear only at run time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from transitions import Machine

Row = Mapping[str, str | list[str] | None]


class Stateful:
    """A model of a `transitions` machine: `state` is its state, `step` makes it move."""

    state: str

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        machine.add_model(self)

    def step(self, trigger: str) -> None:
        """Move by a trigger. Raises transitions.MachineError when the present state does not know it."""
        self._machine.events[trigger].trigger(self)


def machine_of(states: Sequence[str], rows: Sequence[Row]) -> Machine:
    """A machine without models; the first state is the initial one, and no transitions exist but those in `rows`."""
    return Machine(model=None, states=list(states), initial=states[0], transitions=[dict(row) for row in rows], auto_transitions=False)
