"""What a check finds: something about a design that its author should know, with a place and, where one is known, a published source."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from controller_sim.design.form import Place

ERROR, WARNING, NOTE = "error", "warning", "note"
SEVERITIES = (ERROR, WARNING, NOTE)
"""error: the design cannot do what it says; warning: it does, but hardly what is meant; note: worth knowing."""
NO_SOURCE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Finding:
    """`code` is stable, for scripts; `subjects` are what the sentence is about, all of one place."""

    severity: str
    code: str
    subjects: tuple[str, ...]
    says: str
    place: Place | None = None
    source: str = ""

    @property
    def message(self) -> str:
        return f"{', '.join(self.subjects)}: {self.says}" if self.subjects else self.says


def merged(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Those that say the same of one place as one; the gravest first, then in the order of the file."""
    found: dict[tuple[object, ...], Finding] = {}
    for each in findings:
        key = (each.severity, each.code, each.says, each.place, each.source)
        if key in found:
            subjects = dict.fromkeys((*found[key].subjects, *each.subjects))
            each = replace(each, subjects=tuple(subjects))
        found[key] = each
    return tuple(sorted(found.values(), key=lambda each: (SEVERITIES.index(each.severity), _line(each), each.code)))


def _line(finding: Finding) -> int:
    return finding.place.line if finding.place else 0
