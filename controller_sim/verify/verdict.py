"""Whether a design fits its budget: what it promises itself, or else what published texts would ask of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from controller_sim.design.form import SERIAL, Design
from controller_sim.verify.bursts import most_delayed
from controller_sim.verify.findings import ERROR, NO_SOURCE, NOTE, WARNING, Finding
from controller_sim.verify.latency import Latencies, Latency, title_of
from controller_sim.verify.reach import Run
from controller_sim.view.words import duration

JUDGED = {"latency": "press", "release": "release", "tap": "tap"}
"""Names in the budget and their gestures; the others take as long as they are asked to."""
LATENCY_US = 10_000
JITTER_US = 3_000
LATENCY = (
    "R. Jack, A. Mehrabi, T. Stockman, A. McPherson 2018, Music Perception 36:109: "
    "10 ms is rated as good as none, 20 ms and 10 +/- 3 ms are not"
)
TAP_US = 500_000
TAP = "the longest published double-click time: SetDoubleClickTime, 500 ms"


@dataclass(frozen=True, slots=True)
class Item:
    """One line of the verdict: what the worst is, and what is allowed."""

    name: str
    """latency, tap, jitter or buffer: the name in the budget."""
    worst: int
    """In microseconds; of buffer, in bytes."""
    allowed: int
    stated: bool
    """Whether the design itself says so; else it is a published figure."""
    by: str
    """Where the worst is met."""
    source: str

    @property
    def fits(self) -> bool:
        return self.worst <= self.allowed


def items(latencies: Latencies, of: dict[Run, Latency]) -> list[Item]:
    """Every item of the budget that the design has something for. The buffer only where it is stated."""
    design, found = latencies.design, []
    budget = design.budget
    for name, allowed_us, default_us, source in (
        ("latency", budget.latency_us, LATENCY_US, LATENCY),
        ("release", budget.release_us, None, ""),
        ("tap", budget.tap_us, TAP_US, TAP),
    ):
        worst = max(_waits(design, name, of), default=None, key=lambda each: each[0])
        stated = allowed_us is not None
        allowed = allowed_us if allowed_us is not None else default_us
        if worst is not None and allowed is not None:
            found.append(Item(name, worst[0], allowed, stated, title_of(design, worst[1]), "" if stated else source))
    load = latencies.load(SERIAL)
    if load is not None and load.jitter_us:
        worst_us, stated = load.jitter_us + budget.scan_us, budget.jitter_us is not None
        allowed = budget.jitter_us if budget.jitter_us is not None else JITTER_US
        found.append(Item("jitter", worst_us, allowed, stated, "the MIDI clock on the serial line", "" if stated else LATENCY))
    if load is not None and budget.buffer_bytes is not None:
        found.append(Item("buffer", load.most, budget.buffer_bytes, True, title_of(design, load.run), ""))
    return found


def _waits(design: Design, name: str, of: dict[Run, Latency]) -> Iterator[tuple[int, Run]]:
    for run, latency in of.items():
        if JUDGED[name] != design.bindings[run.number].gesture:
            continue
        if name == "tap":
            yield latency.decided.worst_us, run
        elif latency.sending:
            yield max(each.last.worst_us for each in latency.sending), run


def budget_findings(latencies: Latencies, of: dict[Run, Latency]) -> Iterator[Finding]:
    """What does not fit, and what one action hands over that cannot wait or leave in time."""
    design, scan_us = latencies.design, latencies.design.budget.scan_us
    allowed = {item.name: item for item in items(latencies, of)}
    for name, item in allowed.items():
        severity = ERROR if item.stated else WARNING
        if name in JUDGED:
            for worst_us, run in _waits(design, name, of):
                if worst_us > item.allowed:
                    yield _over(severity, name, latencies, of[run], run, worst_us, item)
        elif not item.fits:
            unit = (
                f"{item.worst} bytes, more than the {item.allowed}"
                if name == "buffer"
                else f"up to {duration(item.worst)}, more than the {duration(item.allowed)}"
            )
            yield Finding(severity, f"budget-{name}", (item.by,), f"{unit} of {_whose(item)}", None, item.source)
    yield from _queue(latencies)
    load = latencies.load(SERIAL)
    if load is not None and "latency" in allowed and load.busy_us > allowed["latency"].allowed:
        says = f"keeps the serial line busy for {duration(load.busy_us)}: what is pressed meanwhile comes so much later"
        yield Finding(NOTE, "long-burst", (title_of(design, load.run),), says, load.run.place)
    if scan_us > LATENCY_US:
        yield Finding(
            WARNING, "scan-slow", ("scan",), f"{duration(scan_us)} between two looks is most of what a foot feels", None, NO_SOURCE
        )


def _whose(item: Item) -> str:
    return "the budget" if item.stated else "published figures"


def _over(severity: str, name: str, latencies: Latencies, latency: Latency, run: Run, worst_us: int, item: Item) -> Finding:
    waits = f", of which up to {duration(latency.wait.worst_us)} for {', '.join(latency.waits_for)}" if latency.waits_for else ""
    to = "the tap" if name == "tap" else "the last byte"
    says = f"up to {duration(worst_us)} to {to}{waits}; {_whose(item)} {'allows' if item.stated else 'allow'} {duration(item.allowed)}"
    return Finding(severity, f"budget-{name}", (title_of(latencies.design, run),), says, run.place, item.source)


def _queue(latencies: Latencies) -> Iterator[Finding]:
    """An action that delays more messages than can wait makes its own first ones leave at once."""
    reach = latencies.reach
    room = reach.design.delayed_messages
    for run in reach.all_runs:
        delayed = most_delayed(reach, run.procedure)
        if delayed > room:
            says = f"can delay {delayed} messages, but only {room} can wait: the first leave too early"
            yield Finding(ERROR, "delayed-overflow", (title_of(reach.design, run),), says, run.place)
