"""The reference engine and the fast engine do the same, whatever the design and whatever the contacts."""

from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design.fast import FastEngine
from controller_sim.reference import ReferenceEngine
from controller_sim.testing.compare import find_difference
from controller_sim.testing.contacts import histories
from controller_sim.testing.designs import designs

EXAMPLES = max(300, settings.default.max_examples if settings.default else 0)


@settings(max_examples=EXAMPLES)
@given(st.data())
def test_both_engines_agree_on_every_design_and_every_history(data: st.DataObject) -> None:
    design = data.draw(designs())
    history = data.draw(histories(design))
    difference = find_difference(design, history, ReferenceEngine, FastEngine)
    assert difference is None, difference
