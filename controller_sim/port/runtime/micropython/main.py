"""The controller: reads contacts, pedals and MIDI in, lets the engine handle them, and puts out what it says.

Nothing here depends on the board (that is in board.py and pins.py) or on what the controller does (that is in design.py).
"""

import gc
import time

import board
import design
import pins
from core.engine import Engine
from core.kinds import LED, MESSAGE, NEVER, midi_bytes, pedal_reading
from core.storage import Store
from image import Image, rows_with

SERIAL = 1
USB = 2
SYSEX = 0xF0
REAL_TIME = 0xF8
IDLE_US = 100_000
"""So long after the last event, and so long before the next, memory is tidied up: that may take some milliseconds."""


class Controller:
    def __init__(self):
        board.start()
        board.show("")
        self.tables = design.tables
        for what, wired, wanted in (
            ("switches", pins.SWITCHES, self.tables.switches),
            ("LEDs", pins.LEDS, self.tables.leds),
            ("pedals", pins.PEDALS, len(design.PEDAL_READS)),
        ):
            if len(wired) != wanted:
                raise ValueError(f"pins.py has {len(wired)} {what}, the design {wanted}")
        for led in range(self.tables.leds):
            board.light(led, 0)
        self.status = 0
        self.word = 0
        self.raw = [-1] * len(design.PEDAL_READS)
        self.pedals_at = 0
        self.untidy = True
        self.image = None
        self.kept = None
        if design.LAYOUT is not None:
            self.open_image()
        self.ticks = time.ticks_us()
        self.now_us = 0
        self.handled_us = -1
        self.engine = Engine(self.tables, 0, self.kept)
        self.kept = self.engine.kept()
        self.due_us = self.next_due_us()

    def open_image(self):
        """Read what was kept. An image that is not this design's is left as it is, and nothing is kept then."""
        image = Image(pins.IMAGE_FILE, design.IMAGE_BYTES)
        self.store = Store(image.memory, design.LAYOUT)
        if len(image.memory) == design.IMAGE_BYTES:
            image.write(self.store.boot())
        if self.store.values is None:
            print("the kept values are another design's: remove", pins.IMAGE_FILE, "to begin anew")
        else:
            self.image = image
            self.kept = tuple(self.store.values)

    def read_clock(self):
        """Microseconds since power-on; the board's counter goes round, so this must be called every few minutes."""
        ticks = time.ticks_us()
        self.now_us += time.ticks_diff(ticks, self.ticks)
        self.ticks = ticks
        return self.now_us

    def next_due_us(self):
        due_us = self.engine.next_deadline_us()
        return NEVER if due_us is None else due_us

    def turn(self):
        """Handle what has changed, come in or become due, then rest until something may have."""
        now_us = self.read_clock()
        if now_us > self.handled_us:
            word = board.closed() ^ self.tables.opening
            arrived = self.arrivals(now_us)
            if word != self.word or arrived or self.due_us <= now_us:
                self.handle(now_us, word, arrived)
        self.rest()

    def arrivals(self, now_us):
        """What has come since the last turn: pedals that stand elsewhere, then MIDI bytes."""
        arrived = ()
        if self.raw and now_us >= self.pedals_at:
            self.pedals_at = now_us + pins.PEDAL_US
            for number in range(len(self.raw)):
                low, high = design.PEDAL_READS[number]
                raw = low + (board.pedal(number) * (high - low + 1) >> 16)
                if raw != self.raw[number]:
                    self.raw[number] = raw
                    arrived += (pedal_reading(number, raw),)
        if design.LISTENS:
            arrived += midi_bytes(SERIAL, board.received_serial())
            arrived += midi_bytes(USB, board.received_usb())
        return arrived

    def handle(self, now_us, word, arrived):
        engine = self.engine
        while self.due_us < now_us:
            # Late: each deadline at its own time, as what is kept is saved instant by instant.
            engine.advance(self.due_us, self.word)
            self.put_out()
        engine.advance(now_us, word, arrived)
        self.word = word
        self.handled_us = now_us
        self.put_out()
        self.untidy = True

    def put_out(self):
        packed = self.engine.take()
        for place in range(1, len(packed), 2):
            item = packed[place]
            if isinstance(item, str):
                board.show(item)
            elif item & 7 == MESSAGE:
                self.send(item >> 3 & 3, item >> 5)
            elif item & 7 == LED:
                board.light(item >> 11, item >> 3 & 255)
        if self.image is not None:
            kept = self.engine.kept()
            if kept != self.kept:
                rows = rows_with(design.LAYOUT, self.kept, kept)
                self.kept = kept
                self.image.write(self.store.save(kept, rows))
                self.image.write(self.store.tidy())
        self.due_us = self.next_due_us()

    def send(self, ports, marked):
        """Send a message to ports; `marked` has its bytes, first byte lowest, topped by a 1."""
        data = bytearray()
        while marked > 1:
            data.append(marked & 255)
            marked >>= 8
        if ports & SERIAL:
            board.send_serial(self.with_running_status(data))
        if ports & USB:
            for code, piece in usb_packets(data):
                board.send_usb(code, piece)

    def with_running_status(self, data):
        """The bytes of a message without its status byte, where the design says so and it is that of the message before."""
        status = data[0]
        if not design.RUNNING_STATUS or status >= REAL_TIME:
            return data
        if status == self.status:
            return data[1:]
        self.status = status if status < SYSEX else 0
        return data

    def rest(self):
        """Sleep until something is due, at most as long as a contact may go unread."""
        now_us = self.read_clock()
        ahead_us = self.due_us - now_us
        if self.untidy and ahead_us > IDLE_US and now_us - self.handled_us > IDLE_US:
            self.untidy = False
            gc.collect()
        rest_us = min(pins.POLL_US, ahead_us)
        blink_us = board.blink(now_us)
        if blink_us is not None:
            rest_us = min(rest_us, blink_us)
        if rest_us > 0:
            time.sleep_us(rest_us)


def usb_packets(data):
    """A message as (code index number, one to three bytes) (USB Device Class Definition for MIDI Devices 1.0, table 4-1)."""
    if data[0] == SYSEX:
        packets = []
        for start in range(0, len(data), 3):
            piece = data[start : start + 3]
            packets.append((4 + len(piece) if start + 3 >= len(data) else 4, piece))
        return packets
    if data[0] < SYSEX:
        return [(data[0] >> 4, data)]
    return [(15 if data[0] >= REAL_TIME else (5, 2, 3)[len(data) - 1], data)]


def run():
    controller = Controller()
    while True:
        controller.turn()


if __name__ == "__main__":
    run()
