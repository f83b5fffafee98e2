"""What `check` says, as lines of text and as plain data; the parts of the design itself come from the view."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from controller_sim.verify.checking import Checked
from controller_sim.verify.findings import ERROR, NOTE, SEVERITIES, WARNING, Finding
from controller_sim.verify.latency import Latency, Load, Sending, Span, title_of
from controller_sim.verify.meanings import does
from controller_sim.verify.reach import Reach, Run
from controller_sim.verify.verdict import Item
from controller_sim.view.report import as_json as parts_json
from controller_sim.view.report import report_lines as parts_lines
from controller_sim.view.words import Paint, duration, gesture_title, plural, response_title, unpainted

_STYLES = {ERROR: "bad", WARNING: "warn", NOTE: "quiet"}
_AMOUNTS = {"serial": "byte", "usb": "packet"}


def check_json(checked: Checked, strict: bool = False) -> dict[str, Any]:
    """The whole check as plain data; keys are stable, times are in microseconds, `[best, worst]` where both are told."""
    reach = checked.reach
    return {
        **parts_json(checked.design),
        "gestures": [_gesture_json(reach, run, latency) for run, latency in checked.latencies.items()],
        "responses": [
            {
                "mode": _mode(checked, run),
                "title": response_title(checked.design, checked.design.responses[run.number]),
                "does": list(does(reach, run.procedure)),
                "decided_us": _pair(decided),
                "sends": [_sending_json(each) for each in sending],
            }
            for run, (decided, sending) in checked.responses.items()
        ],
        "bursts": [_load_json(checked, load) for load in checked.loads],
        "scan_us": checked.design.budget.scan_us,
        "budget": [_item_json(item) for item in checked.budget],
        "findings": [_finding_json(finding) for finding in checked.findings],
        "counts": {severity: checked.count(severity) for severity in SEVERITIES},
        "passes": checked.passes(strict),
    }


def _mode(checked: Checked, run: Run) -> str:
    assert run.mode is not None
    return checked.design.modes[run.mode].name


def _pair(span: Span) -> list[int]:
    return [span.best_us, span.worst_us]


def _gesture_json(reach: Reach, run: Run, latency: Latency) -> dict[str, Any]:
    design, binding = reach.design, reach.design.bindings[run.number]
    return {
        "mode": design.modes[binding.mode].name,
        "gesture": gesture_title(design, binding),
        "key": design.keys[binding.key].name,
        "conditional": binding.condition is not None,
        "does": list(does(reach, run.procedure)),
        "edge": latency.edge,
        "waits_for": list(latency.waits_for),
        "debounce_us": _pair(latency.debounce),
        "wait_us": _pair(latency.wait),
        "decided_us": _pair(latency.decided),
        "sends": [_sending_json(each) for each in latency.sending],
    }


def _sending_json(each: Sending) -> dict[str, Any]:
    return {"port": each.port, "first_us": _pair(each.first), "last_us": _pair(each.last), "all_us": each.all_us, "most": each.most}


def _load_json(checked: Checked, load: Load) -> dict[str, Any]:
    return {
        "port": load.port,
        "most": load.most,
        "unit": _AMOUNTS[load.port],
        "busy_us": load.busy_us,
        "by": title_of(checked.design, load.run),
        "clock_jitter_us": load.jitter_us,
        "clock_jitter_without_priority_us": load.jitter_behind_us,
    }


def _item_json(item: Item) -> dict[str, Any]:
    unit = "" if item.name == "buffer" else "_us"
    return {
        "name": item.name,
        f"worst{unit}": item.worst,
        f"allowed{unit}": item.allowed,
        "stated": item.stated,
        "fits": item.fits,
        "by": item.by,
        "source": item.source,
    }


def _finding_json(finding: Finding) -> dict[str, Any]:
    place = finding.place
    return {
        "severity": finding.severity,
        "code": finding.code,
        "message": finding.message,
        "subjects": list(finding.subjects),
        "file": place.file if place else None,
        "line": place.line if place else None,
        "column": place.column if place else None,
        "source": finding.source or None,
    }


def check_lines(checked: Checked, strict: bool = False, paint: Paint = unpainted) -> Iterator[str]:
    """The whole check as text, line by line."""
    yield from parts_lines(checked.design, paint)
    yield ""
    yield paint("what each gesture means, and how long it takes", "strong")
    yield from _debounce_lines(checked)
    yield from _meaning_lines(checked, paint)
    if checked.loads:
        yield ""
        yield paint("what one action sends at most", "strong")
        yield from _load_lines(checked)
    if checked.findings:
        yield ""
        yield paint("findings", "strong")
        for finding in checked.findings:
            yield from _finding_lines(finding, paint)
    yield ""
    yield from _verdict_lines(checked, strict, paint)


def _debounce_lines(checked: Checked) -> Iterator[str]:
    timing = checked.design.timing
    for name, debounce in (("press", timing.press), ("release", timing.release)):
        if debounce.time_us == 0:
            yield f"  every {name}: counts at once, contacts are not debounced"
        elif debounce.kind == "settle":
            yield f"  every {name}: {duration(debounce.time_us)} until the contact has settled"
        else:
            yield f"  every {name}: counts at once, then the contact is not believed for {duration(debounce.time_us)}"
    scan = duration(checked.design.budget.scan_us)
    yield f"  times: from the contact to the gesture, then to the last byte, best..worst; the line idle, {scan} between two looks"


def _meaning_lines(checked: Checked, paint: Paint) -> Iterator[str]:
    design, reach = checked.design, checked.reach
    rows: dict[int, dict[tuple[str, ...], list[str]]] = {}
    for run, latency in checked.latencies.items():
        binding = design.bindings[run.number]
        key = design.keys[binding.key].name
        before, _, after = gesture_title(design, binding).partition(f" {key}")
        when = " when ..." if binding.condition is not None else ""
        waits = f"waits for {', '.join(latency.waits_for)}" if latency.waits_for else ""
        told = (before, after + when, _times(latency.decided, latency.sending), waits, "; ".join(does(reach, run.procedure)) or "nothing")
        keys = rows.setdefault(binding.mode, {}).setdefault(told, [])
        if key not in keys:
            keys.append(key)
    for run, (decided, sending) in checked.responses.items():
        assert run.mode is not None
        title = response_title(design, design.responses[run.number])
        told = (title, "", _times(decided, sending), "", "; ".join(does(reach, run.procedure)) or "nothing")
        rows.setdefault(run.mode, {}).setdefault(told, [])
    for mode in sorted(rows):
        yield paint(f"  {design.modes[mode].name}", "strong")
        for (before, after, times, waits, meaning), keys in rows[mode].items():
            gesture = f"{before} {', '.join(keys)}".rstrip() + after
            yield f"    {gesture}: {meaning}"
            yield paint(f"        {times}{'; ' if waits else ''}{waits}", "quiet")


def _times(decided: Span, sending: tuple[Sending, ...]) -> str:
    told = [_range(decided)]
    for each in sending:
        more = f", with its delayed ones {duration(each.all_us)}" if each.all_us > each.last.worst_us else ""
        told.append(f"{each.port} {_range(each.last)}{more}")
    return "; ".join(told)


def _range(span: Span) -> str:
    """Both ends in milliseconds, rounded outwards to tenths, so that neither promises too much."""
    best, worst = span.best_us // 100, -(-span.worst_us // 100)
    return f"{_tenths(best)}..{_tenths(worst)} ms" if best != worst else f"{_tenths(best)} ms"


def _tenths(amount: int) -> str:
    whole, rest = divmod(amount, 10)
    return f"{whole}.{rest}" if rest else f"{whole}"


def _load_lines(checked: Checked) -> Iterator[str]:
    for load in checked.loads:
        amount = plural(load.most, _AMOUNTS[load.port])
        yield f"  {load.port}: {amount} by {title_of(checked.design, load.run)}; what comes behind waits up to {duration(load.busy_us)}"
        if load.jitter_us:
            yield (
                f"  MIDI clock on {load.port}: at most {duration(load.jitter_us)} late if real-time bytes go first, "
                f"{duration(load.jitter_behind_us)} if the transmit queue is strictly in order"
            )


def _finding_lines(finding: Finding, paint: Paint) -> Iterator[str]:
    place = f"{finding.place.file}:{finding.place.line}: " if finding.place else ""
    yield f"  {paint(finding.severity, _STYLES[finding.severity])} {place}{finding.message} {paint(f'[{finding.code}]', 'quiet')}"
    if finding.source:
        yield paint(f"      {finding.source}", "quiet")


def _verdict_lines(checked: Checked, strict: bool, paint: Paint) -> Iterator[str]:
    for item in checked.budget:
        sizes = (item.worst, item.allowed)
        worst, allowed = (f"{size} bytes" if item.name == "buffer" else duration(size) for size in sizes)
        fits = paint("ok  ", "good") if item.fits else paint("over", "bad")
        yield f"  {fits} {item.name}: {worst} at worst ({item.by}); {'budget' if item.stated else 'published'} {allowed}"
    counts = ", ".join(plural(checked.count(severity), severity) for severity in SEVERITIES)
    passes = checked.passes(strict)
    yield paint("passes" if passes else "fails", "good" if passes else "bad") + f": {counts}"
