"""The firmware in C does what the other engines do, byte for byte and microsecond for microsecond."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.core.kinds import ALL_KINDS, midi_bytes
from controller_sim.design import form, load_design, load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Responded
from controller_sim.port.native import Library, NativeEngine, native
from controller_sim.reference import ReferenceEngine
from controller_sim.script import parse_script, play
from controller_sim.testing.compare import find_difference
from controller_sim.testing.contacts import histories, sessions
from controller_sim.testing.designs import designs
from controller_sim.testing.plain import plain_design

pytestmark = pytest.mark.needs("cc")

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
SCRIPTS = sorted(CONFIGS.glob("*.press"))
STRICT = ("-O0", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-pedantic", "-Werror")
HISTORIES = 8
"""Played on each random design: compiling it is what takes the time."""
HOUR_US = 3_600_000_000


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("built")


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.stem)
def test_demo_scripts_bring_about_the_same_on_all_engines(script: Path) -> None:
    design = load_design(CONFIGS / f"{script.stem.partition('_')[0]}.yaml")
    steps = parse_script(script.read_text(encoding="utf-8"), design)
    runs = [play(design, steps, engine, trace=True) for engine in (native, "fast", "reference")]
    assert not runs[0].failures
    assert runs[0].outputs == runs[1].outputs == runs[2].outputs
    assert runs[0].cells == runs[1].cells


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.yaml")), ids=lambda path: path.stem)
@settings(max_examples=60)
@given(data=st.data())
def test_demo_designs_agree_on_every_history(path: Path, data: st.DataObject) -> None:
    design = DESIGNS[path]
    difference = find_difference(design, data.draw(histories(design)), FastEngine, native)
    assert difference is None, difference


DESIGNS = {path: load_design(path) for path in CONFIGS.glob("*.yaml")}


@settings(max_examples=30)
@given(data=st.data())
def test_any_design_agrees_on_every_history_and_compiles_without_a_warning(built: Path, data: st.DataObject) -> None:
    design = data.draw(designs())
    factory = partial(NativeEngine, library=Library(design, built, STRICT))
    for number in range(HISTORIES):
        history = data.draw(histories(design))
        difference = find_difference(design, history, ReferenceEngine if number == 0 else FastEngine, factory)
        assert difference is None, difference


@settings(max_examples=30)
@given(data=st.data(), start_us=st.sampled_from((2**32 - 1, 2**32 - 50_000, 2**31, 5 * 2**32 - 300_000)))
def test_a_run_across_the_end_of_the_counter_is_the_same_run_later(data: st.DataObject, start_us: int) -> None:
    design = DESIGNS[CONFIGS / "booth.yaml"]
    session = data.draw(sessions(design))
    difference = find_difference(design, (session.shifted(start_us),), FastEngine, native)
    assert difference is None, difference


@settings(max_examples=60)
@given(data=st.data(), pause_us=st.integers(1, 30 * HOUR_US))
def test_what_was_before_a_long_silence_is_not_new_after_it(data: st.DataObject, pause_us: int) -> None:
    design = data.draw(st.sampled_from([DESIGNS[path] for path in sorted(DESIGNS)]))
    before, after = data.draw(sessions(design)), data.draw(sessions(design))
    later = after.shifted(before.end_us + pause_us)
    whole = replace(
        before,
        times_us=(*before.times_us, *later.times_us),
        words=(*before.words, *later.words),
        arrivals=(*before.arrivals, *later.arrivals),
    )
    difference = find_difference(design, (whole,), FastEngine, native)
    assert difference is None, difference


def test_one_advance_over_many_hours_is_the_same_as_many(built: Path) -> None:
    design = DESIGNS[CONFIGS / "booth.yaml"]
    engines = [factory(design, 0, None, True) for factory in (FastEngine, native)]
    for engine in engines:
        engine.advance(0, 0)
        for time_us, word in ((1_000_000, 8), (1_100_000, 0), (100 * HOUR_US, 8), (100 * HOUR_US + 500_000, 0), (200 * HOUR_US, 1)):
            engine.advance(time_us, word)
    assert engines[0].take_outputs() == engines[1].take_outputs()


def test_engines_that_share_a_library_do_not_disturb_each_other() -> None:
    design = DESIGNS[CONFIGS / "booth.yaml"]
    pair = [native(design, 0, None, True) for _ in range(2)]
    alone = native(design, 0, None, True)
    steps = ((0, 0), (1_000_000, 1), (1_200_000, 1), (2_000_000, 0), (3_000_000, 16), (3_050_000, 0), (4_000_000, 0))
    for engine in pair:
        engine.advance(0, 0)
    for time_us, word in steps[1:]:
        pair[0].advance(time_us, word)
        pair[1].advance(time_us, word ^ 2)
    for time_us, word in steps:
        alone.advance(time_us, word)
    assert pair[0].take_outputs() == alone.take_outputs()
    assert pair[0].cells == alone.cells


def test_columns_give_what_single_advances_give() -> None:
    design = DESIGNS[CONFIGS / "booth.yaml"]
    times, words = [0, 1_000_000, 1_100_000, 2_000_000, 2_800_000, 2_900_000], [0, 4, 0, 8, 8, 0]
    batch, single = native(design), native(design)
    batch.play(times, words)
    for time_us, word in zip(times, words, strict=True):
        single.advance(time_us, word)
    assert batch.packed == single.packed and batch.packed


def test_answers_to_sysex_tell_the_bytes_that_were_asked_for() -> None:
    asked = [f"125, 3, n{', 0..127' * 13}", "125, 2, n, 127", "125, 1, n", "125, n"]
    on = "\n".join(f"      received sysex({values}): pass" for values in asked)
    design = load_design_text(f"switches: [a]\nmodes:\n  m:\n    on:\n{on}\n")
    for data in (b"\x7d\x09", b"\x7d\x01\x07", b"\x7d\x02\x07\x7f", b"\x7d\x03" + bytes(range(14)), b"\x7d\x7f\x00"):
        outputs = []
        for factory in (FastEngine, ReferenceEngine, native):
            engine = factory(design, 0, None, False)
            engine.advance(0, 0)
            engine.advance(1_000_000, 0, midi_bytes(form.SERIAL, b"\xf0" + data + b"\xf7"))
            outputs.append([output for output in engine.take_outputs() if isinstance(output, Responded)])
        assert outputs[0] == outputs[1] == outputs[2]
        assert bytes(outputs[0][0].values) == data[: len(outputs[0][0].values)]


def test_sysex_passes_as_it_came() -> None:
    design = plain_design({("press", "a"): ()})
    design = replace(design, thru=(form.Thru(form.SERIAL, form.USB, ALL_KINDS),))
    for length in (1, 3, 5, 6, 7, 100, 125, 126, 127, 300):
        data = bytes((0xF0, *(n % 128 for n in range(length)), 0xF7))
        outputs = []
        for factory in (FastEngine, native):
            engine = factory(design, 0, None, False)
            engine.advance(0, 0)
            engine.advance(1_000_000, 0, midi_bytes(form.SERIAL, data))
            outputs.append(engine.take_outputs())
        assert outputs[0] == outputs[1]
