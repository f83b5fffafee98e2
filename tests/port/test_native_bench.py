"""The native bench compares like with like: the library, the C by hand and the fast engine put out the same."""

from __future__ import annotations

import sys
from array import array
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.port.native import NativeEngine, library_of

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tools"))

from benches import engine, native, workload  # the benches are no package of the project, tools/ must be on the path first

pytestmark = pytest.mark.needs("cc")

DESIGN = load_design(engine.DESIGN)


@settings(max_examples=40)
@given(edges=st.integers(1, 400), seed=st.integers(0, 1 << 32), bounce=st.booleans())
def test_all_three_put_out_the_same(edges: int, seed: int, bounce: bool) -> None:
    times, words = (array("q", column) for column in workload.make(edges, seed, bounce))
    ours = NativeEngine(DESIGN, library=library_of(DESIGN))
    ours.play(times, words)
    expected = engine.engine_player(DESIGN)(times, words)
    assert ours.packed == expected
    assert native.handwritten_player()(times, words) == expected


def test_the_ratios_and_the_hash_are_reported() -> None:
    result = native.measure(2_000, 1, 1)
    assert {"to_handwritten_c", "to_python", "edges_per_s", "outputs_equal", "output_hash"} <= result.keys()
    assert "native to hand-written C" in native.table(result)
