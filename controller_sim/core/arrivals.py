"""What arrives besides contacts: pedal readings and MIDI bytes, each handled at its instant after the edges.

The rules are in reference/semantics.md, section 9; how an arrival is packed is in kinds.py.
"""

from .kinds import (
    CLOCK_MESSAGE,
    CONTINUE_MESSAGE,
    MESSAGE,
    MOST_ECHOES,
    NEVER,
    RESTARTED,
    START_MESSAGE,
    TICKS_PER_QUARTER,
    kind_of,
    response_item,
)
from .midi_in import SYSEX, Parser
from .pedals import Pedals
from .recogniser import Recogniser

NOTE_ON = 0x90
CONTROL_CHANGE = 0xB0
LOWER_HALF = 32
"""From the number of a controller to that of its lower seven bits (MIDI 1.0 Detailed Specification 4.2.1, p. 12)."""
NO_PAIR = -1, -1
RELEASE_VELOCITY = 64


class Arrivals(Recogniser):
    __slots__ = ("beat_at", "beat_ticks", "blind", "heard_tick_at", "listening", "noted", "parsers", "pedals", "positions", "sent", "upper")

    def __init__(self, tables):
        Recogniser.__init__(self, tables)
        self.listening = False
        self.blind = True
        self.pedals = Pedals(tables.pedals)
        self.positions = self.pedals.positions
        self.parsers = (Parser(), Parser())
        self.beat_at = NEVER
        self.beat_ticks = 0
        self.heard_tick_at = NEVER
        self.upper = {}
        self.sent = []
        self.noted = 0

    def note_sent(self):
        """Remember which of the messages in `packed` may come back as echoes; to be called before anything is taken from it."""
        packed = self.packed
        if self.tables.echo_us:
            for at in range(self.noted, len(packed), 2):
                item = packed[at + 1]
                if type(item) is int:
                    if item & 7 == MESSAGE and item >> 5 & 0xFF != CLOCK_MESSAGE:
                        self.sent.append((packed[at], item))
                    elif item & 7 == RESTARTED:
                        self.sent.clear()
            self.sent = self.sent[-MOST_ECHOES:]
        self.noted = len(packed)

    def take(self):
        """What was put out since the last call, as a list of its own."""
        self.note_sent()
        packed = self.packed
        taken = packed[:]
        packed.clear()
        self.noted = 0
        return taken

    def _is_echo(self, port, message, now_us):
        """Whether a message left at the port where it comes in so shortly before that it is its own echo."""
        self.note_sent()
        for sent_us, item in self.sent:
            if item >> 5 == message and item >> 3 & port and now_us - sent_us < self.tables.echo_us:
                return True
        return False

    def _advance_to_arrivals(self, now_us, contacts, arrived):
        """Advance with what arrived at `now_us`; display and LEDs are looked at when all of it has been handled."""
        if now_us > self.now_us:
            self.advance(now_us - 1, self.contacts)
        self.listening = self.blind = True
        self.advance(now_us, contacts)
        for event in arrived:
            port = event & 3
            if port:
                message = self.parsers[port - 1].feed(event >> 2)
                if message:
                    self._message(port, message, now_us)
            else:
                self._reading(event >> 2 & 15, event >> 6, now_us)
        self.listening = False
        self.blind = self.mode < 0
        if self.dirty:
            self._look(now_us)

    def _reading(self, p, raw, now_us):
        before = self.positions[p]
        self.pedals.read(p, raw, self.mode < 0)
        if self.positions[p] != before and self.pedals.settings[p][6]:
            self.dirty = True
        if self.mode >= 0 and self.pedals.has_news(p) and self.due[self.tables.pedal_slot + p] == NEVER:
            self._move(p, now_us)

    def rest_ended(self, p, now_us):
        """A pedal may move again; what it did meanwhile is not lost."""
        if self.pedals.has_news(p):
            self._move(p, now_us)

    def _move(self, p, now_us):
        pedals = self.pedals
        pedals.told[p] = self.positions[p]
        self._set(self.tables.pedal_slot + p, now_us + pedals.settings[p][4])
        for condition, response in self.tables.moves[self.mode][p]:
            if self._respond(condition, response, (), now_us):
                return

    def _first_moves(self, now_us):
        """The moves owed when the first mode has been entered."""
        for p in range(len(self.positions)):
            self.rest_ended(p, now_us)

    def _message(self, port, message, now_us):
        status = message & 0xFF
        kind = kind_of(status)
        tables = self.tables
        if tables.echo_us and status != CLOCK_MESSAGE and self._is_echo(port, message, now_us):
            return
        for source, ports, kinds in tables.thru:
            if source == port and kinds >> kind & 1:
                self.packed += (now_us, (message << 2 | ports) << 3 | MESSAGE)
        if port == tables.follow:
            if status == CLOCK_MESSAGE:
                self._hear_tick(now_us)
            elif status in (START_MESSAGE, CONTINUE_MESSAGE):
                self.heard_tick_at = NEVER
        pair = self._pair(port, status, message) if tables.paired and status & 0xF0 == CONTROL_CHANGE else NO_PAIR
        if self.mode >= 0:
            heard = tables.heard[self.mode]
            if heard:
                self._hear(heard, port, status, message, pair, now_us)

    def _pair(self, port, status, message):
        """What a half of a pair makes with the other half: (number of the upper, value); a lower half alone makes nothing."""
        number = message >> 8 & 0x7F
        value = message >> 16 & 0x7F
        controller = status << 7 | number
        if controller in self.tables.paired:
            self.upper[controller << 2 | port] = value
            return number, value << 7
        controller -= LOWER_HALF
        upper = self.upper.get(controller << 2 | port, -1)
        return NO_PAIR if number < LOWER_HALF or upper < 0 else (number - LOWER_HALF, upper << 7 | value)

    def _hear(self, heard, port, status, message, pair, now_us):
        values = (
            _bytes_of(message)
            if status == SYSEX
            else (message >> 8 & 0x7F if message >> 16 else 0, message >> 16 & 0x7F if message >> 24 else 0)
        )
        if status & 0xF0 == NOTE_ON and not values[1]:
            status -= 0x10
            values = (values[0], RELEASE_VELOCITY)
        for ports, ranges, paired, condition, response in heard.get(status, ()):
            of_it = pair if paired else values
            if ports & port and _fits(of_it, ranges) and self._respond(condition, response, of_it[: len(ranges)], now_us):
                return

    def _respond(self, condition, response, values, now_us):
        """Run a response unless its condition (a bit, or 0) does not hold; whether it did run."""
        if condition and not self.read_conditions(self) & condition:
            return False
        self.packed += (now_us, response_item(response, values))
        self.gesture_at = now_us
        self.tables.responses[response](self, now_us, *values)
        if self.next_mode >= 0:
            self.change_mode(now_us)
        return True

    def _hear_tick(self, now_us):
        """A tick of another's clock: each 24th sets the tempo to that of the beat just ended."""
        last = self.heard_tick_at
        self.heard_tick_at = now_us
        if last == NEVER or now_us - last > self.tables.follow_pause_us:
            self.beat_ticks = 0
            self.beat_at = now_us
            return
        self.beat_ticks += 1
        if self.beat_ticks == TICKS_PER_QUARTER:
            self.beat_ticks = 0
            self._set_mean(now_us - self.beat_at, 1, now_us)
            self.beat_at = now_us
            self.dirty = True


def _bytes_of(sysex):
    """The bytes of a SysEx between F0 and F7."""
    values = []
    sysex >>= 8
    while sysex >> 16:
        values.append(sysex & 0x7F)
        sysex >>= 8
    return tuple(values)


def _fits(values, ranges):
    """Whether there are as many values as ranges or more, each in its range."""
    if len(values) < len(ranges):
        return False
    for value, (low, high) in zip(values, ranges):
        if not low <= value <= high:
            return False
    return True
