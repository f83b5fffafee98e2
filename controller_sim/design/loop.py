"""The loop of the engine over instants, written out for the contacts of one design as a Python function.

Each contact is debounced by settling or by lockout, for presses and releases separately; how long it waits and until when it is
locked are locals here, because most edges are bounce and touch nothing else. What a press or release means is in the functions
of the current mode (handlers.py).
The order is that of reference/semantics.md: everything that is due, each at its own time, then the changes of an instant,
releases before presses, and last the releases of what was pressed just then.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller_sim.core.kinds import EDGE, NEVER
from controller_sim.design.form import Debounce, Design
from controller_sim.design.plan import Plan
from controller_sim.design.program import Restart

Lines = list[str]
FEW = 4
"""So many bits of a mask are tried one by one; more are halved first."""


class LoopWriter:
    """Writes `play(e, times_us, words)`: through two equally long columns, instants, rising, and the contacts seen at each."""

    def __init__(self, design: Design, plan: Plan, trace: bool) -> None:
        self.switches = range(len(design.switches))
        self.press, self.release = design.timing.press, design.timing.release
        self.restarts = any(isinstance(statement, Restart) for statement in plan.statements)
        self.trace = trace
        self.postpones = settles(self.press) or not settles(self.release)
        self.instant = "at" if self.postpones else "now"

    def lines(self) -> Lines:
        instant = self._postponing_instant() if self.postpones else self._instant()
        return [
            "def play(e, times_us, words):",
            *_indented(self._load()),
            "    for now, word in zip(times_us, words):",
            *_indented(instant, 2),
            *_indented(self._store()),
        ]

    def _instant(self) -> Lines:
        """All that is due until now, and then the changes of now."""
        return [
            "while waking <= now or e.soonest <= now:",
            *_indented(self._due()),
            "    if at < now:",
            *_indented(self._look("at"), 2),
            *self._edges(),
            *self._look("now"),
        ]

    def _postponing_instant(self) -> Lines:
        """The same where the end of a wait is handled like a change: after the other releases of its instant."""
        return [
            "while True:",
            "    at = now",
            "    if waking <= now or e.soonest <= now:",
            *_indented(self._due(), 2),
            "        if at < now and not postponed:",
            *_indented(self._look("at"), 3),
            "            continue",
            *_indented([*self._postponed_edges(), *self._look("at")]),
            "    if at == now:",
            "        break",
        ]

    def _names(self, stem: str) -> str:
        return "".join(f"{stem}{s}, " for s in self.switches)

    def _load(self) -> Lines:
        return ["now = e.now_us", "contacts = e.contacts", *self._load_state()]

    def _load_state(self) -> Lines:
        return [
            "settling = e.mode < 0",
            "due = e.due",
            "level = e.level",
            "waking = e.waking",
            f"{self._names('wait')}= e.contact_due",
            f"{self._names('lock')}= e.locked_until",
            *(["postponed = 0"] if self.postpones else []),
        ]

    def _store(self) -> Lines:
        return [
            "e.contacts = contacts",
            "e.now_us = now",
            "e.waking = waking",
            f"e.contact_due = [{self._names('wait')}]",
            f"e.locked_until = [{self._names('lock')}]",
        ]

    def _due(self) -> Lines:
        """What is due at the next such instant, `at`."""
        return [
            "at = waking",
            "if e.soonest <= at:",
            "    at = e.soonest",
            "    while at in due:",
            "        slot = due.index(at)",
            f"        due[slot] = {NEVER}",
            "        e.timeouts[slot](e, at)",
            "    e.soonest = min(due)",
            "    if settling and e.mode >= 0:",
            "        settling = False",
            "        level = e.level",
            "if at == waking:",
            *_indented(self._waits()),
        ]

    def _waits(self) -> Lines:
        """The waits of contacts that end at `at`, and the next one that does."""
        lines: Lines = []
        for s in self.switches:
            lines += [f"if wait{s} == at:", f"    wait{s} = {NEVER}", *_indented(self._ended(s))]
        lines.append("waking = wait0")
        for s in self.switches[1:]:
            lines += [f"if wait{s} < waking:", f"    waking = wait{s}"]
        return lines

    def _ended(self, switch: int) -> Lines:
        """A settled release counts at once, all else after the other releases of the instant."""
        postpone = [f"postponed |= {1 << switch}"]
        if not settles(self.release):
            return postpone
        if not settles(self.press):
            return self._up(switch)
        return [f"if level & {1 << switch}:", *_indented(self._up(switch)), "else:", *_indented(postpone)]

    def _edges(self) -> Lines:
        """The changes of now."""
        seen = ["changed = contacts ^ word", "contacts = word"]
        edges = ["opened = changed & ~word", *self._each("opened"), "closed = changed & word", *self._each("closed")]
        return ["if contacts != word:", *_indented([*seen, *_unless_settling(edges)])]

    def _postponed_edges(self) -> Lines:
        """The changes of `at`: of the contacts, when it is now, and of the switches whose wait has ended."""
        seen = ["changed = 0", "if at == now:", "    changed = contacts ^ word", "    contacts = word"]
        if settles(self.press):
            # Releases that wait are either settled by now or do not wait at all: what is postponed is up.
            seen.append("presses = postponed")
            edges = [
                "while changed | presses:",
                "    opened = changed & ~contacts & ~presses",
                *_indented(self._each("opened")),
                "    closed = changed & contacts | presses",
                "    changed &= ~contacts & presses",
                *_indented(self._each("closed")),
                "    presses = 0",
            ]
        else:
            seen.append("changed |= postponed")
            edges = ["opened = changed & ~contacts", *self._each("opened"), "closed = changed & contacts", *self._each("closed")]
        return ["if contacts != word or postponed:", *_indented([*seen, "postponed = 0", *_unless_settling(edges)])]

    def _each(self, bits: str) -> Lines:
        """What each switch of the mask `opened` or `closed` does, lowest first."""
        return [f"if {bits}:", *_indented(self._of(bits, self.switches))]

    def _of(self, bits: str, switches: Sequence[int]) -> Lines:
        if len(switches) > FEW:
            half = len(switches) // 2
            parts: Sequence[Sequence[int]] = (switches[:half], switches[half:])
        else:
            parts = [switches[i : i + 1] for i in range(len(switches))]
        lines = []
        for part in parts:
            contact = self._opened if bits == "opened" else self._closed
            inner = contact(part[0]) if len(part) == 1 else self._of(bits, part)
            lines += [f"if {bits} & {sum(1 << s for s in part)}:", *_indented(inner)]
        return lines

    def _closed(self, switch: int) -> Lines:
        bit = 1 << switch
        down = [f"level |= {bit}", "e.level = level", *self._edge(switch, 1, self.instant), f"e.pressed[{switch}](e, {self.instant})"]
        if settles(self.press):
            contact = self._contact(switch, self.press, self.release, f"level & {bit}", [])
            return [f"if presses & {bit}:", *_indented(down), "else:", *_indented(contact)]
        return self._contact(switch, self.press, self.release, f"level & {bit}", down)

    def _opened(self, switch: int) -> Lines:
        return self._contact(switch, self.release, self.press, f"not level & {1 << switch}", self._up(switch))

    def _up(self, switch: int) -> Lines:
        return [f"level ^= {1 << switch}", "e.level = level", *self._edge(switch, 0, "at"), f"e.released[{switch}](e, at)"]

    def _edge(self, switch: int, down: int, at: str) -> Lines:
        return [f"e.packed += ({at}, {(switch << 1 | down) << 3 | EDGE})"] if self.trace else []

    def _contact(self, switch: int, own: Debounce, other: Debounce, as_before: str, edge: Lines) -> Lines:
        """A contact has changed; `own` debounces edges in its direction, `other` those in the opposite one."""
        other_locks = not settles(other) and other.time_us > 0
        own_locks = not settles(own) and own.time_us > 0
        at = self.instant
        wake = [f"if wait{switch} < waking:", f"    waking = wait{switch}"]
        if settles(own):
            start = f"({at} if {at} > lock{switch} else lock{switch})" if other_locks else at
            lines = [f"wait{switch} = {start} + {own.time_us}", *wake]
        else:
            lines = [*([f"lock{switch} = {at} + {own.time_us}"] if own_locks else []), *edge]
            if other_locks:
                lines = [f"if {at} < lock{switch}:", f"    wait{switch} = lock{switch}", *_indented(wake), "else:", *_indented(lines)]
        if settles(other) or own_locks:
            return [f"if {as_before}:", f"    wait{switch} = {NEVER}", "else:", *_indented(lines)]
        return lines

    def _look(self, at: str) -> Lines:
        """Display and LEDs once an instant; a restart happens there, and leaves nothing as it was."""
        again = ["    if e.mode < 0:", *_indented(["e.contacts = contacts", *self._load_state()], 2)] if self.restarts else []
        return ["if e.dirty:", f"    e._look({at})", *again]


def settles(debounce: Debounce) -> bool:
    """Whether edges wait; a settling time of 0 lets them through at once, as a lockout of 0 does."""
    return debounce.kind == "settle" and debounce.time_us > 0


def _unless_settling(lines: Lines) -> Lines:
    return ["if settling:", "    e.contacts = contacts", "    e._still_settling(now)", "else:", *_indented(lines)]


def _indented(lines: Sequence[str], times: int = 1) -> Lines:
    return [f"{'    ' * times}{line}" for line in lines]
