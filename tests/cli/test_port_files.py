"""Writing firmware from the command line: nothing that somebody changed is lost, and the native engine can be chosen."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller_sim.cli import main, port
from controller_sim.design import load_design
from controller_sim.port import WRITERS
from controller_sim.port.compiler import NO_COMPILER
from controller_sim.port.errors import PortError

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
STARTER = str(CONFIGS / "starter.yaml")
SCRIPT = str(CONFIGS / "starter_cues.press")

Captured = pytest.CaptureFixture[str]


@pytest.mark.parametrize("target", ["c99", "atmega328p"])
def test_all_files_of_a_target_are_written(target: str, tmp_path: Path, capsys: Captured) -> None:
    assert main(["port", STARTER, "--to", target, "--out", str(tmp_path / "new"), "--unmeasured"]) == 0
    files = WRITERS[target](load_design(STARTER), Path(STARTER).read_text(encoding="utf-8"))
    for name, text in files.items():
        assert (tmp_path / "new" / name).read_text(encoding="utf-8") == text
    assert capsys.readouterr().out == f"{len(files)} files written to {tmp_path / 'new'}\n"


def test_writing_again_changes_nothing(tmp_path: Path) -> None:
    command = ["port", STARTER, "--to", "c99", "--out", str(tmp_path)]
    assert main(command) == 0
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert main(command) == 0
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_another_design_replaces_what_was_written(tmp_path: Path) -> None:
    assert main(["port", STARTER, "--to", "c99", "--out", str(tmp_path)]) == 0
    assert main(["port", str(CONFIGS / "booth.yaml"), "--to", "c99", "--out", str(tmp_path)]) == 0
    assert "Puppet booth" in (tmp_path / "design.c").read_text(encoding="utf-8")


def test_files_changed_by_hand_are_named_and_kept_until_forced(tmp_path: Path, capsys: Captured) -> None:
    command = ["port", STARTER, "--to", "c99", "--out", str(tmp_path)]
    assert main(command) == 0
    (tmp_path / "tempo.c").write_text("mine\n", encoding="utf-8")
    (tmp_path / "design.h").unlink()
    assert main(command) == 2
    assert f"{tmp_path / 'tempo.c'}; move them away" in capsys.readouterr().err
    assert (tmp_path / "tempo.c").read_text(encoding="utf-8") == "mine\n" and not (tmp_path / "design.h").exists()
    assert main([*command, "--force"]) == 0
    assert (tmp_path / "tempo.c").read_text(encoding="utf-8") != "mine\n"


def test_a_file_that_was_never_written_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "design.c").write_text("int main(void);\n", encoding="utf-8")
    assert main(["port", STARTER, "--to", "c99", "--out", str(tmp_path)]) == 2
    assert {path.name for path in tmp_path.iterdir()} == {"design.c"}


def test_the_board_file_is_the_builders_own_even_when_forced(tmp_path: Path, capsys: Captured) -> None:
    command = ["port", STARTER, "--to", "atmega328p", "--out", str(tmp_path), "--force", "--unmeasured"]
    assert main(command) == 0
    (tmp_path / "board.c").write_text("mine\n", encoding="utf-8")
    assert main(command) == 0
    assert (tmp_path / "board.c").read_text(encoding="utf-8") == "mine\n"
    assert f"left as it is: {tmp_path / 'board.c'}" in capsys.readouterr().out


def test_what_cannot_be_written_is_code_2_with_a_reason(tmp_path: Path, capsys: Captured) -> None:
    assert main(["port", STARTER, "--to", "kettle", "--out", str(tmp_path)]) == 2
    assert "c99" in capsys.readouterr().err
    assert main(["port", str(CONFIGS / "touring.yaml"), "--to", "atmega328p", "--out", str(tmp_path)]) == 2
    assert "the board has 6 pins" in capsys.readouterr().err
    (tmp_path / "file").touch()
    assert main(["port", STARTER, "--to", "c99", "--out", str(tmp_path / "file")]) == 2


@pytest.mark.needs("cc")
def test_scripts_are_played_on_the_native_engine(capsys: Captured) -> None:
    assert main(["run", STARTER, SCRIPT, "--engine", "native"]) == 0
    native = capsys.readouterr().out
    assert main(["run", STARTER, SCRIPT]) == 0
    assert native.replace("native engine", "fast engine") == capsys.readouterr().out
    assert main(["test", STARTER, SCRIPT, "--engine", "native"]) == 0


def test_without_a_compiler_the_native_engine_says_how_to_get_one(monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    def none() -> tuple[str, ...]:
        raise PortError(NO_COMPILER)

    monkeypatch.setattr("controller_sim.port.compiler.find_compiler", none)
    assert main(["run", STARTER, SCRIPT, "--engine", "native"]) == 2
    assert "sudo apt install gcc" in capsys.readouterr().err


ATMEGA328P = ["port", STARTER, "--to", "atmega328p"]


@pytest.mark.needs("avr-gcc", "make", "cc")
def test_what_firmware_takes_of_the_chip_is_told_in_words_and_as_json(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    monkeypatch.setattr(port, "_FEET_S", 0)
    assert main([*ATMEGA328P, "--out", str(tmp_path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert "missing" not in told
    # An ATmega328P has 32 KiB of flash and 2 KiB of RAM (data sheet, features).
    assert 0 < told["flash_bytes"] < told["most_flash_bytes"] == 32 * 1024
    assert 0 < told["static_bytes"] + told["stack_bytes"] < told["most_ram_bytes"] == 2 * 1024
    assert told["stack_bytes"] <= told["most_stack_bytes"]
    assert 0 < told["idle_poll_us"] < told["poll_us"] < told["most_poll_us"] and told["pin_to_byte_us"] > 0
    assert told["scripts"] == 2 and set(told["written"]) <= {path.name for path in tmp_path.iterdir()}
    assert main([*ATMEGA328P, "--out", str(tmp_path)]) == 0
    words = capsys.readouterr().out
    assert f"flash    {told['flash_bytes']:,} of 32,768 bytes" in words and f"a poll   {told['most_poll_us']:.0f} us" in words
    assert f"{told['poll_us']:.0f} us at most when it was measured" in words


@pytest.mark.needs("avr-gcc", "make", "cc")
def test_a_poll_that_nobody_can_bound_is_told_with_the_reason_and_all_else_is_told_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    def lost(*arguments: object) -> None:
        raise PortError("modes.c:9: how often this goes round is not known")

    monkeypatch.setattr(port, "_FEET_S", 0)
    monkeypatch.setattr("controller_sim.port.longest.longest_poll", lost)
    assert main([*ATMEGA328P, "--out", str(tmp_path)]) == 0
    words = capsys.readouterr().out
    assert "a poll   not bounded by its machine code: modes.c:9: how often this goes round is not known" in words
    assert "us at most when it was measured" in words


def test_without_a_toolchain_all_is_written_and_the_way_to_get_one_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    monkeypatch.setattr("controller_sim.port.avr.TOOLS", ("avr-nothing",))
    assert main([*ATMEGA328P, "--out", str(tmp_path)]) == 0
    assert (tmp_path / "firmware.c").exists()
    assert "not built: no avr-nothing: sudo apt install gcc-avr avr-libc make" in capsys.readouterr().out


@pytest.mark.needs("avr-gcc", "make")
def test_without_an_emulator_the_sizes_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Captured) -> None:
    monkeypatch.setattr("controller_sim.port.avr.SIMAVR", "simavr/nothing.h")
    assert main([*ATMEGA328P, "--out", str(tmp_path)]) == 0
    told = capsys.readouterr().out
    assert "flash" in told and "not measured: no simavr/nothing.h: sudo apt install gcc libc6-dev libsimavr-dev" in told


@pytest.mark.needs("avr-gcc", "make")
def test_firmware_that_does_not_fit_is_code_2(tmp_path: Path, capsys: Captured) -> None:
    design = tmp_path / "large.yaml"
    text = "switches: [a]\nmemory: {n: {range: 0..255, size: 2100}}\nmodes: {show: {on: {press a: 'n[0] = 1 - n[0] // 255'}}}\n"
    design.write_text(text, encoding="utf-8")
    assert main(["port", str(design), "--to", "atmega328p", "--out", str(tmp_path / "large")]) == 2
    assert "does not fit the chip" in capsys.readouterr().err
