"""`controller-sim port`: write a design as a program for a controller."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from controller_sim.cli.terminal import BadInput, add_command, load, text_of, write_text

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

_WRITTEN = "written.txt"
"""Says of every file what it was when it was written, so that a file that somebody has changed since is known."""

_EPILOG = """\
What says how your own board is wired (pins.h, pins.py, board.c, board.py) is yours: where such a file is there already, it is left as
it is. All else is written anew, unless somebody has changed it since it was written: then nothing is, but with --force.

examples:
  controller-sim port configs/booth.yaml --to c99 --out booth_firmware
  controller-sim port configs/starter.yaml --to atmega328p --out starter_board && make -C starter_board
  controller-sim port configs/booth.yaml --to micropython --out booth_micropython
  controller-sim port configs/booth.yaml --to c99 --out booth_firmware --force

exit codes: 0 written, 2 a file or the command line is wrong, or files were changed by hand
"""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(commands, "port", "write a design as a program for a controller", epilog=_EPILOG)
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("--to", metavar="TARGET", required=True, help="what to write it for, such as c99, atmega328p or micropython")
    parser.add_argument("--out", metavar="DIR", required=True, help="the folder to write to")
    parser.add_argument("--force", action="store_true", help="write over files that were changed by hand")
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    from controller_sim.port import BUILDERS_OWN, WRITERS
    from controller_sim.port.errors import PortError

    if arguments.to not in WRITERS:
        raise BadInput(f"there is nothing to write for {arguments.to!r}; there is {', '.join(WRITERS)}")
    design = load(arguments.design)
    try:
        files = WRITERS[arguments.to](design, Path(arguments.design).read_text(encoding="utf-8"))
    except PortError as error:
        raise BadInput(str(error)) from None
    folder = Path(arguments.out)
    kept = [name for name in files if name.rsplit("/", 1)[-1] in BUILDERS_OWN and (folder / name).exists()]
    new = {name: text for name, text in files.items() if name not in kept}
    if not arguments.force:
        _refuse_changed(folder, new)
    _write(folder, {**new, _WRITTEN: _sums(files)})
    print(f"{len(new)} files written to {folder}")
    for name in kept:
        print(f"left as it is: {folder / name}")
    return 0


def _refuse_changed(folder: Path, files: Mapping[str, str]) -> None:
    """Raises BadInput if a file that would be written over is neither as it was written nor as it will be."""
    known: dict[str, str] = {}
    if (folder / _WRITTEN).exists():
        lines = (line.split(" ", 1) for line in _read(folder / _WRITTEN).splitlines())
        known = {line[1]: line[0] for line in lines if len(line) == 2}
    changed = []
    for name, text in files.items():
        if (folder / name).exists():
            there = _read(folder / name)
            if there != text and _sum(there) != known.get(name):
                changed.append(str(folder / name))
    if changed:
        raise BadInput(f"changed by hand since they were written: {', '.join(changed)}; move them away, or write over them with --force")


def _read(path: Path) -> str:
    try:
        # Neither line ends nor bytes that are no text may get lost in the comparison.
        return path.read_bytes().decode("utf-8", "backslashreplace")
    except OSError as error:
        raise BadInput(text_of(error, path)) from None


def _sum(text: str) -> str:
    import hashlib

    return hashlib.sha256(text.encode()).hexdigest()


def _sums(files: Mapping[str, str]) -> str:
    return "".join(f"{_sum(text)} {name}\n" for name, text in files.items())


def _write(folder: Path, files: Mapping[str, str]) -> None:
    for name, text in files.items():
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise BadInput(text_of(error, path.parent)) from None
        write_text(path, text)
