"""What can be said of each binding before anything runs, worked out from the intermediate form alone and not from the engine's tables."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from controller_sim.design import program
from controller_sim.design.form import Action, Binding, Design
from controller_sim.design.program import Statement
from controller_sim.design.steps import actions_without_gesture, statements_in

PRESSED, HELD, REPEATED, DOUBLED, TAPPED = 1, 2, 4, 8, 16


@dataclass(frozen=True, slots=True)
class Fact:
    """One binding. Times in microseconds."""

    number: int
    mode: int
    key: int
    members: tuple[int, ...]
    mask: int
    me: int
    """What the accounts call its key: 1 a switch alone, 2 + key a chord."""
    eager: bool
    grouped: bool
    """Whether the key can come out of a group of pending switches in its mode."""
    waits: bool
    """Whether a double is bound on the key in its mode, so that a tap may have waited."""
    hold_us: int
    may_be_eager: bool
    """Whether an eager press is bound on the switch in any mode."""
    pair: int
    """The number of the pair of press and release that it belongs to, -1: none that always comes as a pair."""


@dataclass(frozen=True, slots=True)
class Must:
    """What a single switch that is in no chord of a mode must do by the time it goes up, whatever the memory holds."""

    flags: int
    """PRESSED where a press is bound."""
    hold_us: int
    """The shortest hold, 0: none."""
    tap: bool
    """Whether a press that nothing else took taps at once."""


def facts(design: Design) -> list[Fact]:
    """One for each binding, in their order."""
    by_key = _by_key(design)
    pairs = {pair: number for number, pair in enumerate(sorted(_pairs(by_key)))}
    eager = {design.keys[b.key].members[0] for b in design.bindings if b.eager}
    chorded = _chorded(design)
    return [
        Fact(
            number=number,
            mode=b.mode,
            key=b.key,
            members=design.keys[b.key].members,
            mask=design.keys[b.key].mask,
            me=1 if b.key < len(design.switches) else 2 + b.key,
            eager=b.eager,
            grouped=bool(design.keys[b.key].mask & chorded[b.mode]),
            waits=any(other.gesture == "double" for other in by_key[b.mode, b.key]),
            hold_us=b.hold_us,
            may_be_eager=b.key in eager,
            pair=pairs.get((b.mode, b.key), -1) if b.gesture in ("press", "release") else -1,
        )
        for number, b in enumerate(design.bindings)
    ]


def musts(design: Design) -> list[list[Must]]:
    """For each mode and switch; nothing where a chord, a double or a condition has a say."""
    by_key, chorded = _by_key(design), _chorded(design)
    found = []
    for mode in range(len(design.modes)):
        row = []
        for s in range(len(design.switches)):
            mine = by_key[mode, s]
            free = not chorded[mode] >> s & 1 and not any(b.condition is not None or b.gesture == "double" or b.eager for b in mine)
            bound = {b.gesture for b in mine} if free else set()
            held = [b.hold_us for b in mine if b.gesture == "hold"] if free else []
            row.append(Must(PRESSED if "press" in bound else 0, min(held, default=0), "tap" in bound))
        found.append(row)
    return found


def unclear_switches(design: Design) -> int:
    """The switches (a mask) of which more than one press can be under way, since a tap of theirs may wait for a double."""
    mask = 0
    for b in design.bindings:
        if b.gesture == "double":
            mask |= design.keys[b.key].mask
    return mask


def _by_key(design: Design) -> defaultdict[tuple[int, int], list[Binding]]:
    by_key: defaultdict[tuple[int, int], list[Binding]] = defaultdict(list)
    for b in design.bindings:
        by_key[b.mode, b.key].append(b)
    return by_key


def _pairs(by_key: dict[tuple[int, int], list[Binding]]) -> Iterator[tuple[int, int]]:
    for where, bindings in by_key.items():
        mine = [b for b in bindings if b.gesture in ("press", "release")]
        if sorted(b.gesture for b in mine) == ["press", "release"] and all(b.condition is None for b in mine):
            yield where


def _chorded(design: Design) -> list[int]:
    """For each mode the switches that are in some chord of it."""
    masks = [0] * len(design.modes)
    for b in design.bindings:
        if b.key >= len(design.switches):
            masks[b.mode] |= design.keys[b.key].mask
    return masks


def statements_of(design: Design, action: Action | int) -> Iterator[Statement]:
    """Every statement that an action (or a procedure, by its number) may run, in what it calls too."""
    todo = [action if isinstance(action, int) else action.procedure]
    seen: set[int] = set()
    while todo:
        number = todo.pop()
        if number in seen:
            continue
        seen.add(number)
        for statement in statements_in(design.procedures[number].body):
            yield statement
            if isinstance(statement, program.Call):
                todo.append(statement.procedure)


def uses(design: Design, kind: type[Statement]) -> bool:
    """Whether any procedure has a statement of a kind."""
    return any(isinstance(statement, kind) for procedure in design.procedures for statement in statements_in(procedure.body))


def restarts(design: Design) -> bool:
    return uses(design, program.Restart)


def note_statements(design: Design, action: Action | int, on: bool) -> bool:
    """Whether an action may send a note-on (or a note-off), now or later."""
    return any(isinstance(s, program.Send) and _is_note(s, on) for s in statements_of(design, action))


def _is_note(send: program.Send, on: bool) -> bool:
    status, velocity = send.data[0], send.data[-1]
    if status.low & 0xF0 != status.high & 0xF0 or status.low & 0xE0 != 0x80:
        return False
    silent = status.low & 0xF0 == 0x80 or velocity.high == 0
    return not silent if on else silent or velocity.low == 0


def loose_note(design: Design) -> str | None:
    """Where a note may begin that no foot's lifting and no length ends, in words; None where all end by themselves."""
    releases = {(b.mode, b.key): b for b in design.bindings if b.gesture == "release" and b.condition is None}
    for b in design.bindings:
        if note_statements(design, b.action, True) and not _ends_itself(design, b.action.procedure):
            release = releases.get((b.mode, b.key)) if b.gesture == "press" and b.condition is None else None
            if release is None or not note_statements(design, release.action, False):
                key, mode = design.keys[b.key].name, design.modes[b.mode].name
                return f"{b.gesture} {key} of {mode} begins a note that stays until something else ends it"
    numbers = [action.procedure for action in actions_without_gesture(design)] + [response.procedure for response in design.responses]
    if any(note_statements(design, number, True) and not _ends_itself(design, number) for number in numbers):
        return "something else than a foot begins a note that stays until something else ends it"
    return "what arrives goes on to the outputs" if design.thru else None


def _ends_itself(design: Design, procedure: int) -> bool:
    """Whether all note-ons that a procedure sends are of the kind with a length: a note-off of the same note is asked for at once."""
    sends = [s for s in statements_of(design, procedure) if isinstance(s, program.Send)]
    on = [s.data[1] for s in sends if _is_note(s, True)]
    off = [s.data[1] for s in sends if s.delay_us and _is_note(s, False)]
    return all(note in off for note in on)
