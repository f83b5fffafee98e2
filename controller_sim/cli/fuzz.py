"""`controller-sim fuzz`: let random feet play a design and look for what would go wrong on stage."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from typing import TYPE_CHECKING, Any

from controller_sim.cli.terminal import BadInput, add_command, load, painter, show_progress, write_text

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable
    from contextlib import AbstractContextManager

    from controller_sim.design.form import Design
    from controller_sim.verify.coverage import Coverage
    from controller_sim.verify.searching import Finding, Found

_EPILOG = """\
Random sessions, each from power-on to power-off, with times like a person's and times at every threshold of the design, one
microsecond before and after it. Every session is held to the properties that any design must have, and to what the design
promises itself; what breaks one is made as small as it gets and shown as a press script. The same seed finds the same again,
with any number of jobs.

examples:
  controller-sim fuzz configs/booth.yaml
  controller-sim fuzz configs/booth.yaml --time 30s --jobs 2
  controller-sim fuzz configs/booth.yaml --examples 100000 --seed 7 --out found.press
  controller-sim fuzz configs/booth.yaml --time 600s --cluster tcp://stagebox:8786
  controller-sim fuzz configs/booth.yaml --json

exit codes: 0 nothing was found, 1 something was, 2 a file or the command line is wrong
"""
_EXAMPLES = 10_000
_MOST_NAMED = 8
_US = 1_000_000


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(commands, "fuzz", "let random feet play a design and look for what would go wrong on stage", epilog=_EPILOG)
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("--examples", metavar="N", type=int, help=f"sessions to play, rounded up (default: {_EXAMPLES})")
    parser.add_argument("--time", metavar="30s", help="how long to go on, instead of a number of sessions")
    parser.add_argument("--seed", metavar="S", type=int, default=0, help="what the sessions are drawn from (default: 0)")
    parser.add_argument("--jobs", metavar="N", type=int, default=1, help="processes to use (default: 1)")
    parser.add_argument("--cluster", metavar="ADDRESS", help="a scheduler of dask.distributed to send work to (cluster extra)")
    parser.add_argument("--out", metavar="FILE.press", help="write the first thing found as a press script")
    parser.add_argument("--json", action="store_true", help="all of it as JSON")
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    limit_us = _limit_us(arguments)
    if arguments.jobs < 1:
        raise BadInput(f"--jobs {arguments.jobs}: at least one process is needed")
    design = load(arguments.design)
    found = _search(arguments, design, limit_us)
    show_progress("")
    told = [_Told(design, finding) for finding in found.findings.values()]
    if arguments.out is not None and told:
        write_text(arguments.out, told[0].script)
    if arguments.json:
        import json

        print(json.dumps(_json(arguments, design, found, told), indent=1))
    else:
        _show(arguments, design, found, told)
    return 1 if told else 0


def _limit_us(arguments: argparse.Namespace) -> int | None:
    """How long to go on, or None for a number of sessions."""
    if arguments.time is None:
        if arguments.examples is not None and arguments.examples < 1:
            raise BadInput(f"--examples {arguments.examples}: at least one session is needed")
        return None
    if arguments.examples is not None:
        raise BadInput("say --examples or --time, not both")
    from controller_sim.simulator import SimulatorError
    from controller_sim.simulator.simulator import duration_us

    try:
        return duration_us(str(arguments.time))
    except SimulatorError as error:
        raise BadInput(f"--time {arguments.time}: {error}") from None


def _search(arguments: argparse.Namespace, design: Design, limit_us: int | None) -> Found:
    from controller_sim.verify.campaigns import campaign, on_processes
    from controller_sim.verify.promises import promise_watchers

    sessions = None if limit_us is not None else arguments.examples or _EXAMPLES
    pool: AbstractContextManager[Any] = nullcontext()
    if arguments.cluster is not None:
        pool = _cluster(arguments.cluster)
    elif arguments.jobs > 1:
        pool = on_processes(arguments.jobs)
    with pool as submitter:
        processes = sum(submitter.ncores().values()) if arguments.cluster is not None else arguments.jobs
        go_on = _progress(sessions, limit_us)
        promises = promise_watchers(design)
        return campaign(design, arguments.seed, sessions, promises=promises, submitter=submitter, processes=processes, go_on=go_on)


def _cluster(address: str) -> AbstractContextManager[Any]:
    """The client of a cluster whose workers have this package too."""
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise BadInput("--cluster needs the cluster extra: pip install 'controller-sim[cluster]'") from None
    try:
        client: AbstractContextManager[Any] = Client(address, timeout=10)
    except (OSError, ValueError) as error:
        raise BadInput(f"--cluster {address}: {error}") from None
    return client


def _progress(sessions: int | None, limit_us: int | None) -> Callable[[Found], bool]:
    """Shows how far a search has come, and says when it is to end."""
    from time import monotonic_ns

    start_ns = monotonic_ns()

    def go_on(found: Found) -> bool:
        passed_us = (monotonic_ns() - start_ns) // 1000
        part = min(1.0, found.coverage.sessions / sessions if sessions else passed_us / max(limit_us or 1, 1))
        bar = "#" * round(20 * part)
        show_progress(f"[{bar:20}] {part:4.0%}  {found.coverage.sessions:,} sessions, {found.coverage.edges:,} edges")
        return not found.findings and (limit_us is None or passed_us < limit_us)

    return go_on


class _Told:
    """A finding made small, and its script."""

    def __init__(self, design: Design, finding: Finding) -> None:
        from controller_sim.verify.promises import line_of, promise_watchers
        from controller_sim.verify.scripts import script_of, shows_on_reference
        from controller_sim.verify.searching import Judge
        from controller_sim.verify.shrinking import shrink_finding

        judge = Judge(design, promises=promise_watchers(design))
        self.finding = shrink_finding(judge, finding)
        self.on_reference = shows_on_reference(judge, self.finding)
        self.script = script_of(design, self.finding, self.on_reference, line_of(design, self.finding.name))


def _show(arguments: argparse.Namespace, design: Design, found: Found, told: list[_Told]) -> None:
    from controller_sim.verify.coverage import parts
    from controller_sim.verify.promises import promise_watchers
    from controller_sim.verify.properties import ACCIDENT, ENDLESS, PROPERTIES
    from controller_sim.verify.reached import times_reached

    paint = painter(sys.stdout)
    coverage = found.coverage
    print(f"{paint('played', 'strong')}  {coverage.sessions:,} sessions, {coverage.edges:,} edges, seed {arguments.seed}")
    for each in PROPERTIES:
        times = times_reached(each.name, coverage, design)
        if each.name in found.findings or (each.not_here(design) is None and times is not None):
            judged = "seen  " if each.how == ENDLESS else "kept  "
            by_check = f", check: {', '.join(each.findings)}" if each.findings else ""
            _show_property(each.name, each.name in found.findings, judged, times or 0, by_check)
    for name in promise_watchers(design):
        _show_property(name, name in found.findings, "kept  ", coverage.reached[name])
    for name in found.findings.keys() & {ACCIDENT.name}:
        _show_property(name, True, "kept  ", 0)
    for part in parts(design, coverage):
        print(f"  {paint('reached', 'quiet')} {part.name:24}{part.reached:>6} of {part.total}")
        for text in part.never[:_MOST_NAMED]:
            print(paint(f"          never {text}", "warn"))
        if len(part.never) > _MOST_NAMED:
            print(paint(f"          and {len(part.never) - _MOST_NAMED} more never", "warn"))
    if coverage.ties:
        pairs = ", ".join(sorted(coverage.ties))
        print(f"  {paint('note', 'warn')}    which goes down first matters, even 1 us apart: {pairs}")
    if coverage.backlog_us:
        behind = f"the serial line was at most {coverage.backlog_us / 1000:.1f} ms behind"
        print(f"  {paint('note', 'quiet')}    {behind}{_burst(design, coverage)}")
    for one in told:
        print()
        print(one.script, end="")
    if told and arguments.out:
        print(paint(f"written to {arguments.out}", "quiet"))


def _burst(design: Design, coverage: Coverage) -> str:
    """How near feet came to the largest burst."""
    from controller_sim.verify.sent import Limits

    if not coverage.burst_bytes:
        return ""
    return f", one gesture gave it {coverage.burst_bytes} of the {Limits(design).most} bytes that one can at once"


def _show_property(name: str, broken: bool, judged: str, times: int, by_check: str = "") -> None:
    paint = painter(sys.stdout)
    state = paint("BROKEN", "bad") if broken else paint(judged, "good") if times else paint("unseen", "warn")
    print(f"  {state}  {name:24}{paint(f'{times:>11,} times to check{by_check}', 'quiet')}")


def _json(arguments: argparse.Namespace, design: Design, found: Found, told: list[_Told]) -> dict[str, Any]:
    from controller_sim.verify.coverage import parts
    from controller_sim.verify.promises import promise_watchers
    from controller_sim.verify.properties import PROPERTIES
    from controller_sim.verify.reached import times_reached

    coverage = found.coverage
    reached = parts(design, coverage)
    return {
        "design": arguments.design,
        "seed": arguments.seed,
        "sessions": coverage.sessions,
        "edges": coverage.edges,
        "serial_backlog_us": coverage.backlog_us,
        "serial_burst_bytes": coverage.burst_bytes,
        "properties": [
            {
                "name": each.name,
                "says": each.line,
                "decided": each.how,
                "decided_by_check": each.findings,
                "does_not_apply": each.not_here(design),
                "of_design": each.of_design,
                "checked": times_reached(each.name, coverage, design),
                "broken": each.name in found.findings,
            }
            for each in PROPERTIES
        ],
        "promises": [
            {"name": promise.name, "line": promise.place.line, "checked": coverage.reached[name], "broken": name in found.findings}
            for promise, name in zip(design.promises, promise_watchers(design), strict=True)
        ],
        "coverage": [{"of": part.name, "reached": part.reached, "total": part.total, "never": part.never} for part in reached],
        "order_matters": dict(coverage.ties),
        "findings": [
            {
                "property": one.finding.name,
                "time_us": one.finding.wrong.time_us,
                "text": one.finding.wrong.text,
                "session": one.finding.session,
                "on_reference": one.on_reference,
                "script": one.script,
            }
            for one in told
        ],
    }
