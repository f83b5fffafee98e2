"""The rules of sections 6, 7 and 9 for actions, memory, messages, display and LEDs, one test for each."""

import pytest
from hypothesis import given
from hypothesis import strategies as st


@pytest.fixture(scope="session")
def cells_after(stage):
    """The memory after one action."""

    def play(statements, *cells):
        return stage.start(stage.build(stage.Scene((stage.Bind("press a", statements),)), cells=cells), "100 a").cells

    return play


def binary(stage, operator, left, right):
    return stage.program.Binary(-(2**31), 2**31 - 1, operator, stage.constant(left), stage.constant(right))


@given(left=st.integers(-1000, 1000), right=st.integers(-30, 30).filter(bool))
def test_division_and_remainder_floor(cells_after, stage, left, right):
    statements = (stage.store(0, binary(stage, "//", left, right)), stage.store(1, binary(stage, "%", left, right)))
    quotient, remainder = cells_after(statements, stage.cell(low=-1000, high=1000), stage.cell(low=-1000, high=1000))
    assert quotient * right + remainder == left
    assert remainder == 0 or (remainder > 0) == (right > 0)
    assert abs(remainder) < abs(right)


@pytest.mark.parametrize(("ends", "value", "stored"), [("wrap", 8, 3), ("wrap", 2, 7), ("wrap", 14, 4), ("clamp", 8, 7), ("clamp", 2, 3)])
def test_cell_wraps_or_clamps_at_its_ends(cells_after, stage, ends, value, stored):
    assert cells_after((stage.store(0, value),), stage.cell(low=3, high=7, start=3, ends=ends)) == [stored]


def test_array_element_is_stored_at_its_place(cells_after, stage):
    statement = stage.program.SetCell(1, stage.constant(4), stage.constant(9))
    assert cells_after((statement,), stage.cell(start=1), stage.cell(shape=(2, 3))) == [1, 0, 0, 0, 0, 9, 0]


def test_loops_choices_logic_and_procedure_arguments(cells_after, stage):
    program = stage.program
    slot = program.Local(0, 9, 0)
    odd = program.Compare(0, 1, "==", program.Binary(0, 1, "%", slot, stage.constant(2)), stage.constant(1))
    late = program.Compare(0, 1, ">", slot, stage.constant(5))
    chosen = program.Choice(0, 10, program.Logic(0, 1, "or", odd, late), stage.constant(10), stage.constant(1))
    loop = program.For(0, 8, 0, -2, (program.If(odd, (stage.store(1, 1),), (stage.add(0, 1),)), program.SetLocal(1, chosen)))
    last = program.SetCell(1, None, program.Unary(-10, 0, "-", program.Local(0, 10, 1)))
    assert cells_after((loop, last), stage.cell(), stage.cell(low=-10)) == [4, -1]


def test_messages_leave_in_the_order_in_which_they_were_sent(stage):
    design = stage.build(stage.Scene((stage.Bind("press a", (stage.send(0x90, 60, 64), stage.send(0x80, 60, 0))),)))
    assert stage.run(design, "100 a") == ["100 press a", "100 90 3C 40", "100 80 3C 00"]


def test_delayed_messages_leave_in_order_of_their_due_time_then_as_sent(stage):
    statements = (stage.send(1, delay_ms=30), stage.send(2, delay_ms=10), stage.send(3, delay_ms=30), stage.send(4))
    design = stage.build(stage.Scene((stage.Bind("press a", statements),)))
    assert stage.run(design, "100 a; 200") == ["100 press a", "100 04", "110 02", "130 01", "130 03"]


def test_delayed_message_due_first_leaves_at_once_when_the_queue_is_full(stage):
    statements = (stage.send(1, delay_ms=30), stage.send(2, delay_ms=10), stage.send(3, delay_ms=5))
    design = stage.build(stage.Scene((stage.Bind("press a", statements),)), delayed_messages=2)
    assert stage.run(design, "100 a; 200") == ["100 press a", "100 02", "105 03", "130 01"]


def test_delayed_message_survives_a_mode_change(stage):
    design = stage.build(stage.Scene((stage.Bind("press a", (stage.send(1, delay_ms=30), stage.enter(0))),)))
    assert stage.run(design, "100 a; 200") == ["100 press a", "100 mode 0", "130 01"]


def test_display_and_leds_follow_the_state_at_the_end_of_the_instant(stage):
    views = ((stage.equals(0, 2), (stage.text("two"), stage.text("!"))), (None, (stage.text("cell ", stage.cell_value(0)),)))
    scene = stage.Scene(
        (stage.Bind("press a", (stage.add(0, 1), stage.send(1))), stage.Bind("press b", (stage.add(0, 1),))),
        views=views,
        leds=(stage.equals(0, 1), stage.cell_value(0)),
    )
    design = stage.build(scene, cells=(stage.cell(),))
    assert stage.run(design, "0 -; 1", whole=True) == ["0.001 mode 0", "0.001 shows 'cell 0'"]
    assert stage.run(design, "100 a; 200 -; 300 a") == [
        "100 press a", "100 01", "100 shows 'cell 1'", "100 led 0 1", "100 led 1 1",
        "300 press a", "300 01", "300 shows 'two\\n!'", "300 led 0 0", "300 led 1 2",
    ]  # fmt: skip
    assert stage.run(design, "100 ab")[3:] == ["100 shows 'two\\n!'", "100 led 1 2"]


def test_notice_covers_the_display_and_then_gives_way(stage):
    notice = stage.program.Notice(stage.text("saved ", stage.cell_value(0)), 900_000)
    on = (stage.Bind("press a", (notice, stage.enter(0))), stage.Bind("press b", (stage.add(0, 1),)))
    design = stage.build(stage.Scene(on, views=((None, (stage.text(stage.cell_value(0)),)),)), cells=(stage.cell(),))
    lines = stage.run(design, "100 a; 200 b; 2000")
    assert lines == ["100 press a", "100 mode 0", "100 shows 'saved 0'", "200 press b", "1000 shows '1'"]


@pytest.mark.parametrize(
    ("value", "width", "fill", "shown"), [(7, 2, "0", "07"), (-5, 3, "0", "-05"), (7, 3, " ", "  7"), (123, 2, "0", "123")]
)
def test_numbers_are_filled_to_their_width(stage, value, width, fill, shown):
    field = stage.program.Field(stage.constant(value), width, fill)
    design = stage.build(stage.Scene(views=((None, (stage.program.Text((field,)),)),)))
    assert stage.start(design, "1").display == shown


def test_field_with_names_shows_the_name(stage):
    field = stage.program.Field(stage.constant(1), names=("off", "on"))
    assert stage.start(stage.build(stage.Scene(views=((None, (stage.program.Text((field,)),)),))), "1").display == "on"


def test_equal_deadlines_are_met_in_the_order_of_their_kinds(stage):
    on = (
        stage.Bind("press f", (stage.send(2, delay_ms=50), stage.program.ClockRun(1))),
        stage.Bind("hold a 600"),
        stage.Bind("repeat b"),
        stage.Bind("tap c"),
        stage.Bind("double c"),
        stage.Bind("press d"),
        stage.Bind("press d+e"),
    )
    timers = ((700 - 0.001, False, (stage.send(1),)),)
    design = stage.build(stage.Scene(on, timers=timers))
    # Due at 700 ms: the window of d, hold a, repeat b, the gap of c, the timer, the message sent at 650 ms.
    # The tap of c would be settled by a press in between, so it is tried apart.
    lines = stage.run(design, "100 a; 300 ab; 650 abf; 655 abfd; 700.001")
    assert lines == [
        "650 press f",
        "651 F8",
        "671.833 F8",
        "692.667 F8",
        "700 press d",
        "700 hold a 600",
        "700 repeat b",
        "700 01",
        "700 02",
    ]
    lines = stage.run(design, "100 a; 300 ab; 310 abc; 400 ab; 700.001")
    assert lines == ["700 hold a 600", "700 repeat b", "700 tap c", "700 01"]


def test_cell_starts_with_its_own_values_and_each_element_may_have_another(stage):
    cells = (stage.cell(start=3), stage.cell(shape=(3,), starts=(7, 8, 9)))
    assert stage.start(stage.build(stage.Scene(), cells=cells), "1").cells == [3, 7, 8, 9]
