"""How a controller is wired: proposed pins, as a module for the board and as a note for whoever builds it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from controller_sim.design.form import SERIAL, USB, Design

UART, UART_TX, UART_RX = 0, 0, 1
FIRST_PIN = 2
FIRST_PEDAL_PIN = 26
POLL_US = 250
PEDAL_US = 5_000


@dataclass(frozen=True, slots=True)
class Pins:
    """Numbers of pins. They count up from the first free one, as a proposal; pins with a converter have numbers of their own."""

    switches: tuple[int, ...]
    leds: tuple[tuple[tuple[int, ...], ...], ...]
    """For each LED its colours (one for an LED without), for each colour the pins that are on."""
    pedals: tuple[int, ...]
    serial: bool
    usb: bool


def pins_of(design: Design, ports: int) -> Pins:
    """The proposal for a design that uses some ports (SERIAL | USB)."""
    switches = tuple(range(FIRST_PIN, FIRST_PIN + len(design.switches)))
    free = FIRST_PIN + len(switches)
    leds = []
    for led in range(len(design.leds)):
        colours = max(len(design.colours_of(led)), 1)
        leds.append(tuple((number,) for number in range(free, free + colours)))
        free += colours
    first_pedal = max(FIRST_PEDAL_PIN, free)
    pedals = tuple(range(first_pedal, first_pedal + len(design.pedals)))
    return Pins(switches, tuple(leds), pedals, bool(ports & SERIAL), bool(ports & USB))


def pins_module(design: Design, pins: Pins) -> str:
    """The source of pins.py."""
    lines = [
        '"""Which pin is which, and how often they are read. The numbers are a proposal: change them to how your board is wired."""',
        "",
        "SWITCHES = (",
        *(f"    {pin},  # {name}" for pin, name in zip(pins.switches, design.switches, strict=True)),
        ")",
        "LEDS = (",
        *(f"    {pin},  # {_led(design, led)}" for led, pin in enumerate(pins.leds)),
        ")",
        '"""For each LED its colours; for each colour the pins that are on, of which two colours may share some."""',
        "PEDALS = (",
        *(f"    {pin},  # {pedal.name}" for pin, pedal in zip(pins.pedals, design.pedals, strict=True)),
        ")",
        f"UART = {UART if pins.serial else None}",
        '"""The number of the serial port for MIDI; None: there is none."""',
        f"UART_TX = {UART_TX}",
        f"UART_RX = {UART_RX}",
        f"USB = {pins.usb}",
        '"""Whether MIDI goes through the USB socket too."""',
        f"POLL_US = {POLL_US:_}",
        '"""The longest that a contact goes unread, in microseconds."""',
        f"PEDAL_US = {PEDAL_US:_}",
        '"""How often pedals are read."""',
        'IMAGE_FILE = "kept.bin"',
        '"""The file that keeps values without power."""',
    ]
    return "\n".join(lines) + "\n"


def _led(design: Design, led: int) -> str:
    colours = design.colours_of(led)
    return design.leds[led] + (f": {', '.join(colours)}" if colours else "")


def note(design: Design, pins: Pins) -> str:
    """The text of WIRING.md."""
    return "\n".join([*_head(design), *_table(design, pins), *_wiring(design, pins), *_board(design, pins), *CAUTIONS]) + "\n"


def _head(design: Design) -> list[str]:
    return [
        f"# {design.title}: wiring",
        "",
        "Copy all files of this folder, with the folder `core`, onto a board with MicroPython (`mpremote cp -r . :` does it), after",
        "`pins.py` says how your board is wired. `main.py` runs when the board gets power. What is particular to your board or your",
        "display is in `pins.py` and `board.py`; nothing else needs to be touched.",
        "",
    ]


def _table(design: Design, pins: Pins) -> Iterator[str]:
    yield "| what | name | pin |"
    yield "|---|---|---|"
    for number, name in enumerate(design.switches):
        opens = ", opens when pressed" if design.opening >> number & 1 else ""
        yield f"| switch{opens} | {name} | {pins.switches[number]} |"
    for led, name in enumerate(design.leds):
        for colour, numbers in zip(design.colours_of(led) or ("",), pins.leds[led], strict=True):
            yield f"| LED | {f'{name} {colour}'.strip()} | {', '.join(map(str, numbers))} |"
    for pedal, pin in zip(design.pedals, pins.pedals, strict=True):
        yield f"| pedal | {pedal.name} | {pin} (a pin with a converter) |"
    if pins.serial:
        yield f"| MIDI out, MIDI in | UART {UART} | {UART_TX}, {UART_RX} |"
    yield ""


def _wiring(design: Design, pins: Pins) -> Iterator[str]:
    yield "- Each switch connects its pin with ground; the pin's own resistor pulls it up. Debouncing is done by the program."
    if design.leds:
        yield "- Each LED goes from its pin through a resistor of its own (1 kilohm is safe at 3.3 V) to ground. A colour may take several"
        yield "  pins: write them all in its place in `pins.py`."
    if design.pedals:
        yield "- A pedal is a potentiometer: its ends at 3.3 V and ground, its slider at the pin. Its calibration is in the design."
    if pins.serial:
        yield "- MIDI out: a 5-pin socket or a jack, with the resistors that the electrical specification of MIDI (CA-033) gives for the"
        yield "  voltage of your board. MIDI in goes through an optocoupler, as the same text draws it: never straight to a pin."
    if pins.usb:
        yield "- MIDI by USB needs a board whose MicroPython has `machine.USBDevice`, and a library of its makers:"
        yield "  `mpremote mip install usb-device-midi`."
    if design.display_characters:
        lines = "one line" if design.display_lines == 1 else f"{design.display_lines} lines"
        yield f"- The display: {lines} of {design.display_characters} characters. As it is, `show` in `board.py` writes to the console; put"
        yield "  the two or three calls of your display's library there."
    yield ""


def _board(design: Design, pins: Pins) -> Iterator[str]:
    yield "Good to know:"
    yield ""
    if any(cell.keep for cell in design.cells):
        yield "- What is kept is in the file `kept.bin`. On a board whose files lie in a littlefs (most) a save is whole or undone when the"
        yield "  power goes; on a FAT file system it may not be. Writing may stop everything else for some hundredths of a second."
    yield "- A contact is read every quarter of a millisecond (`POLL_US`); the times of the design are kept to that and to what an event"
    yield "  takes, which is milliseconds on a small board. `controller-sim run` shows the times that are meant."
    if pins.serial:
        yield "- The UART sends in order: a tick of the MIDI clock waits for what a burst has put there before it (`controller-sim check`"
        yield "  tells how long that may be)."
    yield "- Memory: engine and design take 30 to 60 KB of RAM, and while a large design is compiled on the board some 200 KB (estimates:"
    yield "  half of what a computer of 64 bits needs). Where that is too much, compile all files but `main.py` with `mpy-cross` first."
    yield ""


CAUTIONS = (
    "## Cautions",
    "",
    "- Feed the box from a ready-made, tested supply of low voltage (USB, or a plug-in supply). No mains voltage belongs inside it,",
    "  nor anywhere you work on it.",
    "- A message can make a device jump from silence to full level at once, and a note can hang. Try it with the volume down and without",
    "  headphones, raise levels slowly, and keep a way to turn the sound off that does not go through the box. Hearing does not come back.",
    "- Feet, cables and drinks are near: close the case, relieve the strain of cables, keep conductors away from metal that is touched.",
    "- Your local codes, and the rules of the house you play in (electrical safety, escape routes, sound levels), come before all that is",
    "  said here.",
    "- It switches sounds, room and displays, nothing else. Never let it fire pyrotechnics or flames, or move hoists, traps, lifts or any",
    "  machinery: it has no interlocks and no proof of delivery.",
)
