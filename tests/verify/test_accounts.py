"""The accounts add up for every design and every run: nothing that the engines do is taken for wrong."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design.fast import FastEngine
from controller_sim.testing.compare import instants
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.verify.accounts import Accounts
from controller_sim.verify.believing import check_edges


@settings(max_examples=150)
@given(st.data(), st.booleans())
def test_nothing_that_the_engine_does_is_taken_for_wrong(data: st.DataObject, released: bool) -> None:
    design = data.draw(designs())
    drawn = data.draw(sessions(design, released=released))
    engine = FastEngine(design, drawn.start_us, trace=True)
    for instant in instants(drawn, engine):
        engine.advance(*instant)
    accounts = Accounts(design)
    assert accounts.scan(engine.packed) is None
    if released:
        assert accounts.rest(engine.now_us) is None


@settings(max_examples=150)
@given(st.data())
def test_the_engine_believes_what_the_contacts_say(data: st.DataObject) -> None:
    design = data.draw(designs())
    drawn = data.draw(sessions(design))
    engine = FastEngine(design, drawn.start_us, trace=True)
    for instant in instants(drawn, engine):
        engine.advance(*instant)
    assert check_edges(design, drawn, engine.packed) is None
