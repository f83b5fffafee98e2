"""Defects in what comes in besides feet, and in what is stored."""

from __future__ import annotations

from planted.defect import REFERENCE, Defect

ARRIVALS = (
    Defect(
        "a pedal that trembles sends",
        REFERENCE,
        "inputs",
        "core/pedals.py",
        old="-hysteresis <= value - held <= hysteresis",
        new="-hysteresis < value - held < hysteresis",
    ),
    Defect(
        "the toe of a pedal is not reached",
        REFERENCE,
        "inputs",
        "core/pedals.py",
        old="held != UNREAD and low < value < high and",
        new="held != UNREAD and",
    ),
    Defect(
        "a pedal sends more often than it may",
        REFERENCE,
        "inputs",
        "core/arrivals.py",
        old="now_us + pedals.settings[p][4]",
        new="now_us + pedals.settings[p][4] - 1",
    ),
    Defect(
        "what a pedal did while it had to rest is lost",
        REFERENCE,
        "inputs",
        "core/arrivals.py",
        old='        """A pedal may move again; what it did meanwhile is not lost."""\n        if self.pedals.has_news(p):',
        new='        """A pedal may move again; what it did meanwhile is not lost."""\n        if 0:',
    ),
    Defect(
        "a real-time byte ends running status",
        REFERENCE,
        "inputs",
        "core/midi_in.py",
        old="            return 0 if byte in (0xF9, 0xFD) else 0x100 | byte",
        new="            self.status = 0\n            return 0 if byte in (0xF9, 0xFD) else 0x100 | byte",
    ),
    Defect(
        "a note-on of velocity 0 is taken for a note-on",
        REFERENCE,
        "inputs",
        "core/arrivals.py",
        old="if status & 0xF0 == NOTE_ON and not values[1]:",
        new="if 0:",
    ),
    Defect(
        "every message is sent on to its own port too",
        REFERENCE,
        "inputs",
        "core/arrivals.py",
        old="(message << 2 | ports) << 3",
        new="(message << 2 | ports | source) << 3",
    ),
    Defect(
        "the beat of another's clock has 25 ticks",
        REFERENCE,
        "inputs",
        "core/arrivals.py",
        old="if self.beat_ticks == TICKS_PER_QUARTER:",
        new="if self.beat_ticks > TICKS_PER_QUARTER:",
    ),
)
STORAGE = (
    Defect(
        "an entry of the journal counts before it is whole",
        "power cuts",
        "stored",
        "core/storage.py",
        old="        check = add_to_check(add_to_check(0xFFFF, LIVE), len(rows))\n        if self._journal(place + 1)",
        new="        check = add_to_check(add_to_check(0xFFFF, LIVE), len(rows))\n"
        "        yield self._address(place), LIVE\n"
        "        if self._journal(place + 1)",
    ),
    Defect(
        "what follows an entry may still count",
        "power cuts",
        "stored",
        "core/storage.py",
        old="        if self._journal(end) == LIVE:\n            yield self._address(end), END\n",
        new="",
    ),
    Defect(
        "an entry's checksum is not looked at",
        "power cuts",
        "stored",
        "core/storage.py",
        old="            if check != self._journal(end - 2) << 8 | self._journal(end - 1):\n                break\n",
        new="",
        harmless="the byte that makes an entry count is written last, so no power cut leaves one that counts and is not whole; "
        "the checksum is there for cells that wear out",
    ),
    Defect(
        "the oldest of two entries with a row counts",
        "power cuts",
        "stored",
        "core/storage.py",
        old="                if self._journal(at) == row:\n",
        new="                if found < 0 and self._journal(at) == row:\n",
    ),
    Defect(
        "the journal ends before it is home",
        "power cuts",
        "stored",
        "core/storage.py",
        old="        memory = self.memory\n        for row in range(self.rows):\n            found = self._find(row)",
        new="        memory = self.memory\n"
        "        yield self._address(0), END\n"
        "        for row in range(self.rows):\n"
        "            found = self._find(row)",
    ),
    Defect(
        "a row brought home keeps its old checksum",
        "power cuts",
        "stored",
        "core/storage.py",
        old="                check = add_to_check(check, byte)\n                if memory[base",
        new="                if memory[base",
    ),
    Defect(
        "a value is stored without its high byte's place",
        "kept through power-off",
        "stored",
        "core/storage.py",
        old="shift = (width - 1 - (at - place) % width) * 8",
        new="shift = (at - place) % width * 8 + 1",
    ),
)
