"""`controller-sim test`: play many press scripts, one line each."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from controller_sim.cli.terminal import (
    ENGINES,
    BadInput,
    add_command,
    complain,
    kept_promises,
    load,
    painter,
    play_script,
    read_script,
    show_progress,
)

if TYPE_CHECKING:
    import argparse

    from controller_sim.design.form import Design

_EPILOG = """\
A folder stands for all press scripts in it. The design of a script is the one said with --design or as the first
argument; else the .yaml file beside the script whose name the script's name begins with, the longest such name.

examples:
  controller-sim test configs
  controller-sim test configs/booth.yaml my_evening.press
  controller-sim test --design configs/booth.yaml rehearsals/

exit codes: 0 all expectations met and promises kept, 1 some not, 2 a file or the command line is wrong
"""
_DESIGN_SUFFIXES = (".yaml", ".yml")


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(
        commands,
        "test",
        "play press scripts and say which expectations failed and which promises of the design were broken, one line a script",
        epilog=_EPILOG,
    )
    parser.add_argument("paths", metavar="PATH", nargs="+", help="a design (first), press scripts, folders of press scripts")
    parser.add_argument("--design", metavar="DESIGN", help="the design that all scripts are played to")
    parser.add_argument("--engine", choices=ENGINES, default="fast", help="which engine plays (default: fast; native: the firmware in C)")
    parser.add_argument("--json", action="store_true", help="the results as JSON")
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    paths = [Path(path) for path in arguments.paths]
    design_path = Path(arguments.design) if arguments.design else None
    if paths[0].suffix in _DESIGN_SUFFIXES:
        if design_path is not None:
            raise BadInput(f"{paths[0]}: the design is said already, with --design")
        design_path = paths.pop(0)
    scripts = find_scripts(paths)
    designs: dict[Path, Design] = {}
    results: list[dict[str, object]] = []
    paint = painter(sys.stdout)
    for number, script in enumerate(scripts, 1):
        show_progress(f"{number} of {len(scripts)}: {script}")
        try:
            failures = _play(script, design_path or design_of(script), designs, arguments.engine)
        except BadInput as error:
            show_progress("")
            results.append({"script": str(script), "result": "broken", "error": str(error)})
            if not arguments.json:
                print(f"{paint('broken', 'bad')}  {script}")
            complain(str(error))
            continue
        show_progress("")
        results.append({"script": str(script), "result": "failed" if failures else "ok", "failures": failures})
        if not arguments.json:
            print(f"{paint('failed', 'bad') if failures else paint('ok    ', 'good')}  {script}")
            for failure in failures:
                print("    " + failure.replace("\n", "\n    "))
    counts = [sum(result["result"] == verdict for result in results) for verdict in ("ok", "failed", "broken")]
    if arguments.json:
        import json

        print(json.dumps(results, indent=1))
    else:
        print("{} ok, {} failed, {} broken".format(*counts))
    return 2 if counts[2] else 1 if counts[1] else 0


def find_scripts(paths: list[Path]) -> list[Path]:
    """The scripts that the paths stand for, in order and each once. Raises BadInput for a path that gives none."""
    scripts: dict[Path, None] = {}
    for path in paths:
        found = sorted(path.rglob("*.press")) if path.is_dir() else [path]
        if not found:
            raise BadInput(f"{path}: no press scripts (*.press) in this folder")
        scripts |= dict.fromkeys(found)
    if not scripts:
        raise BadInput("which press scripts? Name some, or a folder of them")
    return list(scripts)


def scripts_of(design: Path) -> list[Path]:
    """The press scripts beside a design whose names begin with its name."""
    return [path for path in sorted(design.parent.glob(f"{design.stem}*.press")) if design_of(path) == design]


def design_of(script: Path) -> Path:
    """The design beside a script with the longest name that the script's name begins with. Raises BadInput when there is none."""
    from controller_sim.script.files import design_beside

    beside = design_beside(script)
    if beside is None:
        raise BadInput(f"{script}: no design beside it whose name it begins with; say which with --design")
    return beside


def _play(script_path: Path, design_path: Path, designs: dict[Path, Design], engine: str) -> list[str]:
    if design_path not in designs:
        designs[design_path] = load(design_path)
    script = read_script(script_path, designs[design_path])
    from controller_sim.script import report_failure

    run = play_script(designs[design_path], script, engine)
    kept = kept_promises(run)
    return [*(report_failure(run, failure) for failure in run.failures), *(map(str, kept.broken) if kept else ())]
