"""What arrives besides contacts: pedal readings and MIDI bytes, each handled at its instant after the edges.

The rules are in reference/semantics.md, section 9; how an arrival is packed is in kinds.py.
"""

from .kinds import CLOCK_MESSAGE, CONTINUE_MESSAGE, MESSAGE, NEVER, RESPONDED, START_MESSAGE, TICKS_PER_QUARTER, kind_of
from .midi_in import Parser
from .pedals import Pedals
from .recogniser import Recogniser

NOTE_ON = 0x90
RELEASE_VELOCITY = 64


class Arrivals(Recogniser):
    __slots__ = ("beat_at", "beat_ticks", "blind", "heard_tick_at", "listening", "parsers", "pedals", "positions")

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
        self._respond(self.tables.moves[self.mode][p], 0, 0, now_us)

    def _first_moves(self, now_us):
        """The moves owed when the first mode has been entered."""
        for p in range(len(self.positions)):
            self.rest_ended(p, now_us)

    def _message(self, port, message, now_us):
        status = message & 0xFF
        kind = kind_of(status)
        tables = self.tables
        for source, ports, kinds in tables.thru:
            if source == port and kinds >> kind & 1:
                self.packed += (now_us, (message << 2 | ports) << 3 | MESSAGE)
        if port == tables.follow:
            if status == CLOCK_MESSAGE:
                self._hear_tick(now_us)
            elif status in (START_MESSAGE, CONTINUE_MESSAGE):
                self.heard_tick_at = NEVER
        if self.mode >= 0:
            heard = tables.heard[self.mode]
            if heard:
                self._hear(heard, port, status, message, now_us)

    def _hear(self, heard, port, status, message, now_us):
        first = message >> 8 & 0x7F if message >> 16 else 0
        second = message >> 16 & 0x7F if message >> 24 else 0
        if status & 0xF0 == NOTE_ON and not second:
            status -= 0x10
            second = RELEASE_VELOCITY
        responses = []
        for ports, first_low, first_high, second_low, second_high, condition, response in heard.get(status, ()):
            if ports & port and first_low <= first <= first_high and second_low <= second <= second_high:
                responses.append((condition, response))
        self._respond(responses, first, second, now_us)

    def _respond(self, responses, first, second, now_us):
        """Run the first of ((condition bit or 0, response), ...) that is bound now, if there is one."""
        conditions = self.read_conditions(self) if responses and self.read_conditions else 0
        for condition, response in responses:
            if not condition or conditions & condition:
                self.packed += (now_us, response << 3 | RESPONDED)
                self.gesture_at = now_us
                self.tables.responses[response](self, now_us, first, second)
                if self.next_mode >= 0:
                    self.change_mode(now_us)
                return

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
