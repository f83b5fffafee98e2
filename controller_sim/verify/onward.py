"""Properties that show where a run is played on: from where it came to rest, gestures are made on purpose.

Each check takes a session and answers with what is wrong; it counts in a `Tally` how often it had anything to decide.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from controller_sim.core.kinds import FIRED, MODE, RESPONDED
from controller_sim.design import program
from controller_sim.design.form import PORT_NAMES, Binding, Design
from controller_sim.design.intervals import walk
from controller_sim.design.outputs import Message, decode_one
from controller_sim.design.program import Statement
from controller_sim.design.steps import expressions_in, statements_in
from controller_sim.verify import moving
from controller_sim.verify.accounts import Wrong
from controller_sim.verify.dice import Dice
from controller_sim.verify.facts import note_statements
from controller_sim.verify.hands import Onward, Stroke, Strokes, lasts_us
from controller_sim.verify.pairs import Tally
from controller_sim.verify.reach import Reach
from controller_sim.verify.remembered import remembered
from controller_sim.verify.unfolding import unfolded
from controller_sim.verify.unused import PANIC
from controller_sim.verify.watchers import cancelling, draft_of
from controller_sim.verify.watching import EngineFactory, Item, Session

STEPS = "up and down again"
UNEDITED = "as if never edited"
HUSHED = "panic silences"
HOME = "home again"
MOST_AHEAD = 3
"""Gestures at random before what is to be tried."""
STEPS_TRIED = 6
"""Values at which steps are tried, one after another."""
MOST_EDITS = 4
MOST_STROKES = 400
"""Strokes in the search for a way home; where these do not settle it, it is left open."""
ALL_SOUND_OFF, ALL_NOTES_OFF = 120, 123
"""MIDI 1.0 Detailed Specification 4.2.1, p. 24 and 25."""


@dataclass(frozen=True, slots=True)
class Editing:
    """What can be done to the draft of a mode, by the numbers of bindings."""

    edits: tuple[int, ...]
    """They set drafted cells, and neither leave nor cancel."""
    moves: tuple[int, ...]
    """They set only cells that are neither drafted nor kept."""
    cancels: tuple[int, ...]


class Played:
    """The checks for one design."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.checks: dict[str, Callable[[EngineFactory, Session, Dice, Tally], Wrong | None]] = {
            STEPS: self._steps,
            UNEDITED: self._unedited,
            HUSHED: self._hushed,
            HOME: self._home,
        }

    @cached_property
    def strokes(self) -> Strokes:
        return Strokes(self.design)

    @cached_property
    def pairs(self) -> dict[int, list[moving.Pair]]:
        return moving.pairs(self.design)

    @cached_property
    def editing(self) -> dict[int, Editing]:
        return editing(self.design)

    @cached_property
    def panics(self) -> dict[int, list[int]]:
        return panics(self.design)

    def check(self, name: str, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
        """One of the checks, on a session that ends at rest; other sessions show nothing."""
        return self.checks[name](factory, session, dice, tally) if session.at_rest else None

    def _ahead(self, factory: EngineFactory, session: Session, dice: Dice, wanted: Callable[[int], bool]) -> Onward | None:
        """The run, played on at random until its mode is wanted; None if it does not come to be."""
        run = Onward(self.strokes, factory, session)
        for left in range(dice.below(MOST_AHEAD), -1, -1):
            if run.engine.mode < 0 or (not left and wanted(run.engine.mode)):
                break
            here = [number for number in self.design.modes[run.engine.mode].bindings if self.design.bindings[number].gesture != "release"]
            if not left:
                here = [number for number in here if any(map(wanted, self._leading.get(number, ())))] or here
            if not here:
                break
            run.fire(dice.one_of(here))
        return run if run.engine.mode >= 0 and wanted(run.engine.mode) else None

    @cached_property
    def _leading(self) -> dict[int, tuple[int, ...]]:
        """For each binding that may leave its mode, where to."""
        reach = Reach(self.design)
        found = {number: reach.enters(b.action.procedure) for number, b in enumerate(self.design.bindings)}
        restarts = {number for number, b in enumerate(self.design.bindings) if reach.may(b.action.procedure, program.Restart)}
        found |= {number: (*found[number], self.design.home) for number in restarts}
        return {number: modes for number, modes in found.items() if modes}

    def _steps(self, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
        """Steps up and down, at some values one after another."""
        run = self._ahead(factory, session, dice, self.pairs.__contains__)
        if run is None:
            return None
        pair = dice.one_of(self.pairs[run.engine.mode])
        for _ in range(STEPS_TRIED):
            wrong = self._step(run, pair, dice.below(2) == 1, tally)
            if wrong is not None:
                return Wrong(STEPS, session.end_us, wrong, tuple(run.log))
            mode = run.engine.mode
            for _ in range(dice.below(3)):
                run.fire(pair.up if dice.below(2) else pair.down)
            if run.engine.mode != mode or pair not in self.pairs.get(mode, ()):
                return None
        return None

    def _step(self, run: Onward, pair: moving.Pair, up: bool, tally: Tally) -> str | None:
        """A step, and the step that takes it back; where the first is cut short by an end nothing is asked."""
        engine, design, mode = run.engine, self.design, run.engine.mode
        first, then, sign = (pair.up, pair.down, 1) if up else (pair.down, pair.up, -1)
        aside = {*pair.aside, *moving.timer_cells(design, mode)}
        cells = [(c, cell) for c, cell in enumerate(design.cells) if c not in aside]
        places = [(place, c) for c, cell in cells for place in range(cell.offset, cell.offset + cell.size)]
        before = list(engine.cells)
        if run.fire(first) != [first] or engine.mode != mode:
            return None
        changed = [(place, c) for place, c in places if engine.cells[place] != before[place]]
        if len(changed) != 1:
            return None
        place, c = changed[0]
        between = engine.cells[place]
        if _cut_short(between - before[place], [sign * step for cell, step in pair.steps if cell == c]):
            return None
        fired = run.fire(then)
        if engine.mode != mode or (fired != [then] and (fired or not self._may_refuse(then, c))):
            return None
        tally.reached[STEPS] += 1
        for place, c in places:
            if engine.cells[place] != before[place]:
                told = f"{design.cells[c].name} is {before[place]}, {between} after {self._named(first)}, and"
                return f"{told} {engine.cells[place]} after {self._named(then)}"
        return None

    def _may_refuse(self, number: int, cell: int) -> bool:
        """Whether a binding's condition depends on a cell alone, so that it is the cell's value that it does not fire at."""
        binding = self.design.bindings[number]
        if binding.condition is None:
            return False
        condition = self.design.modes[binding.mode].conditions[binding.condition]
        kinds = program.Reading | program.Changed | program.Position
        read = [each for each in walk(condition) if isinstance(each, program.CellValue | kinds)]
        return all(isinstance(each, program.CellValue) and each.cell == cell for each in read)

    def _named(self, number: int) -> str:
        binding = self.design.bindings[number]
        return f"{binding.gesture} {self.design.keys[binding.key].name}"

    def _unedited(self, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
        """Edit a draft and cancel, and beside it cancel at the same instant without the edits: all that can be seen is the same."""
        run = self._ahead(factory, session, dice, self.editing.__contains__)
        if run is None:
            return None
        doing, ahead = self.editing[run.engine.mode], tuple(run.log)
        cancel = dice.one_of(doing.cancels)
        steps = [dice.one_of(doing.edits if dice.below(2) or not doing.moves else doing.moves) for _ in range(1 + dice.below(MOST_EDITS))]
        wrong = self._edited(factory, session, ahead, steps, cancel, tally)
        if wrong is None or len(steps) == 1:
            return wrong
        # Where one of the edits is enough to show it, the others are left out.
        alone = (self._edited(factory, session, ahead, [each], cancel, tally) for each in dict.fromkeys(steps) if each in doing.edits)
        return next((each for each in alone if each is not None), wrong)

    def _edited(
        self, factory: EngineFactory, session: Session, ahead: tuple[tuple[int, int], ...], steps: list[int], cancel: int, tally: Tally
    ) -> Wrong | None:
        """Two runs that are played on alike, but for the edits among some steps, and then cancelled."""
        run, other = (Onward(self.strokes, factory, session) for _ in range(2))
        for each in (run, other):
            for after_us, word in ahead:
                each.advance(each.end_us + after_us - each.engine.now_us, word)
        mode, design = run.engine.mode, self.design
        saved = draft_of(run.engine, design)
        for number in steps:
            run.fire(number)
            if number in self.editing[mode].moves:
                other.fire(number)
            else:
                other.wait(lasts_us(self.strokes.of[number]))
                other.wait(self.strokes.rest_us)
            if run.engine.mode != mode or other.engine.mode != mode or draft_of(run.engine, design) != saved:
                return None
        edited = saved is not None and any(run.engine.cells[place] != value for place, value in saved.items())
        if not edited or cancel not in run.fire(cancel) or cancel not in other.fire(cancel):
            return None
        tally.reached[UNEDITED] += 1
        for each in (run, other):
            each.wait(self._notice_us)
        difference = self._difference(run.engine, other.engine, mode)
        return None if difference is None else Wrong(UNEDITED, session.end_us, difference, tuple(run.log))

    @cached_property
    def _notice_us(self) -> int:
        """Until no notice covers the display."""
        shown = (each for procedure in self.design.procedures for each in statements_in(procedure.body))
        return 1 + max((each.duration_us for each in shown if isinstance(each, program.Notice)), default=0)

    def _difference(self, edited: Any, unedited: Any, mode: int) -> str | None:
        design = self.design
        if edited.mode != unedited.mode:
            return f"after an edit that was cancelled the mode is {design.modes[edited.mode].name}, else {design.modes[unedited.mode].name}"
        for what, ours, theirs in (("display", edited.display, unedited.display), ("LEDs", list(edited.leds), list(unedited.leds))):
            if ours != theirs:
                return f"after an edit that was cancelled {what} {'shows' if what == 'display' else 'show'} {ours!r}, else {theirs!r}"
        for c in design.modes[mode].draft:
            cell = design.cells[c]
            for place in range(cell.offset, cell.offset + cell.size):
                if edited.cells[place] != unedited.cells[place]:
                    return f"after an edit that was cancelled {cell.name} is {edited.cells[place]}, else {unedited.cells[place]}"
        names = [cell.name for cell in design.cells if cell.keep for _ in range(cell.size)]
        for name, ours, theirs in zip(names, edited.kept(), unedited.kept(), strict=True):
            if ours != theirs:
                return f"after an edit that was cancelled {name} is stored as {ours}, else as {theirs}"
        return None

    def _hushed(self, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
        """What runs panic() silences what sounds, also what a foot holds, and nothing that waits begins a note afterwards."""
        if session.arrivals and self.design.thru:
            return None
        run = self._ahead(factory, session, dice, self.panics.__contains__)
        if run is None:
            return None
        design, mode = self.design, run.engine.mode
        panic = dice.one_of(self.panics[mode])
        stroke = self.strokes.of[panic]
        held = [b for b in self._sounders(mode) if not design.keys[b.key].mask & design.keys[design.bindings[panic].key].mask]
        if held and dice.below(3):
            stroke = self.strokes.while_down(design.keys[dice.one_of(held).key].mask, stroke)
        if panic not in run.make(stroke):
            return None
        heard = around(run.put_out, panic)
        tally.reached[HUSHED] += len(heard.before)
        timers = (timer.action for each in design.modes for timer in each.timers)
        late = set() if any(note_statements(design, action, True) for action in timers) else heard.late
        for notes, what in ((heard.before & heard.after, "sounds on"), (late, "begins, from what had waited,")):
            if notes:
                _, channel, note = min(notes)
                text = f"note {note} on channel {channel + 1} {what} after {self._named(panic)}"
                return Wrong(HUSHED, session.end_us, text, tuple(run.log))
        return None

    def _sounders(self, mode: int) -> Iterator[Binding]:
        for number in self.design.modes[mode].bindings:
            binding = self.design.bindings[number]
            if binding.gesture == "press" and note_statements(self.design, binding.action, True):
                yield binding

    def _home(self, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
        """Look for a way home: by every gesture, also while another foot is down, and by waiting.

        Where all of that has been tried from every state that it leads to, there is none.
        """
        design = self.design
        run = Onward(self.strokes, factory, session)
        if run.engine.mode in (-1, design.home):
            return None
        first = _Place((), (), _snapshot(run.engine), run.engine.now_us)
        waiting, seen, made, from_mode = deque([first]), {self._state(run.engine)}, 0, run.engine.mode
        listens = False
        while waiting:
            place = waiting.popleft()
            mode = self._go(run, factory, session, place).engine.mode
            listens = listens or bool(design.modes[mode].responses)
            for stroke in self._ways(mode):
                if made >= MOST_STROKES:
                    return None
                made += 1
                run = self._go(run, factory, session, place)
                run.make(stroke)
                if run.engine.mode in (-1, design.home):
                    tally.reached[HOME] += 1
                    return None
                state = self._state(run.engine)
                if state not in seen:
                    seen.add(state)
                    waiting.append(_Place((*place.path, stroke), tuple(run.log), _snapshot(run.engine), run.engine.now_us))
        if listens:
            return None
        text = f"from {design.modes[from_mode].name} no gesture leads back to {design.modes[design.home].name}, not through others either"
        return Wrong(HOME, session.end_us, text, first.log)

    def _go(self, run: Onward, factory: EngineFactory, session: Session, place: _Place) -> Onward:
        """A run at a place: the same one put back where the engine can be, else one that is played there again."""
        if place.snapshot is not None:
            run.engine.restore(place.snapshot, place.now_us)
            run.log = list(place.log)
            return run
        again = Onward(self.strokes, factory, session)
        for stroke in place.path:
            again.make(stroke)
        return again

    def _ways(self, mode: int) -> Iterator[Stroke]:
        """What feet can do in a mode, what leaves it first."""
        design = self.design
        here = [number for number in design.modes[mode].bindings if design.bindings[number].gesture != "release"]
        here.sort(key=lambda number: number not in self._leading)
        for number in here:
            yield self.strokes.of[number]
        longest_us = max((timer.period_us for timer in design.modes[mode].timers), default=0)
        if longest_us:
            yield ((longest_us + 1, 0),)
        masks = {number: design.keys[design.bindings[number].key].mask for number in here}
        for held in dict.fromkeys(masks.values()):
            for number in here:
                if not masks[number] & held:
                    yield self.strokes.while_down(held, self.strokes.of[number])

    @cached_property
    def _readings(self) -> frozenset[str]:
        things = (self.design.procedures, self.design.modes)
        return frozenset(each.name for each in expressions_in(things) if isinstance(each, program.Reading))

    def _state(self, engine: Any) -> tuple[Any, ...]:
        """What decides what gestures do, at rest."""
        draft = draft_of(engine, self.design) or {}
        readings = tuple(getattr(engine, name) for name in sorted(self._readings))
        return engine.mode, tuple(engine.cells), tuple(draft.values()), readings, tuple(engine.positions)


@remembered
def played(design: Design) -> Played:
    """The checks that play the runs of a design on."""
    return Played(design)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the search for a way home has come to."""

    path: tuple[Stroke, ...]
    log: tuple[tuple[int, int], ...]
    snapshot: tuple[Any, ...] | None = field(repr=False)
    now_us: int


def _snapshot(engine: Any) -> tuple[Any, ...] | None:
    return engine.snapshot() if hasattr(engine, "snapshot") else None


def _cut_short(moved: int, steps: list[int]) -> bool:
    """Whether a value has gone the right way, and not as far as any step would take it: it has come to an end."""
    return all(moved * step > 0 and abs(moved) < abs(step) for step in steps)


Note = tuple[int, int, int]
"""Port, channel as on the wire, and number."""


@dataclass(slots=True)
class Heard:
    """The notes around the last time that a binding fired."""

    before: set[Note] = field(default_factory=set)
    after: set[Note] = field(default_factory=set)
    """Those that sound when that instant is over."""
    late: set[Note] = field(default_factory=set)
    """Those that begin later, and at instants at which nothing fires and no mode changes."""


def around(put_out: list[Item], binding: int) -> Heard:
    """What a receiver hears of a run around the last time that a binding fires."""
    sounding: set[Note] = set()
    heard, fired_us, caused_us = Heard(), -1, -1
    for time_us, item in zip(put_out[::2], put_out[1::2], strict=True):
        if not isinstance(item, int) or not isinstance(time_us, int):
            continue
        if item & 7 in (FIRED, MODE, RESPONDED):
            caused_us = time_us
        if item == binding << 3 | FIRED:
            heard, fired_us = Heard(set(sounding), set(sounding)), time_us
        message = decode_one(0, item)
        if isinstance(message, Message):
            begins = _sound(sounding, message)
            if time_us == fired_us:
                heard.after = set(sounding)
            elif fired_us >= 0 and caused_us != time_us:
                heard.late |= begins
    return heard


def _sound(sounding: set[Note], message: Message) -> set[Note]:
    """Bring up to date what sounds; the answer is what begins."""
    data = message.data
    kind, channel = data[0] & 0xF0, data[0] & 15
    begins: set[Note] = set()
    for port in PORT_NAMES.values():
        if not message.ports & port:
            continue
        if kind == 0x90 and data[2]:
            begins.add((port, channel, data[1]))
        elif kind in (0x80, 0x90):
            sounding.discard((port, channel, data[1]))
        elif kind == 0xB0 and data[1] in (ALL_SOUND_OFF, ALL_NOTES_OFF):
            sounding.difference_update([note for note in sounding if note[:2] == (port, channel)])
    sounding |= begins
    return begins


def editing(design: Design) -> dict[int, Editing]:
    """For each mode in which a draft can be edited and surely cancelled, how."""
    cancels = cancelling(design)
    found: dict[int, Editing] = {}
    for number, mode in enumerate(design.modes):
        here = [each for each in mode.bindings if design.bindings[each].gesture != "release"]
        mine = tuple(each for each in here if each in cancels)
        if not mine:
            continue
        edits, moves = [], []
        for each in here:
            statements = list(statements_in(unfolded(design, design.bindings[each].action)))
            kinds = program.Enter | program.Restart | program.CancelDraft | program.FactoryValues
            sets = {statement.cell for statement in statements if isinstance(statement, program.SetCell)}
            if not sets or any(isinstance(statement, kinds) for statement in statements):
                continue
            if sets & set(mode.draft):
                edits.append(each)
            elif not any(design.cells[c].keep for c in sets):
                moves.append(each)
        if edits:
            found[number] = Editing(tuple(edits), tuple(moves), mine)
    return found


def panics(design: Design) -> dict[int, list[int]]:
    """For each mode the bindings that surely run panic() and begin no note themselves."""
    reach = Reach(design)

    def silences(statement: Statement) -> bool:
        return isinstance(statement, program.Call) and design.procedures[statement.procedure].name == PANIC

    found: dict[int, list[int]] = {}
    for number, b in enumerate(design.bindings):
        if b.gesture != "release" and reach.always(b.action.procedure, silences) and not note_statements(design, b.action, True):
            found.setdefault(b.mode, []).append(number)
    return found
