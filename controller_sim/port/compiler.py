"""The machine's C compiler: found, or a clear word on how to get one."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.util import find_spec
from pathlib import Path

from controller_sim.port.errors import PortError

COMPILERS = ("cc", "gcc", "clang")
NO_COMPILER = (
    "the native engine needs a C compiler and there is none (tried $CC, cc, gcc, clang and the ziglang package): "
    "install one with 'sudo apt install gcc', 'xcode-select --install', or anywhere 'pip install ziglang'"
)
FLAGS = ("-std=c99", "-fPIC", "-shared", "-fvisibility=hidden")
_TIMEOUT_S = 300


@cache
def find_compiler() -> tuple[str, ...]:
    """The command of a C compiler: $CC, one on the path, or that of the ziglang package. Raises PortError where there is none."""
    chosen = os.environ.get("CC")
    for name in (chosen, *COMPILERS):
        if name and shutil.which(name):
            return (name,)
    if find_spec("ziglang") is not None:
        # Where nothing is optimised, zig adds checks that others do not, unless it is told not to.
        return (sys.executable, "-m", "ziglang", "cc", "-fno-sanitize=undefined")
    raise PortError(NO_COMPILER)


def build_library(files: Mapping[str, str], main: str, folder: Path, flags: Sequence[str] = ("-O2",)) -> Path:
    """Compile `main`, which includes the other files, to a shared library in `folder`; one that is there already is used again.

    Raises PortError when there is no compiler, or when it refuses the files.
    """
    command = [*find_compiler(), *FLAGS, *flags, main, "-o"]
    return build_once(files, folder, [command], ".so")


def build_once(files: Mapping[str, str], folder: Path, commands: Sequence[Sequence[str]], ending: str) -> Path:
    """What some commands make of files, the last of them given where to put it; kept in `folder`, and used again when it is there already.

    Raises PortError when a command fails.
    """
    key = hashlib.sha256(repr((commands, sorted(files.items()))).encode()).hexdigest()[:32]
    kept = folder / f"{key}{ending}"
    if kept.exists():
        return kept
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder) as place:
        for name, text in files.items():
            (Path(place) / name).write_text(text, encoding="utf-8")
        built = Path(place) / f"built{ending}"
        for command in commands[:-1]:
            run_compiler(command, Path(place))
        run_compiler([*commands[-1], built.name], Path(place))
        # Two processes may build the same at once: each puts a whole one in place.
        os.replace(built, kept)
    return kept


def run_compiler(command: Sequence[str], folder: Path) -> str:
    """Run a compiler in a folder and give what it said. Raises PortError when it fails."""
    # Zig keeps what it has made of its own sources too, elsewhere unless told; the first time that takes half a minute.
    caches = {"ZIG_GLOBAL_CACHE_DIR": str(cache_folder() / "zig"), "ZIG_LOCAL_CACHE_DIR": str(folder / "zig")}
    environment = {**caches, **os.environ, "LC_ALL": "C"}
    try:
        done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, timeout=_TIMEOUT_S)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise PortError(f"the C compiler '{' '.join(command[:3])}' cannot be run: {error}") from None
    if done.returncode:
        lines = done.stderr.strip().splitlines()
        raise PortError("the C compiler refuses what was written, which is a fault of ours:\n" + "\n".join(lines[:20]))
    return done.stdout + done.stderr


def cache_folder() -> Path:
    """Where built libraries are kept between runs: $XDG_CACHE_HOME/controller-sim, else ~/.cache/controller-sim.

    Where neither can be written it is a folder that lasts as long as the process.
    """
    folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "controller-sim"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return Path(_own_folder().name)
    return folder if os.access(folder, os.W_OK) else Path(_own_folder().name)


@cache
def _own_folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory()
