"""What a debouncer believes: the edges of a session worked out from its contacts alone, to be held against those of an engine."""

from __future__ import annotations

from collections.abc import Sequence

from controller_sim.core.kinds import EDGE, RESTARTED
from controller_sim.design.form import Debounce, Design
from controller_sim.verify.accounts import BELIEVED, Wrong
from controller_sim.verify.thresholds import settled_us
from controller_sim.verify.watching import Item, Session

Edges = list[tuple[int, bool]]


def check_edges(design: Design, session: Session, packed: Sequence[Item]) -> Wrong | None:
    """Hold the edges in an engine's outputs against what the contacts say, up to the first restart."""
    put_out: list[Edges] = [[] for _ in design.switches]
    end_us = session.times_us[-1]
    for time_us, item in zip(packed[::2], packed[1::2], strict=True):
        if isinstance(item, int) and isinstance(time_us, int):
            if item & 7 == EDGE:
                put_out[item >> 4].append((time_us, bool(item & 8)))
            elif item & 7 == RESTARTED:
                # What stands before the restart at its own instant is left out on both sides.
                end_us = time_us - 1
                break
    for s, name in enumerate(design.switches):
        expected = [edge for edge in believed(design, session, s) if edge[0] <= end_us]
        came = [edge for edge in put_out[s] if edge[0] <= end_us]
        for place, edge in enumerate(expected):
            if place >= len(came) or came[place] != edge:
                return Wrong(BELIEVED, edge[0], f"{name} must go {'down' if edge[1] else 'up'} at {edge[0]} us; {_instead(came[place:])}")
        if len(came) > len(expected):
            time_us, down = came[len(expected)]
            return Wrong(BELIEVED, time_us, f"{name} goes {'down' if down else 'up'} though its contact gives no reason to")
    return None


def _instead(came: Edges) -> str:
    return f"it goes {'down' if came[0][1] else 'up'} at {came[0][0]} us" if came else "it does not"


def believed(design: Design, session: Session, switch: int) -> Edges:
    """The debounced edges of a switch, (time in microseconds, down); a switch that is down when the contacts have settled has one."""
    since_us = ready_us(design, session)
    edges: Edges = []
    if since_us is None:
        return edges
    contact = _Contact(design.timing.press, design.timing.release, edges)
    end_us = session.times_us[-1]
    seen = False
    for time_us, word in zip(session.times_us, session.words, strict=True):
        closed = bool(word >> switch & 1)
        if time_us < since_us:
            contact.closed = closed
            continue
        if not seen:
            contact.settle_down(since_us)
            seen = True
        if closed != contact.closed:
            contact.change(time_us, closed)
    if not seen:
        contact.settle_down(since_us)
    contact.pass_to(end_us, at_end=True)
    return edges


def ready_us(design: Design, session: Session) -> int | None:
    """When the contacts have first been still for long enough; what they are then is what they were before that instant."""
    still_us = settled_us(design)
    since_us, before = session.times_us[0], 0
    for time_us, word in zip(session.times_us, session.words, strict=True):
        if word != before:
            if time_us - since_us >= still_us and time_us != session.times_us[0]:
                return since_us + still_us
            since_us, before = time_us, word
    return since_us + still_us if since_us + still_us <= session.times_us[-1] else None


class _Contact:
    """One contact after power-on; `edges` is filled in."""

    def __init__(self, press: Debounce, release: Debounce, edges: Edges) -> None:
        self.own = {True: press, False: release}
        self.edges = edges
        self.closed = False
        self.level = False
        self.locked_until_us: int | None = None
        self.waiting_us: int | None = None
        """Since when a level other than the present one waits to be believed."""

    def settle_down(self, time_us: int) -> None:
        if self.closed:
            self.level = True
            self.edges.append((time_us, True))

    def change(self, time_us: int, closed: bool) -> None:
        self.pass_to(time_us)
        self.closed = closed
        if self.locked_until_us is not None:
            if time_us < self.locked_until_us:
                return
            self.locked_until_us = None
        self._look(time_us)

    def pass_to(self, time_us: int, at_end: bool = False) -> None:
        """What comes of waits and lockouts up to an instant; a lockout that ends right there is left to the change at it."""
        while True:
            if self.waiting_us is not None:
                due_us = self.waiting_us + self.own[not self.level].time_us
                if due_us > time_us:
                    return
                self.waiting_us = None
                self._turn(due_us)
            elif self.locked_until_us is not None and (self.locked_until_us < time_us or (at_end and self.locked_until_us == time_us)):
                over_us, self.locked_until_us = self.locked_until_us, None
                self._look(over_us)
            else:
                return

    def _look(self, time_us: int) -> None:
        if self.closed == self.level:
            self.waiting_us = None
            return
        own = self.own[self.closed]
        if own.kind == "settle" and own.time_us:
            if self.waiting_us is None:
                self.waiting_us = time_us
            return
        self._turn(time_us)
        if own.time_us:
            self.locked_until_us = time_us + own.time_us

    def _turn(self, time_us: int) -> None:
        self.level = not self.level
        self.edges.append((time_us, self.level))
