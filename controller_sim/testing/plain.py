"""Small designs with one mode, built directly, for checks of one thing at a time."""

from __future__ import annotations

from controller_sim.design import form, program

PLACE = form.Place("plain", 1, 1)
AT_ONCE = form.Debounce("lockout", 0)


def note(number: int, velocity: int = 64) -> program.Send:
    """A note-on to the serial port."""
    return program.Send(form.SERIAL, tuple(program.Constant(byte, byte) for byte in (0x90, number, velocity)))


def plain_design(
    bindings: dict[tuple[str, str], tuple[program.Statement, ...]],
    switches: str = "ab",
    press: form.Debounce = AT_ONCE,
    release: form.Debounce = AT_ONCE,
    enter: tuple[program.Statement, ...] = (),
    tempo: form.Tempo | None = None,
) -> form.Design:
    """A design from (gesture, key) to actions; a key of several letters is a chord.

    Chord window 45 ms, hold 500 ms, double 300 ms, repeat from 600 ms on.
    """
    chords = sorted({key for _, key in bindings if len(key) > 1})
    keys = []
    for name in [*switches, *chords]:
        members = tuple(switches.index(letter) for letter in name)
        keys.append(form.Key(name, members, sum(1 << member for member in members)))
    names = [key.name for key in keys]
    bodies = [*bindings.values(), enter]
    return form.Design(
        title="plain",
        file="plain",
        switches=tuple(switches),
        leds=(),
        display_lines=1,
        display_characters=0,
        timing=form.Timing(press, release, 45_000, 500_000, 300_000, form.Repeat(600_000, (), 100_000)),
        tempo=tempo or form.Tempo(ports=form.SERIAL),
        running_status=False,
        delayed_messages=4,
        devices=(),
        cells=(),
        keys=tuple(keys),
        procedures=tuple(form.Procedure(f"action{n}", 0, 0, body, PLACE) for n, body in enumerate(bodies)),
        bindings=tuple(
            form.Binding(0, gesture, names.index(key), form.Action(n, ()), PLACE, hold_us=500_000 if gesture == "hold" else 0)
            for n, (gesture, key) in enumerate(bindings)
        ),
        modes=(form.Mode("only", PLACE, tuple(range(len(bindings))), enter=form.Action(len(bindings), ())),),
        home=0,
    )
