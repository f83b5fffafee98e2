"""The benches compare like with like: every version of the bench controller puts out the same, item by item."""

from __future__ import annotations

import sys
from functools import partial
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import Ended, Fired, LedSet, Message, ModeEntered, decode
from controller_sim.reference import ReferenceEngine

TOOLS = Path(__file__).resolve().parent.parent / "tools"
sys.path.insert(0, str(TOOLS))

from benches import engine, fuzz, startup, verify, workload  # noqa: E402  # the benches are no package of the project, tools/ must be on the path first
from benches.four import BINDINGS  # noqa: E402
from benches.workload import Columns  # noqa: E402

LIBRARIES = ("benches.with_transitions", "benches.with_simpy", "benches.with_sismic", "benches.with_statemachine")
DESIGN = load_design(engine.DESIGN)


def by_module(module: str, columns: Columns) -> list[int]:
    packed: list[int] = import_module(module).prepare()(*columns)
    return packed


def by_engine(columns: Columns) -> list[int]:
    return engine.engine_player(DESIGN)(*columns)


@settings(max_examples=40, deadline=None)
@given(edges=st.integers(1, 400), seed=st.integers(0, 1 << 32), bounce=st.booleans())
def test_the_handwritten_version_puts_out_what_the_engine_puts_out(edges: int, seed: int, bounce: bool) -> None:
    columns = workload.make(edges, seed, bounce)
    assert decode(by_module("benches.handwritten", columns)) == decode(by_engine(columns))


@settings(max_examples=15, deadline=None)
@given(edges=st.integers(1, 200), seed=st.integers(0, 1 << 32), bounce=st.booleans())
def test_the_engine_puts_out_what_the_reference_model_puts_out(edges: int, seed: int, bounce: bool) -> None:
    columns = workload.make(edges, seed, bounce)
    reference = ReferenceEngine(DESIGN)
    for time_us, word in zip(*columns, strict=True):
        reference.advance(time_us, word)
    assert reference.take_outputs() == decode(by_engine(columns))


@pytest.mark.parametrize("bounce", [False, True])
@pytest.mark.parametrize("module", LIBRARIES)
def test_every_library_version_gives_the_hash_of_the_handwritten_one(module: str, bounce: bool) -> None:
    columns = workload.make(300, seed=7, bounce=bounce)
    assert engine.hash_of(by_module(module, columns)) == engine.hash_of(by_module("benches.handwritten", columns))


@pytest.mark.parametrize("edges", range(60, 80))
def test_versions_agree_when_the_input_stops_anywhere(edges: int) -> None:
    columns = workload.prefix(workload.make(200, seed=3), edges)
    expected = by_module("benches.handwritten", columns)
    assert all(by_module(module, columns) == expected for module in (*LIBRARIES[:2], LIBRARIES[3]))


def test_the_workload_fires_every_binding_and_meets_every_kind_of_output() -> None:
    outputs = decode(by_module("benches.handwritten", workload.make(20_000)))
    assert {output.binding for output in outputs if isinstance(output, Fired)} == set(BINDINGS.values())
    assert {output.mode for output in outputs if isinstance(output, ModeEntered)} == {0, 1, 2}
    assert {(output.led, output.value) for output in outputs if isinstance(output, LedSet)} == {
        (led, value) for led in range(3) for value in (0, 1)
    }
    assert {output.fate for output in outputs if isinstance(output, Ended)} == {"unbound", "cancelled"}
    assert any(isinstance(output, Message) for output in outputs)


@given(edges=st.integers(1, 2_000), seed=st.integers(0, 1 << 32))
def test_without_bounce_each_toggle_is_one_debounced_edge(edges: int, seed: int) -> None:
    columns = workload.make(edges, seed)
    traced: Any = FastEngine(DESIGN, trace=True)
    traced.play(*columns)
    edge_kind = 5
    assert sum(item & 7 == edge_kind for item in traced.packed[1::2]) == workload.toggle_count(columns) >= edges


@given(edges=st.integers(1, 500), seed=st.integers(0, 1 << 32), bounce=st.booleans())
def test_a_workload_rises_in_time_and_is_the_same_for_the_same_seed(edges: int, seed: int, bounce: bool) -> None:
    times, words = workload.make(edges, seed, bounce)
    assert all(earlier < later for earlier, later in pairwise(times))
    assert words[0] == words[-1] == 0
    assert (times, words) == workload.make(edges, seed, bounce)


def test_edges_fall_on_the_hold_and_on_the_chord_windows_end() -> None:
    times, words = workload.make(20_000)
    closed: dict[int, int] = {}
    lengths, skews = set(), set()
    word = 0
    for time_us, now in zip(times, words, strict=True):
        for switch in range(4):
            if (now & ~word) >> switch & 1:
                skews |= {time_us - other_us for other, other_us in closed.items() if {switch, other} == {2, 3}}
                closed[switch] = time_us
            elif (word & ~now) >> switch & 1:
                lengths.add(time_us - closed.pop(switch))
        word = now
    assert {workload.CLOSED_FOR_A_HOLD_US - 1, workload.CLOSED_FOR_A_HOLD_US} <= lengths
    assert {workload.CHORD_WINDOW_US - 1, workload.CHORD_WINDOW_US} <= skews


def test_the_engine_bench_reports_all_its_keys_and_finds_outputs_equal() -> None:
    result = engine.measure(edges=1_000, seed=5, rounds=1)
    assert {"edges_per_s", "to_best_library", "best_library", "to_simpy", "to_handwritten", "idle_hour_to_idle_second"} <= result.keys()
    assert result["outputs_equal"] is True
    assert "best state-machine library" in engine.table(result)


def test_the_bench_of_checking_reports_all_its_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(verify, "CHUNKS", 1)
    monkeypatch.setattr(verify, "EXAMPLES", 20)
    result = verify.measure(seed=1, rounds=1)
    assert {"campaign_edges_per_s", "engine_edges_per_s", "campaign_to_engine", "fuzz_to_floor"} <= result.keys()
    assert "campaign_to_engine_on_its_sessions" in result


def test_a_version_that_puts_out_something_else_stops_the_bench() -> None:
    columns = workload.make(50)
    runner = engine.Runner("other", partial(engine.engine_player, DESIGN), columns, 50, engine.hash_of([]), [])
    with pytest.raises(engine.BenchError, match="other does not put out what the engine puts out"):
        runner.run()


def test_a_missing_library_is_named_with_the_command_that_installs_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "VERSIONS", (engine.Version("nowhere", "benches.with_nowhere", 1),))
    with pytest.raises(engine.BenchError, match=r"not installed: nowhere; .*\[bench\]"):
        engine.check_extras()


def test_the_start_bench_says_what_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(startup.BenchError, match=r"booth\.yaml is not there"):
        startup.commands(tmp_path)


def test_the_bench_of_drawn_histories_compares_a_demo_with_an_engine_that_does_nothing() -> None:
    rates = fuzz.fuzz_to_floor(examples=20, rounds=1)
    assert rates["fuzz_to_floor"] == pytest.approx(rates["fuzz_examples_per_s"] / rates["floor_examples_per_s"])
