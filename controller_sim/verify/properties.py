"""Every property that any design is held to: its name, what it says, how it is decided, and where it does not apply."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from controller_sim.design import program
from controller_sim.design.form import Design
from controller_sim.design.storage import keeps
from controller_sim.verify import accounts, earliest, ending, onward, overlooking, pairs, sent, watchers
from controller_sim.verify.arrivals import listens
from controller_sim.verify.facts import loose_note, note_statements, uses
from controller_sim.verify.momentary import without_momentaries
from controller_sim.verify.moving import without_pairs
from controller_sim.verify.sent import without_taps
from controller_sim.verify.thresholds import chord_us
from controller_sim.verify.unused import PANIC

BEFORE = "before anything is played"
WATCHED = "watched on every run"
STATE = "watched instant by instant, on a part of the runs"
TWO_RUNS = "two runs side by side, on a part of the runs"
ONWARD = "played on from where a run comes to rest, on a part of the runs"
ENDLESS = "counted, never judged: only all runs together could decide it"

NotHere = Callable[[Design], str | None]


@dataclass(frozen=True, slots=True)
class Property:
    """One property. `not_here` says in a sentence why it does not apply to a design, or None if it does."""

    name: str
    line: str
    how: str
    not_here: NotHere = lambda design: None
    findings: tuple[str, ...] = ()
    """The codes of the findings by which `check` decides it, or that part of it which the design alone shows, before anything is played."""
    of_design: bool = False
    """Whether a design can break it though its engine does all that it should."""


def _without_chords(design: Design) -> str | None:
    return "no chord is bound" if chord_us(design) is None else None


def _without_pairs(design: Design) -> str | None:
    return None if any(b.gesture == "release" for b in design.bindings) else "no release is bound"


def _without_draft(design: Design) -> str | None:
    return None if onward.editing(design) else "no draft is edited and surely cancelled"


def _without_modes(design: Design) -> str | None:
    return None if uses(design, program.Enter) or uses(design, program.Restart) else "the mode never changes"


def _without_panic(design: Design) -> str | None:
    return None if any(procedure.name == PANIC for procedure in design.procedures) else "nothing runs panic()"


def _without_hush(design: Design) -> str | None:
    if not any(note_statements(design, number, True) for number in range(len(design.procedures))):
        return "it begins no note"
    return _without_panic(design) or (None if onward.panics(design) else "no gesture surely runs panic()")


def _without_storage(design: Design) -> str | None:
    return None if keeps(design) else "no cell says 'keep: yes'"


def _without_clock(design: Design) -> str | None:
    return None if uses(design, program.ClockRun) else "the clock is never started"


def _without_debounce(design: Design) -> str | None:
    return None if max(design.timing.press.time_us, design.timing.release.time_us) > 2 else "the contacts are not debounced"


def _without_arrivals(design: Design) -> str | None:
    return None if listens(design) else "it listens to no pedal and to no MIDI"


def _without_notes(design: Design) -> str | None:
    if not any(note_statements(design, number, True) for number in range(len(design.procedures))):
        return "it begins no note"
    return loose_note(design)


PROPERTIES = (
    Property(
        "all of it used",
        "Every mode can be entered, every binding fires, every cell is read.",
        BEFORE,
        findings=("mode-never-entered", "never-fires", "cell-never-read"),
    ),
    Property("panic at hand", "Where one mode can silence everything, every mode can.", BEFORE, _without_panic, ("no-panic-here",)),
    Property(
        "playable windows",
        "No time is too short for a foot, and no two are too close to tell apart.",
        BEFORE,
        findings=("window-narrow", "hold-short", "double-quick", "double-lost", "chord-against-double", "tempo-untappable"),
    ),
    Property(
        "latency",
        "How long each gesture takes from contact to last byte.",
        BEFORE,
        findings=("budget-latency", "budget-release", "budget-tap", "budget-jitter"),
    ),
    Property(accounts.ANSWERED, "Each press fires something or ends in exactly one other way; none is lost, none counts twice.", WATCHED),
    Property(accounts.ONCE, "One press never means two things, and never nothing where something is bound.", WATCHED),
    Property(accounts.TIMELY, "Each gesture fires at exactly the microsecond that the design's times say.", WATCHED),
    Property(accounts.ALONE, "Where a chord has taken a switch, the switch does nothing of its own.", WATCHED, _without_chords),
    Property(accounts.PAIRED, "Each press that fired has exactly one release, whatever happens in between.", WATCHED, _without_pairs),
    Property(accounts.SLATE, "Nothing pressed before a mode change fires in the new mode.", WATCHED, _without_modes),
    Property(accounts.QUIET, "What is down at power-on fires no gesture, only what is bound to power-on.", WATCHED),
    Property(accounts.BELIEVED, "A press longer than the debounce time is never lost, a shorter one never half fires.", WATCHED),
    Property(accounts.BYTES, "Each message is whole and well formed, and inside what the devices declare.", WATCHED),
    Property(ending.NOTES, "When every foot is up and nothing waits, no note sounds.", WATCHED, _without_notes, of_design=True),
    Property(
        ending.MOMENTARY,
        "When every foot is up and nothing waits, no controller is on that is only on while a foot is down.",
        WATCHED,
        without_momentaries,
        of_design=True,
    ),
    Property(ending.RESTFUL, "Every foot up, everything comes to rest within the design's own times.", WATCHED),
    Property(watchers.SHOWN, "Display and LEDs are what the state says, and only what changes is put out.", STATE),
    Property(watchers.RANGES, "Each cell and the tempo stay in range, and the queue of delayed messages in its size.", STATE),
    Property(watchers.STORED, "A draft is kept only when saved, and while nothing happens nothing is stored.", STATE, _without_storage),
    Property(watchers.CANCELLED, "Cancelling gives every drafted cell its old value.", STATE, watchers.without_cancel),
    Property(watchers.STEADY, "The MIDI clock never drifts, however long it runs.", STATE, _without_clock),
    Property(sent.TAPPED, "A tapped tempo is that of the taps, in its range; the first tap of a series sets none.", STATE, without_taps),
    Property(
        sent.AGREED,
        "At rest a toggle's cell, what is stored and the last message that tells of it say the same.",
        STATE,
        overlooking.without_toggles,
        of_design=True,
    ),
    Property(
        sent.BURST,
        "No gesture hands the serial line more bytes at once than check says of it.",
        STATE,
        overlooking.without_bursts,
        ("line-overrun", "long-burst", "delayed-overflow"),
    ),
    Property(
        sent.QUEUE,
        "The bytes that wait for the serial line fit into the buffer that the budget states.",
        STATE,
        overlooking.without_queue,
        ("budget-buffer",),
        of_design=True,
    ),
    Property(
        onward.STEPS,
        "A step up and a step down lead back, except from where an end has cut the first one short.",
        ONWARD,
        without_pairs,
        of_design=True,
    ),
    Property(
        onward.UNEDITED,
        "An edit that is cancelled leaves mode, display, LEDs, draft and what is stored as if there had been none.",
        ONWARD,
        _without_draft,
        of_design=True,
    ),
    Property(onward.HUSHED, "Where panic() runs, no note sounds on and none that waited begins.", ONWARD, _without_hush),
    Property(
        onward.HOME,
        "From wherever a run ends, gestures of two feet and waiting lead back home.",
        ONWARD,
        _without_modes,
        ("no-way-home",),
        of_design=True,
    ),
    Property(earliest.EARLIEST, "No gesture fires later than it could have been told apart from all others.", TWO_RUNS),
    Property(pairs.REFERENCE, "The readable engine does exactly the same.", TWO_RUNS),
    Property(pairs.POLLS, "Being looked at more often, or late, changes nothing but what a late edge changes.", TWO_RUNS),
    Property(pairs.SHIFT, "A run at another time is the same run, across the counter's wrap too.", TWO_RUNS),
    Property(pairs.BOUNCE, "Bounce within the debounce times changes nothing.", TWO_RUNS, _without_debounce),
    Property(pairs.POWER, "What was saved comes back after power-off, and saving it again writes nothing.", TWO_RUNS, _without_storage),
    Property(pairs.CUT, "Power cut at any byte of a save leaves all old or all new values.", TWO_RUNS, _without_storage),
    Property(pairs.SPARING, "Storing writes the rows that have changed, and little else.", TWO_RUNS, _without_storage),
    Property(pairs.ORDER, "Which switches' order matters when both go down at once.", ENDLESS),
    Property("listening", "All of this holds whatever pedals and MIDI do meanwhile.", ENDLESS, _without_arrivals),
)
"""In the order in which they are shown."""
ACCIDENT = Property("no accident", "The engine never falls over.", WATCHED)
"""Not of a design but of an engine that may be broken."""


BY_NAME = {each.name: each for each in (*PROPERTIES, ACCIDENT)}
