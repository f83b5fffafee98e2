from __future__ import annotations

import json
import os
import pty
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

import controller_sim.midi
from controller_sim.cli import main
from controller_sim.cli.terminal import BadInput
from controller_sim.cli.test import design_of, find_scripts
from controller_sim.midi import NoPortError, read_midi_file

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
DESIGN = str(CONFIGS / "starter.yaml")
SCRIPT = str(CONFIGS / "starter_cues.press")
COMMAND = [sys.executable, "-m", "controller_sim"]

Captured = pytest.CaptureFixture[str]


@pytest.fixture
def failing(tmp_path: Path) -> str:
    path = tmp_path / "starter_failing.press"
    path.write_text("tap go\nexpect message to sampler program_change 63\n", encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("command", [[], ["run"], ["test"], ["check"], ["schema"]])
def test_help_shows_examples_and_ends_well(command: list[str], capsys: Captured) -> None:
    assert main([*command, "--help"]) == 0
    shown = capsys.readouterr().out
    assert "example" in shown and "controller-sim " in shown


def test_the_version_is_one_line(capsys: Captured) -> None:
    assert main(["--version"]) == 0
    assert re.fullmatch(r"controller-sim \d+\.\d+\.\d+\n", capsys.readouterr().out)


@pytest.mark.parametrize("arguments", [[], ["dance"], ["run"], ["run", DESIGN], ["check"], ["run", DESIGN, SCRIPT, "--engine", "warp"]])
def test_wrong_usage_is_code_2_and_goes_to_stderr(arguments: list[str], capsys: Captured) -> None:
    assert main(arguments) == 2
    told = capsys.readouterr()
    assert told.out == "" and "usage:" in told.err


@pytest.mark.parametrize(
    "arguments", [["check", "no.yaml"], ["run", DESIGN, "no.press"], ["check", "."], ["test", "no.press"], ["run", DESIGN, "."]]
)
def test_a_file_that_is_not_there_is_code_2_and_named(arguments: list[str], capsys: Captured) -> None:
    assert main(arguments) == 2
    told = capsys.readouterr().err
    assert re.match(rf"error: {re.escape(arguments[-1])}:(\d+:\d+:)? ", told)


@pytest.mark.parametrize("engine", ["fast", "reference"])
def test_a_run_that_meets_its_expectations_is_code_0(engine: str, capsys: Captured) -> None:
    assert main(["run", DESIGN, SCRIPT, "--engine", engine, "--wire"]) == 0
    shown = capsys.readouterr().out
    assert "down go" in shown and "program change" in shown and "passed" in shown and "31,250 baud" in shown


def test_both_engines_tell_the_same_run(capsys: Captured) -> None:
    told = []
    for engine in ("fast", "reference"):
        assert main(["run", DESIGN, SCRIPT, "--engine", engine, "--json", "--wire"]) == 0
        told.append(json.loads(capsys.readouterr().out) | {"engine": ""})
    assert told[0] == told[1]


def test_a_failed_expectation_is_code_1_and_located(failing: str, capsys: Captured) -> None:
    assert main(["run", DESIGN, failing]) == 1
    assert f"{failing}:2: not met" in capsys.readouterr().out
    assert main(["run", DESIGN, failing, "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["failures"][0]["line"] == 2


def test_a_recorded_run_passes_when_played_again(tmp_path: Path, capsys: Captured) -> None:
    recorded = tmp_path / "again.press"
    assert main(["run", DESIGN, SCRIPT, "--record", str(recorded)]) == 0
    assert main(["run", DESIGN, str(recorded)]) == 0
    assert "at " in recorded.read_text(encoding="utf-8")


def test_the_midi_file_holds_the_messages_of_the_run(tmp_path: Path, capsys: Captured) -> None:
    path = tmp_path / "evening.mid"
    assert main(["run", DESIGN, SCRIPT, "--json", "--midi", str(path)]) == 0
    told = json.loads(capsys.readouterr().out)
    sent = [event["bytes"] for event in told["events"] if event["kind"] == "message"]
    assert [data.hex(" ").upper() for _, data in read_midi_file(path)] == sent


@pytest.mark.parametrize("option", ["--midi", "--record"])
def test_a_file_that_cannot_be_written_is_code_2(option: str, tmp_path: Path, capsys: Captured) -> None:
    assert main(["run", DESIGN, SCRIPT, option, str(tmp_path / "none" / "file")]) == 2
    assert capsys.readouterr().err.startswith("error: ")


def test_a_port_that_is_not_there_is_code_2(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    def no_port(name: str | None) -> None:
        raise NoPortError(f"there is no MIDI output {name!r}")

    monkeypatch.setattr(controller_sim.midi, "open_output", no_port)
    assert main(["run", DESIGN, SCRIPT, "--port", "attic"]) == 2
    assert capsys.readouterr().err == "error: there is no MIDI output 'attic'\n"


def test_a_port_gets_the_messages_of_the_run_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    class Output:
        sent: list[bytes]

        def __enter__(self) -> Output:
            return self

        def __exit__(self, *error: object) -> None:
            pass

        def send(self, data: bytes) -> None:
            self.sent.append(data)

    output = Output()
    output.sent = []
    script = tmp_path / "short.press"
    script.write_text("tap go\n+40ms tap go\n", encoding="utf-8")
    monkeypatch.setattr(controller_sim.midi, "open_output", lambda name: output)
    assert main(["run", DESIGN, str(script), "--port", "attic"]) == 0
    assert output.sent == [b"\xc9\x01", b"\xc9\x02"]


def test_every_folder_of_scripts_is_played_and_summed_up(capsys: Captured) -> None:
    assert main(["test", str(CONFIGS)]) == 0
    *lines, last = capsys.readouterr().out.splitlines()
    assert len(lines) == len(list(CONFIGS.glob("*.press")))
    assert all(line.startswith("ok ") for line in lines)
    assert last == f"{len(lines)} ok, 0 failed, 0 broken"


def test_the_worst_script_decides_the_exit_code(failing: str, tmp_path: Path, capsys: Captured) -> None:
    assert main(["test", DESIGN, SCRIPT, failing]) == 1
    assert "1 ok, 1 failed, 0 broken" in capsys.readouterr().out
    broken = tmp_path / "broken.press"
    broken.write_text("stamp go\n", encoding="utf-8")
    assert main(["test", "--design", DESIGN, str(broken), failing, SCRIPT, "--json"]) == 2
    told = capsys.readouterr()
    assert [result["result"] for result in json.loads(told.out)] == ["broken", "failed", "ok"]
    assert told.err.startswith(f"error: {broken}:1:1: ")


def test_two_designs_at_once_are_refused(capsys: Captured) -> None:
    assert main(["test", "--design", DESIGN, DESIGN, SCRIPT]) == 2


def test_the_design_beside_a_script_with_the_longest_matching_name_is_its_design(tmp_path: Path) -> None:
    for name in ("booth.yaml", "booth_touring.yaml", "other.yaml"):
        (tmp_path / name).write_text("", encoding="utf-8")
    assert design_of(tmp_path / "booth_touring_evening.press").name == "booth_touring.yaml"
    assert design_of(tmp_path / "booth_evening.press").name == "booth.yaml"
    with pytest.raises(BadInput, match="no design beside it"):
        design_of(tmp_path / "attic.press")


def test_a_folder_stands_for_its_scripts_once_and_an_empty_one_is_refused(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    for name in ("b.press", "a.press", "deep/c.press", "notes.txt"):
        (tmp_path / name).write_text("", encoding="utf-8")
    found = find_scripts([tmp_path / "b.press", tmp_path])
    assert [path.name for path in found] == ["b.press", "a.press", "c.press"]
    (tmp_path / "empty").mkdir()
    with pytest.raises(BadInput, match="no press scripts"):
        find_scripts([tmp_path / "empty"])


@pytest.mark.parametrize("design", sorted(CONFIGS.glob("*.yaml")), ids=lambda path: path.name)
def test_check_tells_the_same_in_words_and_as_json(design: Path, capsys: Captured) -> None:
    assert main(["check", str(design)]) == 0
    shown = capsys.readouterr().out
    assert main(["check", str(design), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["title"] in shown
    for mode in told["modes"]:
        assert mode["name"] in shown
    for gesture in told["gestures"]:
        assert all(wait in shown for wait in gesture["waits_for"])
    for finding in told["findings"]:
        assert finding["message"] in shown and (finding["source"] or "") in shown


@pytest.mark.parametrize(
    ("budget", "options", "code"),
    [
        ("", [], 0),
        ("", ["--strict"], 0),
        ("budget: {latency: 2ms}", [], 0),
        ("budget: {latency: 1ms}", [], 1),
        ("timing: {hold: 300ms}", [], 0),
        ("timing: {hold: 300ms}", ["--strict"], 1),
        ("budget: {latency: soon}", [], 2),
        ("budget: {latency: 0ms}", [], 2),
        ("budget: {lateness: 1ms}", [], 2),
        ("budget: 1ms", [], 2),
        ("budget: {buffer: 0}", [], 2),
    ],
)
def test_check_ends_with_1_for_errors_and_strictly_for_warnings(
    budget: str, options: list[str], code: int, tmp_path: Path, capsys: Captured
) -> None:
    design = tmp_path / "design.yaml"
    design.write_text(f"{Path(DESIGN).read_text(encoding='utf-8')}\n{budget}\n", encoding="utf-8")
    assert main(["check", str(design), *options]) == code
    told = capsys.readouterr()
    if code == 2:
        assert re.match(rf"error: {re.escape(str(design))}:\d+:\d+: ", told.err)
        return
    assert told.out.splitlines()[-1].startswith("fails: " if code else "passes: ")
    assert main(["check", str(design), *options, "--json"]) == code
    assert json.loads(capsys.readouterr().out)["passes"] == (code == 0)


def test_the_schema_is_a_json_schema(capsys: Captured) -> None:
    assert main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.validators.validator_for(schema).check_schema(schema)


def on_a_terminal(arguments: list[str], **environment: str) -> str:
    """What a command writes when its output and errors go to a terminal."""
    leader, follower = pty.openpty()
    plain = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "TERM")}
    process = subprocess.Popen([*COMMAND, *arguments], stdout=follower, stderr=follower, env=plain | {"TERM": "xterm"} | environment)
    os.close(follower)
    shown = b""
    while True:
        try:
            piece = os.read(leader, 65536)
        except OSError:
            break
        if not piece:
            break
        shown += piece
    process.wait()
    os.close(leader)
    return shown.decode()


def test_colour_is_for_terminals_and_respects_no_color() -> None:
    assert "\x1b[1m" in on_a_terminal(["check", DESIGN])
    assert "\x1b" not in on_a_terminal(["check", DESIGN], NO_COLOR="1")
    assert "\x1b" not in on_a_terminal(["check", DESIGN], TERM="dumb")
    done = subprocess.run([*COMMAND, "check", DESIGN], capture_output=True, text=True, check=True)
    assert "\x1b" not in done.stdout


def test_json_on_a_terminal_is_json_and_nothing_else() -> None:
    assert json.loads(on_a_terminal(["check", DESIGN, "--json"]))["title"]


def test_progress_is_shown_on_a_terminal_only() -> None:
    assert "1 of 1: " in on_a_terminal(["test", DESIGN, SCRIPT])
    done = subprocess.run([*COMMAND, "test", DESIGN, SCRIPT], capture_output=True, text=True, check=True)
    assert done.stderr == ""


def test_a_reader_who_leaves_early_is_no_error() -> None:
    process = subprocess.Popen([*COMMAND, "run", DESIGN, SCRIPT, "--json", "--wire"], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None and process.stderr is not None
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait() == 141


def test_an_interrupt_ends_quietly(tmp_path: Path) -> None:
    script = tmp_path / "long.press"
    script.write_text("wait 70000s\ntap go\n", encoding="utf-8")
    code = (
        "import sys, time, controller_sim.midi as midi\n"
        "class Slow:\n"
        "    def __enter__(self): print('open', flush=True); return self\n"
        "    def __exit__(self, *error): pass\n"
        "midi.open_output = lambda name: Slow()\n"
        "from controller_sim.cli import main\n"
        f"sys.exit(main(['run', {DESIGN!r}, {str(script)!r}, '--port', 'attic']))\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None and process.stderr is not None
    while process.stdout.readline() != "open\n":
        pass
    process.send_signal(signal.SIGINT)
    assert process.stderr.read() == ""
    process.stdout.close()
    process.stderr.close()
    assert process.wait() == 130


def test_a_terminal_without_unicode_still_gets_its_answer(tmp_path: Path) -> None:
    design = tmp_path / "umlaut.yaml"
    shutil.copy(DESIGN, design)
    design.write_text(design.read_text(encoding="utf-8").replace("Cue by cue", "Bühne"), encoding="utf-8")
    done = subprocess.run([*COMMAND, "check", str(design)], capture_output=True, env=os.environ | {"PYTHONIOENCODING": "ascii"}, check=True)
    assert b"B\\xfchne" in done.stdout
