"""What the libraries' versions of four.yaml share: memory, outputs, the table of bindings and a list of timers on virtual time.

How switches are judged is what each library is there for; nothing here knows of debouncing, windows or holds.
"""

from __future__ import annotations

import heapq
from array import array
from collections.abc import Callable

A, B, C, D = range(4)
SHOW, PAD, SPACE = range(3)
CHORD = 4

LOCKOUT_US = 5_000
SETTLE_US = 12_000
CHORD_US = 45_000
HOLD_US = 500_000

# Timers due at one instant run in this order, then by switch.
WINDOW, HOLD, DEBOUNCE = range(3)

Play = Callable[["array[int]", "array[int]"], list[int]]

# Bindings by mode, gesture and key, numbered in the order of the file.
BINDINGS = {
    (SHOW, "tap", A): 0,
    (SHOW, "hold", A): 1,
    (SHOW, "tap", B): 2,
    (SHOW, "tap", C): 3,
    (SHOW, "hold", C): 4,
    (SHOW, "tap", D): 5,
    (SHOW, "press", CHORD): 6,
    (PAD, "press", A): 7,
    (PAD, "release", A): 8,
    (PAD, "press", B): 9,
    (PAD, "release", B): 10,
    (PAD, "tap", D): 11,
    (SPACE, "press", A): 12,
    (SPACE, "release", A): 13,
    (SPACE, "tap", B): 14,
    (SPACE, "hold", B): 15,
    (SPACE, "tap", D): 16,
}


class Booth:
    """The bank, the mode and what has been put out; `now_us` is moved by whoever drives it."""

    def __init__(self) -> None:
        self.packed: list[int] = []
        self.now_us = SETTLE_US
        self.bank = 0
        self.mode = SHOW
        self.leds = [0, 0, 0]
        # Bound by the version in hand: what entering a mode does to its switches and its mode machine.
        self.change_mode: Callable[[int], None] = self.mode_entered
        self.actions: tuple[Callable[[], None], ...] = (
            lambda: self._send(0xC9, self.bank * 4),
            lambda: self.change_mode(PAD),
            lambda: self._send(0xC9, self.bank * 4 + 1),
            lambda: self._send(0xC9, self.bank * 4 + 2),
            lambda: self.change_mode(SPACE),
            lambda: self._send(0xC9, self.bank * 4 + 3),
            self._next_bank,
            lambda: self._send(0x91, 36, 100),
            lambda: self._send(0x81, 36, 64),
            lambda: self._send(0x91, 40, 100),
            lambda: self._send(0x81, 40, 64),
            lambda: self.change_mode(SHOW),
            lambda: self._send(0xB2, 80, 127),
            lambda: self._send(0xB2, 80, 0),
            lambda: self._send(0xB2, 91, self.bank * 40),
            lambda: self._send(0xB2, 91, 0),
            lambda: self.change_mode(SHOW),
        )

    def power_on(self) -> None:
        self.mode_entered(SHOW)
        self.end_instant()

    def bound(self, mode: int, gesture: str, key: int) -> bool:
        return (mode, gesture, key) in BINDINGS

    def fire(self, mode: int, gesture: str, key: int) -> None:
        binding = BINDINGS[mode, gesture, key]
        self._put(binding << 3 | 1)
        self.actions[binding]()

    def ended(self, switch: int, fate: int) -> None:
        """A press ended without a gesture: fate 0 is unbound, 1 cancelled."""
        self._put((switch << 2 | fate) << 3 | 2)

    def mode_entered(self, mode: int) -> None:
        self.mode = mode
        self._put(mode << 3 | 3)

    def end_instant(self) -> None:
        """Puts out the LEDs that changed; to be called once nothing more can happen at `now_us`."""
        lit = (self.bank, B, C)[self.mode]
        if not self.leds[lit]:
            for led in range(3):
                if self.leds[led] != (led == lit):
                    self.leds[led] = int(led == lit)
                    self._put((led << 8 | self.leds[led]) << 3 | 4)

    def _next_bank(self) -> None:
        self.bank = (self.bank + 1) % 3

    def _send(self, *data: int) -> None:
        marked = int.from_bytes(bytes(data) + b"\1", "little")
        self._put((marked << 2 | 1) << 3)

    def _put(self, item: int) -> None:
        self.packed += (self.now_us, item)


Timer = tuple[int, int, int, int, Callable[[], object]]


class Timers:
    """Timers on virtual time: the libraries' own run threads or poll the wall clock."""

    def __init__(self, booth: Booth) -> None:
        self.booth = booth
        self.waiting: list[Timer] = []
        self.cancelled: set[int] = set()
        self.count = 0

    def start(self, delay_us: int, kind: int, switch: int, action: Callable[[], object]) -> int:
        self.count += 1
        heapq.heappush(self.waiting, (self.booth.now_us + delay_us, kind, switch, self.count, action))
        return self.count

    def cancel(self, timer: int) -> None:
        self.cancelled.add(timer)

    def run_until(self, time_us: int) -> None:
        """Runs what is due up to and at an instant, each at its own time, and leaves the instant itself open."""
        booth, waiting, cancelled = self.booth, self.waiting, self.cancelled
        while waiting and waiting[0][0] <= time_us:
            due_us, _, _, number, action = heapq.heappop(waiting)
            if number in cancelled:
                cancelled.remove(number)
                continue
            if due_us != booth.now_us:
                booth.end_instant()
                booth.now_us = due_us
            action()
        if time_us != booth.now_us:
            booth.end_instant()
            booth.now_us = time_us


def player(booth: Booth, timers: Timers, change: Callable[[int, bool], object]) -> Play:
    """The loop around a version: `change(switch, closed)` is told of every change of a contact."""
    contacts = 0

    def play(times: array[int], words: array[int]) -> list[int]:
        nonlocal contacts
        for time_us, word in zip(times, words, strict=True):
            timers.run_until(time_us)
            if word != contacts:
                changed, contacts = word ^ contacts, word
                for switch in range(4):
                    if changed >> switch & 1:
                        change(switch, bool(word >> switch & 1))
            booth.end_instant()
        return booth.packed

    booth.power_on()
    return play
