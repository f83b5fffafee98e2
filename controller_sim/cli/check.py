"""`controller-sim check`: load a design and say what it does, how soon, and what is wrong with it."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from controller_sim.cli.terminal import add_command, load, painter

if TYPE_CHECKING:
    import argparse

_EPILOG = """\
examples:
  controller-sim check configs/booth.yaml
  controller-sim check configs/booth.yaml --json
  controller-sim check configs/booth.yaml --strict

exit codes:
  0  no errors (with --strict: no warnings either)
  1  an error was found, such as a budget that is stated and does not fit
  2  the file or the command line is wrong
"""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(
        commands,
        "check",
        "report what each gesture of a design means and how soon, what cannot work, and whether it fits its budget",
        epilog=_EPILOG,
    )
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("--json", action="store_true", help="the report as JSON")
    parser.add_argument("--strict", action="store_true", help="let warnings count as errors")
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    from controller_sim.cli import FAILED, OK

    design = load(arguments.design)
    from controller_sim.verify.check_report import check_json, check_lines
    from controller_sim.verify.checking import check

    checked = check(design)
    if arguments.json:
        import json

        print(json.dumps(check_json(checked, arguments.strict), indent=2))
    else:
        for line in check_lines(checked, arguments.strict, painter(sys.stdout)):
            print(line)
    return OK if checked.passes(arguments.strict) else FAILED
