"""Expectations on messages and restarts, held against everything that was put out, in the order of the script's lines."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence

from controller_sim.design.form import PORT_NAMES, Design
from controller_sim.design.outputs import Message, Output, Restarted
from controller_sim.midi.messages import describe
from controller_sim.script.patterns import CLOCK_TICK, Target, matches, target_of, wanted_bytes
from controller_sim.script.printer import duration_text
from controller_sim.script.state import wanted_state
from controller_sim.script.syntax import ExpectMessage, ExpectNoMessages, ExpectNothingElse, ExpectRestart, ExpectSilence
from controller_sim.script.timeline import Check, Timeline

_MOST_CITED = 12
_ALL = Target(sum(PORT_NAMES.values()))

Complaint = tuple[str, tuple[str, ...]]


class Ledger:
    """The messages and restarts of a run, and which of them the lines so far have named."""

    def __init__(self, design: Design, timeline: Timeline, outputs: Iterable[Output]) -> None:
        self._design = design
        self._timeline = timeline
        messages: list[Message] = []
        self._restarts: list[int] = []
        for output in outputs:
            if isinstance(output, Message):
                messages.append(output)
            elif isinstance(output, Restarted):
                self._restarts.append(output.time_us)
        self._messages = messages
        self._next_restart = 0
        """The first restart that a line may still name."""
        self._unnamed_restarts = list(self._restarts)
        self._times = [message.time_us for message in messages]
        self._named = [0] * len(messages)
        """For each message the ports on which a line has named it."""
        self._next = dict.fromkeys(PORT_NAMES.values(), 0)
        """For each port the first message that a line may still name."""

    def judge(self, check: Check) -> Complaint | None:
        """What was expected and what came, if this check is on messages and not met. Checks come in the order of lines."""
        step = check.step
        if isinstance(step, ExpectMessage):
            return self._message(step, check)
        if isinstance(step, ExpectRestart):
            return self._restart(step, check)
        if isinstance(step, ExpectNoMessages):
            return self._none(step.to, range(bisect_left(self._times, check.block_us), self._so_far(check, self._times)), check)
        if isinstance(step, ExpectSilence):
            silent = range(bisect_right(self._times, check.clock_us), bisect_left(self._times, check.limit_us))
            return self._none(step.to, silent, check)
        if isinstance(step, ExpectNothingElse):
            return self._nothing_else(check)
        return None

    def _target(self, name: str) -> Target:
        target = target_of(self._design, name)
        if target is None:
            raise ValueError(f"the design has no device or port {name!r}")
        return target

    def _message(self, step: ExpectMessage, check: Check) -> Complaint | None:
        target = self._target(step.to)
        wanted = wanted_bytes(step.message, target)
        ports = [port for port in PORT_NAMES.values() if port & target.ports]
        exact = step.within_us is None
        earliest = bisect_left(self._times, check.clock_us if exact else check.block_us)
        first = max([earliest, *(self._next[port] for port in ports)])
        for i in range(first, bisect_right(self._times, check.limit_us)):
            message = self._messages[i]
            if message.ports & target.ports == target.ports and matches(wanted, message.data):
                self._named[i] |= target.ports
                for port in ports:
                    self._next[port] = i + 1
                return None
        # What came may have been too early or too late as well: cite from the block's beginning to a little after the limit.
        begin = bisect_left(self._times, check.block_us)
        end = bisect_right(self._times, check.limit_us + max(check.limit_us - check.clock_us, 1_000_000))
        cited = [i for i in range(begin, end) if self._counts(i) or wanted[0] == CLOCK_TICK]
        return wanted_state(step), self._cite(cited, target)

    def _restart(self, step: ExpectRestart, check: Check) -> Complaint | None:
        earliest_us = check.clock_us if step.within_us is None else check.block_us
        number = max(bisect_left(self._restarts, earliest_us), self._next_restart)
        if number < len(self._restarts) and self._restarts[number] <= check.limit_us:
            self._next_restart = number + 1
            self._unnamed_restarts.remove(self._restarts[number])
            return None
        return wanted_state(step), tuple(map(_restart_text, self._restarts[:_MOST_CITED])) or ("no restart",)

    def _so_far(self, check: Check, times: Sequence[int]) -> int:
        """How many of some times had come at the check's clock, without what later steps do at that very time."""
        cut = bisect_left if self._timeline.changes_after(check) else bisect_right
        return cut(times, check.clock_us)

    def _none(self, to: str | None, indices: range, check: Check) -> Complaint | None:
        target = _ALL if to is None else self._target(to)
        found = [i for i in indices if self._counts(i) and target.takes(self._messages[i].ports, self._messages[i].data)]
        return (wanted_state(check.step), self._cite(found, target)) if found else None

    def _nothing_else(self, check: Check) -> Complaint | None:
        found = [i for i in range(self._so_far(check, self._times)) if self._counts(i) and self._named[i] != self._messages[i].ports]
        restarts = self._unnamed_restarts[: self._so_far(check, self._unnamed_restarts)]
        cited = [*(self._cite(found, _ALL) if found else ()), *map(_restart_text, restarts[:_MOST_CITED])]
        return (wanted_state(check.step), tuple(cited)) if cited else None

    def _counts(self, i: int) -> bool:
        return self._messages[i].data[0] != CLOCK_TICK

    def _cite(self, indices: list[int], target: Target) -> tuple[str, ...]:
        cited = [i for i in indices if target.takes(self._messages[i].ports, self._messages[i].data)]
        texts = [self._text(i) for i in cited[:_MOST_CITED]]
        if len(cited) > _MOST_CITED:
            texts.append(f"and {len(cited) - _MOST_CITED} more")
        return tuple(texts) or ("no message",)

    def _text(self, i: int) -> str:
        message = self._messages[i]
        ports = "+".join(name for name, port in PORT_NAMES.items() if port & message.ports)
        named = "  (named by a line above)" if self._named[i] == message.ports else ""
        return f"{duration_text(message.time_us)}  to {ports}: {describe(message.data)}{named}"


def _restart_text(time_us: int) -> str:
    return f"{duration_text(time_us)}  restart"
