"""The world around a controller in virtual time: what happens to it, and what it puts out.

Only `sleep` moves time: to its end, or where `wakes` is set to whatever happens first.
"""

TICKS = 1 << 30
FIRST_TICK = TICKS - 100_000
"""The counter of microseconds goes round soon after power first comes on."""


class PowerCut(Exception):
    """The power is off."""


class World:
    def __init__(self):
        self.usb_port = None
        self.wakes = True
        self.begin()

    def begin(self):
        """A new history."""
        self.now_us = 0
        self.events = []
        self.place = 0
        self.closed = 0
        self.readings = {}
        self.lit = {}
        self.text = ""
        self.serial_in = bytearray()

    def say(self, *words):
        print(self.now_us, *words)

    def power_on(self):
        """Outputs are dark and no byte is waiting; what happens at this instant has happened when the controller first looks."""
        self.lit = {}
        self.text = ""
        self.serial_in = bytearray()
        self._happen()

    def next_power_on(self):
        """Let things happen without power until it comes on; False when it does not."""
        while self.place < len(self.events):
            event = self.events[self.place]
            self.place += 1
            self.now_us = event[0]
            if event[1] == "on":
                return True
            self._one(event, False)
        return False

    def sleep(self, time_us):
        until_us = self.now_us + time_us
        while self.place < len(self.events) and self.events[self.place][0] <= until_us:
            event = self.events[self.place]
            if event[1] == "off" and (event[0] == self.now_us or not self.wakes):
                self.now_us = event[0]
                self.place += 1
                raise PowerCut
            self.now_us = event[0]
            self._happen()
            if self.wakes:
                return
        self.now_us = until_us

    def _happen(self):
        """All events of this instant up to a loss of power, which the controller does not see coming."""
        while self.place < len(self.events):
            event = self.events[self.place]
            if event[0] != self.now_us or event[1] == "off":
                return
            self.place += 1
            self._one(event, True)

    def _one(self, event, powered):
        kind = event[1]
        if kind == "closed":
            self.closed = event[2]
        elif kind == "pedal":
            self.readings[event[2]] = event[3]
        elif powered:
            if kind == "serial":
                self.serial_in += event[2]
            elif kind == "usb" and self.usb_port is not None:
                for byte in event[2]:
                    self.usb_port.on_midi_event(15, byte, 0, 0)

    def show(self, text):
        if text != self.text:
            self.text = text
            self.say("display", text.encode().hex())

    def light(self, led, value):
        if value != self.lit.get(led, 0):
            self.lit[led] = value
            self.say("led", led, value)


world = World()
