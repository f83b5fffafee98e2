"""`controller-sim check`: load a design and say what is in it."""

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
"""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(
        commands, "check", "load a design and report what is in it, and which gestures wait for which others", epilog=_EPILOG
    )
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("--json", action="store_true", help="the report as JSON")
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    design = load(arguments.design)
    from controller_sim.view.report import as_json, report_lines

    if arguments.json:
        import json

        print(json.dumps(as_json(design), indent=2))
    else:
        for line in report_lines(design, painter(sys.stdout)):
            print(line)
    return 0
