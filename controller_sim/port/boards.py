"""Firmware for a whole board: the C99 files, a board file, how to build it and how to wire it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from controller_sim.design.form import Design, Place
from controller_sim.port.c99 import write_c99
from controller_sim.port.errors import PortError

ATMEGA328P = Path(__file__).parent / "runtime" / "atmega328p"
MOST_PINS = 6
"""Of port C, which switches and pedals share, and of port B, which the LEDs have."""
MOST_LINES = 4
EEPROM_BYTES = 1024


def write_atmega328p(design: Design, source: str) -> dict[str, str]:
    """The firmware with an ATmega328P around it. Raises PortError where the chip has too few pins or too little memory."""
    _check(design)
    files = {path.name: path.read_text(encoding="utf-8") for path in sorted(ATMEGA328P.iterdir())}
    readme = files["README.md"].replace("@TITLE@", design.title).replace("@PINS@", "\n".join(_pins(design)))
    return {**write_c99(design, source), **files, "README.md": readme}


def _check(design: Design) -> None:
    place = Place(design.file, 1, 1)
    inputs = len(design.switches) + len(design.pedals)
    if inputs > MOST_PINS:
        raise PortError(f"the board has {MOST_PINS} pins for switches and pedals, but the design has {inputs}", place)
    if len(design.leds) > MOST_PINS:
        raise PortError(f"the board has {MOST_PINS} pins for LEDs, but the design has {len(design.leds)}", place)
    coloured = [name for led, name in enumerate(design.leds) if len(design.colours_of(led)) > 1]
    if coloured:
        raise PortError(f"the board lights LEDs of one colour only, but '{coloured[0]}' has more", place)
    if design.display_characters and design.display_lines > MOST_LINES:
        raise PortError(f"the board drives displays of {MOST_LINES} lines at most, not {design.display_lines}", place)
    if design.storage.bytes > EEPROM_BYTES:
        raise PortError(f"the chip's EEPROM has {EEPROM_BYTES} bytes, but the design declares storage of {design.storage.bytes}", place)


def _pins(design: Design) -> Iterable[str]:
    yield from ("| pin | what | name |", "|---|---|---|")
    yield from (f"| PC{n} | switch | {name} |" for n, name in enumerate(design.switches))
    yield from (f"| PC{MOST_PINS - 1 - n} | pedal | {pedal.name} |" for n, pedal in enumerate(design.pedals))
    yield from (f"| PB{n} | LED | {name} |" for n, name in enumerate(design.leds))
    if design.display_characters:
        yield from ("| PD2 | display | RS |", "| PD3 | display | E |")
        yield from (f"| PD{n} | display | D{n} |" for n in range(4, 8))
    yield from ("| PD1 | MIDI out | |", "| PD0 | MIDI in | |")
