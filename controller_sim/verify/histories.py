"""From sessions, each from power-on to power-off, to a history of all that happened, and back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from controller_sim.core.kinds import pedal_reading
from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import Design
from controller_sim.simulator import History, Input
from controller_sim.verify.thresholds import rest_us
from controller_sim.verify.watching import Session

PAUSE_US = 1_000_000
"""Without power, between two sessions."""


def history_of(sessions: Iterable[Session]) -> History:
    """Sessions one after another from time 0 on; the power is off between them."""
    inputs: list[Input] = []
    word = end_us = 0
    for number, session in enumerate(sessions):
        start_us = end_us + PAUSE_US if number else 0
        if number:
            inputs += [Input(end_us, "off", word), Input(start_us, "on", word)]
        by_us = start_us - session.start_us
        for time_us, now, arrived in session.instants():
            if now != word:
                word = now
                inputs.append(Input(time_us + by_us, "contacts", word))
            if arrived:
                inputs.append(Input(time_us + by_us, "arrived", word, arrived))
        end_us = session.end_us + by_us
    return History(tuple(inputs), end_us)


def sessions_of(design: Design, history: History) -> tuple[Session, ...]:
    """What was done to the controller from each power-on to the power-off after it, or to the end, at the times that it was.

    As a controller does, they begin with a reading of every pedal. What their chips hold at first they leave open.
    """
    readings = [pedal.heel for pedal in design.pedals]
    sessions: list[Session] = []
    word = 0
    words: dict[int, int] | None = {0: 0}
    arrivals = _all_read(readings, 0)
    for item in history.inputs:
        if item.kind == "contacts":
            word = item.contacts
        elif item.kind == "arrived":
            for arrival in unpack(item.arrived):
                if isinstance(arrival, PedalReading):
                    readings[arrival.pedal] = arrival.value
            if words is not None:
                arrivals[item.time_us] = arrivals.get(item.time_us, ()) + item.arrived
        elif item.kind == "on":
            words, arrivals = {}, _all_read(readings, item.time_us)
        if words is not None:
            words[item.time_us] = word
        if item.kind == "off" and words is not None:
            sessions.append(_session(design, words, arrivals))
            words = None
    if words is not None:
        words.setdefault(history.end_us, word)
        sessions.append(_session(design, words, arrivals))
    return tuple(sessions)


def _session(design: Design, words: dict[int, int], arrivals: dict[int, tuple[int, ...]]) -> Session:
    times_us, downs = tuple(words), tuple(words.values())
    return Session(times_us, downs, tuple(arrivals.items()), at_rest=is_at_rest(rest_us(design), times_us, downs))


def is_at_rest(rests_us: int, times_us: Sequence[int], words: Sequence[int]) -> bool:
    """Whether at the last of these times every foot has been up for so long (thresholds.rest_us) that no gesture can be under way."""
    place = len(words)
    while place and not words[place - 1]:
        place -= 1
    return place < len(words) and times_us[-1] - times_us[place] >= rests_us


def _all_read(readings: Sequence[int], time_us: int) -> dict[int, tuple[int, ...]]:
    """At power-on a controller reads every pedal at once."""
    return {time_us: tuple(pedal_reading(number, value) for number, value in enumerate(readings))} if readings else {}
