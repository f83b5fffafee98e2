"""How often each loop of machine code goes round at most, by the lines of C that it was made of."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import takewhile

from controller_sim.port.c_constants import WRITE, Worth
from controller_sim.port.c_loops import FILLS, Note, SourceLoop, Sources
from controller_sim.port.errors import PortError
from controller_sim.port.flow import Edge, Function, Limit, Loop, Program, loops_of
from controller_sim.port.lines import Frame, Lines
from controller_sim.port.machine_code import CALLS, JUMPS, SKIPS, MachineCode

LIBRARY_ROUNDS = {"__udivmodhi4": 17, "__udivmodsi4": 33, "__udivmodqi4": 9}
"""Of what libgcc divides with: a round for each bit, and one before."""
_ONLY_READ = ("cp", "cpc", "cpi", "cpse", "tst", "st", "std", "sts", "out", "push", "sbrc", "sbrs")
"""Instructions that have a register first but do not change it."""
_PLACED = (*CALLS, "st", "std", "sts", "out", "sbi", "cbi")
"""Instructions that stand where their lines do, as branches do. The compiler is not so exact about what only moves and computes, or puts
something on the stack, to which Y points."""


_Term = tuple[Edge, tuple[Note, ...] | int]
"""Each time that this is passed so many rounds are gone, the most of several."""


@dataclass(frozen=True, slots=True)
class _Level:
    """A loop of C that was made to a loop, and which of its frames is in it; the ways into it, and those round."""

    source: tuple[int, SourceLoop] | None
    entries: tuple[Edge, ...]
    back: tuple[Edge, ...]


class Rounds:
    """Tells of the loops of a program how often they go round."""

    def __init__(self, code: MachineCode, program: Program, lines: Lines, files: Mapping[str, str], worth: Worth) -> None:
        self._code = code
        self._program = program
        self._lines = lines
        self._sources = Sources(files)
        self._worth = worth

    def limits(self, macros: Mapping[str, int] | None = None) -> list[Limit]:
        """One for each loop; some macros of C may have smaller values than in the firmware. Raises PortError where nobody knows."""
        notes = {
            note: note.with_values(macros or {})
            for _, terms in self._found
            for _, most in terms
            if isinstance(most, tuple)
            for note in most
        }
        values = self._worth(sorted({*notes.values()}, key=repr))

        def value(most: tuple[Note, ...] | int) -> int:
            return most if isinstance(most, int) else max(values[notes[note]] for note in most)

        return [Limit(passed, tuple((edge, value(most)) for edge, most in terms)) for passed, terms in self._found]

    @cached_property
    def _found(self) -> list[tuple[tuple[Edge, ...], Sequence[_Term]]]:
        functions = self._program.functions.values()
        loops = [(loop, function) for function in functions for loop in loops_of(function.edges, function.entry)]
        return [each for loop, function in loops for each in self._of(loop, function)]

    def _of(self, loop: Loop, function: Function, outer: Sequence[_Level] = ()) -> Iterator[tuple[tuple[Edge, ...], Sequence[_Term]]]:
        """What goes round in a loop and those inside it, with how often it does for each time that something else is passed."""
        counted = _counted_down(self._code, loop, function)
        if counted is not None:
            yield loop.back + loop.entries, [(edge, counted) for edge in loop.entries]
            return
        frames = self._lines[loop.head]
        levels = self._levels(loop, function, outer)
        for number, level in enumerate(levels):
            around = (*outer, *levels[:number])
            entries = around[-1].entries if around else ()
            several, note, seen = [level.back], self._note(frames), frames
            if level.source is not None:
                depth, made_of = level.source
                seen = frames[: depth + 1]
                note = made_of.rounds or self._note(seen)
                # Where the head is in what is repeated, the test comes behind it, and the way back is taken once less.
                if self._is_in_body(loop.head, loop, level.source):
                    several = [level.back + level.entries]
                else:
                    several.append(tuple(self._into_body(loop, function, level.source)))
            for terms in self._terms(note, seen, self._code.name_at(loop.head), function, level.entries, entries):
                yield from ((passed, terms) for passed in several)
        for inner in loop.inner:
            yield from self._of(inner, function, (*outer, *levels))

    def _into_body(self, loop: Loop, function: Function, source: tuple[int, SourceLoop]) -> Iterator[Edge]:
        """The steps from the test of a loop to what is repeated, also of the last round, which may not come to its end."""
        depth, made_of = source
        exits = {edge.source for edge in function.edges if edge.source in loop.inside and edge.target not in loop.inside}
        for edge in function.edges:
            if edge.source in exits and edge.target in loop.inside and self._is_branch(edge.source):
                frames = self._lines[edge.source]
                if len(frames) > depth and frames[depth].line in made_of.tests and self._is_in_body(edge.target, loop, source):
                    yield edge

    def _is_in_body(self, address: int | None, loop: Loop, source: tuple[int, SourceLoop]) -> bool:
        """Whether a place in a loop is part of what is repeated in C, and not of its test, by the first instruction that tells."""
        depth, made_of = source
        while address in loop.inside and not self._is_placed(address) and self._code.instructions[address].name not in JUMPS:
            address = self._code.following[address]
        frames = self._lines[address] if address in loop.inside and self._is_placed(address) else ()
        return len(frames) > depth and made_of.body <= frames[depth].line and frames[depth].line not in made_of.tests

    def _levels(self, loop: Loop, function: Function, outer: Sequence[_Level]) -> list[_Level]:
        """The loops of C that share the head of one of machine code, the outer ones first: mostly there is one."""
        entries = (*loop.entries, *(self._program.calls[function.entry] if function.entry in loop.inside else ()))
        taken = {level.source for level in outer}
        found: dict[tuple[int, SourceLoop] | None, tuple[Edge, ...]] = {}
        for edge in loop.back:
            path = self._path(loop.round_by(edge, function.edges))
            source = path[-1] if path and path[-1] not in taken else None
            found[source] = (*found.get(source, ()), edge)
        levels: list[_Level] = []
        whole = self._path(loop.inside)
        for source in sorted(found, key=lambda each: whole.index(each) if each in whole else len(whole)):
            levels.append(_Level(source, entries, found[source]))
            entries += found[source]
        if len(loop.back) > 1 and not self._are_apart(loop, whole, levels):
            raise PortError(f"{self._place(loop)}: the compiler has made one of several loops, and nobody can tell them apart")
        return levels

    def _are_apart(self, loop: Loop, whole: Sequence[tuple[int, SourceLoop]], levels: Sequence[_Level]) -> bool:
        """Whether all loops of C that share a head are known: the outermost is what the whole was made of, and no other is tested in it."""
        known = {level.source for level in levels} | {each for inner in loop.within() for each in self._path(inner.inside)}
        tested = {
            (depth, each)
            for address in loop.own()
            if self._is_branch(address)
            for depth, each in self._around(address)[len(whole) :]
            if self._lines[address][depth].line in each.tests
        }
        return tested <= known and (len(levels) == 1 or (whole[-1:] == [levels[0].source] and None not in known))

    def _place(self, loop: Loop) -> str:
        frames = self._lines[loop.head]
        return f"{frames[-1].file}:{frames[-1].line}" if frames else self._code.name_at(loop.head)

    def _path(self, addresses: Iterable[int]) -> list[tuple[int, SourceLoop]]:
        """The loops of C that all of some instructions lie in, the outermost first, each with which of their frames is in it."""
        paths = [self._around(address) for address in addresses if self._is_placed(address)]
        alike = takewhile(lambda several: len(set(several)) == 1, zip(*paths, strict=False))
        return [several[0] for several in alike]

    def _is_placed(self, address: int) -> bool:
        instruction = self._code.instructions[address]
        keeps = instruction.name in _PLACED and not instruction.operands[0].startswith("Y")
        return bool(self._lines[address]) and (keeps or self._is_branch(address))

    def _is_branch(self, address: int) -> bool:
        name = self._code.instructions[address].name
        return name.startswith("br") or name in SKIPS

    def _around(self, address: int) -> list[tuple[int, SourceLoop]]:
        frames = enumerate(self._lines[address])
        return [(depth, each) for depth, frame in frames for each in self._sources.around(frame.file, frame.line)]

    def _note(self, frames: Sequence[Frame]) -> Note | None:
        """What is said beside the call by which something was inlined, or how far a line goes that fills, copies or compares."""
        if not frames:
            return None
        place = frames[-1].file, frames[-1].line
        calls = (self._sources.called(name, "count", *place) for name in FILLS)
        return self._sources.note(*place) or next((note for note in calls if note), None)

    def _terms(
        self, note: Note | None, frames: Sequence[Frame], name: str, function: Function, entries: Sequence[Edge], around: Sequence[Edge]
    ) -> Iterator[list[_Term]]:
        """How often a loop, whose head is in `name`, goes round by what is said of it, and by what calls of its function make of that."""
        if note is None and not frames and (library := [n for each, n in LIBRARY_ROUNDS.items() if name.startswith(each)]):
            yield [(edge, library[0]) for edge in entries]
            return
        if note is None and not frames and name in FILLS:
            note, frames = Note("count", name, 0), (Frame(name, name, 0),)
        if note is None:
            place = f"{frames[-1].file}:{frames[-1].line}" if frames else name
            raise PortError(f"{place}: how often this goes round is not known; {WRITE}")
        most = self._given(note, frames, function)
        yield [(edge, most) for edge in (around if note.in_all and around else entries)]
        if len(most) > 1 and not around:
            yield [(edge, self._given(note, frames, function, edge)) for edge in self._program.calls[function.entry]]

    def _given(self, note: Note, frames: Sequence[Frame], function: Function, call: Edge | None = None) -> tuple[Note, ...]:
        """What an expression may come to in a function inlined by `frames`, by constants alone; by one call, or by any."""
        inside = frames[-1].function
        if not self._sources.asks(inside, note.text):
            return (note,)
        jumps = self._jumps_to(function, frames[0].function)
        if len(frames) > 1:
            passed = [(frames[:-1], function)]
        elif jumps:
            passed = [(self._lines[edge.source], function) for edge in jumps]
        else:
            calls = [call] if call else self._program.calls[function.entry]
            passed = [(self._lines[each.source], self._program.functions[each.function]) for each in calls]
        found: list[Note] = []
        for outer, caller in passed:
            given = self._sources.called(inside, note.text, outer[-1].file, outer[-1].line)
            if given is None:
                raise PortError(f"{outer[-1].file}:{outer[-1].line}: no call of {inside} is found; {WRITE}")
            found += self._given(given, outer, caller, call if len(frames) > 1 or jumps else None)
        return tuple(found)

    def _jumps_to(self, function: Function, name: str) -> list[Edge]:
        """Where a function ends by jumping to another, whose code is then part of it."""
        if self._code.name_at(function.entry).split(".")[0] == name:
            return []

        def is_in(address: int | None) -> bool:
            return address is not None and self._code.name_at(address).split(".")[0] == name

        return [edge for edge in function.edges if is_in(edge.target) and not is_in(edge.source)]


def _counted_down(code: MachineCode, loop: Loop, function: Function) -> int | None:
    """How often a loop goes round that only counts a register down to 0 from a constant, as waits and small fills do."""
    ((*_, last),) = (sorted(loop.inside),)
    if loop.inner or len(loop.back) > 1 or len(loop.entries) != 1 or code.instructions[last].name != "brne":
        return None
    counts = [code.instructions[address] for address in sorted(loop.inside)][-2]
    if counts.name != "dec" or sum(_changes(code, address, counts.operands[0]) for address in loop.inside) > 1:
        return None
    comes_from = {edge.target: edge.source for edge in function.edges}
    several = {edge.target for edge in function.edges if comes_from[edge.target] != edge.source}
    place, register = loop.entries[0].source, counts.operands[0]
    while True:
        found = code.instructions[place]
        if _changes(code, place, register):
            if found.name != "mov":
                return int(found.operands[1], 0) if found.name == "ldi" else None
            register = found.operands[1]
        if place in several or place not in comes_from or found.name in CALLS:
            return None
        place = comes_from[place]


def _changes(code: MachineCode, address: int, register: str) -> bool:
    instruction = code.instructions[address]
    if instruction.name in ("movw", "mul", "muls", "mulsu", "adiw", "sbiw"):
        number = int(register[1:])
        pair = 0 if instruction.name.startswith("mul") else int(instruction.operands[0][1:])
        return number in (pair, pair + 1)
    return bool(instruction.operands) and instruction.operands[0] == register and instruction.name not in _ONLY_READ
