"""The tables of a design as C99: what is bound where, chords, deadlines' slots, timers, drafts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from controller_sim.design.form import Design, Moved
from controller_sim.design.storage import keeps, layout_of, map_of
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_types import comment, type_bytes

GESTURES = ("press", "release", "tap", "repeat", "double")
NOBODY = 255


@dataclass(slots=True)
class Row:
    """What is bound to a key in a mode: a choice by gesture, and (duration, choice) of its holds, shortest first."""

    choices: dict[str, int] = field(default_factory=dict)
    holds: list[tuple[int, int]] = field(default_factory=list)


class Bound:
    """Choices as the runtime has them: 0 nothing, n + 1 binding n, above the bindings a place in the alternatives."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.alternatives: list[tuple[int, int]] = []
        """(conditions, binding + 1); (0, 0) ends a list."""
        self.rows: dict[tuple[int, int], Row] = {}
        """By mode and key."""
        for mode in range(len(design.modes)):
            self._bind(mode)

    def _bind(self, mode: int) -> None:
        found: dict[tuple[int, str, int], list[int]] = {}
        for number in self.design.modes[mode].bindings:
            binding = self.design.bindings[number]
            found.setdefault((binding.key, binding.gesture, binding.hold_us), []).append(number)
        for (key, gesture, hold_us), bindings in sorted(found.items()):
            row = self.rows.setdefault((mode, key), Row())
            if gesture == "hold":
                row.holds.append((hold_us, self._choice(bindings)))
            else:
                row.choices[gesture] = self._choice(bindings)

    def _choice(self, bindings: Sequence[int]) -> int:
        if self.design.bindings[bindings[0]].condition is None:
            return bindings[0] + 1
        choice = len(self.design.bindings) + 1 + len(self.alternatives)
        for number in bindings:
            condition = self.design.bindings[number].condition
            self.alternatives.append((0 if condition is None else 1 << condition, number + 1))
        self.alternatives.append((0, 0))
        return choice

    def uses(self, gesture: str) -> bool:
        return any(gesture in row.choices for row in self.rows.values())

    def keys_with(self, gesture: str) -> list[int]:
        """The keys that have a gesture in some mode, in order."""
        if gesture == "hold":
            return sorted({key for (_, key), row in self.rows.items() if row.holds})
        return sorted({key for (_, key), row in self.rows.items() if gesture in row.choices})

    def chords(self, mode: int) -> list[tuple[int, bool, int]]:
        """(key, whether it is bound under any condition, the conditions that bind it) of a mode's chords."""
        found = []
        for key in range(len(self.design.switches), len(self.design.keys)):
            conditions = [self.design.bindings[n].condition for n in self.design.modes[mode].bindings if self.design.bindings[n].key == key]
            if conditions:
                bits = sum(1 << condition for condition in {c for c in conditions if c is not None})
                found.append((key, None in conditions, bits))
        return found

    @property
    def has_chords(self) -> bool:
        return any(self.chords(mode) for mode in range(len(self.design.modes)))


def table(declaration: str, entries: Iterable[str]) -> list[str]:
    return [f"const CTL_FLASH {declaration} = {{", *(f"    {entry}," for entry in entries), "};", ""]


def one_line(declaration: str, values: Iterable[object]) -> list[str]:
    return [f"const CTL_FLASH {declaration} = {{{', '.join(map(str, values))}}};", ""]


def table_lines(facts: Facts, bound: Bound) -> list[str]:
    design = facts.design
    names = ", ".join(key.name for key in design.keys)
    lines = [
        f"/* The switches of each key: {comment(names)}. */",
        *one_line("ctl_switches_t ctl_masks[CTL_KEYS]", (key.mask for key in design.keys)),
    ]
    lines += _rows(facts, bound)
    lines += _slots(bound)
    if facts.has_conditions:
        entries = [f"{{{conditions}, {binding}}}" for conditions, binding in bound.alternatives] or ["{0, 0}"]
        lines += table("struct ctl_alternative ctl_alternatives[]", entries)
    if bound.has_chords:
        lines += _parts(
            "ctl_chord", "ctl_chords", "ctl_mode_chords", [[_chord(each) for each in bound.chords(m)] for m in range(len(design.modes))]
        )
    if facts.timers:
        timers = [[f"{{{t.period_us}u, {'true' if t.every else 'false'}}}" for t in mode.timers] for mode in design.modes]
        lines += _parts("ctl_timer", "ctl_timers", "ctl_mode_timers", timers)
    if facts.has_drafts:
        drafts = [[_range(facts.cell_names[cell]) for cell in mode.draft] for mode in design.modes]
        lines += _parts("ctl_range", "ctl_drafts", "ctl_mode_drafts", drafts)
        saves = ("true" if mode.on_other_exit == "save" else "false" for mode in design.modes)
        lines += one_line("bool ctl_draft_saves[CTL_MODES]", saves)
    if facts.has_cancelling_modes:
        cancels = ("true" if mode.delayed == "cancel" else "false" for mode in design.modes)
        lines += one_line("bool ctl_delayed_cancels[CTL_MODES]", cancels)
    if keeps(design):
        lines += _storage(facts)
    return lines + _arrivals(facts)


def _storage(facts: Facts) -> list[str]:
    """How the kept cells lie in the image."""
    entries = []
    largest = max(type_bytes(facts.cell_types[each.index]) for each in map_of(facts.design).cells)
    most = 256**largest - 1
    for each in map_of(facts.design).cells:
        name, kind = facts.cell_names[each.index], facts.cell_types[each.index]
        one = f"cells.{name}[0]" if each.cell.shape else f"cells.{name}"
        signed = "true" if kind.startswith("int") else "false"
        span, zero = each.cell.high - each.cell.low, facts.cell_zeros[each.index]
        values = [f"0x{each.number:04X}u", each.length, f"{span}u", f"{each.cell.low - zero & most}u", each.place]
        values += [f"offsetof(struct ctl_cells, {name})"]
        if largest > 1:
            values += [each.width, f"sizeof {one}", signed]
        entries.append(f"{{{', '.join(map(str, values))}}}")
    header = layout_of(facts.design).start[:7]
    return [
        *one_line("uint8_t ctl_storage_header[7]", header),
        *table("struct ctl_stored_cell ctl_stored_cells[CTL_STORED_CELLS]", entries),
    ]


def _arrivals(facts: Facts) -> list[str]:
    """Pedals, what moves and messages do in each mode, and what goes on."""
    design = facts.design
    lines: list[str] = []
    points: list[int] = []
    pedals = []
    for pedal in design.pedals:
        first = "true" if pedal.moves_first else "false"
        values = [pedal.heel, pedal.toe, len(points), len(pedal.points) - 1, first, pedal.hysteresis, f"{pedal.every_us}u"]
        pedals.append(f"{{{', '.join(map(str, values))}}}")
        points += pedal.points
    if pedals:
        lines += [*table("struct ctl_pedal_setting ctl_pedals[CTL_PEDALS]", pedals), *one_line("int16_t ctl_points[]", points)]
    moves: list[list[str]] = [[] for _ in design.modes]
    heard: list[list[str]] = [[] for _ in design.modes]
    ranges: list[str] = []
    for mode, each in enumerate(design.modes):
        for number in each.responses:
            response = design.responses[number]
            condition = 0 if response.condition is None else 1 << response.condition
            if isinstance(response.cause, Moved):
                moves[mode].append(f"{{{response.cause.pedal}, {condition}, {number}}}")
            else:
                cause = response.cause
                pair = "true" if cause.bits == 14 else "false"
                place = f"{len(cause.data)}, {pair}, {len(ranges)}"
                heard[mode].append(f"{{0x{cause.status:02X}, {cause.ports}, {place}, {condition}, {number}}}")
                ranges += [f"{{{low}, {high}}}" for low, high in cause.data]
    lines += _parts("ctl_move", "ctl_moves", "ctl_mode_moves", moves) if any(moves) else []
    if any(heard):
        lines += _parts("ctl_heard", "ctl_heard", "ctl_mode_heard", heard)
        lines += table("struct ctl_value_range ctl_value_ranges[]", ranges or ["{0, 0}"])
    if facts.pairs:
        lines += table("struct ctl_pair ctl_pairs[CTL_PAIRS]", (f"{{0x{status:02X}, {number}}}" for status, number in facts.pairs))
    if design.thru:
        lines += table("struct ctl_thru ctl_thru[CTL_THRU]", (f"{{{t.source}, {t.ports}, 0x{t.kinds:X}u}}" for t in design.thru))
    return lines


def _rows(facts: Facts, bound: Bound) -> list[str]:
    design = facts.design
    gestures = [gesture for gesture in GESTURES if bound.uses(gesture)]
    numbers: dict[tuple[int, int], int] = {}
    holds: list[tuple[int, int]] = []
    entries = (
        ["{" + ", ".join(["0"] * (len(gestures) + 2 * bool(bound.keys_with("hold")))) + "}"] if gestures or bound.keys_with("hold") else []
    )
    for where, row in bound.rows.items():
        numbers[where] = len(entries)
        values = [row.choices.get(gesture, 0) for gesture in gestures]
        if bound.keys_with("hold"):
            values += [len(holds), len(holds) + len(row.holds)]
        holds += row.holds
        mode, key = design.modes[where[0]].name, design.keys[where[1]].name
        entries.append(f"{{{', '.join(map(str, values))}}}, /* {comment(f'{mode}: {key}')} */")
    columns = ", ".join([*gestures, *(("first hold", "end of holds") if bound.keys_with("hold") else ())])
    lines = [f"/* What is bound: {columns}. */", "const CTL_FLASH struct ctl_row ctl_rows[] = {"]
    lines += [f"    {entry}" if entry.endswith("*/") else f"    {entry}," for entry in entries]
    lines += ["};", ""]
    rows = (", ".join(str(numbers.get((mode, key), 0)) for key in range(len(design.keys))) for mode in range(len(design.modes)))
    lines += table("ctl_row_number_t ctl_row_of[CTL_MODES][CTL_KEYS]", (f"{{{row}}}" for row in rows))
    if holds:
        lines += table("struct ctl_hold ctl_holds[]", (f"{{{hold_us}u, {choice}}}" for hold_us, choice in holds))
    return lines


def _slots(bound: Bound) -> list[str]:
    """Which place each key has among those that can hold, repeat or be doubled, and the keys by their places."""
    lines: list[str] = []
    order: list[int] = []
    for gesture in ("hold", "repeat", "double"):
        keys = bound.keys_with(gesture)
        order += keys
        if keys:
            places = (keys.index(key) if key in keys else NOBODY for key in range(len(bound.design.keys)))
            lines += one_line(f"uint8_t ctl_{gesture}_place[CTL_KEYS]", places)
    if bound.keys_with("repeat"):
        repeat = bound.design.timing.repeat
        steps = []
        first = 1
        for period_us, count in repeat.steps:
            steps.append(f"{{{first}, {period_us}u}}")
            first += count
        steps.append(f"{{{first}, {repeat.last_us}u}}")
        lines += table("struct ctl_repeat_step ctl_repeat_steps[]", reversed(steps))
    return lines + (one_line("uint8_t ctl_slot_key[]", order) if order else [])


def _parts(kind: str, name: str, parts_name: str, parts: Sequence[Sequence[str]]) -> list[str]:
    """A table with the entries of all modes, and each mode's part of it."""
    entries: list[str] = []
    places = []
    for part in parts:
        places.append(f"{{{len(entries)}, {len(part)}}}")
        entries += part
    return [*table(f"struct {kind} {name}[]", entries), *one_line(f"struct ctl_part {parts_name}[CTL_MODES]", places)]


def _chord(chord: tuple[int, bool, int]) -> str:
    key, always, conditions = chord
    return f"{{{key}, {'true' if always else 'false'}, {conditions}}}"


def _range(cell: str) -> str:
    return f"{{offsetof(struct ctl_cells, {cell}), sizeof cells.{cell}}}"
