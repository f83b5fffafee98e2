"""The accounts add up for every design and every run: nothing that the engines do is taken for wrong."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.core.kinds import MESSAGE
from controller_sim.design.fast import FastEngine
from controller_sim.testing.compare import instants
from controller_sim.testing.contacts import sessions
from controller_sim.testing.designs import designs
from controller_sim.verify.accounts import Accounts
from controller_sim.verify.believing import check_edges
from controller_sim.verify.book import BYTE_US
from controller_sim.verify.sent import wire_bytes


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


@settings(max_examples=60)
@given(st.data())
def test_the_serial_line_is_behind_by_the_bytes_that_it_is_sent_with_running_status(data: st.DataObject) -> None:
    design = replace(data.draw(designs()), running_status=data.draw(st.booleans()))
    drawn = data.draw(sessions(design))
    engine = FastEngine(design, drawn.start_us, trace=True)
    for instant in instants(drawn, engine):
        engine.advance(*instant)
    accounts = Accounts(design)
    assert accounts.scan(engine.packed) is None
    busy_us = most_us = status = 0
    for time_us, item in zip(engine.packed[::2], engine.packed[1::2], strict=True):
        if isinstance(item, int) and item & 7 == MESSAGE:
            size, status = wire_bytes(design, item, status)
            if size:
                busy_us = max(busy_us, time_us) + BYTE_US * size
                most_us = max(most_us, busy_us - time_us)
    assert accounts.backlog_us == most_us
