"""From contact to edge (semantics, sections 2 and 9): one switch contact and its waits."""

from __future__ import annotations

from transitions import Machine

from controller_sim.design.form import Debounce, Timing
from controller_sim.reference.stateful import Stateful, machine_of

STATES = ("steady", "settling", "locked")
TRANSITIONS: tuple[dict[str, str | list[str] | None], ...] = (
    {"trigger": "change", "source": "steady", "dest": "steady", "conditions": "waits_for_nothing", "after": "let_through"},
    {"trigger": "change", "source": "steady", "dest": "settling", "conditions": "settles", "after": "begin_wait"},
    {"trigger": "change", "source": "steady", "dest": "locked", "after": ["let_through", "begin_wait"]},
    {"trigger": "change_back", "source": "settling", "dest": "steady"},
    {"trigger": "settle", "source": "settling", "dest": "steady", "after": "let_through"},
    {"trigger": "unlock", "source": "locked", "dest": "steady"},
)


def contact_machine() -> Machine:
    return machine_of(STATES, TRANSITIONS)


class Contact(Stateful):
    """`level` is the debounced level and `closed` the contact itself (True: down); `due_us` ends the wait when the state is not steady."""

    def __init__(self, machine: Machine, timing: Timing) -> None:
        super().__init__(machine)
        self.timing = timing
        self.level = False
        self.closed = False
        self.due_us: int | None = None
        self._now_us = 0
        self._edges: list[bool] = []

    @property
    def edge_us(self) -> int | None:
        """When an edge will come if the contact stays as it is: a lockout whose contact agrees with the level ends unseen."""
        return None if self.closed == self.level else self.due_us

    def wait_us(self) -> tuple[int, int] | None:
        """When the wait that is running began and when it ends; None: there is none."""
        if self.due_us is None:
            return None
        return self.due_us - self._wait_us(), self.due_us

    @property
    def _change(self) -> Debounce:
        """How the next change of the level is debounced."""
        return self.timing.release if self.level else self.timing.press

    def waits_for_nothing(self) -> bool:
        return self._change.time_us == 0

    def settles(self) -> bool:
        return self._change.kind == "settle"

    def begin_wait(self) -> None:
        self.due_us = self._now_us + self._wait_us()

    def _wait_us(self) -> int:
        # A lockout belongs to the change just let through, a settling wait to the one still to come.
        if self.state == "locked":
            return (self.timing.press if self.level else self.timing.release).time_us
        return self._change.time_us

    def let_through(self) -> None:
        self.level = not self.level
        self._edges.append(self.level)

    def read(self, now_us: int, closed: bool) -> list[bool]:
        """The edges (True: down) of one instant, given the contact seen there. At most two."""
        self._now_us, self._edges, self.closed = now_us, [], closed
        if self.due_us is not None and self.due_us <= now_us:
            self.due_us = None
            self.step("settle" if self.state == "settling" else "unlock")
        if self.state == "settling" and closed == self.level:
            self.due_us = None
            self.step("change_back")
        if self.state == "steady" and closed != self.level:
            self.step("change")
        return self._edges
