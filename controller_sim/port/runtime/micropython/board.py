"""The controller's hardware: whatever depends on the board is here, or in pins.py.

main.py calls `start` once, at power-on, and the rest as often as it likes. If your display or your LEDs are of another kind,
`show` and `light` are the functions to change; while they write, no contact is read.
"""

import machine
import pins

BLINK_US = 250_000
"""Half a period."""
FULL = 65535
DIM = 4000
"""Of FULL; an eye sees much more than the sixteenth part."""
PWM_HZ = 1000
MIDI_BAUD = 31250
USB_BYTES = 1024
"""Room for packets of four bytes that wait, either way; what goes beyond that is lost."""
PACKET_BYTES = (0, 0, 2, 3, 3, 1, 2, 3, 3, 3, 3, 3, 2, 2, 3, 1)
"""MIDI bytes in a USB packet, by its code index number (USB Device Class Definition for MIDI Devices 1.0, table 4-1)."""

switches = []
pedals = []
lamps = []
"""For each LED its colours, each a list of the outputs that are on for it."""
blinking = []
"""For each LED the outputs that blink now."""
blinked = [-1]
serial = None
usb_port = None
usb_received = []


def start():
    """Set up all pins, LEDs dark."""
    global serial, usb_port
    switches[:] = [machine.Pin(number, machine.Pin.IN, machine.Pin.PULL_UP) for number in pins.SWITCHES]
    pedals[:] = [machine.ADC(machine.Pin(number)) for number in pins.PEDALS]
    outputs = {}
    for colours in pins.LEDS:
        for numbers in colours:
            for number in numbers:
                if number not in outputs:
                    outputs[number] = machine.PWM(machine.Pin(number), freq=PWM_HZ, duty_u16=0)
    lamps[:] = [[[outputs[number] for number in numbers] for numbers in colours] for colours in pins.LEDS]
    blinking[:] = [()] * len(lamps)
    blinked[0] = -1
    if pins.UART is not None:
        serial = machine.UART(pins.UART, baudrate=MIDI_BAUD, tx=machine.Pin(pins.UART_TX), rx=machine.Pin(pins.UART_RX))
    if pins.USB and usb_port is None:
        usb_port = open_usb()
    usb_received.clear()


def closed():
    """The contacts that are closed (connect their pin with ground), bit i for switch i."""
    word = 0
    bit = 1
    for pin in switches:
        if not pin.value():
            word |= bit
        bit <<= 1
    return word


def pedal(number):
    """Where a pedal's slider stands, 0..65535."""
    return pedals[number].read_u16()


def show(text):
    """Show a text, its lines separated by newlines. As it is, it goes to the board's console: write to your display here."""
    print(text)


def light(led, value):
    """Let an LED be off, on, blink or dim (the lowest two bits of `value`: 0 to 3) in a colour (its number: the bits above)."""
    colours = lamps[led]
    for outputs in colours:
        for output in outputs:
            output.duty_u16(0)
    lit = colours[value >> 2]
    for output in lit:
        output.duty_u16((0, FULL, FULL, DIM)[value & 3])
    blinking[led] = lit if value & 3 == 2 else ()
    blinked[0] = -1


def blink(now_us):
    """Turn the LEDs that blink on or off when it is time; the microseconds until it is time again, or None."""
    if not any(blinking):
        return None
    phase = now_us // BLINK_US
    if phase != blinked[0]:
        blinked[0] = phase
        for outputs in blinking:
            for output in outputs:
                output.duty_u16(0 if phase & 1 else FULL)
    return BLINK_US - now_us % BLINK_US


def send_serial(data):
    """Send MIDI bytes. Where the board has no room for all of them, wait for the line rather than lose some."""
    sent = serial.write(data) or 0
    while sent < len(data):
        sent += serial.write(data[sent:]) or 0


def received_serial():
    """The MIDI bytes that have come in since the last call."""
    return serial.read() if serial is not None and serial.any() else b""


def send_usb(code, data):
    """Send one to three MIDI bytes as a packet with a code index number."""
    if usb_port is not None:
        usb_port.send_event(code, *data)


def received_usb():
    """The MIDI bytes that have come in since the last call."""
    if not usb_received:
        return b""
    data = bytes(usb_received)
    usb_received.clear()
    return data


def open_usb():
    """A MIDI port on the board's own USB socket, or None where the library for it is not installed."""
    try:
        import usb.device
        from usb.device.midi import MIDIInterface
    except ImportError:
        print("no MIDI by USB: install usb-device-midi with mip")
        return None

    class Port(MIDIInterface):
        def on_midi_event(self, code, first, second, third):
            usb_received.extend((first, second, third)[: PACKET_BYTES[code]])

    port = Port(rxlen=USB_BYTES, txlen=USB_BYTES)
    usb.device.get().init(port, builtin_driver=True)
    return port
