"""Engines and the MicroPython port do the same to the microsecond, and what does not is found and made short."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import form, load_design, load_design_text
from controller_sim.port import micropython as writer
from controller_sim.port import rehearsal
from controller_sim.port.conform import Case, Result, conform
from controller_sim.port.polling import seen_by_polling
from controller_sim.port.rehearsal import MicroPython
from controller_sim.port.targets import EngineTarget, Target
from controller_sim.script import parse_script, play
from controller_sim.simulator import History, Input
from controller_sim.testing.conformance import drawn, port_histories
from controller_sim.testing.designs import designs
from controller_sim.verify.histories import history_of
from controller_sim.verify.watching import Session

LATEST_US = 5_000
"""Pedals are read so often; contacts far oftener."""
NOTES = """
title: Two pads
switches: [a, b]
timing: {debounce: {press: lockout 5ms, release: lockout 5ms}, chord: 40ms}
devices: {pads: {channel: 3, notes: 36..60}}
modes:
  play:
    on:
      press a: note_on(pads, 40, 100)
      release a: note_off(pads, 40)
      chord a+b: note_on(pads, 50, 100)
"""


def silent(text: str) -> None:
    """No progress is shown."""


def only(design: form.Design, histories: list[History], target: Target, source: str = "") -> Result:
    cases = [Case(str(number), history) for number, history in enumerate(histories)]
    return next(conform(design, source, cases, [target], silent))


def with_defect(name: str, old: str, new: str) -> MicroPython:
    """The port with a piece of one of its files replaced."""

    def write(design: form.Design, source: str) -> dict[str, str]:
        files = writer.write(design, source)
        assert old in files[name]
        return files | {name: files[name].replace(old, new)}

    return MicroPython(write)


def test_the_port_does_in_every_script_of_the_demos_what_the_reference_does(design_file: Path, micropython: MicroPython) -> None:
    design = load_design(str(design_file))
    histories = []
    for path in sorted(design_file.parent.glob(f"{design_file.stem}_*.press")):
        run = play(design, parse_script(path.read_text(encoding="utf-8"), design, str(path)))
        histories.append(seen_by_polling(design, History(run.inputs, run.end_us)))
    result = only(design, histories, micropython)
    assert result.finding is None, result.finding
    assert result.played == len(histories) > 0


def test_random_histories_of_a_demo_can_be_played_on_the_reference_and_on_the_port(design_file: Path, micropython: MicroPython) -> None:
    design = load_design(str(design_file))
    histories = drawn(port_histories(design), 40, 1)
    assert list(EngineTarget("fast").play(design, "", histories))
    result = only(design, histories[:12], micropython)
    assert result.finding is None, result.finding


@pytest.mark.parametrize("number", range(6))
def test_the_port_agrees_on_random_designs_and_histories(number: int, micropython: MicroPython) -> None:
    for design in drawn(designs(), 4, number):
        histories = drawn(port_histories(design), 8, number)
        for target in (EngineTarget("fast"), micropython):
            result = only(design, histories, target)
            assert result.finding is None, result.finding


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        pytest.param("design.py", "40000", "40001", id="chord window 1 us longer"),
        pytest.param("design.py", "40000", "39999", id="chord window 1 us shorter"),
        pytest.param("main.py", "board.send_serial(", "data[0] & 0xF0 == 0x80 or board.send_serial(", id="note-offs are missed"),
        pytest.param("main.py", "data.append(marked & 255)", "data.append(marked & 126)", id="bytes lose a bit"),
    ],
)
def test_a_planted_defect_is_found_and_made_short(name: str, old: str, new: str, tmp_path: Path) -> None:
    design = load_design_text(NOTES, "pads.yaml")
    histories = drawn(port_histories(design), 40, 1)
    with with_defect(name, old, new) as target:
        result = only(design, histories, target)
        assert result.finding is not None and result.different > 0
        assert len(result.finding.history.inputs) <= 3
        script = parse_script(result.finding.script, design, "shrunk.press")
        assert play(design, script).passed and play(design, script, engine="reference").passed
        again = seen_by_polling(design, History(play(design, script).inputs, result.finding.history.end_us))
        assert only(design, [again], target).different == 1


def test_a_port_that_stops_or_ends_is_told_apart_from_one_that_differs() -> None:
    design = load_design_text(NOTES, "pads.yaml")
    press = History((Input(100_000, "contacts", 1),), 200_000)
    with with_defect("main.py", "def send(self, ports, marked):", "def send(self, ports):") as target:
        result = only(design, [press], target)
    assert result.finding is not None and "TypeError" in result.finding.difference.came
    with with_defect("main.py", "def run():", "def run():\n    import sys\n    sys.exit(3)") as target:
        result = only(design, [press], target)
    assert result.finding is not None and result.finding.difference.came


@given(st.data())
@settings(max_examples=30)
def test_what_a_polling_controller_sees_is_seen_the_same_again(data: st.DataObject) -> None:
    design = data.draw(designs())
    history = data.draw(port_histories(design))
    assert seen_by_polling(design, history) == history
    times = [entry.time_us for entry in history.inputs]
    assert times == sorted(times) and all(time_us <= history.end_us for time_us in times)


def test_sessions_follow_each_other_with_the_power_off_between() -> None:
    history = history_of([Session((7, 17, 30), (0, 1, 1)), Session((0, 5, 9), (1, 0, 0))])
    assert [(entry.time_us, entry.kind, entry.contacts) for entry in history.inputs] == [
        (10, "contacts", 1),
        (23, "off", 1),
        (1_000_023, "on", 1),
        (1_000_028, "contacts", 0),
    ]
    assert history.end_us == 1_000_032


def test_the_same_seed_draws_the_same_histories() -> None:
    design = load_design_text(NOTES, "pads.yaml")
    assert drawn(port_histories(design), 9, 4) == drawn(port_histories(design), 9, 4) != drawn(port_histories(design), 9, 5)


def test_pins_that_do_not_fit_the_design_are_told_at_power_on() -> None:
    design = load_design_text(NOTES, "pads.yaml")
    with with_defect("pins.py", "    3,  # b\n", "") as target:
        result = only(design, [History((Input(100_000, "contacts", 1),), 200_000)], target)
    assert result.finding is not None and "pins.py has 1 switches, the design 2" in result.finding.difference.came


def test_a_port_that_hangs_is_stopped_and_not_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rehearsal, "LONGEST_S", 1)
    design = load_design_text(NOTES, "pads.yaml")
    press = History((Input(100_000, "contacts", 1),), 200_000)
    with with_defect("main.py", "def send(self, ports, marked):", "def send(self, ports, marked):\n        while True: pass") as target:
        result = only(design, [press, press], target)
    assert (result.played, result.different) == (1, 1)
    assert result.finding is not None and "no answer within 1 s" in result.finding.difference.came


def test_a_board_that_looks_now_and_then_sends_the_same_at_most_one_look_later(design_file: Path) -> None:
    design = load_design(str(design_file))
    # Others press at the very times at which holds, repeats and tempo taps are decided, where a late look changes what happens.
    apart = {"starter": "cues", "booth": "rehearsal", "touring": "evening"}
    path = design_file.with_name(f"{design_file.stem}_{apart[design_file.stem]}.press")
    run = play(design, parse_script(path.read_text(encoding="utf-8"), design, str(path)))
    history = seen_by_polling(design, History(run.inputs, run.end_us))
    expected = next(EngineTarget("reference").play(design, "", [history]))
    with MicroPython(waking=False) as target:
        came = next(target.play(design, "", [history]))
    for way in ("serial", "usb", "display"):
        wanted, found = expected.outputs.get(way, []), came.outputs.get(way, [])
        assert [what for _, what in found] == [what for _, what in wanted]
        assert all(0 <= late_us - time_us <= LATEST_US for (time_us, _), (late_us, _) in zip(wanted, found, strict=True))
