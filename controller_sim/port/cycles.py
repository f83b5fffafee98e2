"""How long each instruction of an ATmega328P takes, and where the program may go on from it.

In cycles of its clock, by the AVR Instruction Set Manual (Microchip DS40002198, chapter 5, the column of AVRe, which is for AVRe+ too).
They are from memory, so `tests/port/test_cycles.py` holds them against an emulated chip, all but `reti`, `ijmp` and `icall`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from controller_sim.port.errors import PortError
from controller_sim.port.machine_code import (
    CALLS,
    ENDS,
    JUMPS,
    POINTED,
    PROLOGUE,
    SKIPS,
    TABLE_JUMP,
    Instruction,
    MachineCode,
)

_NAMES = {
    1: """add adc sub subi sbc sbci and andi or ori eor com neg inc dec tst clr ser cp cpc cpi mov movw ldi in out lsl lsr rol ror asr swap
        bset bclr bst bld sec clc sen cln sez clz sei cli ses cls sev clv set clt seh clh nop wdr""",
    2: "adiw sbiw mul muls mulsu fmul fmuls fmulsu ld ldd lds st std sts push pop sbi cbi rjmp ijmp",
    3: "lpm rcall icall jmp",
    4: "call ret reti",
}
CYCLES = {name: cycles for cycles, names in _NAMES.items() for name in names.split()}
"""Of what takes the same time each time."""
BRANCH, TAKEN = 1, 2
INTERRUPT_CYCLES = 4
"""From an interrupt to its vector (ATmega328P data sheet, interrupt response time)."""
EEPROM_CONTROL = "0x1f"
EEPROM_HALT_CYCLES = 4
"""A write to EECR lets the processor stand still for 4 cycles if it begins a read, for 2 if it begins a write (same, EEPROM registers)."""


@dataclass(frozen=True, slots=True)
class Step:
    """A way on from an instruction; `target` is None at a function's end."""

    target: int | None
    cycles: int
    calls: int | None = None
    """The function that runs meanwhile; its own cycles, its return's among them, come on top."""


def steps(code: MachineCode, instruction: Instruction) -> Iterator[Step]:
    """All ways on from an instruction. Raises PortError where they are not known."""
    name, target, following = instruction.name, instruction.target, code.following[instruction.address]
    if name in JUMPS:
        assert target is not None
        yield from _jumps(code, instruction, target)
    elif name.startswith("br") and name != "break":
        assert target is not None
        yield Step(following, BRANCH)
        yield Step(target, TAKEN)
    elif name in SKIPS:
        yield Step(following, BRANCH)
        yield Step(code.following[following], BRANCH + code.instructions[following].bytes // 2)
    elif name in POINTED or name not in CYCLES:
        raise PortError(f"the firmware cannot be followed: {name} at {instruction.address:#x}")
    elif name in ENDS:
        yield Step(None, CYCLES[name])
    elif name in CALLS and target != following:
        yield Step(following, CYCLES[name], target)
    else:
        halt = EEPROM_HALT_CYCLES if name in ("sbi", "out") and instruction.operands[0] == EEPROM_CONTROL else 0
        yield Step(following, CYCLES[name] + halt)


def _jumps(code: MachineCode, instruction: Instruction, target: int) -> Iterator[Step]:
    owner, cycles = code.name_at(target), CYCLES[instruction.name]
    if owner not in (PROLOGUE, TABLE_JUMP):
        yield Step(target, cycles)
        return
    for each in code.rest(target):
        cycles += CYCLES[each.name]
        if each.name == "ijmp":
            break
    places = code.table(instruction.address) if owner == TABLE_JUMP else (code.following[instruction.address],)
    yield from (Step(place, cycles) for place in places)
