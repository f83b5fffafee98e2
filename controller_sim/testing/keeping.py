"""Random kept cells and values for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from hypothesis import strategies as st

from controller_sim.design import form
from controller_sim.testing.plain import PLACE, plain_design

RANGES = ((0, 0), (0, 1), (0, 127), (0, 255), (-1, 255), (30, 300), (-70_000, 70_000), (-(1 << 31), -1), (0, (1 << 31) - 1))
SHAPES = ((), (), (3,), (9,), (2, 5))

ranges = st.sampled_from(RANGES)
shapes = st.sampled_from(SHAPES)


@st.composite
def kept_cells(draw: st.DrawFn, most: int = 5) -> tuple[form.Cell, ...]:
    """1..most cells, the first of them kept."""
    cells: list[form.Cell] = []
    offset = 0
    for number in range(draw(st.integers(1, most))):
        low, high = draw(ranges)
        shape = draw(shapes)
        cell = form.Cell(f"cell{number}", low, high, low, shape, "clamp", number == 0 or draw(st.booleans()), (), offset, PLACE)
        starts = tuple(draw(st.lists(st.integers(low, high), min_size=cell.size, max_size=cell.size)))
        cells.append(replace(cell, start=starts[0], starts=starts))
        offset += cell.size
    return tuple(cells)


def keeping(cells: Sequence[form.Cell], size: int = 1024, version: int = 1, oldest: int = 1) -> form.Design:
    """A design with these cells and nothing else, and storage of `size` bytes."""
    return replace(plain_design({}), cells=tuple(cells), storage=form.Storage(size, version, oldest))


@st.composite
def kept_values(draw: st.DrawFn, design: form.Design) -> tuple[int, ...]:
    """Values for all elements of a design's kept cells, each in its range, both ends often."""
    values: list[int] = []
    for cell in design.cells:
        if cell.keep:
            one = st.sampled_from((cell.low, cell.high)) | st.integers(cell.low, cell.high)
            values += draw(st.lists(one, min_size=cell.size, max_size=cell.size))
    return tuple(values)


@st.composite
def changes(draw: st.DrawFn, design: form.Design, before: tuple[int, ...]) -> tuple[int, ...]:
    """The values before with up to four of them changed."""
    after = list(before)
    other = draw(kept_values(design))
    for at in draw(st.lists(st.integers(0, len(after) - 1), max_size=4)):
        after[at] = other[at]
    return tuple(after)
