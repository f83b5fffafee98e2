"""The command line. Each command is one thin file; nothing heavy is imported before a command needs it."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

OK = 0
FAILED = 1
BAD_INPUT = 2
INTERRUPTED = 130
"""128 and the number of SIGINT, as shells report it."""
PIPE_CLOSED = 141
"""128 and the number of SIGPIPE."""

_DESCRIPTION = "Write down, play and check the behaviour of a multi-mode footswitch controller before it is built."
_EPILOG = """\
examples:
  controller-sim check configs/booth.yaml
  controller-sim run configs/booth.yaml configs/booth_evening.press
  controller-sim picture configs/booth.yaml configs/booth_evening.press -o evening.html
  controller-sim test configs
  controller-sim chart configs/booth.yaml -o booth.pdf
  controller-sim fuzz configs/booth.yaml --time 30s
  controller-sim storage configs/booth.yaml configs/booth_evening.press
  controller-sim port configs/booth.yaml --to micropython --out booth_board
  controller-sim port configs/booth.yaml --to c99 --out booth_firmware
  controller-sim conform configs/booth.yaml --fuzz 100
  controller-sim schema > design.schema.json

exit codes:
  0  all is well
  1  an expectation of a press script failed, or check or fuzz found something wrong
  2  a file or the command line is wrong
  3  a port could not be tested (conform)
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command (default: what the shell gave) and return its exit code.

    Bad input ends in a message on stderr and code 2, never in a traceback.
    """
    try:
        code = _run(arguments)
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        _drop_output()
        return PIPE_CLOSED
    except KeyboardInterrupt:
        return INTERRUPTED


def _run(arguments: Sequence[str] | None) -> int:
    from controller_sim.cli.terminal import BadInput, complain, tolerate_any_text

    tolerate_any_text(sys.stdout, sys.stderr)
    try:
        parser = _parser()
        chosen = parser.parse_args(arguments)
        if chosen.version:
            return _show_version()
        if chosen.command is None:
            parser.error("which command? See controller-sim --help")
        code: int = chosen.execute(chosen)
    except SystemExit as end:  # argparse's way to end after --help, --version and wrong usage
        return end.code if isinstance(end.code, int) else BAD_INPUT
    except BadInput as error:
        complain(str(error))
        return BAD_INPUT
    return code


def _parser() -> argparse.ArgumentParser:
    import argparse

    from controller_sim.cli import chart, check, conform, fuzz, picture, port, run, schema, storage, test

    parser = argparse.ArgumentParser(
        prog="controller-sim", description=_DESCRIPTION, epilog=_EPILOG, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--version", action="store_true", help="print the version and end")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", dest="command")
    for command in (run, picture, test, check, fuzz, chart, storage, port, conform, schema):
        command.add_to(commands)
    return parser


def _show_version() -> int:
    from importlib.metadata import version

    print(f"controller-sim {version('controller-sim')}")
    return OK


def _drop_output() -> None:
    """Whoever read our output has gone; what is still buffered must not complain when Python ends."""
    import os

    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        sys.stdout = None  # no descriptor to turn away, so nothing may flush it later
