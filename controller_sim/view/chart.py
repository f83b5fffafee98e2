"""What every switch does in every mode, as a table that a player can tape to the floor, and the other tables of a manual."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby

from controller_sim.design.form import GESTURES, Action, Binding, Design, Mode, Moved
from controller_sim.design.program import Expression
from controller_sim.view.sheet import Cell, Line, Table, words
from controller_sim.view.storage import layout_json
from controller_sim.view.terms import Named, opposite, spoken, together
from controller_sim.view.wording import Wording, gesture_label, with_keys
from controller_sim.view.words import duration, plural

THIS = "this switch"
"""What a player calls the switch that the foot is on."""
EVERY_MODE = "every mode"
FEWEST_TO_SHARE = 3
"""Modes from which on what is so in all of them has a row of its own."""
_ORDER = ("press", "tap", "double", "hold", "repeat", "release")
assert set(_ORDER) == set(GESTURES)


_Row = tuple[str, list[tuple[Line, ...]]]
"""A mode, and the lines of its cells."""


@dataclass(frozen=True, slots=True)
class _Entry:
    """A binding as the chart tells it: under which condition it does what."""

    binding: Binding
    condition: Expression | None
    text: str


@dataclass(slots=True)
class _Switches:
    """The chart of switches, being made."""

    design: Design
    wording: Wording = field(init=False)

    def __post_init__(self) -> None:
        self.wording = Wording(self.design)

    def table(self) -> Table:
        design = self.design
        bound = {binding.key for binding in design.bindings}
        keys = [number for number, key in enumerate(design.keys) if len(key.members) == 1 or number in bound]
        moved = sorted({r.cause.pedal for r in design.responses if isinstance(r.cause, Moved)})
        header = ("", *(spoken(design.keys[key].name) for key in keys), *(f"{spoken(design.pedals[each].name)} (pedal)" for each in moved))
        told_of: list[_Row] = []
        for mode in design.modes:
            told = self._told(mode)
            cells = [told.get(key, ()) for key in keys] + [self._moves(mode, pedal) for pedal in moved]
            told_of.append((spoken(mode.name), cells))
        rows = [(Cell((Line(name),)), *_merged(cells)) for name, cells in _told_once(told_of)]
        return Table(design.title, header, tuple(rows), tuple(self._notes()), large=True)

    def _told(self, mode: Mode) -> dict[int, tuple[Line, ...]]:
        """The lines of each key's cell."""
        entries: dict[int, dict[str, list[_Entry]]] = {}
        for entry in self._entries(mode):
            entries.setdefault(entry.binding.key, {}).setdefault(gesture_label(self.design, entry.binding), []).append(entry)
        return {key: _lines({label: self._said(each) for label, each in found.items()}) for key, found in entries.items()}

    def _entries(self, mode: Mode) -> Iterator[_Entry]:
        """The bindings in the chart's order, those that one entry of the file made for several switches worded alike."""
        bound = [self.design.bindings[number] for number in mode.bindings]
        groups: dict[tuple[object, ...], list[Binding]] = {}
        for binding in bound:
            groups.setdefault((binding.place, binding.gesture, binding.hold_us), []).append(binding)
        for group in sorted(groups.values(), key=lambda group: (_ORDER.index(group[0].gesture), group[0].hold_us)):
            shared = self._shared_condition(mode, group)
            for binding in group:
                own = None if binding.condition is None else mode.conditions[binding.condition]
                text = self.wording.action(binding.action.procedure, arguments_of(binding.action)) or "nothing"
                yield _Entry(binding, own if shared is None else shared, text)

    def _shared_condition(self, mode: Mode, group: Sequence[Binding]) -> Expression | None:
        conditions = [None if each.condition is None else mode.conditions[each.condition] for each in group]
        if len(group) < 2 or any(
            each is None or len(binding.action.arguments) < 2 for each, binding in zip(conditions, group, strict=True)
        ):
            return None
        numbers = [[binding.action.arguments[way] for binding in group] for way in (0, 1)]
        return together([each for each in conditions if each is not None], numbers, THIS)

    def _said(self, entries: Sequence[_Entry]) -> str:
        """What a gesture does, under each of its conditions in turn."""
        parts: list[str] = []
        for place, entry in enumerate(entries):
            condition = entry.condition
            before = [each.condition for each in entries[:place] if each.condition is not None]
            if condition is None or (len(before) == 1 and opposite(before[0], condition)):
                parts.append(f"else: {entry.text}" if parts else entry.text)
                break
            when = self.wording.terms.condition(condition) or "..."
            parts.append(f"if {when}: {entry.text}")
        return "; ".join(parts)

    def _moves(self, mode: Mode, pedal: int) -> tuple[Line, ...]:
        found = []
        for number in mode.responses:
            response = self.design.responses[number]
            if response.cause == Moved(pedal):
                when = None if response.condition is None else self.wording.terms.condition(mode.conditions[response.condition])
                text = self.wording.action(response.procedure, response.arguments)
                found.append(Line("move", f"if {when}: {text}" if when else text))
        return tuple(found)

    def _notes(self) -> Iterator[str]:
        timing, gestures = self.design.timing, {binding.gesture for binding in self.design.bindings}
        times = []
        if "hold" in gestures:
            times.append(f"hold: {duration(timing.hold_us)}")
        if "double" in gestures:
            times.append(f"double: second press within {duration(timing.double_us)}")
        if "repeat" in gestures:
            times.append(f"repeat: while held, from {duration(timing.repeat.first_us)} on")
        if times:
            yield "; ".join(times)
        for held in self.design.power_on:
            names = [spoken(name) for n, name in enumerate(self.design.switches) if held.mask >> n & 1]
            yield f"power on with {'+'.join(names)} held: {self.wording.action(held.action.procedure, arguments_of(held.action))}"

    def words(self) -> Table:
        """What the names of procedures on the chart stand for, as far as other names, until all are told."""
        rows, told = [], 0
        while told < len(self.wording.called):
            number = list(self.wording.called)[told]
            procedure = self.design.procedures[number]
            text = self.wording.action(number, [None] * procedure.parameters)
            rows.append((Cell((Line(spoken(procedure.name)),)), words(text or "nothing")))
            told += 1
        return Table("What the names stand for", ("Name", "It does"), tuple(rows))

    def by_itself(self) -> Table:
        """What happens without a foot: at power-on, on entering and leaving, by timers, by messages."""
        rows = []
        if self.design.every_power_on is not None:
            rows.append(("power on", "every time", self._action(self.design.every_power_on)))
        for mode in self.design.modes:
            parts = [("entering", mode.enter), ("leaving", mode.leave)]
            parts += [(f"{'every' if timer.every else 'after'} {duration(timer.period_us)}", timer.action) for timer in mode.timers]
            rows += [(mode.name, label, text) for label, action in parts if action is not None and (text := self._action(action))]
        rows += self._answers()
        return Table("What happens by itself", ("Mode", "When", "What"), tuple(_grouped(rows)))

    def _action(self, action: Action) -> str:
        """Empty for what only keeps a form in order."""
        return self.wording.action(action.procedure, arguments_of(action))

    def _answers(self) -> list[tuple[str, str, str]]:
        """Messages that are answered, those of all modes first and once."""
        found: dict[tuple[str, str], list[str]] = {}
        for mode in self.design.modes:
            for number in mode.responses:
                response = self.design.responses[number]
                if isinstance(response.cause, Moved):
                    continue
                title = self.wording.cause(response)
                text = self.wording.action(response.procedure, response.arguments)
                if response.condition is not None:
                    text = f"if {self.wording.terms.condition(mode.conditions[response.condition]) or '...'}: {text}"
                modes = found.setdefault((title, text), [])
                if mode.name not in modes:
                    modes.append(mode.name)
        every = len(self.design.modes)
        return [(EVERY_MODE if len(modes) == every else ", ".join(modes), title, text) for (title, text), modes in found.items()]


def arguments_of(action: Action) -> list[Expression]:
    """The arguments of a binding's action: the number of its switch and its place in the group, both `this switch` to a player."""
    return [Named(value, value, THIS) for value in action.arguments]


def _lines(told: dict[str, str]) -> tuple[Line, ...]:
    """Gestures that do the same share a line."""
    labels: dict[str, list[str]] = {}
    for label, text in told.items():
        labels.setdefault(text, []).append(label)
    return tuple(Line(", ".join(names), text) for text, names in labels.items())


def _told_once(rows: list[_Row]) -> list[_Row]:
    """What is so in each of many modes is told once, in a row of its own above theirs."""
    columns = list(zip(*(cells for _, cells in rows), strict=True))
    shared = [tuple(line for line in column[0] if all(line in cell for cell in column)) for column in columns]
    if len(rows) < FEWEST_TO_SHARE or not any(shared):
        return rows
    rest = [
        (name, [tuple(line for line in cell if line not in once) for cell, once in zip(cells, shared, strict=True)]) for name, cells in rows
    ]
    return [(EVERY_MODE, shared), *rest]


def _merged(cells: Sequence[tuple[Line, ...]]) -> list[Cell]:
    """Neighbours that say the same become one wide cell; empty ones stay as they are."""
    merged: list[Cell] = []
    for lines, group in groupby(cells):
        count = len(list(group))
        merged += [Cell(lines, count)] if lines else [Cell()] * count
    return merged


def _grouped(rows: Sequence[tuple[str, ...]]) -> Iterator[tuple[Cell, ...]]:
    """Rows that begin with a mode, which the first of each mode's names."""
    for mode, group in groupby(rows, key=lambda row: row[0]):
        for place, row in enumerate(group):
            yield Cell() if place else Cell((Line(spoken(mode)),)), *map(words, row[1:])


def switch_tables(design: Design) -> list[Table]:
    """What every switch, chord and pedal does in every mode, then what the names there mean, then what happens by itself."""
    making = _Switches(design)
    switches, alone = making.table(), making.by_itself()
    return [switches, *(table for table in (making.words(), alone) if table.rows)]


def storage_table(design: Design) -> Table | None:
    """Where each kept cell lies in the chip; None where nothing is kept."""
    facts = layout_json(design)
    if not facts["cells"]:
        return None
    rows = []
    for cell in facts["cells"]:
        size = " x ".join(map(str, cell["shape"])) or "1"
        addresses = [f"0x{cell[end]:03X}" for end in ("address", "last_address")]
        spans = ("-".join(dict.fromkeys(map(str, ends))) for ends in (cell["rows"], addresses))
        told = (f"{cell['low']} to {cell['high']}", size, str(cell["bytes"]), *spans)
        rows.append((Cell((Line(cell["name"]),)), *map(words, told)))
    notes = (
        f"{facts['bytes']} bytes, version {facts['version']}; {plural(facts['rows'], 'row')} of {facts['row_bytes']} bytes, "
        f"each with its checksum, in {facts['home_bytes']} bytes from 0x000 on",
        f"journal: {facts['journal_bytes']} bytes from 0x{facts['home_bytes']:03X} on, for {plural(facts['rows_at_once'], 'row')} at once",
    )
    return Table("Where values are kept", ("Cell", "Range", "Size", "Bytes", "Rows", "Addresses"), tuple(rows), notes)


Span = tuple[int, int]
"""The best and the worst time, in microseconds."""


@dataclass(frozen=True, slots=True)
class Delay:
    """How long a gesture takes from the contact on."""

    mode: str
    gesture: str
    """With a place for its key, as `wording.gesture_frame` gives it."""
    key: str
    waits_for: tuple[str, ...]
    decided_us: Span
    sent_us: Span | None
    """Until the last byte of what it sends at once has left; None: it sends nothing."""


def latency_table(design: Design, delays: Sequence[Delay]) -> Table | None:
    """Delays of gestures, alike ones of one mode in one row; None where there are none."""
    found: dict[tuple[str, tuple[str, ...], Span, Span | None], dict[str, list[str]]] = {}
    for delay in delays:
        alike = found.setdefault((delay.mode, delay.waits_for, delay.decided_us, delay.sent_us), {})
        alike.setdefault(delay.gesture, []).append(delay.key)
    rows = []
    for (mode, waits_for, decided_us, sent_us), frames in found.items():
        gestures = ", ".join(with_keys(design, frame, keys) for frame, keys in frames.items())
        rows.append((mode, gestures, ", ".join(waits_for), _span(decided_us), _span(sent_us) if sent_us else "-"))
    notes = ("From the contact's last change, in milliseconds, best to worst; the line idle.",)
    return (
        Table("How long gestures take", ("Mode", "Gesture", "Waits for", "Decided", "Last byte sent"), tuple(_grouped(rows)), notes)
        if rows
        else None
    )


def _span(span_us: Span) -> str:
    """Milliseconds, rounded outwards to tenths."""
    best, worst = span_us[0] // 100, -(-span_us[1] // 100)
    return _tenths(best) if best == worst else f"{_tenths(best)}-{_tenths(worst)}"


def _tenths(amount: int) -> str:
    return f"{amount // 10}.{amount % 10}"
