"""Bytes as histories: every byte means something, every threshold is reached on both sides, and what fails shrinks well."""

from __future__ import annotations

import random
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import find, given, settings
from hypothesis import strategies as st

from controller_sim import load_design
from controller_sim.core.kinds import midi_bytes
from controller_sim.design import Design
from controller_sim.design.arrivals import MidiByte, PedalReading, unpack
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Edge, Fired, Responded
from controller_sim.testing.compare import run
from controller_sim.testing.contacts import histories, sessions
from controller_sim.testing.designs import designs
from controller_sim.verify.arrivals import Bytes, possible_arrivals
from controller_sim.verify.moves import AGAIN, ARRIVE, CUT, FURTHER, STROKE, TURN, WAIT, Moves, _further, decoded, moves_of, times_us
from controller_sim.verify.thresholds import chord_us, double_us, holds, waits
from controller_sim.verify.watching import Session

CONFIGS = Path(__file__).parents[2] / "configs"
DEMOS = [load_design(path) for path in sorted(CONFIGS.glob("*.yaml"))]
BOOTH, TOURING = (load_design(CONFIGS / f"{name}.yaml") for name in ("booth", "touring"))
every_demo = pytest.mark.parametrize("design", DEMOS, ids=lambda design: Path(design.file).stem)


def byte_for(moves: Moves, kind: int, what: object) -> int:
    return moves.meanings.index((kind, what))


@given(st.sampled_from(DEMOS), st.binary(max_size=60), st.booleans(), st.booleans())
def test_any_bytes_are_a_history_that_an_engine_can_be_taken_through(design: Design, data: bytes, released: bool, cuts: bool) -> None:
    history = decoded(moves_of(design), data, released=released, cuts=cuts)
    assert cuts or len(history) == 1
    for session in history:
        times = [time_us for time_us, _ in session.changes]
        assert all(earlier < later for earlier, later in pairwise(times))
        assert times[-1] <= session.end_us
        arrived = [time_us for time_us, _ in session.arrivals]
        assert all(earlier < later for earlier, later in pairwise(arrived))
        assert all(session.start_us <= time_us <= session.end_us for time_us in arrived)
        assert all(0 <= word < 1 << len(design.switches) for _, word in session.changes)
    if released:
        assert history[-1].changes[-1][1] == 0


@given(st.binary(min_size=1, max_size=40), st.integers(0, 39))
def test_any_byte_can_be_left_out(data: bytes, place: int) -> None:
    left = data[:place] + data[place + 1 :]
    assert decoded(moves_of(TOURING), left)


@given(designs())
def test_every_design_has_a_meaning_for_every_byte_and_a_tap_for_the_lowest(design: Design) -> None:
    moves = moves_of(design)
    assert len(moves.meanings) == 256
    assert moves.meanings[0] == (STROKE, 1)
    (session,) = decoded(moves, b"\0")
    assert [word for _, word in session.changes] == [0, 1, 0]


@every_demo
def test_the_bytes_reach_every_key_every_time_and_everything_that_arrives(design: Design) -> None:
    moves = moves_of(design)
    reached: dict[int, set[object]] = {}
    for further in range(8):
        for byte, (kind, what) in enumerate(moves.meanings):
            if kind in (STROKE, TURN, WAIT, ARRIVE):
                reached.setdefault(kind, set()).add(_further(moves.meanings, moves.choices, byte, further))
                assert further or _further(moves.meanings, moves.choices, byte, 0) == what
    assert reached[STROKE] == reached[TURN] == {key.mask for key in design.keys}
    exact = set(times_us(design))
    assert reached[WAIT] == {max(0, time_us + off) for time_us in exact for off in (-1, 0, 1)}
    assert reached.get(ARRIVE, set()) == set(possible_arrivals(design))


def test_what_the_bytes_do_not_reach_takes_another_byte() -> None:
    moves = moves_of(TOURING)
    further = next(byte for byte, (each, _) in enumerate(moves.meanings) if each == FURTHER)
    found: set[object] = set()
    for byte, (each, _) in enumerate(moves.meanings):
        if each == ARRIVE:
            for count in range(6):
                (session,) = decoded(moves, bytes([further] * count + [byte]), cuts=False)
                found.add(session.arrivals[0][1])
    expected = {midi_bytes(what.port, what.data) for what in possible_arrivals(TOURING) if isinstance(what, Bytes)}
    assert expected <= found


@every_demo
def test_every_threshold_is_reached_exactly_and_one_microsecond_before_and_after_it(design: Design) -> None:
    known = {what for kind, what in moves_of(design).meanings if kind == WAIT}
    thresholds = [*holds(design), *filter(None, (chord_us(design), double_us(design)))]
    longest_us = 8 * max(*thresholds, design.timing.hold_us, 1)
    thresholds += [time_us for time_us in waits(design) if time_us <= longest_us]
    for time_us in thresholds:
        assert {time_us - 1, time_us, time_us + 1} <= known


def edge_distances(design: Design, session: Session) -> tuple[list[int], list[int], list[int]]:
    """Between debounced edges: how long switches were down, how long they were up, and from press to press."""
    down_us: dict[int, int] = {}
    up_us: dict[int, int] = {}
    lengths, gaps, skews = [], [], []
    last_press_us = None
    for output in run(FastEngine, design, session, trace=True):
        if isinstance(output, Edge) and output.down:
            if output.switch in up_us:
                gaps.append(output.time_us - up_us[output.switch])
            if last_press_us is not None:
                skews.append(output.time_us - last_press_us)
            down_us[output.switch] = last_press_us = output.time_us
        elif isinstance(output, Edge) and output.switch in down_us:
            lengths.append(output.time_us - down_us[output.switch])
            up_us[output.switch] = output.time_us
    return lengths, gaps, skews


def test_random_feet_meet_every_threshold_of_the_booth_on_both_sides() -> None:
    feet = random.Random(1)
    moves = moves_of(BOOTH)
    lengths: Counter[int] = Counter()
    gaps: Counter[int] = Counter()
    skews: Counter[int] = Counter()
    for _ in range(3000):
        (session,) = decoded(moves, feet.randbytes(feet.randrange(4, 50)), cuts=False)
        for counter, found in zip((lengths, gaps, skews), edge_distances(BOOTH, session), strict=True):
            counter.update(found)
    for off in (-1, 0, 1):
        assert all(lengths[hold_us + off] for hold_us in holds(BOOTH)), off
        assert gaps[BOOTH.timing.double_us + off], off
        assert skews[BOOTH.timing.chord_us + off], off


@every_demo
def test_random_feet_fire_every_binding_that_is_bound_at_home_and_most_of_all(design: Design) -> None:
    feet = random.Random(2)
    moves = moves_of(design)
    fired: set[int] = set()
    responded: set[int] = set()
    for _ in range(1500):
        for session in decoded(moves, feet.randbytes(feet.randrange(4, 60))):
            for output in run(FastEngine, design, session):
                if isinstance(output, Fired):
                    fired.add(output.binding)
                elif isinstance(output, Responded):
                    responded.add(output.response)
    home = set(design.modes[design.home].bindings)
    assert home <= fired
    assert 10 * len(fired) >= 7 * len(design.bindings)
    assert set(design.modes[design.home].responses) <= responded


def test_pedals_reach_both_ends_and_tremble_there() -> None:
    feet = random.Random(3)
    moves = moves_of(TOURING)
    read: dict[int, Counter[int]] = {number: Counter() for number in range(len(TOURING.pedals))}
    for _ in range(2000):
        for session in decoded(moves, feet.randbytes(40)):
            for _, arrived in session.arrivals:
                for arrival in unpack(arrived):
                    if isinstance(arrival, PedalReading):
                        read[arrival.pedal][arrival.value] += 1
    for number, pedal in enumerate(TOURING.pedals):
        for end in (pedal.heel, pedal.toe):
            assert read[number][end], (pedal.name, end)
            assert any(0 < abs(value - end) <= pedal.hysteresis for value in read[number]), (pedal.name, end)


def test_messages_come_whole_broken_up_interrupted_and_without_their_status() -> None:
    feet = random.Random(4)
    moves = moves_of(TOURING)
    kinds: Counter[str] = Counter()
    for _ in range(800):
        for session in decoded(moves, feet.randbytes(40)):
            for _, arrived in session.arrivals:
                data = [arrival.byte for arrival in unpack(arrived) if isinstance(arrival, MidiByte)]
                whole = len(data) > 1 and data[0] >= 0x80
                kinds["interrupted"] += whole and any(byte >= 0xF8 for byte in data[1:])
                kinds["whole"] += whole and all(byte < 0x80 for byte in data[1:])
                kinds["single"] += len(data) == 1
                kinds["bare"] += len(data) > 1 and data[0] < 0x80
    assert all(kinds[kind] for kind in ("interrupted", "whole", "single", "bare"))


def fires(design: Design, gesture: str, key: str, session: Session) -> bool:
    return any(
        isinstance(output, Fired)
        and design.bindings[output.binding].gesture == gesture
        and design.keys[design.bindings[output.binding].key].name == key
        for output in run(FastEngine, design, session)
    )


@pytest.mark.parametrize(
    ("gesture", "key", "words", "most_us"),
    [
        ("press", "c", [4, 0], 100_000),
        ("hold", "a", [1, 0], 720_000),
        ("double", "e", [16, 0, 16, 0], 200_000),
        ("tap", "d+e", [24, 0], 100_000),
    ],
)
def test_what_is_found_shrinks_to_few_changes_at_round_times(gesture: str, key: str, words: list[int], most_us: int) -> None:
    quiet = settings(database=None, derandomize=True, max_examples=20_000)
    session = find(sessions(BOOTH), lambda drawn: fires(BOOTH, gesture, key, drawn), settings=quiet)
    changes = session.changes[1:]
    assert [word for _, word in changes][: len(words)] == words[: len(changes)]
    assert len(changes) <= len(words)
    assert all(time_us % 1000 == 0 for time_us, _ in changes)
    assert session.polls == ("none",)
    assert changes[-1][0] - changes[0][0] <= 2 * most_us


def test_a_power_cut_leaves_the_feet_where_they_are() -> None:
    moves = moves_of(BOOTH)
    cut = next(byte for byte, (kind, _) in enumerate(moves.meanings) if kind == CUT)
    first, second = decoded(moves, bytes([byte_for(moves, TURN, 4), cut, byte_for(moves, AGAIN, None)]))
    assert first.changes[-1][1] == second.changes[0][1] == 4
    assert second.changes[-1][1] == 0


@settings(max_examples=50)
@given(st.data())
def test_histories_of_random_designs_can_be_played(data: st.DataObject) -> None:
    design = data.draw(designs())
    for session in data.draw(histories(design)):
        run(FastEngine, design, session)
