"""Kept cells that go on changing without a foot: which they are, and that a board stores them all the same, as they were at one instant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.core import storage as core
from controller_sim.core.kinds import midi_bytes, pedal_reading
from controller_sim.design import form, load_design_text
from controller_sim.design.storage import largest_save, layout_of, map_of
from controller_sim.port import WRITERS
from controller_sim.port.avr import CYCLES_PER_US, Emulator, Session, build_firmware
from controller_sim.port.c99 import design_files
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_held import MOST_HELD_BYTES, saved_after_us, stored_within_us
from controller_sim.port.emulated import Atmega328p, first_image
from controller_sim.port.polled import Plan, plans, seen
from controller_sim.port.polling import seen_by_polling
from controller_sim.port.trace import first_difference
from controller_sim.simulator import History, Input, played

TEXT = """
title: Ride
switches: [go, up]
devices: {pads: {channel: 3, notes: 36..60, controllers: {level: 7}}}
pedals: {swell: {reads: 0..1023, heel: 0, toe: 1023, hysteresis: 0, every: 5ms}}
timing: {repeat: {first: 200ms, then: 7ms}}
memory:
  near: {range: 0..127, ends: wrap, keep: yes}
  between: {range: 0..255, size: 20, keep: yes}
  far: {range: -70000..70000, ends: clamp, keep: yes}
  lost: {range: 0..9, ends: wrap}
procedures:
  both(n in 0..127): |
    near = n
    far += 1
home: play
modes:
  play:
    on:
      press go: both(1)
MORE
"""
CAUSES = {
    "pedal": "      move swell: both(swell)\n",
    "message": "      received control_change(pads, level, n): both(n)\n",
    "repeat": "      repeat go: both((near + 1) % 128)\n",
    "timer": "      hold go: enter(away)\n"
    "  away:\n    timers: {every 3ms: both((near + 1) % 128), after 900ms: enter(rest)}\n    on: {}\n  rest: {on: {}}\n",
}


def ride(cause: str) -> tuple[form.Design, str]:
    text = TEXT.replace("MORE\n", CAUSES[cause])
    return load_design_text(text, "ride.yaml"), text


def held_in(more: str) -> list[str]:
    """The cells of the design above that a save holds, in the order in which they stand in memory."""
    design = load_design_text(TEXT.replace("MORE\n", more), "ride.yaml")
    return [design.cells[n].name for n in Facts(design).held_cells]


AWAY = "      hold go: enter(away)\n  away:\n    {}\n"


@pytest.mark.parametrize(
    ("more", "held"),
    [
        pytest.param("      tap up: both(3)\n      hold up: both(4)\n      release up: near = 5\n", [], id="feet"),
        *(pytest.param(text, ["far", "near"], id=cause) for cause, text in CAUSES.items()),
        pytest.param("      move swell: lost = swell // 103\n", [], id="what is not kept"),
        pytest.param("      move swell: between[swell // 52] = swell\n", ["between"], id="an array"),
        pytest.param(AWAY.format("draft: [near]\n    on: {repeat up: near += 1, tap up: save()}"), [], id="a draft"),
        pytest.param(AWAY.format("draft: [near]\n    on: {repeat up: near += 1}\n    leave: near = 5"), [], id="a draft, on leaving"),
        pytest.param(
            AWAY.format("leave: near = 5\n    timers: {after 5ms: enter(play)}\n    on: {}"), ["near"], id="on leaving by a timer"
        ),
        pytest.param(AWAY.format("leave: near = 5\n    on: {tap up: enter(play)}"), [], id="on leaving by a foot"),
    ],
)
def test_held_is_what_is_kept_and_changes_outside_drafts_without_a_foot_each_time(more: str, held: list[str]) -> None:
    assert held_in(more) == held


def test_cells_that_are_too_large_to_be_held_leave_room_for_the_smaller_ones() -> None:
    many = TEXT.replace("size: 20", f"size: {MOST_HELD_BYTES}").replace(
        "MORE\n", "      move swell: |\n        near = swell\n        between[2] = swell\n"
    )
    design = load_design_text(many, "ride.yaml")
    assert [design.cells[n].name for n in Facts(design).held_cells] == ["near"]


def test_only_what_may_change_what_is_kept_tells_the_storage() -> None:
    more = AWAY.format("draft: [near]\n    on: {press up: near += 1, release go: near = 3, tap go: lost += 1}")
    text = TEXT.replace("MORE\n", more)
    lines = design_files(load_design_text(text, "ride.yaml"))["design.c"].splitlines()
    after = {line.strip(): following.strip() for line, following in pairwise(lines) if line.strip().startswith("cells.")}
    assert after["cells.near = n;"] == "CTL_KEPT_CHANGED();"
    assert after["cells.near = 3;"] == "CTL_KEPT_CHANGED();", "a release may come in another mode than its press"
    drafted = next(line for line in after if "cells.near + 1" in line)
    assert "KEPT" not in after[drafted]


def test_the_readme_of_the_board_tells_how_far_what_is_stored_lags_behind_and_of_which_cells() -> None:
    design, text = ride("pedal")
    readme = WRITERS["atmega328p"](design, text)["README.md"]
    assert f"at most {-(-stored_within_us(map_of(design), Facts(design).held_cells) // 100_000) / 10} s ago" in readme
    assert "(near, far)" in readme and "Not so these" not in readme
    large = text.replace("size: 20", f"size: {MOST_HELD_BYTES + 1}").replace("near = n", "between[n // 3] = n")
    readme = WRITERS["atmega328p"](load_design_text(large, "ride.yaml"), large)["README.md"]
    assert "(far)" in readme and "nothing is stored as long as they go on changing: between." in readme
    drafting = TEXT.replace(
        "MORE\n", AWAY.format("draft: [near, lost]\n    on_other_exit: save\n    timers: {after 9ms: enter(play)}\n    on: {}")
    )
    readme = WRITERS["atmega328p"](load_design_text(drafting, "ride.yaml"), drafting)["README.md"]
    assert "nothing is stored as long as they go on changing: near." in readme
    unkept = text.replace(", keep: yes", "")
    readme = WRITERS["atmega328p"](load_design_text(unkept, "ride.yaml"), unkept)["README.md"]
    assert "stored" not in readme and "@" not in readme


@pytest.fixture(scope="module", params=CAUSES)
def board(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[form.Design, str, Emulator]]:
    design, text = ride(request.param)
    folder = tmp_path_factory.mktemp("built")
    with Emulator(design, build_firmware(WRITERS["atmega328p"](design, text), ("CTL_TOLD",), folder), folder) as emulator:
        yield design, request.param, emulator


def restless(cause: str, values: Sequence[int], every_us: int) -> History:
    """Something that goes on changing cells for a second."""
    times_us = range(400_000, 1_400_000, every_us)
    if cause == "pedal":
        inputs = [Input(at_us, "arrived", 0, (pedal_reading(0, values[n % len(values)] * 8),)) for n, at_us in enumerate(times_us)]
    elif cause == "message":
        data = [bytes((0xB2, 7, values[n % len(values)])) for n in range(len(times_us))]
        inputs = [Input(at_us, "arrived", 0, midi_bytes(form.SERIAL, data[n])) for n, at_us in enumerate(times_us)]
    else:
        inputs = [Input(400_000, "contacts", 1), Input(1_400_000 + every_us, "contacts", 0)]
    return History(tuple(inputs), 2_600_000)


def lag_us(design: form.Design, plan: Plan, session: Session) -> int:
    """How old what is stored is at worst, at any byte; fails where it was never so."""
    what = seen(design, [plan], [session])
    simulator = played(design, what.history, "reference")
    image = bytearray(first_image(design))
    assert boot(design, image) == simulator.storage.first
    states = [(0, simulator.storage.first), *((save.time_us, save.kept) for save in simulator.storage.saves)]
    ends_us = [*(since_us for since_us, _ in states[1:]), 1 << 60]
    worst_us = 0
    stores = [numbers for kind, numbers in session.told if kind == "store" and numbers[1] > session.first_clock]
    for _, cycle, address, byte in stores:
        now_us = (cycle - session.first_clock) // CYCLES_PER_US
        for torn in {image[address], byte, 0, core.LIVE}:
            image[address] = torn
            found = boot(design, image)
            ages_us = [
                max(now_us - end_us, 0)
                for (since_us, kept), end_us in zip(states, ends_us, strict=True)
                if kept == found and since_us <= now_us
            ]
            assert ages_us, f"never so: {found}"
            worst_us = max(worst_us, min(ages_us))
        image[address] = byte
    assert boot(design, image) == states[-1][1]
    return worst_us


def boot(design: form.Design, image: bytes) -> tuple[int, ...]:
    store = core.Store(bytearray(image), layout_of(design))
    for address, byte in store.boot():
        store.memory[address] = byte
    return tuple(store.values)


@pytest.mark.needs("avr-gcc", "make", "cc")
@settings(max_examples=3)
@given(values=st.lists(st.integers(0, 127), min_size=20, max_size=40), every_us=st.sampled_from((1_000, 5_500, 13_000, 30_000)))
def test_what_is_stored_is_never_older_than_is_told_however_fast_cells_change(
    values: list[int], every_us: int, board: tuple[form.Design, str, Emulator]
) -> None:
    design, cause, emulator = board
    (plan,) = plans(design, seen_by_polling(design, restless(cause, values, every_us)))
    session = emulator.play(plan.contacts, plan.steps, plan.off_us, first_image(design))
    assert not session.faults and not session.unfinished
    assert lag_us(design, plan, session) <= stored_within_us(map_of(design), Facts(design).held_cells)


@pytest.mark.needs("avr-gcc", "make", "cc")
@pytest.mark.parametrize("presses", [1, 30])
def test_what_a_foot_changes_is_stored_as_soon_as_is_told(presses: int, tmp_path: Path) -> None:
    text = TEXT.replace(
        "MORE\n", "      press up: |\n        for n in range(20):\n          between[n] = (between[n] + n + 1) % 250\n        near = 7\n"
    )
    design = load_design_text(text, "ride.yaml")
    inputs = [Input(200_000 + 500_000 * n, "contacts", n % 2 * 2) for n in range(1, 2 * presses + 1)]
    (plan,) = plans(design, seen_by_polling(design, History(tuple(inputs), inputs[-1].time_us + 1_000_000)))
    with Emulator(design, build_firmware(WRITERS["atmega328p"](design, text), ("CTL_TOLD",), tmp_path), tmp_path) as emulator:
        session = emulator.play(plan.contacts, plan.steps, plan.off_us, first_image(design))
    saves = played(design, seen(design, [plan], [session]).history, "reference").storage.saves
    largest = largest_save(design)
    assert largest is not None and len(saves) == presses
    stores_us = [(numbers[1] - session.first_clock) // CYCLES_PER_US for kind, numbers in session.told if kind == "store"]
    for save in saves:
        last_us = max(at_us for at_us in stores_us if at_us < save.time_us + 900_000)
        assert save.time_us < last_us <= save.time_us + saved_after_us(map_of(design), largest.rows)


@pytest.mark.needs("avr-gcc", "make", "cc")
@pytest.mark.parametrize("is_right", [True, False])
def test_a_board_may_lose_power_while_cells_go_on_changing_if_what_it_has_stored_is_not_old(is_right: bool, tmp_path: Path) -> None:
    def write(design: form.Design, source: str) -> dict[str, str]:
        files = WRITERS["atmega328p"](design, source)
        before, after = "(ctl.stored.held_changed = true)", "(ctl.stored.changed = true)"
        assert before in files["state.h"]
        return files if is_right else {**files, "state.h": files["state.h"].replace(before, after)}

    design, text = ride("repeat")
    inputs = [Input(400_000, "contacts", 1), Input(1_200_000, "off", 1), Input(1_500_000, "contacts", 0), Input(1_900_000, "on", 0)]
    inputs += [Input(2_300_000, "contacts", 1)]
    target = Atmega328p(write, tmp_path)
    try:
        trace = next(iter(target.play(design, text, [History(tuple(inputs), 3_000_000)])))
    finally:
        target.close()
    difference = first_difference(trace.expected or trace, trace)
    assert (difference is None) == is_right, difference


@pytest.mark.needs("avr-gcc", "make", "cc")
def test_bytes_for_a_board_that_does_not_listen_are_not_lost(tmp_path: Path) -> None:
    design, text = ride("pedal")
    assert not design.listens and ride("message")[0].listens
    inputs = (Input(300_000, "arrived", 0, midi_bytes(form.SERIAL, b"\xfc")), Input(400_000, "arrived", 0, (pedal_reading(0, 500),)))
    target = Atmega328p(folder=tmp_path)
    try:
        trace = next(iter(target.play(design, text, [seen_by_polling(design, History(inputs, 900_000))])))
    finally:
        target.close()
    assert trace.expected is not None and first_difference(trace.expected, trace) is None
