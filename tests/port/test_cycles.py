"""How long each instruction takes is what an emulated chip takes for it.

What is outside the project is simavr (https://github.com/buserror/simavr), whose processor was written by others from the same data sheets.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from controller_sim.design import load_design
from controller_sim.port.avr import Emulator, Firmware, Step
from controller_sim.port.compiler import build_once
from controller_sim.port.cycles import CYCLES
from controller_sim.port.flow import Program, endless_round
from controller_sim.port.longest import worst_flow
from controller_sim.port.machine_code import read_machine_code

pytestmark = pytest.mark.needs("avr-gcc", "make", "cc")

STARTER = Path(__file__).resolve().parents[2] / "configs" / "starter.yaml"
_FORMS = {
    "{} r24, r25": "add adc sub sbc and or eor cp cpc mov",
    "{} r24, 7": "subi sbci andi ori cpi ldi",
    "{} r24": "com neg inc dec tst clr ser lsl lsr rol ror asr swap",
    "{}": "sec clc sen cln sez clz sev clv set clt ses cls seh clh nop wdr sei cli",
    "{} r16, r17": "mul muls mulsu fmul fmuls fmulsu",
    "{} r24, 3": "adiw sbiw bst bld",
}
PLAIN = {
    **{name: form.format(name) for form, names in _FORMS.items() for name in names.split()},
    "bset": "bset 6",
    "bclr": "bclr 6",
    "movw": "movw r24, r22",
    "in": "in r24, 0x2a",
    "out": "out 0x2a, r24",
    "ld": "ld r24, X\nld r24, X+\nld r24, -X\nld r24, Z",
    "ldd": "ldd r24, Z+5",
    "st": "st X, r24\nst X+, r24\nst -X, r24\nst Z, r24",
    "std": "std Z+5, r24",
    "lds": "lds r24, 0x0150",
    "sts": "sts 0x0150, r24",
    "push": "push r24\npop r24",
    "pop": "rcall 1f\n1: pop r24\npop r24",
    "sbi": "sbi 0x04, 1",
    "cbi": "cbi 0x04, 1",
    "lpm": "lpm r24, Z\nlpm r24, Z+\nlpm",
    "rjmp": "rjmp 1f\n1:",
    "jmp": "jmp 1f\n1:",
    "rcall": "rcall called",
    "call": "call called",
}
"""Each instruction that takes the same time each time."""
ELSEWHERE = {"ret", "reti", "ijmp", "icall"}
"""ret is behind the calls; the others are at the end of an interrupt, or behind what cannot be followed."""
TURNS = {
    "brcc": ("clc", "sec"),
    "brcs": ("sec", "clc"),
    "breq": ("sez", "clz"),
    "brne": ("clz", "sez"),
    "brts": ("set", "clt"),
    "sbrc r24, 0": ("ldi r24, 1", "ldi r24, 0"),
    "sbrs r24, 0": ("ldi r24, 0", "ldi r24, 1"),
    "cpse r24, r1": ("ldi r24, 1", "ldi r24, 0"),
    "sbic 0x04, 1": ("sbi 0x04, 1", "cbi 0x04, 1"),
    "sbis 0x04, 1": ("cbi 0x04, 1", "sbi 0x04, 1"),
}
"""What makes a branch be taken, or a jump not be skipped, and what lets the program go on behind it."""


def firmware(folder: Path, body: str) -> Firmware:
    """A round reads the clock and the contacts, as an emulated board counts polls by, and does what is given."""
    lines = [
        "#include <avr/io.h>",
        '__attribute__((naked, noinline, used)) static void called(void) { __asm__ volatile("ret"); }',
        "int main(void)",
        "{",
        "    TCCR1B = 2;",
        "    for (;;) {",
        "        (void)TCNT1;",
        "        (void)PINC;",
        '        __asm__ volatile("ldi r26, 0x50\\nldi r27, 1\\nldi r30, 0x60\\nldi r31, 1\\n"',
        *(f'            "{line}\\n"' for line in body.splitlines()),
        '            "clr r1" ::: "r0", "r16", "r17", "r22", "r23", "r24", "r25", "r26", "r27", "r30", "r31", "memory");',
        "    }",
        "}",
    ]
    command = [["avr-gcc", "-mmcu=atmega328p", "-Os", "trial.c", "-o"]]
    return Firmware(build_once({"trial.c": "\n".join(lines) + "\n"}, folder, command, ".elf"), 0, 0x300)


def measured(built: Firmware) -> set[int]:
    """The cycles of each round."""
    with Emulator(load_design(STARTER), built) as emulator:
        polls = emulator.play(0, [Step(0, "contacts", (0,))], 2_000).polls
    return {later - earlier for earlier, later in pairwise(polls[1:])}


def told(built: Firmware) -> int:
    code = read_machine_code(built.elf)
    return worst_flow(Program(code, endless_round(code, "main")), ()).cycles


def test_every_instruction_is_tried() -> None:
    assert set(PLAIN) | ELSEWHERE == set(CYCLES)


@pytest.mark.parametrize("bit", range(len(PLAIN).bit_length()))
def test_instructions_take_as_long_as_in_an_emulated_chip(bit: int, tmp_path: Path) -> None:
    # No two are in the same of these programs, so that none can make up for another.
    built = firmware(tmp_path, "\n".join(text for number, text in enumerate(PLAIN.values(), 1) if number >> bit & 1))
    assert measured(built) == {told(built)}


@pytest.mark.parametrize("jump", ["rjmp", "jmp"])
@pytest.mark.parametrize(("way", "behind"), [(0, 0), (1, 7)], ids=["there", "on"])
def test_branches_and_skips_take_as_long_as_in_an_emulated_chip(way: int, behind: int, jump: str, tmp_path: Path) -> None:
    # The longer way is the one that is told: going on is longer with more behind it, going there without.
    lines: list[str] = []
    for name, makes in TURNS.items():
        lines += [makes[way], *([f"{name} 1f"] if name.startswith("br") else [name, f"{jump} 1f"]), *["nop"] * behind, "1:"]
    built = firmware(tmp_path, "\n".join(lines))
    assert measured(built) == {told(built)}
