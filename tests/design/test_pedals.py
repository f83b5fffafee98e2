"""`pedals` of a design: what loads, and the whole error of what does not."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.core.pedals import interpolated
from controller_sim.design import DesignError, load_design_text
from controller_sim.design.form import Pedal
from controller_sim.design.program import Constant, Send


def pedal(text: str) -> Pedal:
    return load_design_text(f"switches: [a]\npedals: {{swell: {{{text}}}}}\nmodes: {{m: {{}}}}\n").pedals[0]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", Pedal("swell", 0, 1023, (0, 127), 2, 10_000)),
        ("reads: 0..4095, heel: 4000, toe: 96", Pedal("swell", 4000, 96, (0, 127), 2, 10_000, reads=(0, 4095))),
        ("heel: 40, toe: 980, dead: 2%", Pedal("swell", 58, 962, (0, 127), 2, 10_000)),
        ("heel: 980, toe: 40, dead: [0%, 10%]", Pedal("swell", 980, 134, (0, 127), 2, 10_000)),
        ("gives: -8192..8191, every: 2.5ms, hysteresis: 0", Pedal("swell", 0, 1023, (-8192, 8191), 0, 2500)),
        ("curve: [0%, 5%, 100%], first: moves", Pedal("swell", 0, 1023, (0, 6, 127), 2, 10_000, True)),
        ("curve: [100%, 0%], gives: 20..100", Pedal("swell", 0, 1023, (100, 20), 2, 10_000)),
        ("reads: 0..1", Pedal("swell", 0, 1, (0, 127), 0, 10_000, reads=(0, 1))),
    ],
)
def test_what_is_not_said_has_its_default(text: str, expected: Pedal) -> None:
    assert pedal(text) == expected


@given(st.sampled_from(["linear", "slow", "fast"]), st.integers(0, 1000))
def test_a_named_curve_is_a_straight_line_or_nearly_a_square(curve: str, way: int) -> None:
    share = way / 1000
    exact = {"linear": share, "slow": share * share, "fast": 1 - (1 - share) ** 2}[curve] * 16_383
    found = interpolated(pedal(f"gives: 0..16383, curve: {curve}").points, way, 1000)
    assert abs(found - exact) <= 0.001 * 16_383 + 1


REFUSED = {
    "unknown key": ("hell: 3", "3: the pedal swell has no key 'hell'; did you mean 'heel'?"),
    "reads one value": ("reads: 5..5", "3: a pedal reads more than one value"),
    "reads too much": ("reads: 0..70000", "10: the range 0..70000 leaves 0..65535"),
    "heel outside": ("heel: 1024", "9: heel is 1024, but must be 0..1023"),
    "no way": ("heel: 5, toe: 5", "3: heel and toe are both 5"),
    "no share": ("dead: 5", "9: dead is a share, 0%..40%, not '5'"),
    "dead too much": ("dead: 41%", "9: dead is a share, 0%..40%, not '41%'"),
    "three dead zones": ("dead: [1%, 1%, 1%]", "9: dead is one share for both ends, or two: [heel, toe]"),
    "no curve": ("curve: slwo", "10: curve is linear or slow or fast, not 'slwo'; did you mean 'slow'?"),
    "one point": ("curve: [3%]", "10: a curve has 2..32 points, not 1"),
    "point over": ("curve: [3%, 101%]", "15: a point of the curve is a share, 0%..100%, not '101%'"),
    "gives too much": ("gives: -8192..8192", "3: the range -8192..8192 holds more than 14 bits"),
    "hysteresis over the way": ("heel: 0, toe: 10, hysteresis: 10", "33: hysteresis is 10, but must be 0..9"),
    "too often": ("every: 999us", "10: '999us' is too short: at least 1ms, since one message takes nearly that long on the wire"),
    "first": ("first: yes", "10: first is quiet or moves, not 'yes'"),
}


@pytest.mark.parametrize(("text", "message"), REFUSED.values(), ids=REFUSED)
def test_what_is_wrong_with_a_pedal_is_refused_with_its_place(text: str, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        load_design_text(f"switches: [a]\npedals:\n  swell:\n    {{ {text} }}\nmodes: {{m: {{}}}}\n")
    column, _, rest = message.partition(":")
    assert str(caught.value).split("\n")[0] == f"design:4:{int(column) + 4}:{rest}"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("pedals: {a: {}}", "design:2:10: the name 'a' is taken"),
        ("pedals: {off: {}}", "design:2:10: 'off' is a word of the language and cannot name a pedal"),
        ("memory: {n: {names: [low, high]}}\npedals: {low: {}}", "design:3:10: 'low' is the name of a value and cannot name a pedal"),
        (
            "pedals: {p1: {}, p2: {}, p3: {}, p4: {}, p5: {}, p6: {}, p7: {}, p8: {}, p9: {}}",
            "design:2:9: there are 9 pedals, but at most 8 are allowed",
        ),
        ("pedals: {p: {}}\neverywhere: {tap a: p = 3}", "design:3:21: 'p' is a pedal and cannot be assigned: choose another name"),
        ("pedals: {p: {}}\neverywhere: {move q: pass}", "design:3:19: there is no pedal 'q'"),
        ("pedals: {p: {}}\neverywhere: {move p+p: pass}", "design:3:14: 'move p+p' is no move of a pedal: write for example 'move swell'"),
        ("pedals: {p: {}}\neverywhere: {move p when p > 127: pass}", "design:3:26: this condition is never true"),
        ("pedals: {p: {}}\neverywhere: {move p when: pass}", "design:3:14: a condition is missing after 'when'"),
        (
            "pedals: {p: {gives: 0..128}}\ndevices: {d: {channel: 1}}\neverywhere: {move p: 'control_change(d, 1, p)'}",
            "design:4:44: value p is 0..128, but d accepts 0..127: narrow it, for example with 'if p <= 127:'",
        ),
    ],
)
def test_a_pedal_s_name_and_position_are_checked(text: str, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        load_design_text(f"switches: [a]\n{text}\nmodes: {{m: {{}}}}\n")
    assert str(caught.value).split("\n")[0] == message


def test_a_second_move_that_can_never_happen_cites_both_lines() -> None:
    with pytest.raises(DesignError) as caught:
        load_design_text("switches: [a]\npedals: {p: {}}\nmodes:\n  m:\n    on:\n      move p: pass\n      move p when p > 3: pass\n")
    assert str(caught.value).split("\n")[0] == "design:7:7: this can never happen: it is bound before, always"
    assert "design:6:7" in str(caught.value)


def test_a_mode_s_own_move_comes_before_that_of_every_mode() -> None:
    design = load_design_text(
        "switches: [a]\npedals: {p: {}}\nmodes:\n"
        "  m: {on: {move p when p > 3: pass}}\n  n: {on: {move p: pass}}\neverywhere: {move p: pass}\n"
    )
    lines = [[design.responses[number].place.line for number in mode.responses] for mode in design.modes]
    assert lines == [[4, 6], [5]]


@given(st.integers(0, 16_383))
def test_a_controller_of_14_bits_is_sent_as_a_pair(value: int) -> None:
    design = load_design_text(
        "switches: [a]\ndevices: {room: {channel: 3, controllers: {level: {number: 7, bits: 14}}}}\n"
        f"modes:\n  m: {{on: {{tap a: 'control_change(room, level, {value}, delay_ms=5)'}}}}\n"
    )
    sends = [statement for statement in design.procedures[0].body if isinstance(statement, Send)]
    data = [[byte.value for byte in send.data if isinstance(byte, Constant)] for send in sends]
    assert data == [[0xB2, 7, value // 128], [0xB2, 39, value % 128]]
    assert [send.delay_us for send in sends] == [5000, 5000]


@pytest.mark.parametrize(
    ("controller", "message"),
    [
        ("{number: 32, bits: 14}", "the number of a controller of 14 bits is 32, but must be 0..31"),
        ("{number: 7, bits: 8}", "bits is 8, but must be 7 or 14"),
        ("{number: 7, bits: 14, on: 3}", "the controller level has 'on' and so takes a truth: leave 'bits' out"),
        ("{number: 7, range: 0..128}", "the range 0..128 leaves 0..127"),
    ],
)
def test_a_controller_s_bits_are_checked(controller: str, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        load_design_text(f"switches: [a]\ndevices: {{room: {{channel: 3, controllers: {{level: {controller}}}}}}}\nmodes: {{m: {{}}}}\n")
    assert caught.value.message == message


def test_a_switch_whose_contact_opens_is_one_more_switch() -> None:
    design = load_design_text("switches: [a, {x: opens}, {y: closes}]\nmodes: {m: {on: {chord a+x: pass}}}\n")
    assert design.switches == ("a", "x", "y")
    assert design.opening == 0b010


@pytest.mark.parametrize(
    ("switches", "message"),
    [
        ("[{x: open}]", "the contact of x is closes or opens, not 'open'; did you mean 'opens'?"),
        ("[{x: opens, y: opens}]", "a switch is a name, or a name with what its contact does when pressed: {x: opens}"),
        ("[a, {a: opens}]", "the name 'a' is taken"),
    ],
)
def test_a_contact_is_checked(switches: str, message: str) -> None:
    with pytest.raises(DesignError) as caught:
        load_design_text(f"switches: {switches}\nmodes: {{m: {{}}}}\n")
    assert caught.value.message == message
