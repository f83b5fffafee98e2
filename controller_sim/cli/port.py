"""`controller-sim port`: write a design as a program for a controller."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from controller_sim.cli.terminal import BadInput, add_command, load, text_of, write_text

if TYPE_CHECKING:
    import argparse

_EPILOG = """\
What says how your own board is wired (for micropython: pins.py and board.py) is yours: where such a file is there already, it is left
as it is. All else is written anew.

examples:
  controller-sim port configs/booth.yaml --to micropython --out booth_board

exit codes: 0 written, 2 a file or the command line is wrong
"""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(commands, "port", "write a design as a program for a controller", epilog=_EPILOG)
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("--to", metavar="TARGET", required=True, help="what to write it for, such as micropython")
    parser.add_argument("--out", metavar="DIR", required=True, help="the folder to write to")
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
    kept = [name for name in files if name in BUILDERS_OWN and (folder / name).exists()]
    for name, text in files.items():
        if name in kept:
            continue
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise BadInput(text_of(error, path.parent)) from None
        write_text(path, text)
    print(f"{len(files) - len(kept)} files written to {folder}")
    for name in kept:
        print(f"left as it is: {folder / name}")
    return 0
