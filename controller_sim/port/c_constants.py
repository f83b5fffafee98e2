"""What constant expressions of C come to in firmware, by its own compiler."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path

from controller_sim.port.c_loops import Note
from controller_sim.port.compiler import build_once
from controller_sim.port.errors import PortError

WRITE = "beside it write /* at most N rounds */, where N is made of constants and parameters"
COMPILE = ("avr-gcc", "-std=gnu99", "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", "-fshort-enums", "-w", "-c")
Worth = Callable[[Sequence[Note]], dict[Note, int]]
_REFUSED = re.compile(r"^(\w+\.[ch]:\d+):\d+: error: (.*)$", re.MULTILINE)


def worth_in(files: Mapping[str, str], defines: Sequence[str], folder: Path) -> Worth:
    """What tells what expressions come to behind all of the firmware in `files`, built with the macros `defines`.

    It raises PortError, by the compiler's words, for what is no constant.
    """
    return partial(_worth, files, defines, folder)


def _worth(files: Mapping[str, str], defines: Sequence[str], folder: Path, notes: Sequence[Note]) -> dict[Note, int]:
    if not notes:
        return {}
    head = ['#include "firmware.c"', 'const uint32_t worth[] __attribute__((used, section(".worth"))) = {']
    entries = [line for note in notes for line in (f'#line {note.line} "{note.file}"', f"(uint32_t)({note.text}),")]
    text = "\n".join([*head, *entries, "};"]) + "\n"
    make = [*COMPILE, *(f"-D{name}" for name in defines), "worth.c", "-o", "worth.o"]
    take = ["avr-objcopy", "-O", "binary", "-j", ".worth", "--set-section-flags", ".worth=alloc,load", "worth.o"]
    try:
        built = build_once({**files, "worth.c": text}, folder, [make, take], ".worth").read_bytes()
    except PortError as error:
        if (found := _REFUSED.search(str(error))) is None:
            raise
        raise PortError(f"{found[1]}: how often this goes round is not known ({found[2]}); {WRITE}") from None
    return {note: int.from_bytes(built[4 * place : 4 * place + 4], "little") for place, note in enumerate(notes)}
