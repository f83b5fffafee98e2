"""Compilers, and firmware built with them in a folder of its own."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from controller_sim.port.compiler import find_compiler
from controller_sim.port.errors import PortError

Item = TypeVar("Item")
Found = TypeVar("Found")

SANITIZERS = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-g")
LONGEST_S = 3_600


class CheckError(Exception):
    """A check has found something, or cannot be made; the text is for whoever called it."""


class Missing(CheckError):
    """A check cannot be made on this machine; the text says what to install."""


def need(*programs: str) -> None:
    """Raises Missing where one of these programs is not there."""
    missing = [program for program in programs if shutil.which(program) is None]
    if missing:
        raise Missing(f"{', '.join(missing)} not found; tools/toolchains installs what is missing, or says how to")


def compiler() -> tuple[str, ...]:
    """The machine's C compiler."""
    try:
        return find_compiler()
    except PortError as error:
        raise Missing(str(error)) from None


def checking_compiler() -> tuple[str, ...]:
    """Another compiler than the machine's first where there is one: what both make must do the same."""
    return ("clang",) if shutil.which("clang") else compiler()


def put(files: Mapping[str, str], folder: Path) -> Path:
    """Write files into a folder, which is made."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def run(command: Sequence[str], folder: Path, ok: Iterable[int] = (0,), **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a program in a folder. Raises CheckError with the beginning of what it says when it ends otherwise than `ok`."""
    try:
        done = subprocess.run(
            command,
            cwd=folder,
            capture_output=True,
            text=True,
            errors="replace",
            timeout=LONGEST_S,
            env={**os.environ, "LC_ALL": "C"} | environment,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise CheckError(f"{' '.join(command[:4])}: {error}") from None
    if done.returncode not in ok:
        said = "\n".join((done.stderr.strip() or done.stdout.strip()).splitlines()[:40])
        raise CheckError(f"{' '.join(command)} in {folder} ends with {done.returncode}:\n{said}")
    return done


def compile_c(command: Sequence[str], flags: Sequence[str], source: str, program: str, folder: Path) -> Path:
    """Compile one file, which includes all others, to a program."""
    run([*command, "-std=c99", *flags, source, "-o", program], folder)
    return folder / program


def side_by_side(work: Callable[[Item], Found], items: Sequence[Item], jobs: int) -> Iterable[Found]:
    """What comes of each item, in their order, so many at a time; the work is done by other programs."""
    with ThreadPoolExecutor(jobs) as pool:
        yield from pool.map(work, items)
