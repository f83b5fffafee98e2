"""The loop of the engine over instants, written out for the contacts of one design as a Python function.

Each contact is debounced by settling or by lockout, for presses and releases separately; how long it waits and until when it is
locked are locals here, because most edges are bounce and touch nothing else. What a press or release means is in the functions
of the current mode (handlers.py).
The order is that of reference/semantics.md: everything that is due, each at its own time, then the changes of an instant,
releases before presses, and last the releases of what was pressed just then.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller_sim.core.kinds import EDGE, NEVER
from controller_sim.design.form import Debounce, Design
from controller_sim.design.plan import Plan
from controller_sim.design.program import Restart

Lines = list[str]


class LoopWriter:
    """Writes `play(e, times_us, words)`: through two equally long columns, instants, rising, and the contacts seen at each."""

    def __init__(self, design: Design, plan: Plan, trace: bool) -> None:
        self.switches = range(len(design.switches))
        self.press, self.release = design.timing.press, design.timing.release
        self.restarts = any(isinstance(statement, Restart) for statement in plan.statements)
        self.trace = trace
        self.postpones = settles(self.press) or not settles(self.release)

    def lines(self) -> Lines:
        return [
            "def play(e, times_us, words):",
            *_indented(self._load()),
            "    for now, word in zip(times_us, words):",
            "        while True:",
            *_indented([*self._due(), *self._edges(), *self._look(), "if at == now:", "    break"], 3),
            *_indented(self._store()),
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
        """Let the next instant at which something is due happen; `at` becomes that instant, or the one that is to be reached."""
        return [
            "at = now",
            "if waking <= now or e.soonest <= now:",
            "    at = waking",
            "    if e.soonest <= at:",
            "        at = e.soonest",
            "        e.contacts = contacts",
            "        while at in due:",
            "            slot = due.index(at)",
            f"            due[slot] = {NEVER}",
            "            e.timeouts[slot](e, at)",
            "        e.soonest = min(due)",
            "        if settling and e.mode >= 0:",
            "            settling = False",
            "            level = e.level",
            "    if at == waking:",
            *_indented(self._waits(), 2),
            f"    if at < now{' and not postponed' if self.postpones else ''}:",
            *_indented(self._look(), 2),
            "        continue",
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
        """The changes of an instant: of the contacts seen and, where waits can be postponed, of those that have just ended."""
        opened, closed = self._each("opened", self._opened), self._each("closed", self._closed)
        if not self.postpones:
            seen = ["changed = contacts ^ word", "contacts = word"]
            edges = ["opened = changed & ~word", *opened, "closed = changed & word", *closed]
            return ["if contacts != word:", *_indented([*seen, *_unless_settling(edges)])]
        seen = ["changed = 0", "if at == now:", "    changed = contacts ^ word", "    contacts = word"]
        edges = ["opened = changed & ~contacts", *opened, "closed = changed & contacts", *closed]
        if settles(self.press):
            seen += ["presses = postponed & ~level", "changed |= postponed & ~presses"]
            edges = [
                "while changed | presses:",
                "    opened = changed & ~contacts & ~presses",
                *_indented(opened),
                "    closed = changed & contacts | presses",
                "    changed &= ~contacts & presses",
                *_indented(closed),
                "    presses = 0",
            ]
        else:
            seen.append("changed |= postponed")
        return ["if contacts != word or postponed:", *_indented([*seen, "postponed = 0", *_unless_settling(edges)])]

    def _each(self, bits: str, lines_of: Callable[[int], Lines]) -> Lines:
        """For each switch of a mask, lowest first, taking its bit out."""
        return [f"while {bits}:", *_indented(self._find(bits, list(self.switches), lines_of))]

    def _find(self, bits: str, switches: Sequence[int], lines_of: Callable[[int], Lines]) -> Lines:
        if len(switches) == 1:
            return [f"{bits} ^= {1 << switches[0]}", *lines_of(switches[0])]
        low, high = switches[: len(switches) // 2], switches[len(switches) // 2 :]
        test = f"if {bits} & {sum(1 << s for s in low)}:"
        return [test, *_indented(self._find(bits, low, lines_of)), "else:", *_indented(self._find(bits, high, lines_of))]

    def _closed(self, switch: int) -> Lines:
        bit = 1 << switch
        down = [f"level |= {bit}", "e.level = level", *self._edge(switch, 1), f"e.pressed[{switch}](e, at)"]
        if settles(self.press):
            contact = self._contact(switch, self.press, self.release, f"level & {bit}", [])
            return [f"if presses & {bit}:", *_indented(down), "else:", *_indented(contact)]
        return self._contact(switch, self.press, self.release, f"level & {bit}", down)

    def _opened(self, switch: int) -> Lines:
        return self._contact(switch, self.release, self.press, f"not level & {1 << switch}", self._up(switch))

    def _up(self, switch: int) -> Lines:
        return [f"level ^= {1 << switch}", "e.level = level", *self._edge(switch, 0), f"e.released[{switch}](e, at)"]

    def _edge(self, switch: int, down: int) -> Lines:
        return [f"e.packed += (at, {(switch << 1 | down) << 3 | EDGE})"] if self.trace else []

    def _contact(self, switch: int, own: Debounce, other: Debounce, as_before: str, edge: Lines) -> Lines:
        """A contact has changed; `own` debounces edges in its direction, `other` those in the opposite one."""
        other_locks = not settles(other) and other.time_us > 0
        own_locks = not settles(own) and own.time_us > 0
        wake = [f"if wait{switch} < waking:", f"    waking = wait{switch}"]
        if settles(own):
            start = f"(at if at > lock{switch} else lock{switch})" if other_locks else "at"
            lines = [f"wait{switch} = {start} + {own.time_us}", *wake]
        else:
            lines = [*([f"lock{switch} = at + {own.time_us}"] if own_locks else []), *edge]
            if other_locks:
                lines = [f"if at < lock{switch}:", f"    wait{switch} = lock{switch}", *_indented(wake), "else:", *_indented(lines)]
        if settles(other) or own_locks:
            return [f"if {as_before}:", f"    wait{switch} = {NEVER}", "else:", *_indented(lines)]
        return lines

    def _look(self) -> Lines:
        """Display and LEDs once an instant; a restart happens there, and leaves nothing as it was."""
        again = ["    if e.mode < 0:", *_indented(self._load_state(), 2)] if self.restarts else []
        return ["if e.dirty:", "    e._look(at)", *again]


def settles(debounce: Debounce) -> bool:
    """Whether edges wait; a settling time of 0 lets them through at once, as a lockout of 0 does."""
    return debounce.kind == "settle" and debounce.time_us > 0


def _unless_settling(lines: Lines) -> Lines:
    return ["if settling:", "    e._still_settling(now)", "else:", *_indented(lines)]


def _indented(lines: Sequence[str], times: int = 1) -> Lines:
    return [f"{'    ' * times}{line}" for line in lines]
