"""What a design declares and never comes to: modes, procedures, switches, devices, cells, LEDs, drafts, notices."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from controller_sim.design.form import Cell, Design, Mode, Moved
from controller_sim.design.forms import FIELD, LABEL_SHOWN
from controller_sim.design.intervals import walk
from controller_sim.design.program import (
    Call,
    CancelDraft,
    Constant,
    Enter,
    Expression,
    For,
    If,
    Notice,
    Position,
    Restart,
    SaveDraft,
    Send,
    SetCell,
    Statement,
)
from controller_sim.design.steps import statements_in
from controller_sim.verify.findings import NOTE, WARNING, Finding
from controller_sim.verify.reach import Reach, Run, cells_in, operands

_DECLARED = re.compile(r"\w+")
"""The names of procedures of the file; what a binding or a form runs is named with a colon."""
PANIC = "panic"


def unused(reach: Reach) -> Iterator[Finding]:
    """Everything that is there for nothing."""
    yield from _modes(reach)
    yield from _procedures(reach)
    yield from _surroundings(reach)
    yield from _cells(reach)
    yield from _starts(reach)
    for number in sorted(reach.modes):
        yield from _draft(reach, number)
        yield from _form(reach, number)
    yield from _leds(reach)
    yield from _notices(reach)


def _modes(reach: Reach) -> Iterator[Finding]:
    design = reach.design
    for number, mode in enumerate(design.modes):
        if number not in reach.modes:
            yield Finding(WARNING, "mode-never-entered", (mode.name,), "nothing ever enters this mode", mode.place)
        elif design.home not in reach.reachable_from(number):
            home = design.modes[design.home].name
            yield Finding(WARNING, "no-way-home", (mode.name,), f"no gesture, timer or message leads from here back to {home}", mode.place)
    panics = [run for run in reach.all_runs if any(_is_panic(reach, each) for each in (run.procedure, *_callees(reach, run.procedure)))]
    if panics:
        for number in sorted(reach.modes - {run.mode for run in panics}):
            mode = design.modes[number]
            yield Finding(NOTE, "no-panic-here", (mode.name,), "nothing here runs panic(), which other modes have", mode.place)


def _callees(reach: Reach, procedure: int) -> list[int]:
    return [each.procedure for each in reach.statements(procedure) if isinstance(each, Call)]


def _is_panic(reach: Reach, procedure: int) -> bool:
    return reach.design.procedures[procedure].name == PANIC


def _procedures(reach: Reach) -> Iterator[Finding]:
    for number, procedure in enumerate(reach.design.procedures):
        if number not in reach.procedures and _DECLARED.fullmatch(procedure.name) and procedure.name != PANIC:
            yield Finding(WARNING, "procedure-never-run", (procedure.name,), "nothing that can happen runs this procedure", procedure.place)


def _surroundings(reach: Reach) -> Iterator[Finding]:
    """Switches, pedals and devices."""
    design = reach.design
    bindings = [design.bindings[run.number] for run in reach.all_runs if run.what == "binding"]
    used = 0
    for each in bindings:
        used |= design.keys[each.key].mask
    for power_on in design.power_on:
        used |= power_on.mask
    for number, name in enumerate(design.switches):
        if not used >> number & 1:
            yield Finding(WARNING, "switch-unbound", (f"switch {name}",), "means nothing in any mode", None)
    read = {part.pedal for each in _evaluated(reach) for part in walk(each) if isinstance(part, Position)}
    for number in sorted(reach.modes):
        causes = (design.responses[each].cause for each in design.modes[number].responses)
        read |= {cause.pedal for cause in causes if isinstance(cause, Moved)}
    for number, pedal in enumerate(design.pedals):
        if number not in read:
            yield Finding(WARNING, "pedal-unused", (f"pedal {pedal.name}",), "nothing reads it and its moves mean nothing", None)
    sends = [each for number in reach.procedures for each in statements_in(design.procedures[number].body) if isinstance(each, Send)]
    sounded = {(each.data[0].low & 15, port) for each in sends if each.data[0].low < 0xF0 for port in (1, 2) if each.ports & port}
    heard = {(response.cause.status & 15) for response in design.responses if not isinstance(response.cause, Moved)}
    system = {port for each in sends if each.data[0].low >= 0xF0 for port in (1, 2) if each.ports & port}
    for device in design.devices:
        ports = [port for port in (1, 2) if device.ports & port]
        if not any((device.channel, port) in sounded or port in system for port in ports) and device.channel not in heard:
            yield Finding(NOTE, "device-unused", (f"device {device.name}",), "nothing is ever sent to it or expected from it", None)


def _bodies(reach: Reach) -> Iterator[Statement]:
    """Every statement that can ever run, once."""
    for number in sorted(reach.procedures):
        yield from statements_in(reach.design.procedures[number].body)


def _evaluated(reach: Reach) -> Iterator[Expression]:
    """Every expression that can ever be evaluated, by statements or for display, LEDs, conditions and responses."""
    for statement in _bodies(reach):
        yield from operands(statement)
    for number in sorted(reach.modes):
        mode = reach.design.modes[number]
        yield from reach.shown(mode)
        for each in mode.responses:
            yield from reach.design.responses[each].arguments


def is_of_forms(design: Design, cell: Cell) -> bool:
    """Whether the loader made a cell for the design's forms; a design without any may have cells of these names."""
    return cell.name in (FIELD, LABEL_SHOWN) and any(procedure.name.endswith(": form_value") for procedure in design.procedures)


def _cells(reach: Reach) -> Iterator[Finding]:
    design = reach.design
    read: set[int | None] = set()
    for statement in _bodies(reach):
        found = cells_in(operands(statement))
        # What only goes back into the cell itself tells nobody anything.
        read |= found - {statement.cell} if isinstance(statement, SetCell) and not _in_index(statement) else found
    for number in sorted(reach.modes):
        mode = design.modes[number]
        read |= cells_in(reach.shown(mode))
        read |= cells_in([argument for each in mode.responses for argument in design.responses[each].arguments])
    for number, cell in enumerate(design.cells):
        if is_of_forms(design, cell):
            continue
        if number not in read and None not in read:
            what = (
                "nothing reads it" + (", though it is kept without power" if cell.keep else "")
                if number in reach.assigned
                else "nothing reads or sets it"
            )
            yield Finding(WARNING, "cell-never-read", (f"cell {cell.name}",), what, cell.place)
        elif number not in reach.assigned and (not cell.shape or cell.keep):
            why = "nothing ever changes it: a number would do" if not cell.keep else "is kept without power, but nothing ever changes it"
            yield Finding(NOTE, "cell-never-set", (f"cell {cell.name}",), why, cell.place)


def _in_index(statement: SetCell) -> bool:
    return statement.index is not None and statement.cell in cells_in([statement.index])


def _starts(reach: Reach) -> Iterator[Finding]:
    """Start values and kept values that are always overwritten before anything reads them."""
    design = reach.design
    for number, cell in enumerate(design.cells):
        worth = cell.keep or cell.start != (0 if cell.low <= 0 <= cell.high else cell.low)
        if cell.shape or not worth or number not in reach.assigned or is_of_forms(design, cell):
            continue
        if all(_sets_first(reach, mode, number) for mode in sorted(reach.modes)) and _quiet_at_power_on(reach, number):
            if not any(_reads_at_all(reach, mode, number) for mode in reach.modes):
                continue
            what = "what is kept without power" if cell.keep else f"its start value {cell.start}"
            says = f"{what} is never seen: every mode that reads it sets it first, on entering"
            yield Finding(WARNING if cell.keep else NOTE, "start-never-seen", (f"cell {cell.name}",), says, cell.place)


def _reads_at_all(reach: Reach, number: int, cell: int) -> bool:
    mode = reach.design.modes[number]
    shown = cells_in([*reach.shown(mode), *(argument for each in mode.responses for argument in reach.design.responses[each].arguments)])
    return not shown.isdisjoint((cell, None)) or any(_run_reads(reach, run, cell) for run in reach.runs(number) if run.what != "enter")


def _run_reads(reach: Reach, run: Run, cell: int) -> bool:
    return any(not cells_in(operands(each)).isdisjoint((cell, None)) for each in reach.statements(run.procedure))


def _quiet_at_power_on(reach: Reach, cell: int) -> bool:
    return not any(_run_reads(reach, run, cell) for run in reach.at_power_on)


def _sets_first(reach: Reach, number: int, cell: int) -> bool:
    """Whether a mode does not read a cell, or sets it on every way through its enter action, which does not read it before."""
    enter = reach.design.modes[number].enter
    reads_on_entering = enter is not None and any(
        not cells_in(operands(each)).isdisjoint((cell, None)) for each in reach.statements(enter.procedure)
    )
    if not _reads_at_all(reach, number, cell) and not reads_on_entering:
        return True
    return (
        enter is not None
        and not reads_on_entering
        and reach.always(enter.procedure, lambda each: isinstance(each, SetCell) and each.cell == cell and each.index is None)
    )


def _draft(reach: Reach, number: int) -> Iterator[Finding]:
    design, mode = reach.design, reach.design.modes[number]
    if not mode.draft:
        return
    statements = [each for run in reach.runs(number) for each in reach.statements(run.procedure)]
    changed = {each.cell for each in statements if isinstance(each, SetCell)}
    names = [design.cells[cell].name for cell in mode.draft if cell not in changed]
    if names:
        yield Finding(WARNING, "draft-never-changed", tuple(names), f"drafted in {mode.name}, where nothing changes it", mode.place)
    if mode.on_other_exit == "cancel" and not any(isinstance(each, SaveDraft) for each in statements):
        cells = tuple(design.cells[cell].name for cell in mode.draft if cell in changed)
        if cells:
            says = f"drafted in {mode.name}, but nothing there saves, and leaving cancels: no change ever lasts"
            yield Finding(WARNING, "draft-never-saved", cells, says, mode.place)
    leaves = any(isinstance(each, Enter | Restart) for each in statements)
    if not leaves and mode.on_other_exit == "save" and not any(isinstance(each, SaveDraft | CancelDraft) for each in statements):
        says = f"drafted in {mode.name}, which nothing leaves or saves: no change outlasts the power"
        yield Finding(WARNING, "draft-never-saved", tuple(design.cells[cell].name for cell in mode.draft), says, mode.place)


def _form(reach: Reach, number: int) -> Iterator[Finding]:
    mode = reach.design.modes[number]
    name = f"{mode.name}: form_value"
    for procedure, each in enumerate(reach.design.procedures):
        if each.name == name and procedure not in reach.procedures:
            yield Finding(
                WARNING,
                "form-never-edited",
                (f"the form of {mode.name}",),
                "nothing calls form_value(), so no field ever changes",
                mode.place,
            )


def _leds(reach: Reach) -> Iterator[Finding]:
    design = reach.design
    for led, name in enumerate(design.leds):
        shows = [_led_of(design.modes[number], led) for number in sorted(reach.modes)]
        if all(each.low == each.high == 0 for each in shows):
            yield Finding(WARNING, "led-never-lit", (f"LED {name}",), "is off in every mode", None)


def _led_of(mode: Mode, led: int) -> Expression:
    return mode.leds[led] if mode.leds else Constant(0, 0)


def _notices(reach: Reach) -> Iterator[Finding]:
    """Of two notices of one action the later covers the earlier before anybody has seen it."""
    for number in sorted(reach.procedures):
        procedure = reach.design.procedures[number]
        if _covered(procedure.body):
            yield Finding(
                WARNING, "notice-covered", (procedure.name,), "one notice always covers another before it is seen", procedure.place
            )


def _covered(body: Sequence[Statement]) -> bool:
    notices = [each for each in body if isinstance(each, Notice)]
    inner = [part for each in body for part in _parts(each)]
    return len(notices) > 1 or any(_covered(part) for part in inner)


def _parts(statement: Statement) -> tuple[Sequence[Statement], ...]:
    match statement:
        case If(_, then, otherwise):
            return then, otherwise
        case For(body=inner):
            return (inner,)
    return ()
