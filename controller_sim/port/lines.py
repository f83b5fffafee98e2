"""The lines of C that the machine code of firmware was made of."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from controller_sim.port.compiler import build_once
from controller_sim.port.errors import PortError
from controller_sim.port.machine_code import MachineCode, read_machine_code

LISTED = "-gdwarf-4 -mno-relax -Wl,--defsym=__TEXT_REGION_LENGTH__=65536"
"""What the compiler is told so that it says which lines are behind the code. The linker shortens calls and jumps without mending what it
knows of lines, so it must not; then firmware may be larger than the chip."""
_CODE = "__ctors_end"
"""Before it lie the tables."""
_SAME = ({"call", "rcall"}, {"jmp", "rjmp"}, {"call", "jmp"}, {"call", "rjmp"})
"""What the linker may put for each other; a call before a return becomes a jump, and the return may go."""
_PLACE = re.compile(r"(?:.*/)?([^/]+):(\d+|\?)")


@dataclass(frozen=True, slots=True)
class Frame:
    """A line that an instruction was made of, and the function that the line is in."""

    function: str
    file: str
    line: int


class Lines:
    """The lines behind each instruction of a firmware: that of the function that holds it, then those of what is inlined there."""

    def __init__(self, code: MachineCode, files: Mapping[str, str], defines: Sequence[str], folder: Path) -> None:
        """`code` is what the firmware in `files` was built to, with the same `defines`. Raises PortError where it was not."""
        flags = " ".join(f"-D{name}" for name in defines)
        make = ["make", f"WARNINGS={LISTED}", f"CPPFLAGS={flags}", "firmware.elf"]
        elf = build_once(files, folder, [make, ["cp", "firmware.elf"]], ".lines.elf")
        pairs = dict(_paired(code, read_machine_code(elf)))
        told = _told(elf, pairs.values())
        self._frames = {address: told[other] for address, other in pairs.items()}

    def __getitem__(self, address: int) -> tuple[Frame, ...]:
        """Nothing for what the compiler's own library holds."""
        return self._frames.get(address, ())


def _paired(code: MachineCode, listed: MachineCode) -> Iterator[tuple[int, int]]:
    """Each instruction's address in both builds."""
    others = iter(each for each in listed.instructions.values() if each.address >= listed.start(_CODE))
    for mine in code.instructions.values():
        if mine.address < code.start(_CODE):
            continue
        for other in others:
            if mine.name == other.name or {mine.name, other.name} in _SAME:
                yield mine.address, other.address
                break
            if other.name != "ret":
                places = f"{mine.name} at {mine.address:#x}, {other.name} at {other.address:#x}"
                raise PortError(f"the firmware is not the same when it is built with lines: {places}")


def _told(elf: Path, addresses: Iterable[int]) -> dict[int, tuple[Frame, ...]]:
    asked = "\n".join(f"{address:#x}" for address in addresses)
    done = subprocess.run(["avr-addr2line", "-a", "-i", "-f", "-e", str(elf)], input=asked, capture_output=True, text=True, check=True)
    told: dict[int, tuple[Frame, ...]] = {}
    address = 0
    lines = iter(done.stdout.splitlines())
    for line in lines:
        if line.startswith("0x"):
            address = int(line, 16)
            told[address] = ()
        elif (match := _PLACE.match(next(lines))) and match[2] != "?":
            told[address] = (Frame(line, match[1], int(match[2])), *told[address])
    return told
