"""Settings outside what people and published texts do, each with its source beside it.

No published measurement of foot-operated momentary switches as a class was found: bounce figures are those of push buttons, and where
only fingers were measured the text says so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from controller_sim.design.form import SERIAL, Binding, Debounce, Design, Moved, Timer
from controller_sim.design.program import Field, Notice, SetCell, TapTempo, Text
from controller_sim.design.steps import statements_in
from controller_sim.midi.wire import BYTE_US
from controller_sim.verify.findings import ERROR, NO_SOURCE, NOTE, WARNING, Finding
from controller_sim.verify.hiding import shortest_up_us
from controller_sim.verify.latency import Latencies, title_of
from controller_sim.verify.reach import Reach, Run, cells_in
from controller_sim.view.words import duration, plural

BOUNCE_US = 6_200
"""The longest bounce of 16 of 18 switches."""
BOUNCE = "J. Ganssle, A Guide to Debouncing (16 of 18 switches: mean 1,557 us, longest 6,200 us)"
SLOW_DEBOUNCE_US = 50_000
SLOW_DEBOUNCE = "20 to 50 ms are quoted to beginners: common practice, no better source"
CHORD_US = (30_000, 100_000)
CHORD_SHORT = "W. Goebl, JASA 2001: skilled pianists strike a chord's notes up to 30 ms apart; for feet no figure was found"
CHORD_LONG = "Foot Operation of Controls, Ergonomics 14(3), 1971: a foot finds a target 15 cm away in about 0.1 s"
TAP_US = 165_000
TAP = "fepsy.com/tests/tapping: the fastest fingers tap 55 to 60 times in 10 s, once in 165 ms; feet are slower"
HOLD_US = (400_000, 5_000_000)
HOLD_SHORT = "long press: AOSP ViewConfiguration 400 ms, GTK gtk-long-press-time and iOS minimumPressDuration 500 ms"
DOUBLE_US = (200_000, 500_000)
ANDROID_DOUBLE_US = 300_000
DOUBLE = "double: AOSP ViewConfiguration 300 ms from lifting to pressing, GTK gtk-double-click-time 400 ms, SetDoubleClickTime 500 ms"
LEAST_UP_US = 40_000
LEAST_UP = "double: AOSP ViewConfiguration takes second taps from 40 ms on"
TEMPO = (30, 300)
TAP_TEMPO = "B. Repp 2005, doi 10.3758/BF03206433, as quoted: people tap in time at intervals from 200 ms to 2 s"
FLASH_US = 1_000_000 // 3
FLASHES = "W3C, Web Content Accessibility Guidelines 2.1, success criterion 2.3.1: at most three flashes in a second"
LOOK_US = 284_000
LOOK = "pedal reaction at least 241 to 284 ms: Ergonomics 14(2):279-292, 1971"
WORD_US = 252_000
"""238 words a minute."""
READING = "M. Brysbaert 2019, doi 10.1016/j.jml.2019.104047: adults read 238 words a minute, silently"
EEPROM_WRITES = 100_000
EEPROM = "AVR data sheets: an EEPROM byte takes 100,000 writes"
LINE = "MIDI 1.0 Detailed Specification 4.2.1, p. 1: 31,250 baud, 320 us a byte"
CHANNEL_MODES = 120
MODES = "MIDI 1.0 Detailed Specification 4.2.1, p. 20: controllers 120 to 127 are channel mode messages"


@dataclass(frozen=True, slots=True)
class _Use:
    """A gesture that a setting is about, to have a place to point at."""

    binding: Binding
    title: str


def ranges(latencies: Latencies) -> Iterator[Finding]:
    """Every setting of a design that is in use and lies outside its range."""
    reach = latencies.reach
    design = reach.design
    used = [_Use(design.bindings[run.number], title_of(design, run)) for run in reach.all_runs if run.what == "binding"]
    yield from _debounce(design)
    yield from _chords(design, used)
    yield from _holds(design, used)
    yield from _doubles(design, used)
    yield from _tap_tempo(reach)
    yield from _again(latencies)
    yield from _display(reach)
    yield from _wear(reach)
    for device in design.devices:
        for controller in device.controllers or ():
            if controller.number >= CHANNEL_MODES:
                says = f"controller {controller.number} is no controller but a channel mode message"
                yield Finding(WARNING, "mode-message", (f"{device.name} {controller.name}",), says, None, MODES)


def _debounce(design: Design) -> Iterator[Finding]:
    timing = design.timing
    for name, own, other in (("press", timing.press, timing.release), ("release", timing.release, timing.press)):
        quiet_us = _bounce_kept_out_us(own, other)
        if quiet_us < BOUNCE_US:
            says = f"bounce of more than {duration(quiet_us)} after a {name} counts as more edges"
            yield Finding(WARNING, "debounce-short", (f"debounce {name}",), says, None, BOUNCE)
        if own.time_us > SLOW_DEBOUNCE_US:
            says = f"{duration(own.time_us)} is longer than contacts need"
            yield Finding(WARNING, "debounce-long", (f"debounce {name}",), says, None, SLOW_DEBOUNCE)


def _bounce_kept_out_us(own: Debounce, other: Debounce) -> int:
    """How long a contact may bounce at an edge: while the edge is debounced, and as long as it takes to believe the way back."""
    return own.time_us + (other.time_us if own.kind == "lockout" and other.kind == "settle" else 0)


def _chords(design: Design, used: list[_Use]) -> Iterator[Finding]:
    chord = next((use for use in used if len(design.keys[use.binding.key].members) > 1), None)
    if chord is None:
        return
    shortest_us, longest_us = CHORD_US
    if design.timing.chord_us < shortest_us:
        says = f"{duration(design.timing.chord_us)} is too narrow for two feet to press {design.keys[chord.binding.key].name} together"
        yield Finding(WARNING, "window-narrow", ("chord window",), says, chord.binding.place, CHORD_SHORT)
    if design.timing.chord_us > longest_us:
        says = f"within {duration(design.timing.chord_us)} one foot can press two switches one after another and make a chord"
        yield Finding(WARNING, "chord-long", ("chord window",), says, chord.binding.place, CHORD_LONG)


def _holds(design: Design, used: list[_Use]) -> Iterator[Finding]:
    release = design.timing.release
    settle_us = release.time_us if release.kind == "settle" else 0
    tapped = {(use.binding.mode, use.binding.key) for use in used if use.binding.gesture == "tap"}
    for use in used:
        binding = use.binding
        if binding.gesture not in ("hold", "repeat"):
            continue
        time_us = binding.hold_us or design.timing.repeat.first_us
        beside_tap = (binding.mode, binding.key) in tapped
        if beside_tap and time_us - settle_us <= TAP_US:
            says = f"takes the tap after {duration(max(time_us - settle_us, 0))} with the contact closed, less than a quick tap may last"
            yield Finding(WARNING, "window-narrow", (use.title,), says, binding.place, TAP)
        elif binding.gesture == "hold" and time_us < HOLD_US[0]:
            yield Finding(WARNING, "hold-short", (use.title,), "is shorter than every published long press", binding.place, HOLD_SHORT)
        if time_us > HOLD_US[1]:
            yield Finding(WARNING, "hold-long", (use.title,), "is longer than people stand on one leg for it", binding.place, NO_SOURCE)


def _doubles(design: Design, used: list[_Use]) -> Iterator[Finding]:
    doubles = [use for use in used if use.binding.gesture == "double"]
    if not doubles:
        return
    gap_us, place = design.timing.double_us, doubles[0].binding.place
    shortest_us, longest_us = DOUBLE_US
    press = design.timing.press
    open_us = gap_us - (press.time_us if press.kind == "settle" else 0)
    if open_us < shortest_us:
        says = f"{duration(gap_us)} is too narrow to lift a foot and press again"
        yield Finding(WARNING, "window-narrow", ("double gap",), says, place, DOUBLE)
    elif gap_us < ANDROID_DOUBLE_US:
        yield Finding(
            NOTE,
            "double-quick",
            ("double gap",),
            f"{duration(gap_us)} is shorter than every published one, and those are for fingers",
            place,
            DOUBLE,
        )
    if gap_us > longest_us:
        says = f"{duration(gap_us)} is longer than any published one, and each tap beside a double waits for it"
        yield Finding(WARNING, "double-long", ("double gap",), says, place, DOUBLE)
    if shortest_up_us(design) > LEAST_UP_US:
        says = f"debouncing keeps a switch up for {duration(shortest_up_us(design))}, so that quick doubles are lost"
        yield Finding(WARNING, "double-lost", ("double gap",), says, place, LEAST_UP)


def _tap_tempo(reach: Reach) -> Iterator[Finding]:
    tempo = reach.design.tempo
    run = next((run for run in reach.all_runs if reach.may(run.procedure, TapTempo)), None)
    if run is None:
        return
    for beats, outside in ((tempo.low, tempo.low < TEMPO[0]), (tempo.high, tempo.high > TEMPO[1])):
        if outside:
            says = f"{beats} beats a minute, {duration(60_000_000 // beats)} apart, cannot be tapped evenly"
            yield Finding(WARNING, "tempo-untappable", ("tempo range",), says, run.place, TAP_TEMPO)


def _again(latencies: Latencies) -> Iterator[Finding]:
    """What comes again and again sends more than the line can carry."""
    reach, design = latencies.reach, latencies.design
    repeat = design.timing.repeat
    for run in reach.all_runs:
        period_us = 0
        if run.what == "timer" and run.mode is not None:
            timer = design.modes[run.mode].timers[run.number]
            period_us = timer.period_us if timer.every else 0
        elif run.what == "binding" and design.bindings[run.number].gesture == "repeat":
            period_us = repeat.last_us
        elif run.what == "response":
            cause = design.responses[run.number].cause
            period_us = design.pedals[cause.pedal].every_us if isinstance(cause, Moved) else 0
        burst = latencies.bursts[run, SERIAL]
        amount = burst.most + sum(latencies.meters[SERIAL].later(run.procedure).values())
        if period_us and amount * BYTE_US > period_us:
            always = not burst.may_be_silent and burst.least * BYTE_US > period_us
            says = (
                f"comes every {duration(period_us)} with {'' if always else 'up to '}{plural(amount, 'byte')}, "
                f"{duration(amount * BYTE_US)} of the serial line: they pile up"
            )
            yield Finding(ERROR if always else WARNING, "line-overrun", (title_of(design, run),), says, run.place, LINE)


def _display(reach: Reach) -> Iterator[Finding]:
    design = reach.design
    for number in sorted(reach.procedures):
        for statement in statements_in(design.procedures[number].body):
            if isinstance(statement, Notice):
                needed_us = reading_us(statement.text)
                if statement.duration_us < needed_us:
                    notice = f"'{written(statement.text)}' shows for {duration(statement.duration_us)}"
                    says = f"{notice}; to look and read it takes {duration(needed_us)}"
                    yield Finding(WARNING, "notice-brief", (), says, design.procedures[number].place, f"{READING}; {LOOK}")
    for number in sorted(reach.modes):
        mode = design.modes[number]
        shown = cells_in(reach.shown(mode))
        for run in reach.runs(number):
            if run.what != "timer":
                continue
            timer = mode.timers[run.number]
            yield from _brief(reach, run, timer)
            sets = {each.cell for each in reach.statements(run.procedure) if isinstance(each, SetCell)}
            if timer.every and 2 * timer.period_us < FLASH_US and not sets.isdisjoint(shown):
                says = f"sets every {duration(timer.period_us)} what display or LEDs show: they may flash more than three times a second"
                yield Finding(WARNING, "flashes", (title_of(design, run),), says, mode.place, FLASHES)


def _brief(reach: Reach, run: Run, timer: Timer) -> Iterator[Finding]:
    """A label of a form, or a whole mode, that is gone before it can be read."""
    design = reach.design
    assert run.mode is not None
    mode = design.modes[run.mode]
    if design.procedures[run.procedure].name.endswith(": label") and timer.period_us < LOOK_US + WORD_US:
        says = f"show for {duration(timer.period_us)}; to look and read one word takes {duration(LOOK_US + WORD_US)}"
        yield Finding(WARNING, "label-brief", (f"labels of {mode.name}",), says, mode.place, f"{READING}; {LOOK}")
    if reach.always_leaves(run.procedure) and mode.views:
        shortest_us = min(sum(reading_us(line) - LOOK_US for line in view.lines) for view in mode.views) + LOOK_US
        if timer.period_us < shortest_us:
            says = f"is left after {duration(timer.period_us)}; to look and read its display takes {duration(shortest_us)}"
            yield Finding(WARNING, "mode-brief", (mode.name,), says, mode.place, f"{READING}; {LOOK}")


def reading_us(text: Text) -> int:
    """How long a text has to show: a look at it, then word by word."""
    return LOOK_US + WORD_US * len(written(text).split())


def written(text: Text) -> str:
    """A text as it stands in a file, more or less."""
    return "".join("{..}" if isinstance(part, Field) else part for part in text.parts)


def _wear(reach: Reach) -> Iterator[Finding]:
    """A kept cell that a timer sets is written while no foot does anything."""
    design = reach.design
    for number in sorted(reach.modes):
        mode = design.modes[number]
        for run in reach.runs(number):
            if run.what != "timer" or not mode.timers[run.number].every:
                continue
            period_us = mode.timers[run.number].period_us
            for cell in sorted({each.cell for each in reach.statements(run.procedure) if isinstance(each, SetCell)}):
                if design.cells[cell].keep and cell not in mode.draft:
                    hours = EEPROM_WRITES * period_us // 3_600_000_000
                    says = f"is kept, and {title_of(design, run)} may write it every {duration(period_us)}: worn out after {hours} hours"
                    yield Finding(WARNING, "idle-wear", (f"cell {design.cells[cell].name}",), says, mode.place, EEPROM)
