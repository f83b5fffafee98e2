"""design.h: the sizes, types and names of a design, by which the runtime leaves out what it does not use."""

from __future__ import annotations

from controller_sim.core.kinds import MINUTE_US, MOST_ECHOES, TAP_PAUSE_US, TICKS_PER_QUARTER
from controller_sim.core.midi_in import LONGEST_SYSEX
from controller_sim.design import program
from controller_sim.design.form import Debounce, Moved, Received
from controller_sim.design.storage import keeps, map_of
from controller_sim.port.c_code import longest_text
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_held import LOOKS
from controller_sim.port.c_most import largest
from controller_sim.port.c_tables import Bound
from controller_sim.port.c_types import comment, type_bytes, type_for

TAP_INTERVALS = 4


def header_lines(facts: Facts, bound: Bound) -> list[str]:
    design = facts.design
    lines = [
        f"/* {comment(design.title)}: sizes, types and names. Written by controller-sim from {comment(design.file)}. */",
        "#ifndef CTL_DESIGN_H",
        "#define CTL_DESIGN_H",
        "",
        "#include <stdbool.h>",
        "#include <stdint.h>",
        "",
        "#define CTL_SERIAL 1",
        "#define CTL_USB 2",
        "",
    ]
    lines += [f"#define {name} {value}" for name, value in _values(facts, bound).items()]
    lines += ["", *_types(facts, bound), *_enums(facts)]
    if _has_cells(facts):
        lines += ["struct ctl_cells {"]
        for n in [*facts.held_cells, *(n for n in range(len(design.cells)) if n not in facts.held_cells)]:
            cell = design.cells[n]
            if n not in facts.constant_cells:
                shape = f"[{cell.size}]" if cell.shape else ""
                rows = f"{cell.shape[0]} rows of {cell.shape[1]}, " if len(cell.shape) == 2 else ""
                kept = ", kept" if cell.keep else ""
                zero = f" as the distance from {cell.low}" if facts.cell_zeros[n] else ""
                lines.append(f"    {facts.cell_types[n]} {facts.cell_names[n]}{shape}; /* {rows}{cell.low}..{cell.high}{zero}{kept} */")
        lines += ["};", ""]
    return [*lines, "#endif"]


def _has_cells(facts: Facts) -> bool:
    return bool(facts.moving_cells)


def _wait(debounce: Debounce, kind: str) -> str:
    return f"{debounce.time_us if debounce.kind == kind else 0}u"


def _values(facts: Facts, bound: Bound) -> dict[str, object]:
    design, timing = facts.design, facts.design.timing
    repeat = timing.repeat
    return {
        "CTL_SWITCHES": len(design.switches),
        "CTL_OPENING": f"{design.opening}u",
        "CTL_KEYS": len(design.keys),
        "CTL_MODES": len(design.modes),
        "CTL_HOME": facts.mode_names[design.home],
        "CTL_BINDINGS": len(design.bindings),
        "CTL_LEDS": len(design.leds),
        "CTL_TEXT_BYTES": _text_bytes(facts),
        "CTL_DISPLAY_LINES": design.display_lines if facts.has_display else 0,
        "CTL_DISPLAY_CHARACTERS": design.display_characters,
        "CTL_PEDALS": len(design.pedals),
        "CTL_PRESS_SETTLE_US": _wait(timing.press, "settle"),
        "CTL_PRESS_LOCKOUT_US": _wait(timing.press, "lockout"),
        "CTL_RELEASE_SETTLE_US": _wait(timing.release, "settle"),
        "CTL_RELEASE_LOCKOUT_US": _wait(timing.release, "lockout"),
        "CTL_POWER_ON_US": f"{max(timing.press.time_us, timing.release.time_us, 1)}u",
        "CTL_CHORD_US": f"{timing.chord_us}u",
        "CTL_DOUBLE_US": f"{timing.double_us}u",
        "CTL_FIRST_REPEAT_US": f"{repeat.first_us}u",
        "CTL_LAST_REPEAT": sum(count for _, count in repeat.steps) + 1,
        "CTL_HAS_PRESS": int(bound.uses("press")),
        "CTL_HAS_RELEASE": int(bound.uses("release")),
        "CTL_HAS_TAP": int(bound.uses("tap")),
        "CTL_HOLD_KEYS": len(bound.keys_with("hold")),
        "CTL_REPEAT_KEYS": len(bound.keys_with("repeat")),
        "CTL_DOUBLE_KEYS": len(bound.keys_with("double")),
        "CTL_HAS_CHORDS": int(bound.has_chords),
        "CTL_HAS_CONDITIONS": int(facts.has_conditions),
        "CTL_HAS_EAGER": int(any(binding.eager for binding in design.bindings)),
        **_uses(facts),
        **largest(facts, bound),
    }


def _uses(facts: Facts) -> dict[str, object]:
    """What a design uses besides gestures."""
    design = facts.design
    return {
        "CTL_TIMERS": facts.timers,
        "CTL_HAS_CELLS": int(_has_cells(facts)),
        "CTL_HAS_NOTICES": int(facts.has_notices),
        "CTL_HAS_DELAYED": int(facts.has_delayed),
        "CTL_DELAYED_MESSAGES": max(min(facts.waiting, design.delayed_messages), 1),
        "CTL_DELAYED_OVERFLOWS": int(facts.waiting > design.delayed_messages),
        "CTL_DELAYED_BYTES": max(facts.delayed_bytes, 3),
        "CTL_HAS_CANCELLING_MODES": int(facts.has_cancelling_modes),
        "CTL_HAS_TEMPO": int(facts.has_tempo),
        "CTL_TEMPO_LOW": design.tempo.low,
        "CTL_TEMPO_HIGH": design.tempo.high,
        "CTL_TEMPO_START": design.tempo.start,
        "CTL_HAS_CLOCK": int(facts.has_clock),
        "CTL_SENDS_REAL_TIME": int(facts.sends_real_time),
        "CTL_CLOCK_PORTS": design.tempo.ports,
        "CTL_HAS_TAP_TEMPO": int(facts.has_tap_tempo),
        "CTL_TAP_INTERVALS": TAP_INTERVALS,
        "CTL_TAP_PAUSE_US": f"{max(TAP_PAUSE_US, MINUTE_US // design.tempo.low)}u",
        "CTL_FOLLOW": design.tempo.follow,
        "CTL_FOLLOW_PAUSE_US": f"{2 * MINUTE_US // (TICKS_PER_QUARTER * design.tempo.low)}u",
        "CTL_HAS_MIDI_IN": int(facts.has_midi_in),
        "CTL_PARSER_BYTES": LONGEST_SYSEX if facts.takes_sysex or (design.echo_us and facts.longest_message > 3) else 3,
        "CTL_HEARD_VALUES": max([2, *(response.values for response in design.responses)]),
        "CTL_PAIRS": len(facts.pairs),
        "CTL_ECHO_US": f"{design.echo_us}u",
        "CTL_MOST_ECHOES": MOST_ECHOES,
        "CTL_ECHO_BYTES": facts.longest_message,
        "CTL_RESPONSES": len(design.responses),
        "CTL_MOVES": sum(isinstance(response.cause, Moved) for response in design.responses),
        "CTL_HEARD": sum(isinstance(response.cause, Received) for response in design.responses),
        "CTL_THRU": len(design.thru),
        "CTL_HAS_STORAGE": int(keeps(design)),
        **(_storage(facts) if keeps(design) else {}),
        "CTL_HAS_RESTART": int(facts.has_restart),
        "CTL_RUNNING_STATUS": int(design.running_status),
    }


def _storage(facts: Facts) -> dict[str, object]:
    design, whole = facts.design, map_of(facts.design)
    sizes = {type_bytes(facts.cell_types[each.index]) for each in whole.cells}
    return {
        "CTL_STORAGE_BYTES": f"{whole.size}u",
        "CTL_STORAGE_VERSION": design.storage.version,
        "CTL_STORAGE_OLDEST": design.storage.oldest,
        "CTL_ROWS": whole.rows,
        "CTL_ROW_BYTES": f"{whole.row_bytes}u",
        "CTL_ROWS_AT_ONCE": whole.rows_at_once,
        "CTL_STORAGE_LOOKS": f"{LOOKS}u",
        "CTL_STORED_CELLS": len(whole.cells),
        "CTL_STORED_SIZES": sum(sizes),
        "CTL_HELD_BYTES": f"{sum(facts.cell_bytes(cell) for cell in facts.held_cells)}u",
    }


def _text_bytes(facts: Facts) -> int:
    """The most bytes that the display's text can have, without its NUL; 0 without a display."""
    if not facts.has_display:
        return 0
    texts = [sum(map(longest_text, view.lines)) + len(view.lines) - 1 for mode in facts.design.modes for view in mode.views]
    notices = [longest_text(s.text) for s in facts.statements if isinstance(s, program.Notice)]
    return max([*texts, *notices, 1])


def _offset_type(facts: Facts) -> str:
    """A type for places in struct ctl_cells, which a host's compiler may have filled up between cells of different sizes."""
    gap = max((type_bytes(facts.cell_types[n]) - 1 for n in facts.moving_cells), default=0)
    return "uint8_t" if sum(facts.cell_bytes(n) + gap for n in facts.moving_cells) <= 255 else "uint16_t"


def _types(facts: Facts, bound: Bound) -> list[str]:
    design = facts.design
    choices = len(design.bindings) + 1 + len(bound.alternatives)
    wide = facts.shows_wide
    conditions = max(len(mode.conditions) for mode in design.modes)
    chords = sum(len(bound.chords(mode)) for mode in range(len(design.modes)))
    parts = max(chords, *(sum(map(len, each)) for each in zip(*((m.timers, m.draft, m.responses) for m in design.modes), strict=True)))
    return [
        f"typedef {'uint8_t' if len(design.switches) <= 8 else 'uint16_t'} ctl_switches_t; /* bit s for switch s */",
        f"typedef {'int32_t' if wide else 'int16_t'} ctl_number_t; /* what texts show */",
        f"typedef {'uint32_t' if wide else 'uint16_t'} ctl_magnitude_t;",
        f"typedef {type_for(0, choices)} ctl_choice_t;",
        f"typedef {type_for(0, len(bound.rows) + 1)} ctl_row_number_t;",
        f"typedef {_offset_type(facts)} ctl_offset_t; /* a place in struct ctl_cells */",
        f"typedef {type_for(0, parts)} ctl_part_t; /* a place in a table that modes share */",
        f"typedef {'uint8_t' if conditions <= 8 else 'uint16_t' if conditions <= 16 else 'uint32_t'} ctl_conditions_t;",
        "",
    ]


def _enums(facts: Facts) -> list[str]:
    lines = [f"enum {{ {', '.join(facts.mode_names)} }};"]
    if facts.pedal_names:
        lines.append(f"enum {{ {', '.join(facts.pedal_names)} }};")
    if facts.led_names:
        lines.append(f"enum {{ {', '.join(facts.led_names)} }};")
    return [*lines, ""]
