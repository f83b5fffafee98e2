"""Contacts and switches: what was seen last, what is believed, and what debouncing waits for.

How a contact is debounced is written out for each design (`tables.play`), for it is the same in every mode. What a debounced
press or release means is in the functions of the current mode, one for each switch: `pressed` and `released`.
"""

from .tempo import Tempo


class Contacts(Tempo):
    """State of the contacts.

    contacts                 the switches whose contacts were closed at the last instant
    level                    the switches that are believed to be down
    locked_until[switch]     up to when edges are ignored, where edges are debounced by lockout
    """

    __slots__ = ("contacts", "level", "locked_until", "pressed", "released", "switch_of", "timeouts")

    def __init__(self, tables):
        Tempo.__init__(self, tables)
        self.contacts = 0
        self.level = 0
        self.locked_until = [-1] * tables.switches
        self.switch_of = {1 << s: s for s in range(tables.switches)}
