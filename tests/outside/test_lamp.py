"""The lamp of Behrmann, David, Larsen, A Tutorial on Uppaal (2004), fig. 1, as a design.

Off, a press gives low; a second press less than 5 after it gives bright, a later one off; a press when bright gives off.
The unit of time is a second here. The answers at the gaps 4.999 and 5 are those of a statechart interpreter that was run on the same lamp.
"""

import pytest

from controller_sim.design.form import Action, Binding, Debounce, Design, Key, Mode, Place, Procedure, Repeat, Tempo, Timer, Timing
from controller_sim.design.program import Enter
from controller_sim.reference import ReferenceEngine

OFF, LOW, LOW_FOR_LONG, BRIGHT = range(4)
SECOND_US = 1_000_000
PLACE = Place("lamp", 1, 1)


@pytest.fixture(scope="module")
def lamp():
    enter = tuple(Procedure(f"enter_{mode}", 0, 0, (Enter(mode),), PLACE) for mode in range(4))
    after_press = {OFF: LOW, LOW: BRIGHT, LOW_FOR_LONG: OFF, BRIGHT: OFF}
    bindings = tuple(Binding(mode, "press", 0, Action(after, ()), PLACE) for mode, after in after_press.items())
    timers = {LOW: (Timer(5 * SECOND_US, False, Action(LOW_FOR_LONG, ())),)}
    names = ("off", "low", "low for long", "bright")
    modes = tuple(Mode(name, PLACE, (mode,), timers=timers.get(mode, ())) for mode, name in enumerate(names))
    at_once = Debounce("lockout", 0)
    timing = Timing(at_once, at_once, 45_000, 500_000, 300_000, Repeat(400_000, (), 50_000))
    return Design(
        "lamp", "lamp", ("switch",), (), 0, 0, timing, Tempo(), False, 1, (), (), (Key("switch", (0,), 1),), enter, bindings, modes, OFF
    )


def mode_after(lamp, *presses_s):
    engine = ReferenceEngine(lamp)
    for press_s in presses_s:
        press_us = round(press_s * SECOND_US)
        engine.advance(press_us, 1)
        engine.advance(press_us + 100_000, 0)
    return engine.mode


@pytest.mark.parametrize(("gap_s", "mode"), [(0.2, BRIGHT), (4, BRIGHT), (4.999, BRIGHT), (5, OFF), (5.001, OFF), (100, OFF)])
def test_second_press_gives_bright_only_within_5(lamp, gap_s, mode):
    assert mode_after(lamp, 1) == LOW
    assert mode_after(lamp, 1, 1 + gap_s) == mode


def test_press_when_bright_gives_off(lamp):
    assert mode_after(lamp, 1, 2, 3) == OFF


@pytest.mark.parametrize(("shortest_s", "reachable"), [(4, True), (5, False)])
def test_bright_can_be_reached_if_presses_may_be_4_apart_and_not_if_at_least_5(lamp, shortest_s, reachable):
    gaps = [(first, second) for first in range(shortest_s, 9) for second in range(shortest_s, 9)]
    modes = {mode_after(lamp, 1, 1 + first, 1 + first + second) for first, second in gaps}
    modes |= {mode_after(lamp, 1, 1 + first) for first, _ in gaps}
    assert (BRIGHT in modes) == reachable
