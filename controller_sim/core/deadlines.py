"""Deadlines: one slot for each thing that can be waited for, and the order in which they come due.

`due[slot]` is the truth. The heap is an index over it that may hold entries which no longer agree; they are
dropped when they surface. Slots are numbered in the order of equal deadlines, so that order needs no code.
"""

from heapq import heapify, heappop, heappush

from .kinds import NEVER

SLOT_BITS = 10
SLOT_MASK = (1 << SLOT_BITS) - 1


class Deadlines:
    __slots__ = ("due", "heap")

    def __init__(self, slots):
        self.due = [NEVER] * slots
        self.heap = []

    def _set(self, slot, time_us):
        """Set or move a deadline."""
        self.due[slot] = time_us
        heappush(self.heap, time_us << SLOT_BITS | slot)

    def next_deadline_us(self):
        """The next instant at which something will happen by itself, or None."""
        heap = self.heap
        while heap:
            entry = heap[0]
            if self.due[entry & SLOT_MASK] == entry >> SLOT_BITS:
                return entry >> SLOT_BITS
            heappop(heap)
        return None

    def _index_again(self):
        self.heap[:] = [time_us << SLOT_BITS | slot for slot, time_us in enumerate(self.due) if time_us != NEVER]
        heapify(self.heap)
