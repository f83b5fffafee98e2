"""Planted defects: a design with exactly that fault is found out, its mended twin is not."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import form, load_design
from controller_sim.design.fast import FastEngine
from controller_sim.design.loader import load_design_text
from controller_sim.design.outputs import Fired, ModeEntered
from controller_sim.simulator import Simulator
from controller_sim.testing.compare import instants, run
from controller_sim.testing.contacts import Session, sessions
from controller_sim.testing.designs import designs
from controller_sim.verify.checking import ERROR, NOTE, WARNING, Finding, check
from controller_sim.verify.findings import merged
from controller_sim.verify.hiding import never_fires
from controller_sim.verify.reach import Reach
from controller_sim.view.words import gesture_title

TOOLS = Path(__file__).resolve().parents[2] / "tools"
sys.path.insert(0, str(TOOLS))

from planted.faults import BASE, OTHER_MODE, PLANTED, TAP_B, Planted  # noqa: E402  # no package of the project, tools/ must be on the path first

CONFIGS = sorted((Path(__file__).resolve().parents[2] / "configs").glob("*.yaml"))


def found(text: str) -> list[Finding]:
    return list(check(load_design_text(text, "booth.yaml")).findings)


def test_the_base_of_the_planted_defects_has_none() -> None:
    assert found(BASE) == []


@pytest.mark.parametrize("planted", PLANTED, ids=lambda planted: planted.code)
def test_a_planted_defect_is_found_and_its_mended_twin_is_not(planted: Planted) -> None:
    assert planted.old in BASE
    bad = [each for each in found(BASE.replace(planted.old, planted.bad, 1)) if each.code == planted.code]
    assert [each.severity for each in bad] == [planted.severity], bad
    good = [each for each in found(BASE.replace(planted.old, planted.good, 1)) if each.code == planted.code]
    assert good == []


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.name)
def test_the_demo_designs_have_no_errors(path: Path) -> None:
    checked = check(load_design(path))
    assert checked.passes() and not checked.count(ERROR)


@settings(max_examples=30)
@given(designs())
def test_findings_are_ordered_by_severity_and_said_once(design: form.Design) -> None:
    checked = check(design)
    severities = [(ERROR, WARNING, NOTE).index(each.severity) for each in checked.findings]
    assert severities == sorted(severities)
    assert merged(checked.findings) == checked.findings


@settings(max_examples=60)
@given(designs().flatmap(lambda design: st.tuples(st.just(design), st.lists(sessions(design), min_size=1, max_size=3))))
def test_what_never_fires_never_fires_and_what_is_never_entered_never_is(case: tuple[form.Design, list[Session]]) -> None:
    """Soundness of the gravest findings: no history whatever refutes them."""
    design, played = case
    reach = Reach(design)
    never = never_fires(reach)
    for session in played:
        for output in run(FastEngine, design, session):
            if isinstance(output, ModeEntered):
                assert output.mode in reach.modes
            if isinstance(output, Fired):
                assert output.binding not in never, never[output.binding]


@settings(max_examples=60)
@given(designs().flatmap(lambda design: st.tuples(st.just(design), sessions(design))), st.booleans())
def test_no_cell_ever_leaves_what_is_said_of_it(case: tuple[form.Design, Session], highest: bool) -> None:
    """Whatever a chip may hold at power-on."""
    design, session = case
    values = Reach(design).values
    kept = [cell.high if highest else cell.low for cell in design.cells if cell.keep for _ in range(cell.size)]
    engine = FastEngine(design, session.start_us, kept)
    for instant in instants(session, engine):
        engine.advance(*instant)
        for cell, (low, high) in zip(design.cells, values, strict=True):
            assert all(low <= value <= high for value in engine.cells[cell.offset : cell.offset + cell.size])


CAN_FIRE = (
    ("      release b: enter(rest)\n      hold b: act = 1\n", "700ms", "hold b"),
    ("      repeat b: enter(rest)\n      tap b: act = 1\n", "60ms", "tap b"),
    ("      repeat b: enter(rest)\n      hold b 300ms: act = 1\n", "600ms", "hold b"),
    ("      hold b: enter(rest)\n      tap b: act = 1\n", "60ms", "tap b"),
    ("      hold b: enter(rest)\n      double b: act = 1\n", "60ms", "double b"),
    ("      hold b: enter(rest)\n      repeat b: act = 1\n", "600ms", "repeat b"),
    ("      press b when act > 0: enter(rest)\n      tap b: act = 1\n", "60ms", "tap b"),
    ("      press b when act > 0: enter(rest)\n      press b when act == 0: act = 0\n      tap b: act = 1\n", "60ms", "tap b"),
    ("      press b when act > 0: enter(rest)\n      press b: act = 0\n      tap b: act = 1\n", "60ms", "tap b"),
    ("      press b: enter(rest)\n      release b: act = 1\n", "60ms", "release b"),
    ("      press b:\n        if act: enter(rest)\n      tap b: act = 1\n", "60ms", "tap b"),
    ("      tap b: enter(rest)\n      double b: act = 1\n", "60ms", "double b"),
    ("      hold b 2s: enter(rest)\n      hold b: act = 1\n", "700ms", "hold b"),
)
"""Bindings of the mode `show`, how long b is pressed (twice), and a gesture that then fires although something else may leave the mode."""


@pytest.mark.parametrize(("bindings", "length", "fires"), CAN_FIRE)
def test_what_fires_when_played_is_not_said_never_to(bindings: str, length: str, fires: str) -> None:
    design = load_design_text(
        BASE.replace(TAP_B, bindings + OTHER_MODE).replace("press b:\n        if", "press b: |\n        if"), "booth.yaml"
    )
    played = Simulator(design)
    played.wait("100ms")
    for _ in range(2):
        played.tap("b", length)
        played.wait("100ms")
    fired = {each.binding for each in played.outputs if isinstance(each, Fired)}
    titles = {number: gesture_title(design, design.bindings[number]) for number in fired}
    assert any(title.startswith(fires) for title in titles.values())
    assert not fired & set(never_fires(Reach(design)))
