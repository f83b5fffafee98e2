"""Numbers that the engine, the tables and the readers of its output agree on."""

# Kinds of an output item, in its lowest three bits (design/outputs.py describes the rest).
MESSAGE = 0
FIRED = 1
ENDED = 2
MODE = 3
LED = 4
EDGE = 5
RESTARTED = 6
RESPONDED = 7

# Fates of a press for which nothing fired.
UNBOUND = 0
CANCELLED = 1
SPENT = 2

# Where nothing is bound; lower numbers stand for a list of conditional bindings.
NOTHING = -1

# A deadline that never comes. Times are microseconds, so this is some 146,000 years.
NEVER = 1 << 62

MOST_ECHOES = 16
"""How many messages that left are remembered to know their echoes."""

CLOCK_FIRST_TICK_US = 1000
CLOCK_MESSAGE = 0xF8
START_MESSAGE = 0xFA
CONTINUE_MESSAGE = 0xFB
TAP_BOUNCE_US = 100_000
TAP_PAUSE_US = 2_000_000
MINUTE_US = 60_000_000
TICKS_PER_QUARTER = 24
"""MIDI 1.0 Detailed Specification 4.2.1, p. 30."""

# How a message that arrives may be named in a filter: bit 0..6 for the channel messages, 7..22 for F0..FF.
CHANNEL_KINDS = (1 << 7) - 1
REAL_TIME_KINDS = 0xFF << 15
ALL_KINDS = (1 << 23) - 1


def kind_of(status):
    """The number of a message's kind: 0 note off .. 6 pitch wheel, 7 SysEx .. 22 reset."""
    return (status >> 4) - 8 if status < 0xF0 else status - 0xE9


def pedal_reading(pedal, value):
    """Pack a pedal's raw reading (0..65535) for `advance`: its lowest two bits are 0."""
    return value << 6 | pedal << 2


def midi_bytes(port, data):
    """Pack bytes that arrived at a port (SERIAL 1, USB 2) for `advance`: a number each, the port in its lowest two bits."""
    return tuple([byte << 2 | port for byte in data])


def message_item(ports, data):
    """Pack a whole message for `ports` into an output item."""
    item = 1
    for byte in reversed(data):
        item = item << 8 | byte
    return (item << 2 | ports) << 3 | MESSAGE


def response_item(response, values):
    """Pack the answer to what arrived: the response (0..1023) and the values that came, each 0..16383; of a pedal's move none."""
    item = 1
    for value in reversed(values):
        item = item << 14 | value
    return (item << 10 | response) << 3 | RESPONDED


def response_of(item):
    """Which response a packed answer is of."""
    return item >> 3 & 1023


def lets_go(item):
    """Whether a packed message ends a note: a note-off, or a note-on with velocity 0."""
    status = item >> 5 & 0xF0
    return status == 0x80 or (status == 0x90 and not item >> 21 & 0xFF)


def same_note(item, other):
    """Whether of two packed messages one is a note-on and the other a note-off of one note, to the same ports."""
    return (item ^ other) & 0x1FFFFF == 0x10 << 5
