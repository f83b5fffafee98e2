"""`controller-sim schema`: the JSON Schema of design files, for editors."""

from __future__ import annotations

from typing import TYPE_CHECKING

from controller_sim.cli.terminal import add_command

if TYPE_CHECKING:
    import argparse

_EPILOG = """\
example:
  controller-sim schema > design.schema.json
"""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(commands, "schema", "print the JSON Schema of design files, for editors that complete and check", epilog=_EPILOG)
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    import json

    from controller_sim.design import design_schema

    print(json.dumps(design_schema(), indent=2))
    return 0
