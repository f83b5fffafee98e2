"""The rules of sections 3 and 9 for chords and groups, one test for each."""

import pytest


@pytest.fixture(scope="session")
def fires(stage):
    def play(texts, script):
        return stage.run(stage.build(stage.on(*texts)), script)

    return play


def test_press_of_a_switch_in_no_bound_chord_is_a_key_at_once(fires):
    assert fires(["press c", "press a+b"], "100 c") == ["100 press c"]


def test_chord_fires_at_its_last_press_and_its_members_give_nothing_else(fires):
    assert fires(["press a", "press b", "tap a", "press a+b"], "100 a; 140 ab; 300 b; 400 -") == ["140 press a+b"]


def test_window_counts_from_the_first_press_and_is_half_open(fires):
    texts = ["press a", "press b", "press a+b"]
    assert fires(texts, "100 a; 144.999 ab") == ["144.999 press a+b"]
    assert fires(texts, "100 a; 145 ab; 1000") == ["145 press a", "145 press b"]


def test_chord_is_made_only_of_switches_that_were_up_when_its_first_member_went_down(fires):
    # b goes down while a, undecided no longer, is down: a cannot join b even when it is pressed again at once.
    assert fires(["press a", "press b", "press a+b"], "100 a; 500 ab; 510 b; 520 ab") == ["145 press a", "500 press b", "520 press a"]


def test_group_closes_when_a_member_is_released(fires):
    assert fires(["tap a", "press a", "press a+b"], "100 a; 120 -") == ["120 press a", "120 tap a"]


def test_press_that_fits_no_chord_closes_the_group_first(fires):
    assert fires(["press a", "press c", "press a+b"], "100 a; 120 ac") == ["120 press a", "120 press c"]
    assert fires(["press a", "press c", "press a+b", "press c+d"], "100 a; 120 ac; 1000") == ["120 press a", "165 press c"]


def test_group_waits_while_a_larger_chord_can_be_completed(fires):
    texts = ["press a+b", "press a+b+c"]
    assert fires(texts, "100 a; 110 ab; 1000") == ["145 press a+b"]
    assert fires(texts, "100 a; 110 ab; 120 abc") == ["120 press a+b+c"]


def test_closing_group_becomes_its_largest_chord_then_the_same_again_for_the_rest(fires):
    texts = ["press a+b", "press c+d", "press a+b+c+d+e", "press a"]
    assert fires(texts, "100 c; 105 ca; 110 cab; 115 cabd; 1000") == ["145 press a+b", "145 press c+d"]


def test_among_equal_chords_the_one_whose_last_member_went_down_first_is_taken(fires):
    texts = ["press b+c", "press a+b", "press a+b+c+d", "press c", "press a"]
    assert fires(texts, "100 a; 110 ab; 120 abc; 1000") == ["145 press a+b", "145 press c"]
    assert fires(texts, "100 c; 110 cb; 120 cba; 1000") == ["145 press b+c", "145 press a"]


def test_keys_are_decided_in_the_order_of_their_last_presses(fires):
    texts = ["press a", "press b", "press c", "press a+b+c+d", "press a+c"]
    assert fires(texts, "100 a; 110 ab; 120 abc; 1000") == ["145 press b", "145 press a+c"]


def test_holds_of_a_single_key_count_from_its_press_not_its_decision(fires):
    assert fires(["hold a", "press a+b"], "100 a; 1000") == ["600 hold a"]


def test_holds_of_a_chord_count_from_the_press_of_its_last_member(fires):
    assert fires(["hold a+b"], "100 a; 130 ab; 1000") == ["630 hold a+b"]


def test_chord_goes_up_with_its_first_member_and_the_others_are_spent(fires):
    assert fires(["press a+b", "release a+b", "tap b", "release b"], "100 ab; 300 b; 400 -; 500") == ["100 press a+b", "300 release a+b"]


def test_chord_with_nothing_fired_ends_unbound_for_all_members_when_it_goes_up(fires):
    assert fires(["hold a+b"], "100 ab; 300 b; 400 -") == ["300 unbound a", "300 unbound b"]


def test_chord_is_bound_only_when_a_condition_of_its_bindings_holds(stage):
    design = stage.build(stage.Scene((stage.Bind("press a"), stage.Bind("press a+b", when=stage.equals(0, 1)))), cells=(stage.cell(),))
    assert stage.run(design, "100 a; 110 ab; 400 -") == ["100 press a", "400 unbound b"]


def test_double_of_a_chord(fires):
    assert fires(["double a+b", "tap a+b"], "100 ab; 200 -; 300 a; 320 ab") == ["320 double a+b"]


def test_gap_of_a_chord_runs_until_its_last_member_is_pressed_again(fires):
    assert fires(["double a+b", "tap a+b", "tap a"], "100 ab; 200 -; 480 a; 510 ab; 600 -; 2000") == ["500 tap a+b", "900 tap a+b"]


def test_second_press_counts_at_the_press_even_if_a_chord_must_be_excluded_first(fires):
    assert fires(["double a", "tap a", "press a+b"], "100 a; 200 -; 499 a; 2000") == ["544 double a"]


def test_waiting_tap_fires_first_when_its_second_press_belongs_to_a_chord(fires):
    assert fires(["double a", "tap a", "press a+b"], "100 a; 200 -; 300 a; 310 ab") == ["310 tap a", "310 press a+b"]


def test_waiting_chord_that_can_no_longer_be_pressed_again_fires_at_the_press(fires):
    texts = ["double a+b", "tap a+b", "press a"]
    assert fires(texts, "100 ab; 200 b; 300 ab") == ["300 tap a+b", "300 press a"]


def test_waiting_chord_fires_before_the_single_key_that_its_member_became(fires):
    assert fires(["double a+b", "tap a+b", "press a"], "100 ab; 200 -; 300 a; 2000") == ["345 tap a+b", "345 press a"]


def test_eager_press_fires_at_the_edge_and_lets_a_chord_come_on_top(fires):
    texts = ["press a eager", "release a", "press a+b", "release a+b"]
    assert fires(texts, "100 a; 120 ab; 200 a; 300 -") == ["100 press a", "120 press a+b", "200 release a+b", "300 release a"]


def test_eager_press_is_not_fired_again_when_its_key_is_decided(fires):
    assert fires(["press a eager", "release a", "tap a", "press a+b"], "100 a; 300 -") == ["100 press a", "300 release a", "300 tap a"]


def test_eager_press_of_a_double(fires):
    texts = ["press a eager", "double a", "press a+b"]
    assert fires(texts, "100 a; 200 -; 300 a; 1000 -; 2000") == ["100 press a", "300 press a", "345 double a"]


def test_press_of_a_group_still_open_has_no_other_fate_after_an_eager_press(fires):
    assert fires(["press a eager", "hold a+b"], "100 ab; 200 -") == ["100 press a", "200 unbound b"]
