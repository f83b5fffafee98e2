"""The rules of sections 4 and 9 for single keys, one test for each."""

import pytest


@pytest.fixture(scope="session")
def fires(stage):
    def play(texts, script):
        return stage.run(stage.build(stage.on(*texts)), script)

    return play


def test_press_fires_when_the_key_is_decided_and_release_when_it_goes_up(fires):
    assert fires(["press a", "release a"], "100 a; 250 -") == ["100 press a", "250 release a"]


def test_release_alone_fires_for_a_bound_down_key(fires):
    assert fires(["release a"], "100 a; 250 -") == ["250 release a"]


def test_tap_of_any_duration_where_no_hold_is_bound(fires):
    assert fires(["tap a"], "100 a; 99000 -") == ["99000 tap a"]


def test_tap_before_the_hold_and_no_tap_after_it(fires):
    assert fires(["tap a", "hold a"], "100 a; 599.999 -; 2000") == ["599.999 tap a"]
    assert fires(["tap a", "hold a"], "100 a; 601 -; 2000") == ["600 hold a"]


def test_edge_exactly_at_a_deadline_comes_after_it(fires):
    assert fires(["tap a", "hold a"], "100 a; 600 -") == ["600 hold a"]


def test_several_holds_fire_one_after_another(fires):
    assert fires(["hold a 3000", "hold a 1000", "tap a"], "100 a; 5000 -") == ["1100 hold a 1000", "3100 hold a 3000"]


def test_hold_released_too_early_with_nothing_else_bound_ends_unbound(fires):
    assert fires(["hold a"], "100 a; 200 -") == ["200 unbound a"]


def test_repeat_fires_at_its_periods_and_makes_it_no_tap(fires):
    expected = [f"{time} repeat a" for time in (500, 600, 700, 750, 800)]
    assert fires(["repeat a", "tap a"], "100 a; 849 -; 2000") == expected
    assert fires(["repeat a", "tap a"], "100 a; 499 -; 2000") == ["499 tap a"]


def test_double_fires_at_the_second_press(fires):
    assert fires(["double a", "tap a"], "100 a; 200 -; 300 a; 2000 -") == ["300 double a"]


def test_tap_waits_for_the_gap_where_a_double_is_bound(fires):
    assert fires(["double a", "tap a"], "100 a; 200 -; 2000") == ["500 tap a"]


def test_window_of_a_double_counts_from_the_first_release_and_is_half_open(fires):
    assert fires(["double a", "tap a"], "100 a; 200 -; 499.999 a; 2000") == ["499.999 double a"]
    assert fires(["double a", "tap a"], "100 a; 200 -; 500 a; 510 -; 2000") == ["500 tap a", "810 tap a"]


def test_any_other_press_settles_the_waiting_tap_at_once(fires):
    assert fires(["double a", "tap a", "press b"], "100 a; 200 -; 300 b; 400 -; 450 a; 2000") == ["300 tap a", "300 press b"]


def test_unbound_press_of_another_switch_settles_the_waiting_tap_too(fires):
    assert fires(["double a", "tap a"], "100 a; 200 -; 300 b; 310 -; 2000") == ["300 tap a", "310 unbound b"]


def test_other_switch_released_between_does_not_settle_the_tap(fires):
    assert fires(["double a"], "90 b; 100 ba; 200 b; 250 -; 300 a; 2000 -") == ["250 unbound b", "300 double a"]


def test_tap_fires_before_the_press_that_settles_it_is_decided(fires):
    assert fires(["double a", "tap a", "press b", "press b+c"], "100 a; 200 -; 300 b; 2000") == ["300 tap a", "345 press b"]


def test_second_press_of_a_double_means_nothing_else_but_its_release_does(fires):
    texts = ["press a", "release a", "tap a", "double a", "hold a", "repeat a"]
    expected = ["100 press a", "200 release a", "300 press a", "300 double a", "1500 release a"]
    assert fires(texts, "100 a; 200 -; 300 a; 1500 -; 3000") == expected


def test_third_press_starts_afresh(fires):
    assert fires(["double a", "tap a"], "100 a; 110 -; 120 a; 130 -; 140 a; 150 -; 2000") == ["120 double a", "450 tap a"]


def test_release_fires_before_the_tap(fires):
    assert fires(["tap a", "release a"], "100 a; 200 -") == ["200 release a", "200 tap a"]


def test_waiting_tap_without_tap_bound_ends_unbound_at_the_end_of_its_wait(fires):
    assert fires(["double a"], "100 a; 200 -; 2000") == ["500 unbound a"]


def test_unbound_press_ends_when_the_key_goes_up(fires):
    assert fires([], "100 a; 200 -") == ["200 unbound a"]


def test_releases_come_before_presses_at_one_instant(fires):
    assert fires(["press a", "release b"], "90 b; 100 a; 200 -") == ["100 release b", "100 press a"]


def test_conditions_are_read_at_the_press_and_hold_for_the_life_of_the_key(stage):
    on = (
        stage.Bind("press a", (stage.store(0, 1),)),
        stage.Bind("tap a", when=stage.equals(0, 0)),
        stage.Bind("hold a", when=stage.equals(0, 1)),
    )
    design = stage.build(stage.Scene(on), cells=(stage.cell(),))
    assert stage.run(design, "100 a; 1000 -; 1100 a; 1700 -") == ["100 press a", "1000 tap a", "1100 press a", "1600 hold a"]


def test_of_several_bindings_the_first_whose_condition_holds_is_bound(stage):
    on = (
        stage.Bind("tap a", (stage.send(1),), stage.equals(0, 1)),
        stage.Bind("tap a", (stage.send(2), stage.store(0, 1))),
    )
    design = stage.build(stage.Scene(on), cells=(stage.cell(),))
    assert stage.run(design, "100 a; 110 -; 200 a; 210 -") == ["110 tap a", "110 02", "210 tap a", "210 01"]


def test_binding_whose_condition_is_false_keeps_nothing_waiting(stage):
    design = stage.build(stage.Scene((stage.Bind("tap a"), stage.Bind("double a", when=stage.equals(0, 1)))), cells=(stage.cell(),))
    assert stage.run(design, "100 a; 200 -; 1000") == ["200 tap a"]


def test_double_is_the_one_bound_at_the_first_press(stage):
    on = (stage.Bind("double a", when=stage.equals(0, 0)), stage.Bind("release a", (stage.store(0, 1),)))
    design = stage.build(stage.Scene(on), cells=(stage.cell(),))
    assert stage.run(design, "100 a; 200 -; 300 a; 310 -") == ["200 release a", "300 double a", "310 release a"]
