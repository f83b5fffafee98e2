"""How tables are set on paper: nothing is lost, nothing sticks out, and the floor's table is as large as it can be."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.testing.designs import designs
from controller_sim.view.chart import switch_tables
from controller_sim.view.fitting import PADDING, Fitted, fit, line_heights, width_of
from controller_sim.view.sheet import Cell, Line, Table, words

WIDTH, HEIGHT = 774.0, 480.0
TEXTS = st.lists(st.text("abc dé+", min_size=1, max_size=12), max_size=8).map(" ".join)
CELLS = st.builds(Cell, st.lists(st.builds(Line, st.sampled_from(("", "tap", "hold 3s")), TEXTS), max_size=4).map(tuple))


@st.composite
def tables(draw: st.DrawFn) -> Table:
    columns = draw(st.integers(1, 9))
    rows = []
    for _ in range(draw(st.integers(1, 8))):
        cells: list[Cell] = []
        while (left := columns - sum(cell.span for cell in cells)) > 0:
            cells.append(Cell(draw(CELLS).lines, draw(st.integers(1, left))))
        rows.append(tuple(cells))
    header = tuple(draw(st.lists(TEXTS, min_size=columns, max_size=columns)))
    return Table("title", header, tuple(rows), large=draw(st.booleans()))


def grid(table: Table) -> list[tuple[Cell, ...]]:
    return [tuple(map(words, table.header)), *table.rows]


def set_grid(fitted: Fitted) -> list[tuple[tuple[tuple[str, ...], ...], ...]]:
    rows = [fitted.header, *fitted.rows]
    return [tuple(tuple(tuple(word.text for word in line) for line in cell) for cell in row) for row in rows]


@settings(max_examples=40)
@given(tables())
def test_every_word_is_set_once_and_in_order(table: Table) -> None:
    for row, set_row in zip(grid(table), set_grid(fit(table, WIDTH, HEIGHT)), strict=True):
        for cell, lines in zip(row, set_row, strict=True):
            assert " ".join(word for line in lines for word in line).split() == " ".join(line.plain for line in cell.lines).split()


@settings(max_examples=40)
@given(tables())
def test_lines_stay_in_their_columns_and_rows_on_their_page(table: Table) -> None:
    fitted = fit(table, WIDTH, HEIGHT)
    assert sum(fitted.widths) <= WIDTH + 0.01
    for row, cells in zip([fitted.header, *fitted.rows], grid(table), strict=True):
        at = 0
        for lines, cell in zip(row, cells, strict=True):
            room = sum(fitted.widths[at : at + cell.span]) - 2 * PADDING * fitted.size
            at += cell.span
            for line in lines:
                spaces = max(len(line) - 1, 0) * width_of(" ", fitted.size)
                assert sum(width_of(word.text, fitted.size, word.bold) for word in line) + spaces <= room + 0.02
    for page in fitted.pages:
        assert fitted.heights[0] + sum(fitted.heights[row + 1] for row in page) <= HEIGHT


@settings(max_examples=40)
@given(tables())
def test_every_row_is_on_one_page_and_as_high_as_its_highest_cell(table: Table) -> None:
    fitted = fit(table, WIDTH, HEIGHT)
    assert [row for page in fitted.pages for row in page] == list(range(len(table.rows)))
    for row, height in zip([fitted.header, *fitted.rows], fitted.heights, strict=True):
        assert height == max((sum(line_heights(cell, fitted.size)) for cell in row), default=0.0) + 2 * fitted.above


@settings(max_examples=30)
@given(designs())
def test_the_chart_of_switches_is_never_smaller_than_type_at_a_desk_unless_words_are_wider(design: object) -> None:
    table = switch_tables(design)[0]  # type: ignore[arg-type]  # hypothesis gives what designs() draws
    fitted = fit(table, WIDTH, HEIGHT)
    assert fitted.size >= 10 or len(table.header) > 9


def test_a_word_wider_than_the_page_is_set_all_the_same() -> None:
    fitted = fit(Table("", ("x" * 500,), ((Cell((Line("", "y" * 900),)),),)), WIDTH, HEIGHT)
    assert set_grid(fitted)[1] == ((("y" * 900,),),) and sum(fitted.widths) <= WIDTH + 0.01


def test_widths_are_those_of_the_standard_font() -> None:
    # Adobe Font Metrics of Helvetica and Helvetica-Bold, in thousandths of the size.
    assert width_of("A", 1000) == 667 and width_of("i", 1000) == 222 and width_of("~", 1000) == 584
    assert width_of("i", 1000, bold=True) == 278 and width_of(" ", 1000) == 278
    assert width_of("\u00e9", 1000) == width_of("e", 1000)


def test_more_room_gives_larger_type() -> None:
    table = Table("", ("", "a"), ((words("play"), words("recall the cue of this act and switch")),), large=True)
    sizes = [fit(table, width, 300.0).size for width in (200.0, 400.0, 774.0)]
    assert sizes == sorted(sizes) and sizes[0] < sizes[-1]
