"""The watchers of what is sent: which toggles and taps they hold a design to, and what they count on the serial line."""

from __future__ import annotations

import pytest

from controller_sim.core.kinds import message_item
from controller_sim.design.fast import FastEngine
from controller_sim.design.form import SERIAL, USB, Design
from controller_sim.design.loader import load_design_text
from controller_sim.verify.overlooking import overlooking
from controller_sim.verify.sent import TAPPED, taps, toggles, wire_bytes
from controller_sim.verify.watching import Session, walk

BASE = """\
title: Booth
switches: [a, b]
wire: {{running_status: {running}}}
tempo: {{range: 60..150, start: 100}}
devices: {{room: {{channel: 4, controllers: {{freeze: {{number: 80, on: 127, off: 0}}, wet: 91}}}}}}
memory: {{frozen: {{names: ["off", "on"]}}, page: {{range: 0..7, ends: wrap}}}}
modes:
  show:
    on:
"""


def design_with(*bindings: str, running: str = "no", then: str = "") -> Design:
    return load_design_text(BASE.format(running=running) + "".join(f"      {each}\n" for each in bindings) + then, "booth.yaml")


TOLD = "tap a: frozen = not frozen; control_change(room, freeze, frozen)"


@pytest.mark.parametrize(
    "binding",
    [
        TOLD,
        "tap a: frozen = 1 - frozen; control_change(room, freeze, frozen)",
        "tap a: frozen = not frozen; control_change(room, wet, 90 if frozen else 10)",
        "tap a: frozen = not frozen; control_change(room, wet, 50 * frozen + 7)",
    ],
)
def test_a_toggle_is_known_by_its_turning_over_and_being_told(binding: str) -> None:
    (found,) = toggles(design_with(binding))
    assert found.cell == 0 and found.values[0] != found.values[1]


@pytest.mark.parametrize(
    "bindings",
    [
        ("tap a: frozen = 1; control_change(room, freeze, frozen)",),
        ("tap a: frozen = not frozen; control_change(room, freeze, on)",),
        ("tap a: control_change(room, freeze, frozen); frozen = not frozen",),
        ("tap a: frozen = not frozen; control_change(room, wet, 90 if frozen else page)",),
        (TOLD, "tap b: control_change(room, freeze, on, delay_ms=20)"),
        (TOLD, "received note_on(room, n): frozen = on"),
    ],
)
def test_what_is_told_otherwise_is_held_to_nothing(bindings: tuple[str, ...]) -> None:
    assert toggles(design_with(*bindings)) == []


def test_taps_are_watched_only_where_they_surely_tap() -> None:
    assert taps(design_with("press a: tap_tempo()")) == {0}
    assert not taps(design_with("press a: 'if page == 0: tap_tempo()'"))
    assert not taps(design_with("press a: tap_tempo()", "received note_on(room, n): tap_tempo()"))
    assert not taps(design_with("press a: tap_tempo()", then="    timers: {every 1s: tempo = 100}\n"))
    assert not taps(design_with("tap a: tap_tempo()", "double a: page = 0"))


@pytest.mark.parametrize(("apart_us", "tempo"), [(500_000, 120), (450_000, 133), (2_000_000, 60), (150_000, 150)])
def test_two_taps_set_the_tempo_that_their_distance_asks_for(apart_us: int, tempo: int) -> None:
    """Beats a minute are 60 s by the distance, rounded half up, within the range: arithmetic."""
    design = design_with("press a: tap_tempo()")
    times = (0, 100_000, 150_000, 100_000 + apart_us, 140_000 + apart_us)
    watcher = overlooking(design).watchers()[TAPPED]
    engine = FastEngine(design, 0, None, True)
    assert walk(engine, Session(times, (0, 1, 0, 1, 0)), [watcher]) is None
    assert (engine.tempo, watcher.reached) == (tempo, 1)


def test_bytes_are_counted_as_running_status_sends_them() -> None:
    """A status that is as the last one is left out, a system message ends that, a real-time byte does not: MIDI 1.0, p. 5 and A-2."""
    design = design_with("tap a: page = 0", running="yes")
    sent = [(0x90, 60, 1), (0x90, 62, 1), (0xF8,), (0x90, 60, 0), (0xF1, 0), (0x90, 60, 1)]
    sizes, status = [], 0
    for data in sent:
        size, status = wire_bytes(design, message_item(SERIAL, data), status)
        sizes.append(size)
    assert sizes == [3, 2, 1, 2, 2, 3]
    assert wire_bytes(design, message_item(USB, (0x90, 60, 1)), status) == (0, status)
    plain = design_with("tap a: page = 0")
    assert [wire_bytes(plain, message_item(SERIAL, data), data[0])[0] for data in sent] == [3, 3, 1, 3, 2, 3]
