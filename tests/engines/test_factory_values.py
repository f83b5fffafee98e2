"""`factory_values()` against a model of cells, drafts and power; both engines (semantics, section 9)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.design import load_design_text
from controller_sim.design.fast import FastEngine
from controller_sim.reference import ReferenceEngine
from controller_sim.testing.compare import EngineFactory

DESIGN = load_design_text(
    """\
switches: [a, b, c, d, e, f, g]
display: {characters: 20}
timing: {debounce: {press: none, release: none}}
memory:
  act: {range: 0..9, start: 3, ends: wrap, keep: yes}
  cue: {range: 0..9, size: 3, start: [1, 2, 3], ends: wrap, keep: yes}
  lit: {range: 0..9, start: 7, ends: wrap}
procedures:
  bump(): |
    act += 1
    lit += 1
    for i in range(3):
      cue[i] += 1
modes:
  show:
    display: "{act} {cue[0]} {cue[1]} {cue[2]} {lit}"
    on:
      press a: bump()
      press b: enter(edit)
      press e: factory_values()
      press f: factory_values(cue, lit)
  edit:
    draft: [cue, lit]
    display: "{act} {cue[0]} {cue[1]} {cue[2]} {lit}"
    on:
      press a: bump()
      press b: enter(show)
      press c: save()
      press d: cancel()
      press e: factory_values()
      press f: factory_values(cue, lit)
"""
)
START = [3, 1, 2, 3, 7]
KEPT = (0, 1, 2, 3)
DRAFTED = (1, 2, 3, 4)


class Model:
    """The five elements, the snapshot of those that are drafted, and whether the draft's mode is current."""

    def __init__(self) -> None:
        self.values = list(START)
        self.snapshot: dict[int, int] = {}

    def press(self, name: str) -> None:
        editing = bool(self.snapshot)
        if name == "a":
            self.values = [(value + 1) % 10 for value in self.values]
        elif name == "b":
            self.restore()
            self.snapshot = {} if editing else {i: self.values[i] for i in DRAFTED}
        elif name == "c":
            self.snapshot = {i: self.values[i] for i in self.snapshot}
        elif name == "d":
            self.restore()
        else:
            for i in KEPT if name == "e" else DRAFTED:
                self.values[i] = START[i]
                if i in self.snapshot:
                    self.snapshot[i] = START[i]

    def restore(self) -> None:
        for i, value in self.snapshot.items():
            self.values[i] = value

    @property
    def kept(self) -> tuple[int, ...]:
        return tuple(self.snapshot.get(i, self.values[i]) for i in KEPT)


@pytest.mark.parametrize("factory", [FastEngine, ReferenceEngine])
@given(st.text("abcdef", max_size=20))
def test_cells_and_drafts_get_their_first_values(factory: EngineFactory, presses: str) -> None:
    engine = factory(DESIGN, 0, None, False)
    model = Model()
    engine.advance(0, 0)
    for number, name in enumerate(presses):
        engine.advance(10_000 * number + 10_000, 1 << "abcdefg".index(name))
        engine.advance(10_000 * number + 15_000, 0)
        model.press(name)
        assert list(engine.cells) == model.values  # type: ignore[attr-defined]  # both engines have them
        assert tuple(engine.kept()) == model.kept
        assert engine.display == " ".join(map(str, model.values))  # type: ignore[attr-defined]  # both engines have it
