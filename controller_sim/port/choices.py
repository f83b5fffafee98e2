"""Where a `switch` of C goes for each value, in machine code: a search among constants, or a jump by a table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from controller_sim.port.flow import Edge, Function
from controller_sim.port.machine_code import JUMPS, TABLE_JUMP, Instruction, MachineCode

_MOST_STEPS = 400


@dataclass(frozen=True, slots=True)
class Choice:
    """A switch in a function: where it begins, and by which step it is left for each value. `entries` are the steps that lead to it."""

    function: int
    start: int
    entries: tuple[Edge, ...]
    ways: Mapping[int, Edge]


def choices(code: MachineCode, function: Function, asking: Iterable[int], values: Iterable[int]) -> Iterator[Choice]:
    """The switches of a function that are made of the instructions at `asking`, where each of the values leads to a known place."""
    inside = set(asking)
    edges = {(edge.source, edge.target): edge for edge in function.edges}
    entries: dict[int, list[Edge]] = {}
    for edge in function.edges:
        if edge.target in inside and edge.source not in inside:
            entries.setdefault(edge.target, []).append(edge)
    if function.entry in inside:
        entries.setdefault(function.entry, [])
    for start, ways_in in entries.items():
        ways: dict[int, Edge] = {}
        for value in values:
            left = _left_by(code, inside, start, value)
            if left is None or left not in edges:
                break
            ways[value] = edges[left]
        else:
            yield Choice(function.entry, start, tuple(ways_in), ways)


def _left_by(code: MachineCode, inside: set[int], start: int, value: int) -> tuple[int, int] | None:
    """The step from the switch to what is behind it, when the register that it asks for first holds a value; None: not understood."""
    machine = _Machine(value)
    address = start
    for _ in range(_MOST_STEPS):
        following = _next(code, machine, code.instructions[address])
        if following is None:
            return None
        if following not in inside:
            return address, following
        address = following
    return None


def _next(code: MachineCode, machine: _Machine, instruction: Instruction) -> int | None:
    name, target, following = instruction.name, instruction.target, code.following[instruction.address]
    if name in JUMPS and target is not None and code.name_at(target) == TABLE_JUMP:
        place = machine.pair("r30")
        return None if place is None else code.word(2 * place) * 2
    if name in JUMPS:
        return target
    if name.startswith("br"):
        taken = machine.condition(name)
        return None if taken is None else target if taken else following
    if name == "cpse":
        equal = machine.equal(*instruction.operands)
        return None if equal is None else code.following[following] if equal else following
    return following if machine.run(name, instruction.operands) else None


class _Machine:
    """As much of the processor as a switch needs; None is what nobody knows. What is read first is the value."""

    def __init__(self, value: int) -> None:
        self._value: int | None = value
        self._registers: dict[str, int | None] = {"r1": 0}
        self._carry: bool | None = None
        self._zero: bool | None = None
        self._signed: bool | None = None

    def _read(self, register: str) -> int | None:
        if register not in self._registers and self._value is not None:
            self._registers[register], self._value = self._value, None
        return self._registers.get(register)

    def pair(self, register: str) -> int | None:
        low, high = self._read(register), self._registers.get(_above(register))
        return None if low is None or high is None else high << 8 | low

    def equal(self, one: str, other: str) -> bool | None:
        first, second = self._read(one), self._read(other)
        return None if first is None or second is None else first == second

    def condition(self, name: str) -> bool | None:
        flag, wanted = {
            "breq": (self._zero, True),
            "brne": (self._zero, False),
            "brcs": (self._carry, True),
            "brcc": (self._carry, False),
            "brlt": (self._signed, True),
            "brge": (self._signed, False),
        }.get(name, (None, True))
        return None if flag is None else flag == wanted

    def run(self, name: str, operands: tuple[str, ...]) -> bool:
        """Whether what an instruction does is understood."""
        first, second = (*operands, "", "")[:2]
        if name == "ldi":
            self._registers[first] = int(second, 0)
        elif name == "lds":
            self._registers[first], self._value = self._value, None
        elif name == "mov":
            self._registers[first] = self._read(second)
        elif name == "movw":
            self._registers[first] = self._read(second)
            self._registers[_above(first)] = self._registers.get(_above(second))
        elif name == "eor" and first == second:
            self._registers[first] = 0
        elif name in ("cp", "cpi", "cpc", "subi", "sbci", "and", "tst"):
            self._compute(name, first, second)
        elif name in ("sbiw", "adiw"):
            whole, step = self.pair(first), int(second, 0)
            self._carry = self._zero = self._signed = None
            if whole is not None:
                if name == "sbiw":
                    self._carry, self._zero = whole < step, whole == step
                whole = whole + (step if name == "adiw" else -step) & 0xFFFF
            self._registers[first] = None if whole is None else whole & 0xFF
            self._registers[_above(first)] = None if whole is None else whole >> 8
        else:
            return False
        return True

    def _compute(self, name: str, first: str, second: str) -> None:
        left = self._read(first)
        right = int(second, 0) if name in ("cpi", "subi", "sbci") else self._read(second or first)
        if name in ("and", "tst"):
            result = None if left is None or right is None else left & right
            self._zero = None if result is None else result == 0
            self._registers[first] = result
            return
        carried = name in ("cpc", "sbci")
        borrowed = int(bool(self._carry)) if carried else 0
        if left is None or right is None or (carried and self._carry is None):
            self._carry = self._zero = self._signed = None
            result = None
        else:
            result = left - right - borrowed & 0xFF
            self._zero = result == 0 and (not carried or self._zero is True)
            self._carry = left < right + borrowed
            self._signed = None if carried else (left ^ 0x80) < (right ^ 0x80)
        if name in ("subi", "sbci"):
            self._registers[first] = result


def _above(register: str) -> str:
    return f"r{int(register[1:]) + 1}"
