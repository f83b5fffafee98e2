"""No run of firmware needs more stack than is said of its code, and what cannot be bounded is told."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.port import WRITERS
from controller_sim.port.avr import Emulator, build_firmware
from controller_sim.port.errors import PortError
from controller_sim.port.polled import plans
from controller_sim.port.stack import deepest_stack
from controller_sim.script import parse_script, play
from controller_sim.simulator import History
from controller_sim.testing.conformance import port_histories

pytestmark = pytest.mark.needs("avr-gcc", "make", "cc")

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
FITTING = ("starter", "booth")


@pytest.mark.parametrize("name", FITTING)
@settings(max_examples=3)
@given(data=st.data())
def test_no_run_takes_more_stack_than_the_code_allows(name: str, data: st.DataObject) -> None:
    design = load_design(CONFIGS / f"{name}.yaml")
    firmware = build_firmware(WRITERS["atmega328p"](design, ""))
    deepest = deepest_stack(firmware.elf)
    with Emulator(design, firmware) as emulator:
        for plan in plans(design, data.draw(port_histories(design))):
            session = emulator.play(plan.contacts, plan.steps, plan.off_us)
            assert 0 < session.stack_bytes <= deepest.bytes
    assert deepest.path[0] == "main" and deepest.path[-1].startswith("__vector_")


def test_the_bound_is_of_use_a_run_comes_near_to_it() -> None:
    path = CONFIGS / "booth.yaml"
    design = load_design(path)
    run = play(design, parse_script((CONFIGS / "booth_edit.press").read_text(encoding="utf-8"), design))
    firmware = build_firmware(WRITERS["atmega328p"](design, ""))
    with Emulator(design, firmware) as emulator:
        sessions = [emulator.play(plan.contacts, plan.steps, plan.off_us) for plan in plans(design, History(run.inputs, run.end_us))]
    bound = deepest_stack(firmware.elf).bytes
    assert bound * 2 / 3 < max(session.stack_bytes for session in sessions) <= bound


def built(folder: Path, text: str, *flags: str) -> Path:
    (folder / "trial.c").write_text(text, encoding="utf-8")
    command = ["avr-gcc", "-mmcu=atmega328p", "-Os", *flags, "trial.c", "-o", "trial.elf"]
    subprocess.run(command, cwd=folder, check=True, capture_output=True)
    return folder / "trial.elf"


LEAF = "__attribute__((noinline)) static void leaf(volatile char *p) { *p = 1; }\n"


@pytest.mark.parametrize("flags", [(), ("-mcall-prologues",)])
def test_an_array_on_the_stack_its_caller_s_and_the_return_addresses_are_counted(flags: tuple[str, ...], tmp_path: Path) -> None:
    text = LEAF
    text += "__attribute__((noinline)) static void inner(void) { volatile char big[200]; leaf(big); leaf(big + 199); }\n"
    text += "int main(void) { volatile char some[50]; leaf(some); inner(); leaf(some + 49); return 0; }\n"
    found = deepest_stack(built(tmp_path, text, *flags))
    # Both arrays, the frame pointers saved beside them, and the addresses that main, inner and leaf return to.
    assert 200 + 50 + 3 * 2 <= found.bytes <= 200 + 50 + 3 * 2 + 2 * 20
    assert found.path == ("main", "inner", "leaf")


def test_a_function_that_calls_itself_has_no_bound(tmp_path: Path) -> None:
    text = LEAF + "__attribute__((noinline)) int f(volatile char *n) { leaf(n); return *n ? f(n + 1) + f(n + 2) : 0; }\n"
    text += "int main(void) { volatile char n[9]; return f(n); }\n"
    with pytest.raises(PortError, match="f may call itself"):
        deepest_stack(built(tmp_path, text))


def test_a_call_through_a_pointer_cannot_be_followed(tmp_path: Path) -> None:
    text = "void (*volatile f)(void);\nint main(void) { f(); return 0; }\n"
    with pytest.raises(PortError, match="cannot be followed: icall"):
        deepest_stack(built(tmp_path, text))
