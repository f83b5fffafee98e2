"""Firmware for the ATmega328P as avr-gcc builds it, and an emulated ATmega328P that runs it."""

from __future__ import annotations

import shutil
import subprocess
from array import array
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from pathlib import Path
from types import TracebackType
from typing import IO

from controller_sim.design.form import Design
from controller_sim.midi.wire import BYTE_US
from controller_sim.port.boards import led_pins
from controller_sim.port.compiler import build_once, cache_folder, find_compiler
from controller_sim.port.errors import PortError

EMULATOR = Path(__file__).parent / "runtime" / "emulator"
SIMAVR = "simavr/sim_avr.h"
TOOLS = ("avr-gcc", "avr-objcopy", "avr-size", "make")
INSTALL_COMPILER = "sudo apt install gcc-avr avr-libc make"
INSTALL_EMULATOR = "sudo apt install gcc libc6-dev libsimavr-dev"
TOO_LARGE = "is not within region"
"""What the linker says of it."""
CYCLES_PER_US = 16
BYTE_CYCLES = BYTE_US * CYCLES_PER_US
"""Of the serial line."""
OVERFLOW_CYCLES = 8 * 65_536
"""Timer 1 counts every eighth cycle, to 16 bits (board.c)."""
RAM_FIRST, RAM_END = 0x100, 0x900
FLASH_BYTES, RAM_BYTES, EEPROM_BYTES = 32_768, 2_048, 1_024
"""Of an ATmega328P (data sheet, features)."""


def missing_compiler() -> str | None:
    """None, or what firmware cannot be built without, and how to install it."""
    lacking = [tool for tool in TOOLS if shutil.which(tool) is None]
    return f"no {', '.join(lacking)}: {INSTALL_COMPILER}" if lacking else None


def missing_emulator() -> str | None:
    """None, or what firmware cannot be built and run without, and how to install it."""
    lacking = missing_compiler()
    if lacking is not None:
        return lacking
    try:
        compiler = find_compiler()
    except PortError:
        return f"no C compiler: {INSTALL_EMULATOR}"
    tried = subprocess.run([*compiler, "-E", "-"], input=f"#include <{SIMAVR}>\n", capture_output=True, text=True)
    return f"no {SIMAVR}: {INSTALL_EMULATOR}" if tried.returncode else None


@dataclass(frozen=True, slots=True)
class Firmware:
    """A built firmware. Sizes are in bytes."""

    elf: Path
    flash_bytes: int
    static_bytes: int
    """RAM without the stack."""


def build_firmware(files: Mapping[str, str], defines: Sequence[str] = (), folder: Path | None = None) -> Firmware:
    """Build what is written for a design, every warning an error; `defines` are macros.

    Raises PortError where it does not fit the chip, or the compiler refuses what was written.
    """
    flags = " ".join(f"-D{name}" for name in defines)
    commands = [["make", "WARNINGS=-Werror", f"CPPFLAGS={flags}", "firmware.elf"], ["cp", "firmware.elf"]]
    try:
        elf = build_once(files, folder or cache_folder(), commands, ".elf")
    except PortError as error:
        if TOO_LARGE in str(error):
            raise PortError(f"the firmware does not fit the chip, which has {FLASH_BYTES} bytes of flash and {RAM_BYTES} of RAM") from None
        raise
    text, data, bss = _sizes(elf)
    return Firmware(elf, text + data, data + bss)


def _sizes(elf: Path) -> tuple[int, int, int]:
    done = subprocess.run(["avr-size", "-A", str(elf)], capture_output=True, text=True, check=True)
    sizes = {line.split()[0]: int(line.split()[1]) for line in done.stdout.splitlines() if line.startswith(".")}
    return sizes.get(".text", 0), sizes.get(".data", 0), sizes.get(".bss", 0) + sizes.get(".noinit", 0)


@dataclass(frozen=True, slots=True)
class Step:
    """What happens to the board: `what` and its numbers as runtime/emulator/emulator.c takes them."""

    time_us: int
    what: str
    numbers: tuple[int, ...]


@dataclass(slots=True)
class Session:
    """What an emulated board did from power-on to power-off; cycles count from power-on, polls from 0."""

    told: list[tuple[str, tuple[int, ...]]] = field(default_factory=list)
    """All that emulator.c tells, in order, but for what follows."""
    faults: list[str] = field(default_factory=list)
    first_clock: int = 0
    """The cycle at which the firmware first read its clock."""
    clock_start: int = 0
    """The cycle at which its clock was 0."""
    polls: array[int] = field(default_factory=lambda: array("Q"))
    """The cycle at which each poll read the clock."""
    away: list[tuple[int, int]] = field(default_factory=list)
    """Polls that did not look at the contacts, as other things were due: from the first up to before the second."""
    off: int = 0
    """The cycle at which the last poll had ended."""
    stack_bytes: int = 0
    unfinished: bool = False
    image: bytes = b""

    def next_look(self, poll: int) -> int:
        """The first poll that looks at the contacts, from a poll on; the number of polls where there is none."""
        place = bisect_right(self.away, poll, key=itemgetter(0)) - 1
        return max(poll, self.away[place][1]) if place >= 0 else poll

    def last_look(self, poll: int) -> int:
        """The last poll that looks at the contacts, up to a poll; -1 where there is none."""
        place = bisect_right(self.away, poll, key=itemgetter(0)) - 1
        return self.away[place][0] - 1 if place >= 0 and poll < self.away[place][1] else poll

    def times_us(self) -> array[int]:
        """The time of each poll by the firmware's clock, from its first reading on."""
        start = self.clock_start
        first_us = (self.first_clock - start) // CYCLES_PER_US
        return array("Q", [(cycle - start) // CYCLES_PER_US - first_us for cycle in self.polls])


class Emulator:
    """A process that plays sessions on one firmware."""

    def __init__(self, design: Design, firmware: Firmware, folder: Path | None = None) -> None:
        """Raises PortError where the emulator cannot be built."""
        masks = [0, 0, 0]
        for pins in led_pins(design):
            for pin in pins:
                masks[pin // 8] |= 1 << pin % 8
        folder = folder or cache_folder()
        program = build_once(
            {path.name: path.read_text(encoding="utf-8") for path in EMULATOR.glob("*.[ch]")}, folder, [_build_command()], ".emulator"
        )
        flash = build_once({}, folder, [["avr-objcopy", "-O", "binary", "-j", ".text", "-j", ".data", str(firmware.elf)]], ".bin")
        arguments = [
            str(program),
            str(flash),
            str(RAM_FIRST + firmware.static_bytes),
            str((1 << len(design.switches)) - 1),
            *map(str, masks),
        ]
        self._process = subprocess.Popen(arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE)

    def play(self, contacts: int, steps: Iterable[Step], off_us: int, image: bytes | None = None) -> Session:
        """A session that begins with these contacts closed; `image` is put into the EEPROM first, else it holds what it did.

        Raises PortError when the emulator has ended.
        """
        lines = [f"image {image.hex()}"] if image is not None else []
        lines.append(f"on {contacts}")
        lines += (f"{step.what} {step.time_us} {' '.join(map(str, step.numbers))}" for step in steps)
        lines.append(f"off {off_us}\n")
        to, back = self._process.stdin, self._process.stdout
        assert to is not None and back is not None
        try:
            to.write("\n".join(lines).encode())
            to.flush()
            return _session(back)
        except (BrokenPipeError, EOFError):
            raise PortError("the emulator has ended") from None

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()

    def __enter__(self) -> Emulator:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None) -> None:
        self.close()


def _build_command() -> list[str]:
    return [*find_compiler(), "-std=c99", "-D_DEFAULT_SOURCE", "-O2", *sorted(path.name for path in EMULATOR.glob("*.c")), "-lsimavr", "-o"]


def _session(lines: IO[bytes]) -> Session:
    session = Session()
    while True:
        line = lines.readline()
        if not line:
            raise EOFError
        what, *rest = line.decode("ascii", "replace").split()
        match what:
            case "clock":
                session.first_clock, session.clock_start = map(int, rest)
            case "fault":
                session.faults.append(" ".join(rest[1:]))
            case "away":
                session.away.append((int(rest[0]), int(rest[1])))
            case "off":
                session.off = int(rest[0])
            case "polls":
                session.polls.frombytes(lines.read(8 * int(rest[0])))
            case "stack":
                session.stack_bytes = RAM_END - int(rest[0])
            case "unfinished":
                session.unfinished = True
            case "image":
                session.image = bytes.fromhex(rest[0])
            case "done":
                return session
            case _:
                session.told.append((what, tuple(map(int, rest))))
