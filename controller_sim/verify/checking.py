"""All that can be said of a design without playing it: what each gesture means and when, what is wrong, and whether it fits its budget."""

from __future__ import annotations

from dataclasses import dataclass

from controller_sim.design.form import SERIAL, USB, Design
from controller_sim.verify.findings import ERROR, NOTE, SEVERITIES, WARNING, Finding, merged
from controller_sim.verify.hiding import hidden
from controller_sim.verify.latency import Latencies, Latency, Load, Sending, Span
from controller_sim.verify.ranges import ranges
from controller_sim.verify.reach import Reach, Run
from controller_sim.verify.unused import unused
from controller_sim.verify.verdict import Item, budget_findings, items

__all__ = ["ERROR", "NOTE", "SEVERITIES", "WARNING", "Checked", "Finding", "check"]


@dataclass(frozen=True, slots=True)
class Checked:
    """What `check` knows of a design. The findings are ordered by severity, then by place."""

    reach: Reach
    latencies: dict[Run, Latency]
    """Of every binding of a mode that can be current."""
    responses: dict[Run, tuple[Span, tuple[Sending, ...]]]
    loads: tuple[Load, ...]
    budget: tuple[Item, ...]
    findings: tuple[Finding, ...]

    @property
    def design(self) -> Design:
        return self.reach.design

    def count(self, severity: str) -> int:
        return sum(finding.severity == severity for finding in self.findings)

    def passes(self, strict: bool = False) -> bool:
        """Whether nothing is wrong; `strict` counts warnings as wrong."""
        return not self.count(ERROR) and not (strict and self.count(WARNING))


def check(design: Design) -> Checked:
    """Everything static about a design, in a few milliseconds. A budget that is stated and broken is an error."""
    reach = Reach(design)
    latencies = Latencies(reach)
    of = {run: latencies.of(run) for run in reach.all_runs if run.what == "binding"}
    responses = {run: latencies.of_response(run) for run in reach.all_runs if run.what == "response"}
    loads = tuple(load for port in (SERIAL, USB) if (load := latencies.load(port)) is not None)
    told = [Finding(WARNING, "storage", (), text) for text in design.warnings]
    findings = merged([*hidden(reach), *unused(reach), *ranges(latencies), *budget_findings(latencies, of), *told])
    return Checked(reach, of, responses, loads, tuple(items(latencies, of)), findings)
