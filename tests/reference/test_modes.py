"""The rules of sections 5 and 9 for modes, drafts and power-on, one test for each."""


def entering(stage, *texts, mode=1):
    return [stage.Bind(text, (stage.enter(mode),)) for text in texts]


def test_enter_runs_leave_actions_then_enter_actions(stage):
    first = stage.Scene((stage.Bind("press a", (stage.enter(1), stage.send(1))),), leave=(stage.send(2),))
    design = stage.build(first, stage.Scene(enter=(stage.send(3),)))
    assert stage.run(design, "100 a") == ["100 press a", "100 01", "100 02", "100 mode 1", "100 03"]


def test_last_enter_of_an_action_counts(stage):
    design = stage.build(stage.Scene((stage.Bind("press a", (stage.enter(1), stage.enter(2))),)), stage.Scene(), stage.Scene())
    assert stage.run(design, "100 a") == ["100 press a", "100 mode 2"]


def test_enter_action_may_enter(stage):
    design = stage.build(stage.Scene(tuple(entering(stage, "press a"))), stage.Scene(enter=(stage.enter(2),)), stage.Scene())
    assert stage.run(design, "100 a") == ["100 press a", "100 mode 1", "100 mode 2"]


def test_enter_of_the_current_mode_is_a_change_too(stage):
    design = stage.build(stage.Scene((*entering(stage, "press a", mode=0), stage.Bind("tap b"))))
    assert stage.run(design, "100 b; 200 ba; 300 -") == ["200 press a", "200 cancelled b", "200 mode 0"]


def test_mode_change_cancels_waiting_taps_first_then_the_others_in_switch_order(stage):
    texts = [stage.Bind("double d"), stage.Bind("tap d"), stage.Bind("tap c"), stage.Bind("tap b")]
    timers = ((300, False, (stage.enter(1),)),)
    design = stage.build(stage.Scene(tuple(texts), timers=timers), stage.Scene())
    lines = stage.run(design, "110 cb; 150 cbd; 200 cb; 1000 -")
    assert lines == ["300.001 cancelled d", "300.001 cancelled b", "300.001 cancelled c", "300.001 mode 1"]


def test_switch_that_is_down_is_spent_until_released(stage):
    texts = ("tap a", "hold a", "release a", "press a")
    design = stage.build(stage.Scene((*entering(stage, "press b"), stage.Bind("tap a"))), stage.on(*texts))
    lines = stage.run(design, "100 a; 200 ab; 1000 b; 1100 -; 1200 a; 1210 -")
    assert lines == ["200 press b", "200 cancelled a", "200 mode 1", "1200 press a", "1210 release a", "1210 tap a"]


def test_release_that_pairs_a_fired_press_still_comes(stage):
    design = stage.build(stage.Scene((*entering(stage, "press b"), stage.Bind("press a"), stage.Bind("release a"))), stage.Scene())
    assert stage.run(design, "100 a; 200 ab; 1000 -") == ["100 press a", "200 press b", "200 mode 1", "1000 release a"]


def test_release_of_the_very_press_that_changed_the_mode_still_comes(stage):
    design = stage.build(stage.Scene((*entering(stage, "press a"), stage.Bind("release a"))), stage.Scene())
    assert stage.run(design, "100 a; 200 -") == ["100 press a", "100 mode 1", "200 release a"]


def test_key_with_only_release_bound_owes_nothing_after_a_mode_change(stage):
    design = stage.build(stage.Scene((*entering(stage, "press b"), stage.Bind("release a"))), stage.Scene())
    assert stage.run(design, "100 a; 200 ab; 300 -") == ["200 press b", "200 cancelled a", "200 mode 1"]


def test_owed_release_of_a_chord_comes_with_its_first_member(stage):
    design = stage.build(stage.Scene((*entering(stage, "press c"), stage.Bind("press a+b"), stage.Bind("release a+b"))), stage.Scene())
    assert stage.run(design, "100 ab; 200 abc; 300 bc; 400 -") == ["100 press a+b", "200 press c", "200 mode 1", "300 release a+b"]


def test_eager_press_owes_its_release_after_a_mode_change_too(stage):
    on = (stage.Bind("press a eager", (stage.enter(1),)), stage.Bind("release a"), stage.Bind("press a+b"))
    design = stage.build(stage.Scene(on), stage.Scene())
    assert stage.run(design, "100 a; 200 -") == ["100 press a", "100 mode 1", "200 release a"]


def test_open_group_is_cancelled(stage):
    on = (stage.Bind("press a+b"), stage.Bind("tap a"))
    design = stage.build(stage.Scene(on, timers=((110, False, (stage.enter(1),)),)), stage.on("press a"))
    assert stage.run(design, "100 a; 200 -") == ["110.001 cancelled a", "110.001 mode 1"]


def test_press_whose_step_changes_the_mode_is_spent(stage):
    on = (stage.Bind("double a"), *entering(stage, "tap a"), stage.Bind("press b"))
    design = stage.build(stage.Scene(on), stage.on("tap b"))
    assert stage.run(design, "100 a; 200 -; 300 b; 400 -") == ["300 tap a", "300 cancelled b", "300 mode 1"]


def test_release_that_changes_the_mode_leaves_no_tap(stage):
    design = stage.build(stage.Scene((*entering(stage, "release a"), stage.Bind("tap a"))), stage.on("tap a"))
    assert stage.run(design, "100 a; 200 -") == ["200 release a", "200 mode 1"]


def test_mode_timers_start_on_entry_and_die_on_leaving(stage):
    timers = ((100, True, (stage.send(1),)), (150, False, (stage.send(2),)), (320, False, (stage.enter(1),)))
    design = stage.build(stage.Scene(timers=timers), stage.Scene())
    assert stage.run(design, "10 -; 2000") == ["100.001 01", "150.001 02", "200.001 01", "300.001 01", "320.001 mode 1"]


def test_power_on_waits_for_the_contacts_to_settle(stage):
    settle = stage.form.Debounce("settle", 10_000)
    design = stage.build(stage.Scene(), press=settle)
    assert stage.run(design, "0 a; 4 -; 9 a; 100", whole=True, trace=True) == ["19 edge a down", "19 spent a", "19 mode 0"]


def test_power_on_binding_runs_for_exactly_the_switches_down_and_they_are_spent(stage):
    power_on = (("a", (stage.send(1),)), ("ab", (stage.send(2), stage.enter(1))))
    design = stage.build(stage.Scene(enter=(stage.send(3),)), stage.on("release a", "tap b", "press a"), power_on=power_on)
    lines = stage.run(design, "0 ab; 100 a; 200 -; 300 a", whole=True)
    assert lines == ["0.001 spent a", "0.001 spent b", "0.001 02", "0.001 mode 1", "300 press a"]


def test_power_on_enters_home_when_nothing_else_is_asked_for(stage):
    design = stage.build(stage.Scene(enter=(stage.send(3),)), power_on=(("ab", (stage.send(2),)),))
    assert stage.run(design, "0 a", whole=True) == []
    assert stage.run(design, "0 a; 1", whole=True) == ["0.001 spent a", "0.001 mode 0", "0.001 03"]


def drafting(stage, rule):
    edit = stage.Scene(
        (
            stage.Bind("press a", (stage.add(0, 1),)),
            stage.Bind("press b", (stage.program.SaveDraft(),)),
            stage.Bind("press c", (stage.program.CancelDraft(),)),
            stage.Bind("press d", (stage.enter(1),)),
        ),
        draft=(0,),
        on_other_exit=rule,
    )
    return stage.build(edit, stage.Scene(), cells=(stage.cell(keep=True, start=5),))


def test_cancel_restores_the_snapshot(stage):
    assert stage.start(drafting(stage, "save"), "100 a; 200 -; 300 a; 400 -; 500 c").cells == [5]


def test_save_makes_the_present_values_the_snapshot(stage):
    assert stage.start(drafting(stage, "save"), "100 a; 200 -; 300 b; 400 -; 500 a; 600 -; 700 c").cells == [6]


def test_leaving_does_what_the_mode_declares(stage):
    assert stage.start(drafting(stage, "save"), "100 a; 200 -; 300 d").cells == [6]
    assert stage.start(drafting(stage, "cancel"), "100 a; 200 -; 300 d").cells == [5]


def test_kept_cells_survive_with_the_snapshot_of_those_drafted(stage):
    design = drafting(stage, "save")
    assert stage.start(design, "100 a").kept() == (5,)
    assert stage.start(design, "100 a; 200 -; 300 d").kept() == (6,)
    assert stage.start(design, "100 -", kept=(9,)).cells == [9]
