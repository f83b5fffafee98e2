"""Pins of a world in virtual time, in place of a board's."""

import pins
from world import world


class Pin:
    IN = 0
    OUT = 1
    PULL_UP = 1

    def __init__(self, number, mode=-1, pull=-1):
        self.number = number

    def value(self):
        """A closed contact connects its pin with ground."""
        return 0 if world.closed >> pins.SWITCHES.index(self.number) & 1 else 1


class ADC:
    def __init__(self, pin):
        self.pedal = pins.PEDALS.index(pin.number)

    def read_u16(self):
        return world.readings.get(self.pedal, 0)


class PWM:
    """Nothing looks at it here: what LEDs show is seen where it is asked for."""

    def __init__(self, pin, freq=0, duty_u16=0):
        pass

    def duty_u16(self, duty):
        pass


class UART:
    def __init__(self, number, baudrate, tx, rx):
        pass

    def write(self, data):
        world.say("serial", bytes(data).hex())
        return len(data)

    def any(self):
        return len(world.serial_in)

    def read(self):
        data = bytes(world.serial_in)
        world.serial_in = bytearray()
        return data
