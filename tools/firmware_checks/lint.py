"""The firmware before it runs: compilers' warnings, gcc's and clang's static analysis, and MISRA C:2012 as far as cppcheck checks it."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from firmware_checks.building import CheckError, need, put, run, side_by_side
from firmware_checks.wild import Designs, folder_of

from controller_sim.port import WRITERS
from controller_sim.port.c99 import RUNTIME
from controller_sim.port.errors import PortError

STRICT = ("-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-pedantic", "-Werror")
HOST = ("gcc", "-std=c99", "-O2", *STRICT, "-Warith-conversion", "-Ichip")
# Tables in flash are an extension; 5.4 knows no -Warith-conversion.
BOARD = ("avr-gcc", "-std=gnu99", "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-Os", *STRICT)
# File by file: of all in one translation unit gcc looks at a part only, and then gives up.
ANALYZER = ("gcc", "-std=c99", "-O1", "-fanalyzer", "-Werror", "-Ichip")
# No divisor is 0: that is proved when a design is loaded, of what pedals read too. clang sees C alone.
CLANG = ("clang", "-std=c99", "-Ichip", "-Xclang", "-analyzer-werror", "-Xclang", "-analyzer-disable-checker=core.DivideZero", "--analyze")
CPPCHECK = (
    "cppcheck",
    "--std=c99",
    "--addon=misra",
    "--enable=warning,style,performance,portability",
    "--max-configs=1",
    "--quiet",
    "--template={file}:{line}: {id}: {message}",
)
ONE_DESIGN = ("-U__AVR__", "-UCTL_HOST", "-UCTL_TRACE", "-UMEASURE")
DEVIATIONS = "deviations.txt"
OF_THE_BOARD = ("board.c", "firmware.c")
CHIP = ("avr-gcc", "-mmcu=atmega328p", "-dM", "-E", "-include", "avr/io.h", "-x", "c", "/dev/null")
REGISTER = re.compile(r"#define (\w+) _SFR_(?:IO|MEM)(8|16)\(")
BIT = re.compile(r"#define (\w+) ([0-7])$")


def lint(demos: Designs, others: Designs, whole: bool, jobs: int, folder: Path, tell: Callable[[str], None]) -> dict[str, Any]:
    """Look at the firmware of each design; of the others only compilers do. Raises CheckError with all that is found.

    `whole`: the demos use all that there is, so that a deviation that none of them needs is one too many.
    """
    need("gcc", "avr-gcc", "cppcheck", "clang")
    designs = {**demos, **others}

    def looked(name: str) -> dict[str, Any]:
        files, has_board = written(designs, name)
        place = put(files, folder / folder_of(name))
        sources = sorted(file for file in files if file.endswith(".c") and file not in OF_THE_BOARD)
        if name in others:
            # File by file they would take five times as long.
            put({"all.c": "".join(f'#include "{file}"\n' for file in sources)}, place)
            sources = ["all.c"]
        if has_board:
            put(chip_headers(files["board.c"], place), place / "chip")
            sources.append("board.c")
        found = [*compiled(HOST, sources, place), *compiled(BOARD, sources, place)]
        deviations = set()
        if name in demos:
            listed = deviations_in(files[DEVIATIONS])
            lines = misra(sources, place)
            deviations = {rule for rule in map(rule_of, lines) if rule in listed}
            found += [*compiled(ANALYZER, sources, place), *compiled(CLANG, sources, place)]
            found += [line for line in lines if rule_of(line) not in listed]
        return {"design": name, "files": len(sources), "found": found, "deviations": sorted(deviations)}

    results = []
    for result in side_by_side(looked, list(designs), jobs):
        results.append(result)
        tell(f"{result['design']:16}{result['files']} files without a word" if not result["found"] else f"{result['design']:16}not clean")
    found = [f"{result['design']}: {line}" for result in results for line in result["found"]]
    if whole:
        listed = deviations_in((RUNTIME / DEVIATIONS).read_text(encoding="utf-8"))
        unused = listed.difference(*(result["deviations"] for result in results))
        found += [f"{DEVIATIONS}: nothing deviates from {rule} any more" for rule in sorted(unused)]
    if found:
        raise CheckError("\n".join(["the firmware is not clean:", *found]))
    return {"designs": results}


def written(designs: Designs, name: str) -> tuple[dict[str, str], bool]:
    """The files of a design's firmware, with the board's where it fits one, and whether it does."""
    try:
        return WRITERS["atmega328p"](designs[name], ""), True
    except PortError:
        return WRITERS["c99"](designs[name], ""), False


def compiled(command: Sequence[str], sources: Sequence[str], place: Path) -> list[str]:
    """What a compiler has to say of each file."""
    found = []
    for source in sources:
        done = run([*command, "-c", source, "-o", f"{Path(source).stem}.o"], place, ok=(0, 1))
        if done.returncode:
            found += [f"{command[0]}: {line}" for line in done.stderr.splitlines() if re.search(r"(warning|error):", line)] or [done.stderr]
    return found


def misra(sources: Sequence[str], place: Path) -> list[str]:
    """What cppcheck finds, deviations included."""
    lines = run([*CPPCHECK, *ONE_DESIGN, *(source for source in sources if source != "board.c")], place).stderr.splitlines()
    if "board.c" in sources:
        of_board = run([*CPPCHECK, *ONE_DESIGN, "-Ichip", "board.c"], place).stderr.splitlines()
        lines += [line for line in of_board if line.startswith(("board.c:", "pins.h:"))]
    return [f"cppcheck: {line}" for line in lines]


def rule_of(line: str) -> str:
    return line.split(": ")[2]


def deviations_in(text: str) -> set[str]:
    """The rules that a list of deviations names; cppcheck reads it likewise."""
    return {line for line in text.splitlines() if line and not line.startswith("//")}


def chip_headers(board: str, place: Path) -> dict[str, str]:
    """The chip's registers that a board file names as plain variables, with the bits that the chip's own header gives them.

    That header is 100,000 lines of others' code, which cppcheck takes minutes for and other compilers than avr-gcc do not read.
    """
    names = set(re.findall(r"\w+", board))
    macros = run(CHIP, place).stdout.splitlines()
    registers = [f"extern volatile uint{m[2]}_t {m[1]};" for line in macros if (m := REGISTER.match(line)) and m[1] in names]
    bits = [f"#define {m[1]} {m[2]}u" for line in macros if (m := BIT.match(line)) and m[1] in names]
    delay = "static inline void _delay_us(double us)\n{\n    (void)us;\n}\nstatic inline void _delay_ms(double ms)\n{\n    (void)ms;\n}\n"
    interrupts = "#define ISR(vector) void vector(void); void vector(void)\nvoid cli(void);\nvoid sei(void);\n"
    return {
        "avr/io.h": "#include <stdint.h>\n" + "\n".join([*registers, *bits]) + "\n",
        "avr/interrupt.h": interrupts,
        "util/delay.h": delay,
    }
