"""The text of a run's failures, what was expected beside what came."""

from __future__ import annotations

from controller_sim.script.player import Failure, Run
from controller_sim.script.printer import duration_text

_GAP = "  |  "


def report(run: Run) -> str:
    """One line for a run that passed; otherwise each failure at its line of the script, side by side."""
    if run.passed:
        return f"{run.script.file}: passed ({len(run.script.steps)} steps, {duration_text(run.end_us)})"
    count = len(run.failures)
    blocks = [report_failure(run, failure) for failure in run.failures]
    return "\n".join([*blocks, f"{run.script.file}: {count} expectation{'s' if count > 1 else ''} failed"])


def report_failure(run: Run, failure: Failure) -> str:
    """`file:line: ...`, the line itself, then two columns: expected, came."""
    source = run.script.line_text(failure.line).strip() or failure.step
    head = f"{run.script.file}:{failure.line}: not met at {duration_text(failure.time_us)}\n    {source}"
    left = ["expected", failure.expected]
    right = ["came", *failure.came]
    width = max(map(len, left))
    rows = max(len(left), len(right))
    left += [""] * (rows - len(left))
    right += [""] * (rows - len(right))
    return "\n".join([head, *(f"    {a:<{width}}{_GAP}{b}".rstrip() for a, b in zip(left, right, strict=True))])
