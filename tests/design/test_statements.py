"""Restarting, resetting, cancelling, timed notes and power-on: what they become in the form, and what is refused where."""

from __future__ import annotations

import pytest

from controller_sim.design import DesignError, load_design_text
from controller_sim.design.program import CancelDelayed, CancelDraft, Constant, FactoryValues, Hasten, Restart, SaveDraft, Send, Statement

HEAD = """\
switches: [a, b, c]
devices: {pads: {channel: 2, notes: 36..60}}
memory: {act: {range: 0..7, keep: yes}, cue: {range: 0..39, size: [8, 3]}, lit: {range: -1..2, keep: yes}}
"""


def body(action: str, draft: str = "draft: [act], ") -> tuple[Statement, ...]:
    design = load_design_text(f'{HEAD}modes: {{m: {{{draft}on: {{chord a+b: "{action}"}}}}}}\n')
    return design.procedures[-1].body


@pytest.mark.parametrize(
    ("action", "statements"),
    [
        ("restart()", (Restart(),)),
        ("restart(save=true)", (SaveDraft(), Restart())),
        ("restart(save=False)", (CancelDraft(), Restart())),
        ("cancel_delayed()", (CancelDelayed(),)),
        ("factory_values()", (FactoryValues((0, 2)),)),
        ("factory_values(cue, act, cue)", (FactoryValues((0, 1)),)),
    ],
)
def test_a_call_becomes_its_statements(action: str, statements: tuple[Statement, ...]) -> None:
    assert body(action) == statements


def test_a_note_is_a_note_on_and_a_delayed_note_off_that_the_next_one_hastens() -> None:
    def byte(value: int) -> Constant:
        return Constant(value, value)

    off = (byte(0x81), byte(40), byte(64))
    assert body("note(pads, 40, 99, length_ms=250)") == (
        Hasten(1, off),
        Send(1, (byte(0x91), byte(40), byte(99))),
        Send(1, off, 250_000),
    )


def test_restart_needs_a_draft_only_to_save_or_cancel_one() -> None:
    assert body("restart()", "") == (Restart(),)


def test_after_factory_values_nothing_is_known_of_a_cell() -> None:
    with pytest.raises(DesignError, match=r"note act is 0\.\.7"):
        body("act = 40 - 33; factory_values(); note_on(pads, act)")


@pytest.mark.parametrize(
    ("action", "message"),
    [
        ("restart(save=act)", "save must be a constant, and act is not"),
        ("restart(save=2)", "save is 2, but must be in 0..1"),
        ("restart(keep=true)", "restart takes no 'keep': restart([save])"),
        ("factory_values(akt)", "there is no memory cell 'akt'; did you mean 'act'?"),
        ("factory_values(cue[0, 1])", "a cell's name belongs here, not cue[0, 1]"),
        ("factory_values(pads)", "there is no memory cell 'pads'"),
        ("factory_values(cell=act)", "factory_values takes the names of cells, or nothing for all kept ones"),
        ("cancel_delayed(pads)", "cancel_delayed takes at most 0 argument(s), not 1: cancel_delayed()"),
        ("panic(pads)", "panic takes at most 0 argument(s), not 1: panic()"),
        ("note(pads, 40)", "note needs 'length_ms': note(device, note, [velocity], length_ms=...)"),
        ("note(pads, 40, 64, 100)", "note takes at most 3 argument(s) by position, not 4"),
        ("note(pads, 61, length_ms=5)", "note is 61, but pads accepts 36..60"),
        ("note(pads, 40, 0, length_ms=5)", "velocity is 0, but note accepts 1..127"),
        ("note(pads, 40, length_ms=0)", "length_ms is 0, but must be in 1..60000"),
        ("note(pads, 40, length_ms=60001)", "length_ms is 60001, but must be in 1..60000"),
        ("note(pads, 40, length_ms=5, delay_ms=5)", "note takes no 'delay_ms': note(device, note, [velocity], [length_ms])"),
    ],
)
def test_a_wrong_call_is_refused_where_it_stands(action: str, message: str) -> None:
    with pytest.raises(DesignError) as error:
        body(action)
    assert error.value.message == message
    assert error.value.place.line == 4


REFUSED = {
    "restart by a timer": (
        "modes: {m: {timers: {after 1s: restart()}}}\n",
        "design:4:32: restart() only works where a gesture, a move or a message runs it, and not all that runs this is one",
    ),
    "restart on entering": (
        "procedures: {again(): restart()}\nmodes: {m: {enter: again(), on: {tap a: again()}}}\n",
        "design:4:23: restart() only works where a gesture, a move or a message runs it, and not all that runs this is one",
    ),
    "restart at power-on": (
        "power_on: {always: restart()}\nmodes: {m: {}}\n",
        "design:4:20: restart() only works where a gesture, a move or a message runs it, and not all that runs this is one",
    ),
    "restart without a draft": (
        "modes: {m: {on: {tap a: restart(save=true)}}}\n",
        "design:4:25: restart(save=...) only works in a mode with a draft, and this also runs where there is none",
    ),
    "delayed": (
        "modes: {m: {delayed: drop}}\n",
        "design:4:22: delayed is complete or cancel, not 'drop'",
    ),
    "a mode called note": ("modes: {note: {}}\n", "design:4:9: 'note' is a word of the language and cannot name a mode"),
    "a timer longer than its period": (
        "procedures: {long(): 'for i in range(600): act = act'}\n"
        "modes:\n  m:\n    timers:\n      every 1ms: |\n        long()\n        long()\n",
        "design:8:7: the timer comes every 1,000 microseconds, but its action can run 1,204 statements, more than one a microsecond: "
        "make the period longer, or the action shorter",
    ),
    "a repeat longer than its period": (
        "timing: {repeat: {then: [9ms x 2, 1ms x 1, 5ms]}}\nmodes:\n  m:\n    on:\n      repeat b: 'for i in range(1000): act = act'\n",
        "design:8:7: the repeat can come every 1,000 microseconds, but its action can run 1,001 statements, more than one a microsecond: "
        "make the period longer, or the action shorter",
    ),
    "too long through a call": (
        "procedures:\n  one(): act = act\n  many(): 'for i in range(1000): one()'\n"
        "  all(): |\n    one()\n    for i in range(60):\n      many()\nmodes: {m: {}}\n",
        "design:8:5: all can run 120,123 statements, through its loops and calls; at most 100,000 are allowed"
        "; it calls many 60 times, which can run 2,001 statements",
    ),
}


@pytest.mark.parametrize("wrong", REFUSED)
def test_what_is_wrong_is_refused_with_its_place(wrong: str) -> None:
    text, message = REFUSED[wrong]
    with pytest.raises(DesignError) as error:
        load_design_text(HEAD + text)
    assert str(error.value) == message


def test_without_a_kept_cell_factory_values_must_name_cells() -> None:
    with pytest.raises(DesignError, match=r"no cell is kept: name those that get their first values, as in factory_values\(act, cue\)"):
        load_design_text("switches: [a]\nmemory: {n: {range: 0..1}}\nmodes: {m: {on: {tap a: factory_values()}}}\n")


@pytest.mark.parametrize("statements", [999, 1000])
def test_an_action_may_run_one_statement_a_microsecond(statements: int) -> None:
    action = f"for i in range({statements - 1}): act = act"
    load_design_text(f"{HEAD}modes: {{m: {{timers: {{every 1ms: '{action}', after 1ms: 'for i in range(9000): act = act'}}}}}}\n")


def test_an_action_at_every_power_on_and_power_on_gestures_stand_side_by_side() -> None:
    design = load_design_text(f"{HEAD}power_on: {{a+b: act = 1, always: act = 2}}\nmodes: {{m: {{delayed: cancel}}}}\n")
    assert [binding.mask for binding in design.power_on] == [3]
    assert design.every_power_on is not None
    assert design.procedures[design.every_power_on.procedure].name == "power_on: always"
    assert design.modes[0].delayed == "cancel"
