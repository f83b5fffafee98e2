"""The machine code of ATmega328P firmware, as avr-objdump lists it: what is at which address, and where it may go on from there."""

from __future__ import annotations

import re
import subprocess
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from controller_sim.port.errors import PortError

SKIPS = ("cpse", "sbrc", "sbrs", "sbic", "sbis")
ENDS = ("ret", "reti")
CALLS = ("call", "rcall")
JUMPS = ("jmp", "rjmp")
POINTED = ("icall", "eicall", "ijmp", "eijmp")
PROLOGUE, EPILOGUE, TABLE_JUMP = "__prologue_saves__", "__epilogue_restores__", "__tablejump2__"
"""What avr-gcc shares among functions: saving registers and making room, the opposite, and jumping by a table."""
_FUNCTION = re.compile(r"^([0-9a-f]+) <([^>]+)>:$")
_LINE = re.compile(r"^\s*([0-9a-f]+):\t((?:[0-9a-f]{2} )+)\s*\t(\S+)\s*([^;]*)(?:;\s*(.*))?$")
_ADDRESS = re.compile(r"0x([0-9a-f]+)\b")


@dataclass(frozen=True, slots=True)
class Instruction:
    address: int
    name: str
    operands: tuple[str, ...]
    target: int | None
    """Where it jumps to or what it calls."""
    bytes: int


class MachineCode:
    """All that a firmware's flash holds; tables are listed as instructions too, as nobody can tell them apart."""

    def __init__(self, lines: Iterable[str]) -> None:
        self.instructions: dict[int, Instruction] = {}
        self._names: dict[int, str] = {}
        self._bytes: dict[int, int] = {}
        for line in lines:
            if match := _FUNCTION.match(line):
                self._names[int(match[1], 16)] = match[2]
            elif match := _LINE.match(line):
                operands = tuple(part.strip() for part in match[4].split(",") if part.strip())
                found = _ADDRESS.search(match[5] or "") or _ADDRESS.search(match[4])
                address, content = int(match[1], 16), bytes.fromhex(match[2])
                target = int(found[1], 16) if found else None
                self.instructions[address] = Instruction(address, match[3], operands, target, len(content))
                self._bytes.update(enumerate(content, address))
        addresses = sorted(self.instructions)
        self.following = dict(pairwise(addresses))
        """The address of the next instruction."""
        self._before = {later: earlier for earlier, later in pairwise(addresses)}
        self._starts = sorted(self._names)

    def functions(self) -> Iterator[tuple[str, int]]:
        yield from ((name, address) for address, name in self._names.items())

    def start(self, name: str) -> int:
        """Where a function begins. Raises PortError where there is none of that name."""
        found = next((address for each, address in self.functions() if each == name), None)
        if found is None:
            raise PortError(f"the firmware has no {name}")
        return found

    def name_at(self, address: int) -> str:
        """The function, or whatever has a name, that an address lies in."""
        return self._names[self._starts[bisect_right(self._starts, address) - 1]]

    def rest(self, address: int) -> Iterator[Instruction]:
        """What lies from an address to the end of the function there."""
        name, place = self.name_at(address), address
        while place in self.instructions and self.name_at(place) == name:
            yield self.instructions[place]
            place = self.following[place]

    def word(self, address: int) -> int:
        """What the flash holds there."""
        return self._bytes.get(address, 0) | self._bytes.get(address + 1, 0) << 8

    def table(self, jump: int) -> Iterator[int]:
        """Where a jump by a table may lead: the table's words, as long as they lie in the same function; Z holds its place in words."""
        upper = self.instructions[self._before[jump]]
        lower = self.instructions[self._before[upper.address]]
        if (lower.name, upper.name) != ("subi", "sbci") or lower.operands[0] != "r30" or upper.operands[0] != "r31":
            raise PortError(f"the firmware cannot be followed: the table of the jump at {jump:#x} is not found")
        place = 2 * (-(int(upper.operands[1], 0) << 8 | int(lower.operands[1], 0)) & 0xFFFF)
        while (led_to := 2 * self.word(place)) in self.instructions:
            if self.name_at(led_to) != self.name_at(jump):
                break
            yield led_to
            place += 2


def read_machine_code(elf: Path) -> MachineCode:
    done = subprocess.run(["avr-objdump", "-d", "-z", str(elf)], capture_output=True, text=True, check=True)
    return MachineCode(done.stdout.splitlines())
