"""From the sessions that hypothesis draws to those that watchers are walked through."""

from __future__ import annotations

from controller_sim.testing.contacts import Session as Drawn
from controller_sim.verify.watching import Session


def as_session(drawn: Drawn) -> Session:
    """The same contacts and arrivals, without polls in between."""
    changes = {**dict(drawn.changes), drawn.end_us: drawn.changes[-1][1]}
    return Session(tuple(changes), tuple(changes.values()), drawn.arrivals)
