"""The controller of four.yaml written out by hand, as fast as plain Python allows: no tables, no objects, one loop over locals.

It is the yardstick of the engine bench. It knows this one design and what follows from it: a window that closes puts nothing out, so
only its end is kept; a lockout only puts off the earliest release; what a switch is for is decided where its press is handled.
The function is as long as the design; every part that was taken out cost speed.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable

NEVER = 1 << 62
SETTLE = 12_000
LOCKOUT = 5_000
WINDOW = 45_000
HOLD = 500_000


def _message(*data: int) -> int:
    item = 1
    for byte in reversed(data):
        item = item << 8 | byte
    return (item << 2 | 1) << 3


PROGRAM_A, PROGRAM_B, PROGRAM_C, PROGRAM_D = (tuple(_message(0xC9, bank * 4 + n) for bank in range(3)) for n in range(4))
PAD_A_ON, PAD_A_OFF = _message(0x91, 36, 100), _message(0x81, 36, 64)
PAD_B_ON, PAD_B_OFF = _message(0x91, 40, 100), _message(0x81, 40, 64)
FREEZE_ON, FREEZE_OFF = _message(0xB2, 80, 127), _message(0xB2, 80, 0)
WET = tuple(_message(0xB2, 91, bank * 40) for bank in range(3))
FIRED = tuple(binding << 3 | 1 for binding in range(17))
UNBOUND_C = (2 << 2) << 3 | 2
CANCELLED = tuple(tuple((switch << 2 | 1) << 3 | 2 for switch in range(4) if live & 1 << switch) for live in range(16))
MODE_SHOW, MODE_PAD, MODE_SPACE = 3, 11, 19
LED_OFF = tuple((led << 8) << 3 | 4 for led in range(3))
LED_ON = tuple((led << 8 | 1) << 3 | 4 for led in range(3))


def play(times: array[int], words: array[int]) -> list[int]:
    """Plays columns of times in microseconds and switch words from power-on (all contacts open until 12 ms have passed)."""
    out = [SETTLE, MODE_SHOW, SETTLE, LED_ON[0]]
    fired_tap_a, fired_hold_a, fired_tap_b, fired_tap_c, fired_hold_c, fired_tap_d, fired_chord = FIRED[:7]
    on_a, off_a, on_b, off_b, leave_pad, freeze, unfreeze, wet, dry, leave_space = FIRED[7:]
    program_a, program_b, program_c, program_d = PROGRAM_A, PROGRAM_B, PROGRAM_C, PROGRAM_D
    never = due = open_a = open_b = open_c = open_d = held_a = held_b = held_c = NEVER
    lock_a = lock_b = lock_c = lock_d = window = 0
    word = down = live = owing_a = owing_b = pending = mode = bank = lit = shown = 0

    for t, now_closed in zip(times, words, strict=True):
        while due <= t:
            at = due
            if shown != lit and out[-2] != at:
                shown = _show(out, shown, lit)
            if held_a == at:
                held_a = held_c = never
                out += at, fired_hold_a
                for ended in CANCELLED[live & 14]:
                    out += at, ended
                out += at, MODE_PAD
                live = pending = 0
                mode = lit = 1
            elif held_c == at:
                held_a = held_c = never
                out += at, fired_hold_c
                for ended in CANCELLED[live & 11]:
                    out += at, ended
                out += at, MODE_SPACE
                live = pending = 0
                mode = lit = 2
            elif held_b == at:
                held_b = never
                live &= 13
                out += at, dry, at, WET[0]
            if open_a == at:
                open_a = never
                down &= 14
                if live & 1:
                    live &= 14
                    held_a = never
                    out += at, fired_tap_a, at, program_a[bank]
                elif owing_a:
                    out += (at, off_a, at, PAD_A_OFF) if owing_a == 1 else (at, unfreeze, at, FREEZE_OFF)
                    owing_a = 0
            if open_b == at:
                open_b = never
                down &= 13
                if live & 2:
                    live &= 13
                    held_b = never
                    out += (at, wet, at, WET[bank]) if mode else (at, fired_tap_b, at, program_b[bank])
                elif owing_b:
                    owing_b = 0
                    out += at, off_b, at, PAD_B_OFF
            if open_c == at:
                open_c = never
                down &= 11
                if live & 4:
                    live &= 11
                    held_c = never
                    pending = 0
                    out += (at, UNBOUND_C) if mode else (at, fired_tap_c, at, program_c[bank])
            if open_d == at:
                open_d = never
                down &= 7
                if live & 8:
                    if not mode:
                        live &= 7
                        pending = 0
                        out += at, fired_tap_d, at, program_d[bank]
                    else:
                        out += at, leave_pad if mode == 1 else leave_space
                        for ended in CANCELLED[live & 7]:
                            out += at, ended
                        out += at, MODE_SHOW
                        live = mode = 0
                        held_b = never
                        lit = bank
            due = open_a if open_a < open_b else open_b
            if open_c < due:
                due = open_c
            if open_d < due:
                due = open_d
            if held_a < due:
                due = held_a
            if held_b < due:
                due = held_b
            if held_c < due:
                due = held_c

        if shown != lit and out[-2] != t:
            shown = _show(out, shown, lit)
        changed = word ^ now_closed
        word = now_closed
        if changed & 1:
            if not word & 1:
                open_a = (t if t > lock_a else lock_a) + SETTLE
                if open_a < due:
                    due = open_a
            elif down & 1:
                open_a = never
            else:
                down |= 1
                lock_a = t + LOCKOUT
                if not mode:
                    live |= 1
                    pending = 0
                    held_a = t + HOLD
                    if held_a < due:
                        due = held_a
                elif mode == 1:
                    owing_a = 1
                    out += t, on_a, t, PAD_A_ON
                else:
                    owing_a = 2
                    out += t, freeze, t, FREEZE_ON
        if changed & 2:
            if not word & 2:
                open_b = (t if t > lock_b else lock_b) + SETTLE
                if open_b < due:
                    due = open_b
            elif down & 2:
                open_b = never
            else:
                down |= 2
                lock_b = t + LOCKOUT
                if not mode:
                    live |= 2
                    pending = 0
                elif mode == 1:
                    owing_b = 1
                    out += t, on_b, t, PAD_B_ON
                else:
                    live |= 2
                    held_b = t + HOLD
                    if held_b < due:
                        due = held_b
        if changed & 4:
            if not word & 4:
                open_c = (t if t > lock_c else lock_c) + SETTLE
                if open_c < due:
                    due = open_c
            elif down & 4:
                open_c = never
            else:
                down |= 4
                lock_c = t + LOCKOUT
                if mode:
                    live |= 4
                elif pending == 8 and t < window:
                    live &= 7
                    pending = 0
                    bank = lit = bank + 1 if bank < 2 else 0
                    out += t, fired_chord
                else:
                    live |= 4
                    pending = 0 if down & 8 else 4
                    window = t + WINDOW
                    held_c = t + HOLD
                    if held_c < due:
                        due = held_c
        if changed & 8:
            if not word & 8:
                open_d = (t if t > lock_d else lock_d) + SETTLE
                if open_d < due:
                    due = open_d
            elif down & 8:
                open_d = never
            else:
                down |= 8
                lock_d = t + LOCKOUT
                if mode:
                    live |= 8
                elif pending == 4 and t < window:
                    live &= 11
                    pending = 0
                    held_c = never
                    bank = lit = bank + 1 if bank < 2 else 0
                    out += t, fired_chord
                else:
                    live |= 8
                    pending = 0 if down & 4 else 8
                    window = t + WINDOW
        if shown != lit:
            shown = _show(out, shown, lit)
    return out


def _show(out: list[int], shown: int, lit: int) -> int:
    at = out[-2]
    if shown < lit:
        out.extend((at, LED_OFF[shown], at, LED_ON[lit]))
    else:
        out.extend((at, LED_ON[lit], at, LED_OFF[shown]))
    return lit


def prepare() -> Callable[[array[int], array[int]], list[int]]:
    return play
