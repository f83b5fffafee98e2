"""Properties that two runs side by side decide: what must make no difference makes none.

Each check takes a session and answers with what is wrong; it counts in `Counts` how often it had anything to compare.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from controller_sim.core.kinds import FIRED, RESTARTED
from controller_sim.core.storage import ENTRY_BYTES, entry_bytes
from controller_sim.design import program
from controller_sim.design.form import Action, Debounce, Design
from controller_sim.design.storage import StorageMap, first_kept, keeps
from controller_sim.simulator.errors import SimulatorError
from controller_sim.simulator.storage import Storage
from controller_sim.verify.accounts import Wrong
from controller_sim.verify.believing import ready_us
from controller_sim.verify.dice import Dice
from controller_sim.verify.facts import statements_of
from controller_sim.verify.observed import Branches, ObservedReference
from controller_sim.verify.playing import compare, outputs_of, play, state_difference
from controller_sim.verify.power_cuts import cut_everywhere
from controller_sim.verify.thresholds import settled_us
from controller_sim.verify.watching import EngineFactory, Item, Session, packed_outputs

POLLS = "late and early polls"
SHIFT = "any time of day"
BOUNCE = "bounce"
REFERENCE = "as the reference says"
POWER = "kept through power-off"
CUT = "power cuts"
SPARING = "stored sparingly"
ORDER = "order of scanning"
POLLS_A_GAP = 4
MOST_CUT_SAVES = 8
MOST_CUT_VALUES = 24
"""Cutting the power at every byte is not tried where more kept values than this change at once: it takes too long for a campaign."""

MOST_ENDS = 2
"""Bytes that may be written to end the journal where an entry begins and where it ends."""

Check = Callable[[Design, EngineFactory, Session, Dice, "Tally"], Wrong | None]


class Tally:
    """What the checks of a campaign have come across: how often each had something to decide, branches of actions, ties."""

    def __init__(self) -> None:
        self.reached: Counter[str] = Counter()
        self.branches: Branches = set()
        self.ties: Counter[str] = Counter()
        self.burst_bytes = 0
        """The most bytes that one gesture handed to the serial line at once."""


def polls(design: Design, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
    """Looking at the controller between two changes, at its deadlines or a microsecond beside them, changes nothing."""
    engine = factory(design, session.times_us[0], session.kept, True)
    word = session.words[0]
    for time_us, word_then, arrived in session.instants():
        style = dice.below(4)
        for _ in range(POLLS_A_GAP if style < 3 else 1):
            due_us = engine.next_deadline_us()
            poll_us = (engine.now_us + time_us) // 2 if style == 3 else time_us if due_us is None else due_us + style - 1
            if engine.now_us < poll_us < time_us:
                tally.reached[POLLS] += 1
                engine.advance(poll_us, word)
        word = word_then
        engine.advance(time_us, word, arrived)
    return compare(POLLS, design, outputs_of(factory, design, session), packed_outputs(engine), "looked at in between")


def shift(design: Design, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
    """The same session at another time, across the wrap of a 32-bit counter, is the same run."""
    by_us = dice.one_of((1 << 32, 1 << 31)) - dice.one_of((1, 7, 1 + dice.below(session.times_us[-1] + 1)))
    tally.reached[SHIFT] += 1
    moved = packed_outputs(play(factory, design, session, by_us))
    return compare(SHIFT, design, outputs_of(factory, design, session), moved, f"begun {by_us} us later", by_us)


def bounce(design: Design, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
    """Bounce within what the debouncers allow for changes nothing."""
    bouncing = with_bounce(design, session, dice)
    if bouncing is None:
        return None
    clean = outputs_of(factory, design, session)
    if any(item == RESTARTED for item in clean[1::2]):
        return None
    tally.reached[BOUNCE] += 1
    return compare(BOUNCE, design, clean, outputs_of(factory, design, bouncing), "with bounce")


def with_bounce(design: Design, session: Session, dice: Dice) -> Session | None:
    """The same session with contacts that bounce where a change stands alone; None where none does."""
    since_us = ready_us(design, session)
    if since_us is None:
        return None
    apart_us = 2 * (design.timing.press.time_us + design.timing.release.time_us) + 2
    toggles: Counter[int] = Counter()
    for s in range(len(design.switches)):
        changes = list(_changes(session, s))
        for place, (time_us, closed) in enumerate(changes):
            before_us = changes[place - 1][0] if place else since_us
            after_us = changes[place + 1][0] if place + 1 < len(changes) else time_us + apart_us
            if min(time_us - max(before_us, since_us), after_us - time_us) >= apart_us and dice.below(2):
                own = design.timing.press if closed else design.timing.release
                for flip_us in _flips(own, time_us, dice):
                    toggles[flip_us] ^= 1 << s
    toggles = Counter({time_us: mask for time_us, mask in toggles.items() if mask and time_us < session.times_us[-1]})
    return _with_toggles(session, toggles) if toggles else None


def _changes(session: Session, s: int) -> Iterator[tuple[int, bool]]:
    before = session.words[0] >> s & 1
    for time_us, word in zip(session.times_us[1:], session.words[1:], strict=True):
        if (word >> s & 1) != before:
            before ^= 1
            yield time_us, bool(before)


def _flips(own: Debounce, time_us: int, dice: Dice) -> list[int]:
    """An even number of further changes: just after one that counts at once, just before one that has to settle."""
    if own.time_us < 3:
        return []
    if own.kind == "lockout":
        first_us = dice.one_of((1, own.time_us - 2, dice.between(1, own.time_us - 2)))
        return [time_us + first_us, time_us + dice.one_of((first_us + 1, own.time_us - 1))]
    gap_us = dice.one_of((1, own.time_us - 1, dice.between(1, own.time_us - 1)))
    return [time_us - 2 * gap_us, time_us - gap_us]


def _with_toggles(session: Session, toggles: Counter[int]) -> Session:
    """Contacts turned over at some times, and everything else as it was."""
    words = dict(zip(session.times_us, session.words, strict=True))
    times, found = [], []
    word = turned = 0
    for time_us in sorted({*words, *toggles}):
        word = words.get(time_us, word)
        turned ^= toggles.get(time_us, 0)
        times.append(time_us)
        found.append(word ^ turned)
    return replace(session, times_us=tuple(times), words=tuple(found))


def reference(design: Design, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
    """The readable engine puts out the same and comes to the same state."""
    tally.reached[REFERENCE] += 1
    ours = play(factory, design, session)
    theirs: Any = ObservedReference(design, session.times_us[0], session.kept, tally.branches)
    for instant in session.instants():
        theirs.advance(*instant)
    wrong = compare(REFERENCE, design, packed_outputs(ours), packed_outputs(theirs), "by the reference")
    difference = state_difference(design, ours, theirs) if wrong is None else None
    return wrong if difference is None else Wrong(REFERENCE, session.times_us[-1], f"at the end {difference} by the reference")


def power(design: Design, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
    """What is kept comes back after power-off, and saving again what is saved writes nothing."""
    if not keeps(design):
        return None
    end_us = session.times_us[-1]
    kept = tuple(play(factory, design, session).kept())
    first = first_kept(design)
    tally.reached[POWER] += kept != first
    again = factory(design, 0, kept, True)
    again.advance(0, 0)
    again.advance(settled_us(design), 0)
    changed = _changed_at_power_on(design)
    places = [c for c, cell in enumerate(design.cells) if cell.keep for _ in range(cell.size)]
    for place, (before, after) in enumerate(zip(kept, again.kept(), strict=True)):
        if before != after and places[place] not in changed:
            return Wrong(POWER, end_us, f"{design.cells[places[place]].name} is {before} before power-off and {after} after")
    chip = Storage(design)
    chip.power_on()
    chip.save(first, kept, 0)
    image = chip.image
    chip.save(kept, kept, 0)
    if chip.image != image or chip.saves[-1].written:
        return Wrong(POWER, end_us, "saving what has been saved writes something")
    try:
        back = Storage(design, image).power_on()
    except SimulatorError as error:
        return Wrong(POWER, end_us, str(error))
    return None if back == kept else Wrong(POWER, end_us, "what comes back from the chip is not what was saved")


def _changed_at_power_on(design: Design) -> set[int]:
    """The cells that power-on without a foot may assign."""
    actions: list[Action | None] = [design.every_power_on, *(mode.enter for mode in design.modes)]
    actions += [binding.action for binding in design.power_on if not binding.mask]
    changed: set[int] = set()
    for action in actions:
        for statement in statements_of(design, action) if action else ():
            if isinstance(statement, program.SetCell):
                changed.add(statement.cell)
            elif isinstance(statement, program.FactoryValues):
                changed.update(statement.cells)
    return changed


def power_cut(design: Design, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
    """Power cut at every byte that the saves of this session write leaves all old or all new values."""
    if not keeps(design):
        return None
    saves, before = [], first_kept(design)
    for kept in _saves(design, factory, session):
        if sum(old != new for old, new in zip(before, kept, strict=True)) <= MOST_CUT_VALUES:
            saves.append(kept)
        before = kept
    if not saves:
        return None
    tally.reached[CUT] += 1
    chip = Storage(design)
    chip.power_on()
    cuts = cut_everywhere(design, chip.image, saves[:MOST_CUT_SAVES], lambda before, after: (before, after, before ^ 0x80))
    return (
        Wrong(CUT, session.times_us[-1], f"a cut at {cuts.neither[0]} leaves neither the old nor the new values") if cuts.neither else None
    )


def _saves(design: Design, factory: EngineFactory, session: Session) -> Iterator[tuple[int, ...]]:
    """The kept values of a session, each time they are others than before; at first the chip is as on the first day."""
    before = first_kept(design)
    engine = factory(design, session.times_us[0], session.kept, True)
    for time_us, word, arrived in session.instants():
        engine.advance(time_us, word, arrived)
        kept = tuple(engine.kept())
        if kept != before:
            yield kept
        before = kept


def sparing(design: Design, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
    """A save adds one entry with the rows that have changed; only where the journal has no room is it brought home besides."""
    if not keeps(design):
        return None
    chip = Storage(design)
    before, layout, used = chip.power_on(), chip.map, 0
    home_bytes, room = layout.home_bytes + 1, layout.size - layout.home_bytes
    for kept in _saves(design, factory, session):
        rows = _rows(layout, before, kept)
        before = kept
        chip.save(chip.saves[-1].kept if chip.saves else chip.first, kept, 0)
        save, parts = chip.saves[-1], -(-len(rows) // layout.rows_at_once)
        entries = parts * (ENTRY_BYTES + MOST_ENDS) + len(rows) * (layout.row_bytes + 1)
        if parts > 1:
            # The journal may be brought home between the parts, so that what is used of it is not known any more.
            return None
        tally.reached[SPARING] += 1
        used += entry_bytes(layout.row_bytes, len(rows))
        # One that does not fit is preceded by a journal brought home, and begins the next one.
        brought = home_bytes if used > room - 1 else 0
        used = entry_bytes(layout.row_bytes, len(rows)) if brought else used
        full = used + entry_bytes(layout.row_bytes, 1) >= room
        if save.written > entries + brought or save.tidied > (home_bytes if full else 0):
            text = f"{len(rows)} changed rows are stored with {save.written} bytes and {save.tidied} afterwards"
            return Wrong(SPARING, session.end_us, f"{text}; {entries + brought} and {home_bytes if full else 0} would do")
        used = 0 if full else used
    return None


def _rows(layout: StorageMap, before: Sequence[int], after: Sequence[int]) -> set[int]:
    """The rows in which the kept values differ."""
    rows: set[int] = set()
    first = 0
    for each in layout.cells:
        for element in range(each.cell.size):
            if before[first + element] != after[first + element]:
                rows.update(layout.rows_of(each, element, 1))
        first += each.cell.size
    return rows


def order(design: Design, factory: EngineFactory, session: Session, dice: Dice, tally: Tally) -> Wrong | None:
    """Where just two switches go down at one instant: does it matter which of them a controller sees first? Counted, never wrong."""
    for place in range(1, len(session.times_us) - 1):
        pressed = session.words[place] & ~session.words[place - 1]
        low = pressed & -pressed
        if pressed.bit_count() != 2 or session.times_us[place + 1] - session.times_us[place] < 2:
            continue
        tally.reached[ORDER] += 1
        runs = []
        for late in (low, pressed ^ low):
            times, words = list(session.times_us), list(session.words)
            words[place] ^= late
            times.insert(place + 1, times[place] + 1)
            words.insert(place + 1, session.words[place])
            engine = play(factory, design, replace(session, times_us=tuple(times), words=tuple(words)))
            runs.append((sorted(fired_in(packed_outputs(engine))), engine.mode))
        if runs[0] != runs[1]:
            tally.ties[" and ".join(name for s, name in enumerate(design.switches) if pressed >> s & 1)] += 1
        break
    return None


def fired_in(packed: list[Item]) -> list[int]:
    return [item >> 3 for item in packed[1::2] if isinstance(item, int) and item & 7 == FIRED]


CHECKS: dict[str, Check] = {
    POLLS: polls,
    SHIFT: shift,
    BOUNCE: bounce,
    REFERENCE: reference,
    POWER: power,
    CUT: power_cut,
    SPARING: sparing,
    ORDER: order,
}
