"""A finding as a press script: what the feet did, in the script language, and what should have come of it."""

from __future__ import annotations

from controller_sim.design.form import Design
from controller_sim.reference import ReferenceEngine
from controller_sim.script.recorder import record_history, retell
from controller_sim.simulator import History, Input
from controller_sim.verify.properties import BY_NAME
from controller_sim.verify.searching import ACCIDENT, Finding, Judge
from controller_sim.verify.shrinking import KEYS


def shows_on_reference(judge: Judge, finding: Finding) -> bool:
    """Whether the readable engine breaks the same property on the same sessions: then it is the design that does."""
    readable = Judge(judge.design, ReferenceEngine, judge.promises)
    try:
        last = judge.last_session(finding.history)
        # It may have been made smaller with another key than it was found with.
        return any(readable.check(finding.name, last, key) is not None for key in (f"{finding.seed}.{finding.session}", *KEYS))
    except Exception:  # as in a search: whatever a broken engine raises
        return finding.name == ACCIDENT


def script_of(design: Design, finding: Finding, on_reference: bool, line: str | None = None) -> str:
    """The text of a press script, with what is wrong as a comment at its head.

    Where only the engine that was tried is wrong, the script demands what the readable engine does; where the design itself is,
    there is nothing else to demand, and the script only shows it. `line` says what the property is, if it is not a built-in one.
    """
    history = _played(finding)
    text = retell(design, history) if on_reference else record_history(design, history)
    return "".join(f"# {comment}\n" for comment in comments(finding, on_reference, line)) + text


def _played(finding: Finding) -> History:
    """The history of a finding, with what was played on after its end."""
    history, onward = finding.history, finding.wrong.onward
    if not onward:
        return history
    inputs = [Input(history.end_us + after_us, "contacts", word) for after_us, word in onward]
    before = [history.inputs[-1].contacts if history.inputs else 0, *(word for _, word in onward)]
    changes = [each for word, each in zip(before, inputs, strict=False) if each.contacts != word]
    return History((*history.inputs, *changes), inputs[-1].time_us)


def comments(finding: Finding, on_reference: bool, line: str | None = None) -> list[str]:
    """What is wrong, in lines for people."""
    if on_reference:
        told = "The readable engine does the same: it is the design that asks for it."
    else:
        told = "The readable engine does not: what follows demands what it does."
    if line is None:
        line = BY_NAME[finding.name].line if finding.name in BY_NAME else "A promise of this design."
    return [
        f"{finding.name}: {line}",
        f"Here: {finding.wrong.text}.",
        told,
        f"Found with seed {finding.seed} in session {finding.session}, then made smaller.",
    ]
