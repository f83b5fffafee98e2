"""The ways through machine code: for each function a graph of its instructions, and the loops in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from controller_sim.port.cycles import steps
from controller_sim.port.errors import PortError
from controller_sim.port.machine_code import MachineCode

CLOCK = "0x0084"
"""The lower half of timer 1, which is read first (ATmega328P data sheet, register summary)."""


@dataclass(frozen=True, slots=True)
class Edge:
    """From one instruction of a function to the next; `target` is None where the function, or the round of an endless loop, ends."""

    function: int
    """Where the function begins that it is part of."""
    source: int
    target: int | None
    cycles: int
    calls: int | None


@dataclass(frozen=True, slots=True)
class Chosen:
    """That a switch is gone through with a value: in which function, where it begins, and the value."""

    function: int
    start: int
    value: int


@dataclass(frozen=True, slots=True)
class Limit:
    """What happens so often at most: the sum of `passed` is not more than `most`, and for each of `terms` so many for each time."""

    passed: tuple[Edge | Chosen, ...]
    terms: tuple[tuple[Edge | Chosen, int], ...] = ()
    most: int = 0


@dataclass(frozen=True, slots=True)
class Function:
    entry: int
    name: str
    edges: tuple[Edge, ...]


@dataclass(frozen=True, slots=True)
class Loop:
    """What is run through again: all the addresses in it, with those of inner loops, the ways in, and those back to `head`."""

    head: int
    inside: frozenset[int]
    entries: tuple[Edge, ...]
    back: tuple[Edge, ...]
    inner: tuple[Loop, ...]

    def own(self) -> set[int]:
        """The addresses that are in no inner loop."""
        return set(self.inside).difference(*(each.inside for each in self.inner))

    def within(self) -> Iterator[Loop]:
        """The loops inside it, and inside them."""
        for each in self.inner:
            yield each
            yield from each.within()

    def round_by(self, back: Edge, edges: Sequence[Edge]) -> set[int]:
        """The addresses of the rounds that end by one of the ways back, of all the edges of the function."""
        before: dict[int | None, list[int]] = {}
        for edge in edges:
            if edge.source in self.inside and edge.target != self.head:
                before.setdefault(edge.target, []).append(edge.source)
        found, waiting = {self.head, back.source}, [back.source]
        while waiting:
            more = set(before.get(waiting.pop(), ())) - found
            found |= more
            waiting += more
        return found


def function_at(code: MachineCode, entry: int) -> Function:
    """A function with all that it jumps to; what is jumped to from several is part of each of them."""
    edges: list[Edge] = []
    waiting, seen = [entry], {entry}
    while waiting:
        address = waiting.pop()
        for step in dict.fromkeys(steps(code, code.instructions[address])):
            edges.append(Edge(entry, address, step.target, step.cycles, step.calls))
            if step.target is not None and step.target not in seen:
                seen.add(step.target)
                waiting.append(step.target)
    return Function(entry, code.name_at(entry), tuple(edges))


def endless_round(code: MachineCode, name: str) -> Function:
    """One round of the endless loop that a function ends in, from one reading of the clock to the next, as a function of its own.

    Raises PortError where there is no such loop, or none that reads the clock once.
    """
    whole = function_at(code, code.start(name))
    for part in components(whole.edges):
        inside = [edge for edge in whole.edges if edge.source in part]
        if len(part) > 1 and all(edge.target in part for edge in inside):
            read = {edge.source for edge in inside if _reads_clock(code, edge)}
            if len(read) == 1:
                (head,) = read
                around = (Edge(head, e.source, None if e.target == head else e.target, e.cycles, e.calls) for e in inside)
                return Function(head, name, tuple(around))
    raise PortError(f"{name} of the firmware ends in no endless loop that reads the clock once")


def _reads_clock(code: MachineCode, edge: Edge) -> bool:
    """Whether an instruction reads the clock, by itself or by what it calls."""
    places = {edge.source} if edge.calls is None else {step.source for step in function_at(code, edge.calls).edges}
    return any(code.instructions[place].name == "lds" and code.instructions[place].operands[1] == CLOCK for place in places)


class Program:
    """A function with all that are called from it, by any way."""

    def __init__(self, code: MachineCode, root: Function) -> None:
        self.root = root
        self.functions = {root.entry: root}
        waiting = [root]
        while waiting:
            for entry in {edge.calls for edge in waiting.pop().edges if edge.calls is not None} - set(self.functions):
                self.functions[entry] = function_at(code, entry)
                waiting.append(self.functions[entry])
        self.edges = [edge for function in self.functions.values() for edge in function.edges]
        self.calls: dict[int, list[Edge]] = {entry: [] for entry in self.functions}
        """From where each function is called."""
        for edge in self.edges:
            if edge.calls is not None:
                self.calls[edge.calls].append(edge)


def loops_of(edges: Sequence[Edge], entry: int) -> tuple[Loop, ...]:
    """The loops, the outer ones with those inside them. One that is entered at several places is as if entered at any of them."""
    found = []
    for part in components(edges):
        inside = [edge for edge in edges if edge.source in part and edge.target in part]
        if not inside:
            continue
        entries = tuple(edge for edge in edges if edge.source not in part and edge.target in part)
        head = entry if entry in part else min(edge.target for edge in entries if edge.target is not None)
        back = tuple(edge for edge in inside if edge.target == head)
        rest = [edge for edge in inside if edge.target != head]
        found.append(Loop(head, frozenset(part), entries, back, loops_of(rest, head)))
    return tuple(found)


def components(edges: Sequence[Edge]) -> Iterator[set[int]]:
    """The strongly connected components of a graph (Tarjan 1972, without recursion)."""
    after: dict[int, list[int]] = {}
    for edge in edges:
        after.setdefault(edge.source, [])
        if edge.target is not None:
            after[edge.source].append(edge.target)
            after.setdefault(edge.target, [])
    yield from _components(after)


def _components(after: Mapping[int, Sequence[int]]) -> Iterator[set[int]]:
    number: dict[int, int] = {}
    low: dict[int, int] = {}
    path: list[int] = []
    on_path: set[int] = set()
    for root in after:
        work = [(root, iter(after[root]))] if root not in number else []
        while work:
            node, targets = work[-1]
            if node not in number:
                number[node] = low[node] = len(number)
                path.append(node)
                on_path.add(node)
            for target in targets:
                if target not in number:
                    work.append((target, iter(after[target])))
                    break
                if target in on_path:
                    low[node] = min(low[node], low[target])
            else:
                work.pop()
                if work:
                    low[work[-1][0]] = min(low[work[-1][0]], low[node])
                if low[node] == number[node]:
                    part = set(path[path.index(node) :])
                    del path[path.index(node) :]
                    on_path -= part
                    yield part
