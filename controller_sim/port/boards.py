"""Firmware for a whole board: the C99 files, a board file, how to build it and how to wire it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from controller_sim.design.form import Design, Place
from controller_sim.design.storage import largest_save, map_of
from controller_sim.port.c99 import write_c99
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_held import saved_after_us, stored_within_us
from controller_sim.port.c_types import comment
from controller_sim.port.errors import PortError

ATMEGA328P = Path(__file__).parent / "runtime" / "atmega328p"
PORTS = ("PB", "PC", "PD")
"""A pin's number is 8 times its port's place here and its bit."""
PORT_B = range(6)
PORT_C = range(8, 14)
PORT_D = range(18, 24)
"""What the display has, where there is one."""
MOST_LINES = 4
EEPROM_BYTES = 1024


def write_atmega328p(design: Design, source: str) -> dict[str, str]:
    """The firmware with an ATmega328P around it. Raises PortError where the chip has too few pins or too little memory."""
    _check(design)
    files = {path.name: path.read_text(encoding="utf-8") for path in sorted(ATMEGA328P.iterdir())}
    leds = led_pins(design)
    parts = {"@TITLE@": [design.title], "@PINS@": _table(design, leds), "@KEPT@\n": [*_kept(design), ""]}
    readme = files["README.md"]
    for mark, lines in parts.items():
        readme = readme.replace(mark, "\n".join(lines))
    pins = "\n".join(_pins_header(design, leds)) + "\n"
    return {**write_c99(design, source), **files, "README.md": readme, "pins.h": pins}


def _colours(design: Design, led: int) -> tuple[str, ...]:
    return design.colours_of(led) or ("",)


def led_pins(design: Design) -> list[list[int]]:
    """The pins of each LED by its colours: those of port B, then what switches, pedals and display leave free."""
    free = [*PORT_B, *PORT_C[len(design.switches) : len(PORT_C) - len(design.pedals)], *(() if design.display_characters else PORT_D)]
    needed = sum(len(_colours(design, led)) for led in range(len(design.leds)))
    if needed > len(free):
        what = f"the LEDs need {needed} pins, one for each of their colours, but the board has {len(free)} left for them"
        raise PortError(what, Place(design.file, 1, 1))
    pins = iter(free)
    return [[next(pins) for _ in _colours(design, led)] for led in range(len(design.leds))]


def _name(pin: int) -> str:
    return f"{PORTS[pin // 8]}{pin % 8}"


def _check(design: Design) -> None:
    place = Place(design.file, 1, 1)
    inputs = len(design.switches) + len(design.pedals)
    if inputs > len(PORT_C):
        raise PortError(f"the board has {len(PORT_C)} pins for switches and pedals, but the design has {inputs}", place)
    if design.display_characters and design.display_lines > MOST_LINES:
        raise PortError(f"the board drives displays of {MOST_LINES} lines at most, not {design.display_lines}", place)
    if design.storage.bytes > EEPROM_BYTES:
        raise PortError(f"the chip's EEPROM has {EEPROM_BYTES} bytes, but the design declares storage of {design.storage.bytes}", place)


def _table(design: Design, leds: Sequence[Sequence[int]]) -> Iterable[str]:
    yield from ("| pin | what | name |", "|---|---|---|")
    yield from (f"| {_name(pin)} | switch | {name} |" for pin, name in zip(PORT_C, design.switches, strict=False))
    yield from (f"| {_name(pin)} | pedal | {pedal.name} |" for pin, pedal in zip(reversed(PORT_C), design.pedals, strict=False))
    for led, pins in enumerate(leds):
        names = (f"{design.leds[led]} {colour}".strip() for colour in _colours(design, led))
        yield from (f"| {_name(pin)} | LED | {name} |" for pin, name in zip(pins, names, strict=True))
    if design.display_characters:
        yield from ("| PD2 | display | RS |", "| PD3 | display | E |")
        yield from (f"| PD{n} | display | D{n} |" for n in range(4, 8))
    yield from ("| PD1 | MIDI out | |", "| PD0 | MIDI in | |")


def _kept(design: Design) -> Iterable[str]:
    """How far what is stored lags behind."""
    largest, whole = largest_save(design), map_of(design)
    if largest is None:
        return
    facts = Facts(design)
    saved_s = _seconds(saved_after_us(whole, largest.rows))
    yield f"- Power off too soon and a change is lost as a whole: what one action changes is stored after {saved_s} at most,"
    yield "  if nothing else that is kept changes meanwhile, which begins the save anew."
    held = _names(design, facts.held_cells)
    others = _names(design, facts.kept.restless.difference(facts.held_cells) | facts.kept.restless_drafts)
    if held:
        lag_s = _seconds(stored_within_us(whole, facts.held_cells))
        yield "- What pedals, messages, repeats and timers change may go on changing. It is stored all the same, as it was at one instant:"
        yield f"  at most {lag_s} ago if nothing else changes. Both times take ten polls a millisecond with nothing else to do. ({held})"
    if others:
        yield f"- Not so these, which are too many bytes or saved from a draft; nothing is stored as long as they go on changing: {others}."


def _names(design: Design, cells: Iterable[int]) -> str:
    return ", ".join(comment(design.cells[cell].name) for cell in sorted(cells))


def _seconds(time_us: int) -> str:
    """A time that is not exceeded, in tenths of a second."""
    return f"{-(-time_us // 100_000) / 10} s"


def _pins_header(design: Design, leds: Sequence[Sequence[int]]) -> Iterable[str]:
    """The LEDs' pins as board.c reads them. An LED with fewer colours than another has its first pin once more in their place."""
    colours = max((len(pins) for pins in leds), default=1)
    highest = max((pin for pins in leds for pin in pins), default=0)
    yield from ("/* The pins of the LEDs, one for each colour. */", "#ifndef PINS_H", "#define PINS_H")
    yield from ("", f"#define LED_COLOURS {colours}")
    yield from (f"#define LED_PINS_{port[1]} 0x{_mask(leds, place):02X}u" for place, port in enumerate(PORTS))
    if leds:
        yield from ("", f"typedef uint{8 if highest < 8 else 16 if highest < 16 else 32}_t led_pins_t;", "")
        used = sorted({pin // 8 for pins in leds for pin in pins})
        yield from (f"#define {PORTS[port]}(n) ((led_pins_t)1u << {f'(8 * {port} + (n))' if port else '(n)'})" for port in used)
        yield ""
        yield "static const CTL_FLASH led_pins_t led_pin[][LED_COLOURS] = {"
        for led, pins in enumerate(leds):
            names = f"{design.leds[led]}: {', '.join(design.colours_of(led))}" if design.colours_of(led) else design.leds[led]
            yield f"    {{{', '.join(map(_bit, [*pins, *[pins[0]] * (colours - len(pins))]))}}}, /* {comment(names)} */"
        yield "};"
    yield from ("", "#endif")


def _bit(pin: int) -> str:
    return f"{PORTS[pin // 8]}({pin % 8})"


def _mask(leds: Sequence[Sequence[int]], port: int) -> int:
    return sum(1 << pin % 8 for pins in leds for pin in pins if pin // 8 == port)
