"""Watchers that look at the state of a controller: its memory, what it shows, what it keeps, and its clock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from controller_sim.core.kinds import (
    CLOCK_MESSAGE,
    FIRED,
    MODE,
    RESPONDED,
    RESTARTED,
    TICKS_PER_QUARTER,
    kind_of,
    message_item,
    response_of,
)
from controller_sim.design import program
from controller_sim.design.form import Design
from controller_sim.design.program import Statement
from controller_sim.reference.interpreter import Interpreter
from controller_sim.simulator.engines import Seen
from controller_sim.verify.facts import statements_of
from controller_sim.verify.watching import Item, Watcher


class InRange(Watcher):
    """Every cell in its range, the tempo too, and no more delayed messages waiting than the design has room for."""

    __slots__ = ("cells", "design")

    def __init__(self, design: Design) -> None:
        super().__init__()
        self.design = design
        self.cells: list[int] = []

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        self.reached += 1
        if not self.design.tempo.low <= engine.tempo <= self.design.tempo.high:
            return f"the tempo is {engine.tempo}, and the range is {self.design.tempo.low}..{self.design.tempo.high}"
        if len(getattr(engine, "delayed", ())) > self.design.delayed_messages:
            return f"more than {self.design.delayed_messages} delayed messages wait"
        cells = list(engine.cells)
        if cells != self.cells:
            self.cells = cells
            for cell in self.design.cells:
                for value in cells[cell.offset : cell.offset + cell.size]:
                    if not cell.low <= value <= cell.high:
                        return f"{cell.name} is {value}, and its range is {cell.low}..{cell.high}"
        return None


class Shown(Watcher):
    """Display and LEDs are what the state says, worked out afresh and by other means than the fast engine's."""

    __slots__ = ("before", "design", "interpreter", "known")

    def __init__(self, design: Design) -> None:
        super().__init__()
        self.design = design
        self.known = Known(design)
        self.interpreter = Interpreter(design, self.known)  # type: ignore[arg-type]  # it asks for what views and LEDs cannot: sending
        self.before: tuple[object, ...] = ()

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        draft = draft_of(engine, self.design)
        if engine.mode < 0 or draft is None:
            return None
        state = engine.mode, tuple(engine.cells), tuple(draft.items()), engine.tempo, engine.clock_running, tuple(engine.positions)
        looks = (state, engine.display, tuple(engine.leds), notice_of(engine))
        if looks == self.before:
            return None
        self.before = looks
        self.reached += 1
        self.known.look_at(engine, draft)
        mode = self.design.modes[engine.mode]
        for led, (expression, value) in enumerate(zip(mode.leds, engine.leds, strict=True)):
            wanted = self.interpreter.value(expression, [])
            if value != wanted:
                name, design = self.design.leds[led], self.design
                return f"LED {name} is {design.led_text(led, value)}, and the state says {design.led_text(led, wanted)}"
        if self.design.display_characters:
            text = notice_of(engine)
            text = self._view(engine.mode) if text is None else text
            if text != engine.display:
                return f"the display says {engine.display!r}, and the state says {text!r}"
        return None

    def _view(self, mode: int) -> str:
        for view in self.design.modes[mode].views:
            if view.condition is None or self.interpreter.truth(view.condition):
                return "\n".join(self.interpreter.text(line, []) for line in view.lines)
        return ""


class Known:
    """What expressions read, of an engine that is being looked at."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.cells: list[int] = []
        self.positions: list[int] = []
        self._engine: Seen
        self._draft: dict[int, int] = {}

    def look_at(self, engine: Seen, draft: dict[int, int]) -> None:
        self._engine, self._draft = engine, draft
        self.cells, self.positions = list(engine.cells), list(engine.positions)

    def reading(self, name: str) -> int:
        return int(self._engine.tempo if name == "tempo" else self._engine.clock_running)

    def changed(self, cell: int | None, element: int | None) -> bool:
        places: Sequence[int] = list(self._draft)
        if cell is not None:
            offset, size = self.design.cells[cell].offset, self.design.cells[cell].size
            places = range(offset, offset + size) if element is None else [offset + element]
        return any(self._draft.get(place, self.cells[place]) != self.cells[place] for place in places)


def draft_of(engine: Any, design: Design) -> dict[int, int] | None:
    """What cancelling would restore, by flat memory place; None for an engine that does not show it."""
    memory = getattr(engine, "memory", None)
    if memory is not None:
        return dict(memory.snapshot)
    drafted = getattr(engine, "drafted", None)
    if drafted is None or engine.mode < 0:
        return None if drafted is None else {}
    places = [
        i for c in design.modes[engine.mode].draft for i in range(design.cells[c].offset, design.cells[c].offset + design.cells[c].size)
    ]
    return dict(zip(places, drafted, strict=False))


def notice_of(engine: Any) -> str | None:
    """The text that covers the display, if there is one."""
    notice = getattr(engine, "_notice", None) if hasattr(engine, "_notice") else getattr(engine, "notice", None)
    return notice[0] if isinstance(notice, tuple) else notice


class Stored(Watcher):
    """What survives power-off changes only where something that may change it has run; a draft only when it is saved."""

    __slots__ = ("_every", "_factory", "_places", "_timers", "design", "kept", "mode")

    def __init__(self, design: Design) -> None:
        super().__init__()
        self.design = design
        self.kept: tuple[int, ...] | None = None
        self.mode = -1
        self._places = [c for c, cell in enumerate(design.cells) if cell.keep for _ in range(cell.size)]
        """The cell of each kept element."""
        self._every = frozenset(self._places)
        self._timers = [frozenset(self._by(mode, [timer.action.procedure for timer in m.timers])) for mode, m in enumerate(design.modes)]

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        kept = tuple(engine.kept())
        before, self.kept = self.kept, kept
        mode, self.mode = self.mode, engine.mode
        if before is None or kept == before:
            self.reached += before is not None
            return None
        changed = {self._places[place] for place, (old, new) in enumerate(zip(before, kept, strict=True)) if old != new}
        wrong = changed - self._allowed(items, mode)
        if not wrong:
            return None
        name = self.design.cells[min(wrong)].name
        if not any(isinstance(item, int) and item & 7 in (FIRED, RESPONDED, MODE) for item in items):
            return f"{name} is stored anew though nothing has happened"
        drafted = mode >= 0 and min(wrong) in self.design.modes[mode].draft
        return f"{name} is stored {'though its draft has not been saved' if drafted else 'by something that does not assign it'}"

    def _allowed(self, items: Sequence[Item], mode: int) -> set[int]:
        """The kept cells that may be stored with other values after an instant with these outputs that began in a mode."""
        design = self.design
        allowed: set[int] = set(self._timers[mode]) if mode >= 0 else set()
        for item in items:
            if not isinstance(item, int):
                continue
            kind, number = item & 7, item >> 3
            if kind == FIRED:
                allowed |= set(self._by(mode, [design.bindings[number].action.procedure]))
            elif kind == RESPONDED:
                allowed |= set(self._by(mode, [design.responses[response_of(item)].procedure]))
            elif kind == RESTARTED or (kind == MODE and mode < 0):
                return set(self._every)
            elif kind == MODE:
                old, new = design.modes[mode], design.modes[number]
                allowed |= set(self._by(mode, [old.leave.procedure] if old.leave else []))
                allowed |= set(self._by(number, [new.enter.procedure] if new.enter else []))
                allowed |= set(old.draft) if old.on_other_exit == "save" else set()
                mode = number
        return allowed

    def _by(self, mode: int, procedures: Sequence[int]) -> Iterator[int]:
        """The kept cells that procedures may change for good when they run in a mode."""
        drafted = set(self.design.modes[mode].draft) if mode >= 0 else set()
        for procedure in procedures:
            for statement in statements_of(self.design, procedure):
                yield from self._stored_by(statement, drafted)

    def _stored_by(self, statement: Statement, drafted: set[int]) -> Iterator[int]:
        match statement:
            case program.SetCell(cell=cell) if cell not in drafted:
                yield cell
            case program.SaveDraft():
                yield from drafted
            case program.FactoryValues(cells=cells):
                yield from cells


class Steady(Watcher):
    """The MIDI clock never drifts: as long as nothing else happens, its ticks lie where the tempo says, to the microsecond."""

    __slots__ = ("_item", "_quarter", "_restless", "_since_us", "_ticks")

    def __init__(self, design: Design) -> None:
        super().__init__()
        self._item = message_item(design.tempo.ports, (CLOCK_MESSAGE,))
        self._quarter = (0, 1)
        self._since_us = -1
        self._ticks = 0
        kinds = (program.SetTempo, program.ClockRun)
        timers = [timer.action for mode in design.modes for timer in mode.timers]
        # A timer may set the tempo or start the clock anew and put nothing out; another's clock may go on to the outputs.
        self._restless = any(isinstance(statement, kinds) for action in timers for statement in statements_of(design, action))
        self._restless = self._restless or any(thru.kinds >> kind_of(CLOCK_MESSAGE) & 1 for thru in design.thru)

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        quarter, parts = getattr(engine, "quarter", 0), TICKS_PER_QUARTER * getattr(engine, "quarter_parts", 1)
        if not engine.clock_running or not quarter or self._restless:
            self._since_us = -1
            return None
        ticked = self._item in items
        if (quarter, parts) != self._quarter or len(items) > ticked or (ticked and self._since_us < 0):
            # What else happens may set the tempo, back and forth too; the last tick is then what new ones are counted from.
            self._quarter = quarter, parts
            self._since_us, self._ticks = (time_us, 0) if ticked else (-1, 0)
            return None
        if not ticked:
            return None
        self.reached += 1
        self._ticks += 1
        # Either end is rounded to a microsecond, and so their distance may be one off and never more, however many ticks there were.
        off = (time_us - self._since_us) * parts - self._ticks * quarter
        if abs(off) > parts:
            return f"after {self._ticks} ticks the clock is {off / parts:+.3f} us off"
        return None


class Cancelled(Watcher):
    """A gesture that cancels a draft, and surely so, gives every drafted cell the value it had on entering or at the last save."""

    __slots__ = ("_cancels", "_spoils", "before", "design", "mode")

    def __init__(self, design: Design) -> None:
        super().__init__()
        self.design = design
        self.mode = -1
        self.before: dict[int, int] | None = None
        """The drafted elements' values that cancelling must bring back; None: not known."""
        self._cancels = cancelling(design)
        self._spoils = {n for n, b in enumerate(design.bindings) if self._assigns(b.action.procedure)}

    def see(self, time_us: int, items: Sequence[Item], engine: Seen) -> str | None:
        numbers = [item for item in items if isinstance(item, int)]
        fired = [item >> 3 for item in numbers if item & 7 == FIRED]
        changed = any(item & 7 in (MODE, RESTARTED) for item in numbers)
        drafted = self._places(self.mode)
        if self.before and len(fired) == 1 and fired[0] in self._cancels and not self._spoiled(numbers):
            self.reached += 1
            for place in drafted:
                if engine.cells[place] != self.before[place]:
                    cell = next(cell for cell in self.design.cells if cell.offset <= place < cell.offset + cell.size)
                    return f"{cell.name} is {engine.cells[place]} after a cancel, and was {self.before[place]} before the draft"
        if changed:
            self.mode = engine.mode
            # Something may have fired in the new mode at the very instant of entering it.
            last = [item & 7 for item in numbers if item & 7 in (FIRED, RESPONDED, MODE)][-1:]
            known = self.mode >= 0 and last == [MODE] and not self._unknown(self.mode)
            self.before = {place: engine.cells[place] for place in self._places(self.mode)} if known else None
        elif self._spoils.intersection(fired) or any(item & 7 == RESPONDED for item in numbers):
            self.before = None
        return None

    def _places(self, mode: int) -> list[int]:
        cells = [self.design.cells[c] for c in self.design.modes[mode].draft] if mode >= 0 else []
        return [place for cell in cells for place in range(cell.offset, cell.offset + cell.size)]

    def _spoiled(self, items: Sequence[int]) -> bool:
        """Whether a mode left or entered at this instant may assign drafted cells itself."""
        entered = [self.design.modes[item >> 3] for item in items if item & 7 == MODE]
        actions = [mode.enter for mode in entered] + [mode.leave for mode in (self.design.modes[self.mode], *entered)]
        return RESTARTED in items or any(action and self._sets(action.procedure, self.mode) for action in actions)

    def _unknown(self, number: int) -> bool:
        """Whether what cancelling brings back in a mode cannot be told from the cells on entering it."""
        mode = self.design.modes[number]
        enter = mode.enter is not None and self._sets(mode.enter.procedure, number)
        timers = [timer.action.procedure for timer in mode.timers]
        return enter or any(self._assigns(timer) or self._sets(timer, number) for timer in timers)

    def _sets(self, procedure: int, mode: int) -> bool:
        drafted = self.design.modes[mode].draft
        for statement in statements_of(self.design, procedure):
            if isinstance(statement, program.FactoryValues) or (isinstance(statement, program.SetCell) and statement.cell in drafted):
                return True
        return False

    def _assigns(self, procedure: int) -> bool:
        """Whether what cancelling brings back may be another afterwards: saved, or set anew by hand."""
        kinds = (program.SaveDraft, program.FactoryValues)
        return any(isinstance(statement, kinds) for statement in statements_of(self.design, procedure))


def cancelling(design: Design) -> set[int]:
    """The bindings that cancel a draft whatever the memory holds, and set nothing of it themselves."""
    found = set()
    for number, b in enumerate(design.bindings):
        drafted = design.modes[b.mode].draft
        surely = any(isinstance(statement, program.CancelDraft) for statement in design.procedures[b.action.procedure].body)
        statements = list(statements_of(design, b.action))
        sets = any(isinstance(s, program.SetCell) and s.cell in drafted for s in statements)
        others = (program.FactoryValues, program.SaveDraft, program.Restart)
        if surely and drafted and not sets and not any(isinstance(s, others) for s in statements):
            found.add(number)
    return found


def without_cancel(design: Design) -> str | None:
    """Why no cancelling can be watched, or None."""
    return None if cancelling(design) else "no gesture surely cancels a draft"


CANCELLED = "cancel restores"
RANGES = "values in range"
SHOWN = "shown as it is"
STORED = "kept only when saved"
STEADY = "steady clock"
