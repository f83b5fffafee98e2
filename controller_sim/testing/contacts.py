"""Strategies of raw histories: what a foot, a worn contact, or an adversary who knows the thresholds does, and what arrives meanwhile.

A history is one or more sessions, each from power-on to power-off. Each is drawn as one string of bytes (see moves.py): hypothesis
is slow by the number of things drawn, and what is drawn here is played faster than it is drawn.
"""

from __future__ import annotations

from hypothesis import strategies as st

from controller_sim.design import form
from controller_sim.verify.moves import Moves, decoded, moves_of
from controller_sim.verify.watching import POLLS, Session

__all__ = ["POLLS", "Session", "histories", "sessions"]

MOST_MOVES = 100
_LENGTHS = (0, 8, 20)
"""The least numbers of moves, of which one is drawn: hypothesis makes most strings little longer than they must be."""
_moves: dict[int, tuple[form.Design, Moves]] = {}
_MOST_DESIGNS = 64


def _moves_of(design: form.Design) -> Moves:
    found = _moves.get(id(design))
    if found is None or found[0] is not design:
        if len(_moves) >= _MOST_DESIGNS:
            _moves.clear()
        found = _moves[id(design)] = design, moves_of(design)
    return found[1]


MOVES = st.one_of(*(st.binary(min_size=least, max_size=MOST_MOVES) for least in _LENGTHS))


def sessions(design: form.Design, start_us: int = 0, *, released: bool = False) -> st.SearchStrategy[Session]:
    """One session from power-on at `start_us`. With `released` it ends with every foot up, at rest.

    Feet tap, hold, double and press chords like a person, and at every threshold of the design, one microsecond before it and one
    after it; contacts bounce; pedals tremble; MIDI arrives, whole, broken up, interrupted or senseless.
    """
    moves = _moves_of(design)
    return MOVES.map(lambda data: decoded(moves, data, start_us, released=released, cuts=False)[0])


def histories(design: form.Design) -> st.SearchStrategy[tuple[Session, ...]]:
    """One session or several, with power cuts between them; kept cells go from each to the next, and feet stay where they are."""
    moves = _moves_of(design)
    return MOVES.map(lambda data: decoded(moves, data))
