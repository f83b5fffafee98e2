"""Press scripts as tests of pytest: found, named, played, and told as the command line tells them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytest_plugins = ["pytester"]

DESIGN = """title: Cue by cue
switches: [go, back]
leds: [go]
devices: {sampler: {channel: 10, programs: 0..63}}
memory: {cue: {range: 0..63, ends: clamp}}
modes:
  show:
    leds: {go: cue > 0}
    on:
      press go: |
        cue += 1
        program_change(sampler, cue)
promises:
  the lamp tells: {always: led(go) == (cue > 0)}
"""
GOOD = "tap go\nexpect message to sampler program_change 1\n"
FAILING = "tap go\nexpect message to sampler program_change 2\n"
BROKEN = "tap go\nexpect mesage to sampler program_change 1\n"
PLUGIN = ("-p", "controller_sim.testing.plugin", "-p", "no:cacheprovider")
ROOT = Path(__file__).parents[2]


@pytest.fixture
def folder(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    (pytester.path / "cues.yaml").write_text(DESIGN)
    (pytester.path / "cues_good.press").write_text(GOOD)
    return pytester


def run(folder: pytest.Pytester, *arguments: str) -> pytest.RunResult:
    return folder.runpytest_subprocess(*PLUGIN, *arguments)


def test_a_script_is_a_test_named_after_it_and_its_design(folder: pytest.Pytester) -> None:
    result = run(folder, "-v")
    result.assert_outcomes(passed=1)
    result.stdout.fnmatch_lines(["cues_good.press::played to cues.yaml PASSED*"])


def test_the_engine_can_be_chosen(folder: pytest.Pytester) -> None:
    run(folder, "-v", "--press-engine", "reference").stdout.fnmatch_lines(["cues_good.press::played to cues.yaml on reference PASSED*"])


def test_a_failing_expectation_is_told_side_by_side_as_the_command_line_tells_it(folder: pytest.Pytester) -> None:
    (folder.path / "cues_bad.press").write_text(FAILING)
    result = run(folder)
    result.assert_outcomes(passed=1, failed=1)
    command = [sys.executable, "-m", "controller_sim", "test", "cues_bad.press"]
    told = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder.path).stdout
    lines = [line[4:] for line in told.splitlines()[1:-1]]
    assert any("expected" in line and "came" in line for line in lines)
    result.stdout.fnmatch_lines([line.replace("[", "[[]") for line in lines], consecutive=True)
    assert "Traceback" not in result.stdout.str()


def test_a_broken_promise_fails_the_script_that_breaks_it_with_the_line_of_the_promise(folder: pytest.Pytester) -> None:
    (folder.path / "cues.yaml").write_text(DESIGN.replace("go: cue > 0}\n    on", "go: cue > 1}\n    on"))
    result = run(folder)
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["cues.yaml:14: the promise 'the lamp tells' is broken at 0.100000: LED go is off, cue is 1"])


@pytest.mark.parametrize(
    ("file", "text", "told"),
    [
        ("cues_odd.press", BROKEN, "cues_odd.press:2:8: *"),
        ("cues_odd.press", "tap goo\n", "cues_odd.press:1:5: *did you mean 'go'?"),
        ("cues.yaml", DESIGN.replace("cue += 1", "cue += on_e"), "cues.yaml:11:16: unknown name 'on_e'*"),
    ],
)
def test_what_cannot_be_used_is_told_with_its_place_and_no_traceback(folder: pytest.Pytester, file: str, text: str, told: str) -> None:
    (folder.path / file).write_text(text)
    result = run(folder)
    result.stdout.fnmatch_lines([told])
    assert result.ret == 1
    assert "Traceback" not in result.stdout.str()


def test_scripts_can_be_picked_by_name(folder: pytest.Pytester) -> None:
    (folder.path / "cues_bad.press").write_text(FAILING)
    run(folder, "-k", "good").assert_outcomes(passed=1, deselected=1)
    run(folder, "cues_bad.press").assert_outcomes(failed=1)


def test_scripts_are_spread_over_processes(folder: pytest.Pytester) -> None:
    for number in range(6):
        (folder.path / f"cues_{number}.press").write_text(FAILING if number == 3 else GOOD)
    result = run(folder, "-n", "2")
    result.assert_outcomes(passed=6, failed=1)
    result.stdout.fnmatch_lines(["*expected*|*came*"])


def test_a_script_without_a_design_is_left_alone_unless_it_is_named(folder: pytest.Pytester) -> None:
    (folder.path / "attic.press").write_text(GOOD)
    run(folder).assert_outcomes(passed=1)
    named = run(folder, "attic.press")
    named.assert_outcomes(failed=1)
    named.stdout.fnmatch_lines(["attic.press: no design beside it whose name it begins with; say which with --press-design"])
    run(folder, "attic.press", "--press-design", "cues.yaml").assert_outcomes(passed=1)
    (folder.path / "pytest.ini").write_text("[pytest]\npress_design = cues.yaml\n")
    run(folder).assert_outcomes(passed=2)


def test_fixtures_give_a_design_and_a_controller_built_to_it(folder: pytest.Pytester) -> None:
    folder.makepyfile(
        """
        import pytest

        @pytest.mark.design("cues.yaml")
        def test_a_tap_sends_the_next_cue(design, simulator):
            assert design.title == "Cue by cue"
            simulator.tap("go")
            assert [message.data for message in simulator.sent()] == [b"\\xc9\\x01"]

        def test_of_no_design(simulator):
            pass
        """
    )
    result = run(folder, "-k", "test_")
    result.assert_outcomes(passed=1, errors=1)
    result.stdout.fnmatch_lines(["*which design? Mark the test with @pytest.mark.design(*"])


def test_what_a_failing_test_did_to_its_simulator_is_told_as_a_press_script(folder: pytest.Pytester) -> None:
    folder.makepyfile(
        """
        import pytest

        @pytest.mark.design("cues.yaml")
        def test_steps(simulator):
            simulator.tap("go", 80_000)
            simulator.wait("1s")
            simulator.tap("back")
            assert simulator.memory["cue"] == 0
        """
    )
    (folder.path / "cues_good.press").unlink()
    result = run(folder)
    result.assert_outcomes(failed=1)
    lines = ["*What was done, as a press script*", "format 1", "down go", "+80ms up go", "+1s down back", "+* up back"]
    result.stdout.fnmatch_lines(lines, consecutive=True)


def test_the_simulator_of_a_test_is_watched(folder: pytest.Pytester) -> None:
    (folder.path / "cues.yaml").write_text(DESIGN.replace("go: cue > 0}\n    on", "go: cue > 1}\n    on"))
    folder.makepyfile('import pytest\n\n@pytest.mark.design("cues.yaml")\ndef test_tap(simulator):\n    simulator.tap("go")\n')
    run(folder, "-k", "test_tap").stdout.fnmatch_lines(["*the promise 'the lamp tells' is broken at 0.100000*"])


def test_pytest_starts_with_nothing_of_ours_but_the_plugin(folder: pytest.Pytester) -> None:
    folder.makepyfile(
        """
        import sys

        def test_loaded():
            heavy = {"hypothesis.strategies", "lark", "mido", "transitions", "ruamel.yaml"}
            ours = {name for name in sys.modules if name.startswith("controller_sim")}
            assert ours == {"controller_sim", "controller_sim.lazily", "controller_sim.testing", "controller_sim.testing.plugin"}
            assert not heavy & set(sys.modules)
        """
    )
    (folder.path / "cues_good.press").unlink()
    run(folder, "-p", "no:hypothesispytest").assert_outcomes(passed=1)
