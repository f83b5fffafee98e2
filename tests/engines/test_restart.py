"""`restart()`: what comes after it is what comes after power-on, and nothing hangs (semantics, section 9)."""

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller_sim.design import form, program
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Ended, Fired, LedSet, Output, Restarted, Shown
from controller_sim.reference import ReferenceEngine
from controller_sim.simulator.engines import Engine
from controller_sim.testing.compare import EngineFactory, state_of
from controller_sim.testing.contacts import Session, sessions
from controller_sim.testing.designs import designs
from controller_sim.testing.plain import note, plain_design

both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])
FEW = settings(max_examples=60 if settings.default is None or settings.default.max_examples <= 100 else settings.default.max_examples)


def restarting(draw: Any, design: form.Design) -> form.Design:
    """The design with one more statement: some binding restarts."""
    procedure = design.bindings[draw(st.integers(0, len(design.bindings) - 1))].action.procedure
    procedures = list(design.procedures)
    procedures[procedure] = replace(procedures[procedure], body=(*procedures[procedure].body, program.Restart()))
    return replace(design, procedures=tuple(procedures))


def every_instant(session: Session, engine: Engine) -> Iterator[tuple[int, int, list[Output]]]:
    """Advance an engine through a session and each of its own deadlines, and say what was put out at each."""
    word = 0
    for time_us, new in (*session.changes, (session.end_us, session.changes[-1][1])):
        while (due_us := engine.next_deadline_us()) is not None and due_us < time_us:
            engine.advance(due_us, word)
            yield due_us, word, engine.take_outputs()
        word = new
        if time_us > engine.now_us or time_us == session.start_us:
            engine.advance(time_us, word)
            yield time_us, word, engine.take_outputs()


@both_engines
@FEW
@given(st.data())
def test_what_follows_a_restart_is_what_follows_power_on(factory: EngineFactory, data: st.DataObject) -> None:
    design = restarting(data.draw, data.draw(designs()))
    session = data.draw(sessions(design))
    engine = factory(design, session.start_us, None, True)
    fresh: Engine | None = None
    for time_us, word, outputs in every_instant(session, engine):
        if fresh is not None:
            fresh.advance(time_us, word)
            expected = fresh.take_outputs()
            assert outputs[: len(expected)] == expected
        if any(isinstance(output, Restarted) for output in outputs):
            fresh = factory(design, time_us, engine.kept(), True)
            fresh.advance(time_us, word)
        if fresh is not None:
            assert state_of(fresh) == state_of(engine)


@both_engines
@FEW
@given(st.data())
def test_a_restart_keeps_what_is_kept_and_shows_a_dark_controller(factory: EngineFactory, data: st.DataObject) -> None:
    design = restarting(data.draw, data.draw(designs()))
    session = data.draw(sessions(design))
    engine = factory(design, session.start_us, None, True)
    text, leds = "", [0] * len(design.leds)
    kept_cells = [i for cell in design.cells if cell.keep for i in range(cell.offset, cell.offset + cell.size)]
    starts = [value for cell in design.cells for value in cell.start_values]
    for _, _, outputs in every_instant(session, engine):
        for output in outputs:
            if isinstance(output, Shown):
                text = output.text
            elif isinstance(output, LedSet):
                leds[output.led] = output.value
        if any(isinstance(output, Restarted) for output in outputs):
            state = state_of(engine)
            assert (state.mode, state.display, state.tempo, state.clock_running) == (-1, "", design.tempo.start, 0)
            assert tuple(state.cells[i] for i in kept_cells) == state.kept
            assert all(state.cells[i] == value for i, value in enumerate(starts) if i not in kept_cells)
            assert (text, leds) == ("", [0] * len(design.leds))
        assert (text, tuple(leds)) == (engine.display, tuple(engine.leds))


HOLD = ("hold", "b")


def played(factory: EngineFactory, design: form.Design, script: list[tuple[int, int]], trace: bool = False) -> list[Output]:
    engine = factory(design, 0, None, trace)
    for time_us, word in script:
        engine.advance(time_us, word)
    return engine.take_outputs()


@both_engines
def test_a_fired_press_has_its_release_before_the_restart_and_no_other(factory: EngineFactory) -> None:
    design = plain_design({("press", "a"): (note(60),), ("release", "a"): (note(60, 0),), HOLD: (program.Restart(),)})
    outputs = played(factory, design, [(0, 0), (10_000, 1), (20_000, 3), (600_000, 3), (700_000, 0), (900_000, 0)])
    assert [output for output in outputs if isinstance(output, Fired | Restarted | Ended)] == [
        Fired(10_000, 0),
        Fired(520_000, 2),
        Fired(520_000, 1),
        Restarted(520_000),
        Ended(520_001, 0, "spent"),
        Ended(520_001, 1, "spent"),
    ]


@both_engines
def test_a_press_under_way_ends_cancelled_and_then_spent(factory: EngineFactory) -> None:
    design = plain_design({("tap", "a"): (note(60),), HOLD: (program.Restart(),)})
    outputs = played(factory, design, [(0, 0), (10_000, 2), (20_000, 3), (600_000, 3), (700_000, 0), (900_000, 0)])
    fates = [(output.time_us, output.switch, output.fate) for output in outputs if isinstance(output, Ended)]
    assert fates == [(510_000, 0, "cancelled"), (510_001, 0, "spent"), (510_001, 1, "spent")]


@both_engines
def test_presses_of_the_same_instant_still_count_and_then_the_controller_restarts(factory: EngineFactory) -> None:
    design = plain_design({("press", "a"): (program.Restart(),), ("press", "b"): (note(61),)})
    outputs = played(factory, design, [(0, 0), (10_000, 3), (20_000, 0), (30_000, 2), (40_000, 0)])
    kinds = [(output.time_us, type(output)) for output in outputs if isinstance(output, Fired | Restarted)]
    assert kinds == [(10_000, Fired), (10_000, Fired), (10_000, Restarted), (30_000, Fired)]


@both_engines
def test_a_restart_drops_delayed_messages_but_lets_go_of_notes(factory: EngineFactory) -> None:
    later = (replace(note(60, 5), delay_us=50_000), replace(note(62, 0), delay_us=60_000))
    design = plain_design({("press", "a"): (*later, program.Restart())})
    outputs = played(factory, design, [(0, 0), (10_000, 1), (500_000, 0)])
    assert [(output.time_us, output.data.hex()) for output in outputs if hasattr(output, "data")] == [(10_000, "903e00")]


def test_an_engine_played_through_columns_does_as_one_that_is_advanced() -> None:
    @settings(max_examples=60)
    @given(st.data())
    def compare(data: st.DataObject) -> None:
        design = data.draw(designs())
        if data.draw(st.booleans()):
            design = restarting(data.draw, design)
        session = data.draw(sessions(design))
        assume(len(session.changes) > 1)
        one, other = (FastEngine(design, session.start_us) for _ in range(2))
        for time_us, word in session.changes:
            one.advance(time_us, word)
        other.play([time_us for time_us, _ in session.changes], [word for _, word in session.changes])
        assert one.take_outputs() == other.take_outputs()
        assert one.snapshot() == other.snapshot()

    compare()
