"""How much one action can hand to a port at one instant, and later: bounds over every way through it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from controller_sim.design.form import SERIAL, Design, Mode
from controller_sim.design.program import (
    Call,
    CancelDelayed,
    Expression,
    For,
    Hasten,
    If,
    Restart,
    Send,
    Statement,
)
from controller_sim.midi.messages import is_channel, is_real_time
from controller_sim.verify.reach import Reach, Run

NOTHING = -1
"""Nothing has been sent yet: what the port sent before is not known."""
UNKNOWN = -2
"""Something has been sent, and its status is not known."""
CLEARED = 0
"""A system message has been sent: the next one cannot leave out its status (MIDI 1.0 Detailed Specification 4.2.1, p. 5)."""

Amounts = Mapping[int, tuple[int, int]]
"""For each status that may have been sent last, the least and the most that was handed over on the way there."""
NOTE_OFF_BYTES = 3


@dataclass(frozen=True, slots=True)
class Burst:
    """What an action hands to a port at one instant, in the port's units: `least` where it sends at all, `most` at worst."""

    least: int
    most: int
    may_be_silent: bool
    real_time: int = 0
    """The most real-time messages in it."""


NO_BURST = Burst(0, 0, True)


class Meter:
    """Measures actions at one port: bytes of the serial line, with running status if the design has it, or packets of USB."""

    def __init__(self, reach: Reach, port: int) -> None:
        self.reach = reach
        self.design: Design = reach.design
        self.port = port
        self.serial = port == SERIAL
        self.running_status = self.design.running_status and self.serial
        self._after: dict[tuple[int, int], Amounts] = {}
        self._later: dict[int, dict[int, int]] = {}
        delayed = [
            each
            for number in sorted(reach.procedures)
            for each in reach.statements(number)
            if isinstance(each, Send) and each.delay_us and each.ports & port
        ]
        self._largest_delayed = max((self._full(each.data) for each in delayed), default=0)
        self._waiting_note_offs = any(_may_let_go(each.data) for each in delayed) * self.design.delayed_messages

    def _full(self, data: Sequence[Expression]) -> int:
        return len(data) if self.serial else -(-len(data) // 3)

    def burst(self, run: Run) -> Burst:
        """What a run hands over at its instant, with the mode changes and the restart that it may ask for."""
        amounts = self._change(self._through(run.procedure, {NOTHING: (0, 0)}), run)
        sent = [span for status, span in amounts.items() if status != NOTHING]
        if not sent:
            return NO_BURST
        return Burst(
            min(least for least, _ in sent), max(most for _, most in sent), NOTHING in amounts, self._real_time(self._involved(run))
        )

    def _change(self, before: Amounts, run: Run) -> Amounts:
        """What follows when the action has run: it may leave its mode, and enter others one after another."""
        reach, targets = self.reach, self.reach.enters(run.procedure)
        found = [before] if not reach.always_leaves(run.procedure) else []
        left = self._leave(before, self._modes_of(run)) if targets else before
        for target in targets:
            enter = self.design.modes[target].enter
            if enter is None:
                found.append(left)
            else:
                entered = Run(target, "entered", 0, enter.procedure, run.place)
                found.append(self._change(self._through(enter.procedure, left), entered))
        if reach.may(run.procedure, Restart):
            let_go = self._leave(_join([before, *found]), (*self._modes_of(run), *targets))
            found.append(self._pushed(self._pushed(let_go, self._owed_releases()), self._note_offs()))
        return _join(found)

    def _modes_of(self, run: Run) -> tuple[int, ...]:
        """The modes that may be current: a release that is owed comes in another mode than its own."""
        if run.mode is None:
            return ()
        if run.what == "binding" and self.design.bindings[run.number].gesture == "release":
            return tuple(sorted(self.reach.modes))
        return (run.mode,)

    def _leave(self, before: Amounts, modes: Sequence[int]) -> Amounts:
        """After leaving one of some modes; without any there is none to leave."""
        return _join(self._leave_one(before, self.design.modes[mode]) for mode in modes) if modes else before

    def _leave_one(self, before: Amounts, mode: Mode) -> Amounts:
        if mode.delayed == "cancel":
            before = self._pushed(before, self._note_offs())
        return self._through(mode.leave.procedure, before) if mode.leave is not None else before

    def _involved(self, run: Run) -> set[int]:
        """The procedures that may run at the instant of a run."""
        found = {run.procedure}
        waiting = [run.procedure]
        while waiting:
            for target in self.reach.enters(waiting.pop()):
                enter = self.design.modes[target].enter
                if enter is not None and enter.procedure not in found:
                    found.add(enter.procedure)
                    waiting.append(enter.procedure)
                if run.mode is not None:
                    leaves = [self.design.modes[mode].leave for mode in self._modes_of(run)]
                    found.update(leave.procedure for leave in leaves if leave is not None)
        return found

    def _real_time(self, procedures: Iterable[int]) -> int:
        return sum(
            isinstance(each, Send) and bool(each.ports & self.port) and is_real_time(each.data[0].high)
            for number in procedures
            for each in self.reach.statements(number)
        )

    def _owed_releases(self) -> int:
        """The most that releases can send that a restart makes fire: one of each key, and of each eager press."""
        keys: dict[tuple[int, bool], int] = {}
        for mode in sorted(self.reach.modes):
            for number in self.design.modes[mode].bindings:
                binding = self.design.bindings[number]
                if binding.gesture == "release":
                    most = max((span[1] for span in self._through(binding.action.procedure, {NOTHING: (0, 0)}).values()), default=0)
                    for eager in (False, True) if len(self.design.keys[binding.key].members) == 1 else (False,):
                        keys[binding.key, eager] = max(keys.get((binding.key, eager), 0), most)
        return sum(keys.values())

    def _note_offs(self) -> int:
        return self._waiting_note_offs * (NOTE_OFF_BYTES if self.serial else 1)

    def _pushed(self, before: Amounts, most: int) -> Amounts:
        """After up to `most` of what is not the action's own: waiting messages that leave at once."""
        if not most:
            return before
        least = min(span[0] for span in before.values()) if before else 0
        largest = max(span[1] for span in before.values()) if before else 0
        return _join([before, {UNKNOWN: (max(least, 1), largest + most)}])

    def _through(self, procedure: int, before: Amounts) -> Amounts:
        found = []
        for status, span in before.items():
            if (procedure, status) not in self._after:
                body = self.design.procedures[procedure].body
                self._after[procedure, status] = self._body(body, {status: (0, 0)})
            found.append(_shifted(self._after[procedure, status], span))
        return _join(found)

    def _body(self, body: Sequence[Statement], before: Amounts) -> Amounts:
        for statement in body:
            before = self._statement(statement, before)
        return before

    def _statement(self, statement: Statement, before: Amounts) -> Amounts:
        match statement:
            case Send(ports=ports, data=data, delay_us=delay_us) if ports & self.port:
                return self._pushed(before, self._largest_delayed) if delay_us else self._sent(before, data)
            case Send(delay_us=delay_us) if delay_us:
                # The queue is common to the ports: this may push out a message that waits for ours.
                return self._pushed(before, self._largest_delayed)
            case Hasten(ports=ports) if ports & self.port:
                return self._pushed(before, NOTE_OFF_BYTES if self.serial else 1)
            case CancelDelayed():
                return self._pushed(before, self._note_offs())
            case If(condition, then, otherwise):
                may, may_not = (condition.low, condition.high) != (0, 0), condition.low <= 0 <= condition.high
                return _join(self._body(way, before) for way, taken in ((then, may), (otherwise, may_not)) if taken)
            case For(_, start, stop, step, inner):
                return self._repeated(inner, len(range(start, stop, step)), before)
            case Call(procedure=procedure):
                return self._through(procedure, before)
        return before

    def _sent(self, before: Amounts, data: Sequence[Expression]) -> Amounts:
        status, size = data[0].low, self._full(data)
        if not self.running_status:
            return {UNKNOWN: _sum(_hull(before.values()), (size, size))}
        if is_real_time(status):
            return _join({UNKNOWN if last == NOTHING else last: _sum(span, (size, size))} for last, span in before.items())
        if not is_channel(status):
            return {CLEARED: _sum(_hull(before.values()), (size, size))}
        spans = []
        for last, span in before.items():
            shortest = size - (last in (status, NOTHING, UNKNOWN))
            longest = size - (last == status)
            spans.append(_sum(span, (shortest, longest)))
        return {status: _hull(spans)}

    def _repeated(self, body: Sequence[Statement], times: int, before: Amounts) -> Amounts:
        """A loop: one turn as a table from each status to what follows it, raised to a power by squaring."""
        if times == 0 or not before:
            return before
        turn: dict[int, Amounts] = {}
        waiting = list(before)
        while waiting:
            status = waiting.pop()
            if status not in turn:
                turn[status] = self._body(body, {status: (0, 0)})
                waiting.extend(turn[status])
        while times:
            if times & 1:
                before = _follow(before, turn)
            turn = {status: _follow(after, turn) for status, after in turn.items()}
            times >>= 1
        return before

    def later(self, procedure: int) -> dict[int, int]:
        """For each delay in microseconds, the most that a procedure hands over so much later."""
        if procedure not in self._later:
            self._later[procedure] = self._later_in(self.design.procedures[procedure].body)
        return self._later[procedure]

    def _later_in(self, body: Sequence[Statement]) -> dict[int, int]:
        total: dict[int, int] = {}
        for statement in body:
            match statement:
                case Send(ports=ports, data=data, delay_us=delay_us) if delay_us and ports & self.port:
                    more = {delay_us: self._full(data)}
                case If(_, then, otherwise):
                    one, other = self._later_in(then), self._later_in(otherwise)
                    more = {delay_us: max(one.get(delay_us, 0), other.get(delay_us, 0)) for delay_us in {**one, **other}}
                case For(_, start, stop, step, inner):
                    more = {delay_us: len(range(start, stop, step)) * size for delay_us, size in self._later_in(inner).items()}
                case Call(procedure=procedure):
                    more = self.later(procedure)
                case _:
                    continue
            for delay_us, size in more.items():
                total[delay_us] = total.get(delay_us, 0) + size
        return total


def _may_let_go(data: Sequence[Expression]) -> bool:
    kind = data[0].low & 0xF0
    return kind == 0x80 or (kind == 0x90 and data[2].low == 0)


def _sum(a: tuple[int, int], b: tuple[int, int]) -> tuple[int, int]:
    return a[0] + b[0], a[1] + b[1]


def _hull(spans: Iterable[tuple[int, int]]) -> tuple[int, int]:
    each = list(spans)
    return min(low for low, _ in each), max(high for _, high in each)


def _shifted(amounts: Amounts, by: tuple[int, int]) -> Amounts:
    return {status: _sum(span, by) for status, span in amounts.items()}


def _join(ways: Iterable[Amounts]) -> Amounts:
    found: dict[int, tuple[int, int]] = {}
    for way in ways:
        for status, span in way.items():
            found[status] = _hull((found[status], span)) if status in found else span
    return found


def _follow(before: Amounts, turn: Mapping[int, Amounts]) -> Amounts:
    return _join(_shifted(turn[status], span) for status, span in before.items())


def most_delayed(reach: Reach, procedure: int) -> int:
    """The most delayed messages, to any port, that one run of a procedure can ask for."""

    def count(body: Sequence[Statement]) -> int:
        total = 0
        for statement in body:
            match statement:
                case Send(delay_us=delay_us):
                    total += delay_us > 0
                case If(_, then, otherwise):
                    total += max(count(then), count(otherwise))
                case For(_, start, stop, step, inner):
                    total += len(range(start, stop, step)) * count(inner)
                case Call(procedure=callee):
                    total += count(reach.design.procedures[callee].body)
        return total

    return count(reach.design.procedures[procedure].body)
