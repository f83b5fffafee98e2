"""Watchers see every instant of a run, and the same on either engine."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design.fast import FastEngine
from controller_sim.design.outputs import decode, encode
from controller_sim.reference import ReferenceEngine
from controller_sim.simulator.engines import Seen
from controller_sim.testing.compare import EngineFactory, run
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.testing.plain import note, plain_design
from controller_sim.verify.watching import Item, Session, Watcher, walk

both_engines = pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])


class Witness(Watcher):
    """Writes down all that it is shown."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[tuple[int, list[Item]]] = []
        self.states: list[tuple[int, str]] = []

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        self.reached += 1
        self.seen.append((time_us, list(items)))
        self.states.append((engine.mode, engine.display))
        return None


@both_engines
@settings(max_examples=40)
@given(st.data())
def test_a_walk_shows_every_output_at_its_own_instant(factory: EngineFactory, data: st.DataObject) -> None:
    design = data.draw(designs())
    drawn = data.draw(sessions(design))
    witness = Witness()
    assert walk(factory(design, drawn.start_us, None, True), drawn, [witness]) is None
    assert all(earlier < later for (earlier, _), (later, _) in pairwise(witness.seen))
    packed = [part for time_us, items in witness.seen for item in items for part in (time_us, item)]
    assert decode(packed) == run(factory, design, drawn, trace=True)


@settings(max_examples=40)
@given(st.data())
def test_both_engines_show_a_watcher_the_same_outputs(data: st.DataObject) -> None:
    design = data.draw(designs())
    drawn = data.draw(sessions(design))
    shown = []
    for factory in (FastEngine, ReferenceEngine):
        witness = Witness()
        walk(factory(design, drawn.start_us, None, True), drawn, [witness])
        shown.append([(time_us, items) for time_us, items in witness.seen if items])
    assert shown[0] == shown[1]


@settings(max_examples=40)
@given(st.data())
def test_packing_outputs_is_the_inverse_of_unpacking_them(data: st.DataObject) -> None:
    design = data.draw(designs())
    drawn = data.draw(sessions(design))
    outputs = run(FastEngine, design, drawn, trace=True)
    assert decode(encode(outputs)) == outputs


def test_a_complaint_ends_the_walk_at_its_instant() -> None:
    class Third(Witness):
        def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
            super().see(time_us, items, engine)
            return "three" if self.reached == 3 else None

    design = plain_design({("press", "a"): (note(60),)})
    watcher = Third()
    session = Session((0, 10, 20, 30, 40), (0, 1, 0, 1, 0))
    complaint = walk(FastEngine(design, 0, None, True), session, [Witness(), watcher])
    assert complaint is not None
    assert (complaint.watcher, complaint.text, watcher.reached) == (1, "three", 3)
