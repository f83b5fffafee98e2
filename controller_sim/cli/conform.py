"""`controller-sim conform`: play the same histories on the reference and on the ports, and compare what comes out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller_sim.cli.terminal import BadInput, add_command, load, painter, play_script, read_script, show_progress, write_text

if TYPE_CHECKING:
    import argparse

    from controller_sim.design.form import Design
    from controller_sim.port.conform import Case, Result
    from controller_sim.port.targets import Target

_EPILOG = """\
The press scripts are those beside the design whose names begin with its name, as `test` finds them. What they expect is not
looked at here: whatever the feet do in them is played on the reference, on the fast engine and on each port, and MIDI bytes,
display, LEDs, the stored image and all times must be the same. An emulated ATmega328P (`--on avr`) sees contacts when it looks at them:
it is held to what the reference does with what it has seen, each thing in the first look that can know of it. Of the first
difference a short press script is written.

examples:
  controller-sim conform configs/booth.yaml --on micropython
  controller-sim conform configs/booth.yaml --on avr --fuzz 20
  controller-sim conform configs/booth.yaml --fuzz 200 --seed 7
  controller-sim conform my.yaml --on all --scripts rehearsals/ --json

exit codes: 0 all the same, 1 something differs, 2 a file or the command line is wrong, 3 nothing differs, but some port could
not be tested
"""
UNTESTED = 3
ALL = "all"


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(
        commands, "conform", "play scripts and random histories on the ports too, and compare them with the reference", epilog=_EPILOG
    )
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("--on", metavar="TARGET", default=ALL, help="a port, or all of them (default)")
    parser.add_argument("--scripts", metavar="DIR", help="a press script, or a folder of them, instead of the design's own")
    parser.add_argument("--fuzz", metavar="N", type=int, default=0, help="how many random histories to play too (default: 0)")
    parser.add_argument("--seed", metavar="S", type=int, default=0, help="which ones (default: 0)")
    parser.add_argument("--out", metavar="DIR", default=".", help="where to write press scripts of differences (default: here)")
    parser.add_argument("--json", action="store_true", help="the results as JSON")
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    targets = _targets(arguments.on)
    design = load(arguments.design)
    source = Path(arguments.design).read_text(encoding="utf-8")
    cases = _cases(arguments, design)
    from controller_sim.port.conform import conform

    results: list[Result] = []
    written: list[dict[str, Any]] = []
    try:
        for result in conform(design, source, cases, targets, show_progress):
            show_progress("")
            results.append(result)
            script = _write_script(arguments, result)
            written.append(_json(result, script))
            if not arguments.json:
                _show(result, script)
    finally:
        for target in targets:
            target.close()
    if arguments.json:
        import json

        print(json.dumps({"design": arguments.design, "histories": [case.name for case in cases], "results": written}, indent=1))
    if any(result.different for result in results):
        return 1
    return UNTESTED if any(result.missing for result in results) else 0


def _targets(wanted: str) -> list[Target]:
    """The fast engine and the ports asked for."""
    from controller_sim.port.targets import TARGETS, EngineTarget

    if wanted != ALL and wanted not in TARGETS:
        raise BadInput(f"there is no target {wanted!r}; there is {', '.join([*TARGETS, ALL])}")
    return [EngineTarget("fast"), *(make() for name, make in TARGETS.items() if wanted in (name, ALL))]


def _cases(arguments: argparse.Namespace, design: Design) -> list[Case]:
    from controller_sim.port.conform import Case
    from controller_sim.port.polling import seen_by_polling
    from controller_sim.simulator import History

    cases = []
    for path in _scripts(arguments):
        run = play_script(design, read_script(path, design), "fast")
        cases.append(Case(str(path), seen_by_polling(design, History(run.inputs, run.end_us))))
    if arguments.fuzz < 0:
        raise BadInput("--fuzz: write how many random histories to play, such as 100")
    if arguments.fuzz:
        try:
            from controller_sim.testing.conformance import drawn, port_histories
        except ImportError:
            raise BadInput("--fuzz needs the package hypothesis: pip install 'controller-sim[conform]'") from None
        histories = drawn(port_histories(design), arguments.fuzz, arguments.seed)
        cases += [Case(f"random history {number} of seed {arguments.seed}", each) for number, each in enumerate(histories, 1)]
    if not cases:
        raise BadInput(
            f"{arguments.design}: no press scripts beside it whose names begin with its name; name some with --scripts, or say --fuzz 100"
        )
    return cases


def _scripts(arguments: argparse.Namespace) -> list[Path]:
    from controller_sim.cli.test import find_scripts, scripts_of

    return find_scripts([Path(arguments.scripts)]) if arguments.scripts is not None else scripts_of(Path(arguments.design))


def _write_script(arguments: argparse.Namespace, result: Result) -> str | None:
    if result.finding is None:
        return None
    folder = Path(arguments.out)
    path = folder / f"{Path(arguments.design).stem}_{result.target}_differs.press"
    first = f"# {result.target} differs here from the reference (found in {result.finding.case}).\n# {result.finding.difference}\n"
    write_text(path, first + result.finding.script)
    return str(path)


def _show(result: Result, script: str | None) -> None:
    from controller_sim.view.words import plural

    paint = painter(sys.stdout)
    if result.missing is not None:
        print(f"{paint('untested ', 'warn')}  {result.target}: {result.missing}")
    elif result.finding is None:
        print(f"{paint('same     ', 'good')}  {result.target}: {result.played} {'history' if result.played == 1 else 'histories'}")
    else:
        print(f"{paint('different', 'bad')}  {result.target}: {result.different} of {result.played} histories, first {result.finding.case}")
        print(f"    made short: {plural(len(result.finding.history.inputs), 'input')}, written to {script}")
        print(f"    {result.finding.difference}")


def _json(result: Result, script: str | None) -> dict[str, Any]:
    from dataclasses import asdict

    facts: dict[str, Any] = {"target": result.target}
    if result.missing is not None:
        return facts | {"result": "untested", "missing": result.missing}
    facts |= {"result": "different" if result.different else "same", "played": result.played, "different": result.different}
    if result.finding is not None:
        facts["first"] = {"history": result.finding.case, "script": script} | asdict(result.finding.difference)
    return facts
