"""How deep the stack of ATmega328P firmware can get at most, by its machine code: every way through every function that calls another.

An interrupt comes on top where the stack is deepest; none comes on top of another, as none of them lets interrupts in.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from controller_sim.port.avr import RAM_BYTES
from controller_sim.port.errors import PortError
from controller_sim.port.machine_code import (
    CALLS,
    ENDS,
    EPILOGUE,
    JUMPS,
    POINTED,
    PROLOGUE,
    SKIPS,
    TABLE_JUMP,
    Instruction,
    MachineCode,
    read_machine_code,
)

RETURN_BYTES = 2
STACK_LOW = "0x3d"
"""The register that holds the lower half of the stack pointer (ATmega328P data sheet, register summary); SPH is written before it."""


@dataclass(frozen=True, slots=True)
class Depth:
    """The stack at a place in a function, in bytes since its first instruction; None: not known."""

    bytes: int
    frame: int | None = None
    """Where the frame pointer, r28 and r29, points to."""
    low: int = 0
    """What was subtracted from r28, until r29 follows."""
    room: int = 0
    """The constant in r26 and r27: how much room a shared prologue makes."""


@dataclass(frozen=True, slots=True)
class Deepest:
    """So many bytes, and the functions that are then under way, the innermost last."""

    bytes: int
    path: tuple[str, ...]


def deepest_stack(elf: Path) -> Deepest:
    """The bound for a built firmware. Raises PortError where its code cannot be followed, as in a recursion."""
    code = read_machine_code(elf)
    stack = _Stack(code)
    program = stack.deepest(code.start("main"))
    interrupts = [stack.deepest(address) for name, address in code.functions() if re.fullmatch(r"__vector_\d+", name)]
    worst = max(interrupts, key=lambda each: each.bytes, default=Deepest(-RETURN_BYTES, ()))
    return Deepest(RETURN_BYTES + program.bytes + RETURN_BYTES + worst.bytes, program.path + worst.path)


class _Stack:
    def __init__(self, code: MachineCode) -> None:
        self._code = code
        self._known: dict[int, Deepest] = {}
        self._under_way: list[int] = []

    def deepest(self, start: int) -> Deepest:
        """The deepest stack in a function and all that it calls, without its own return address."""
        if start in self._known:
            return self._known[start]
        name = self._code.name_at(start)
        if start in self._under_way:
            raise PortError(f"the stack of the firmware has no bound: {name} may call itself")
        self._under_way.append(start)
        worst = Deepest(0, (name,))
        for inner in self._walk(start):
            if inner.bytes > worst.bytes:
                worst = Deepest(inner.bytes, (name, *inner.path))
        self._under_way.pop()
        self._known[start] = worst
        return worst

    def _walk(self, start: int) -> Iterator[Deepest]:
        """The stack at each place that is come to in a function, with what is called there."""
        waiting = [(start, Depth(0))]
        been: dict[int, int] = {}
        while waiting:
            address, depth = waiting.pop()
            if been.get(address, -1) >= depth.bytes:
                continue
            if depth.bytes > RAM_BYTES:
                raise PortError(f"the stack of the firmware has no bound in {self._code.name_at(start)}")
            been[address] = depth.bytes
            yield Deepest(depth.bytes, ())
            instruction = self._code.instructions[address]
            for place, after, called in self._steps(instruction, depth):
                if called is not None:
                    yield Deepest(after.bytes + called.bytes, called.path)
                else:
                    assert place is not None
                    waiting.append((place, after))

    def _steps(self, instruction: Instruction, depth: Depth) -> Iterator[tuple[int | None, Depth, Deepest | None]]:
        """Where it goes on after an instruction, and how deep it is there; or what is called, and how deep it is then."""
        name, target, following = instruction.name, instruction.target, self._code.following[instruction.address]
        if name in POINTED:
            raise PortError(f"the stack of the firmware cannot be followed: {name} at {instruction.address:#x}")
        if name in ENDS:
            return
        if name in CALLS and target != following:
            assert target is not None
            yield None, replace(depth, bytes=depth.bytes + RETURN_BYTES), self.deepest(target)
            yield following, depth, None
            return
        if name in JUMPS:
            yield from self._jump(instruction, depth)
            return
        elif name.startswith("br") and target is not None:
            yield target, depth, None
        elif name in SKIPS:
            yield self._code.following[following], depth, None
        yield following, _after(instruction, depth), None

    def _jump(self, instruction: Instruction, depth: Depth) -> Iterator[tuple[int | None, Depth, Deepest | None]]:
        target = instruction.target
        assert target is not None
        owner = self._code.name_at(target)
        if owner == self._code.name_at(instruction.address):
            yield target, depth, None
        elif owner == PROLOGUE:
            pushes = sum(each.name == "push" for each in self._code.rest(target))
            whole = depth.bytes + pushes + depth.room
            yield self._code.following[instruction.address], Depth(whole, whole), None
        elif owner == TABLE_JUMP:
            yield from ((place, depth, None) for place in self._code.table(instruction.address))
        elif owner != EPILOGUE:
            yield None, depth, self.deepest(target)


def _after(instruction: Instruction, depth: Depth) -> Depth:
    """How deep the stack is after an instruction that goes on with the next."""
    name, operands = instruction.name, instruction.operands
    first = operands[0] if operands else ""
    if name == "push":
        return replace(depth, bytes=depth.bytes + 1)
    if name == "pop":
        return replace(depth, bytes=depth.bytes - 1, frame=None if first in ("r28", "r29") else depth.frame)
    if name == "rcall":
        return replace(depth, bytes=depth.bytes + RETURN_BYTES)
    if name == "out" and first == STACK_LOW:
        if depth.frame is None or operands[1] != "r28":
            raise PortError(f"the stack of the firmware cannot be followed: its pointer is set at {instruction.address:#x}")
        return replace(depth, bytes=depth.frame)
    if first in ("r26", "r27"):
        shift = 8 * (first == "r27")
        kept = depth.room & 0xFF << 8 - shift
        return replace(depth, room=kept | (int(operands[1], 0) << shift if name == "ldi" else 0))
    return _frame_moved(name, operands, depth) if first in ("r28", "r29") else depth


def _frame_moved(name: str, operands: tuple[str, ...], depth: Depth) -> Depth:
    """The frame pointer after an instruction that writes to it."""
    frame = depth.frame
    if name == "in":
        return replace(depth, frame=depth.bytes)
    if frame is not None and name in ("sbiw", "adiw"):
        return replace(depth, frame=frame + int(operands[1], 0) * (1 if name == "sbiw" else -1))
    if frame is not None and name == "subi":
        return replace(depth, low=int(operands[1], 0))
    if frame is not None and (name == "sbci" or (name, operands) == ("sbc", ("r29", "r1"))):
        taken = (int(operands[1], 0) << 8 if name == "sbci" else 0) | depth.low
        return replace(depth, frame=frame + (taken - 0x10000 if taken > 0x7FFF else taken))
    if name in ("st", "std", "cp", "cpc", "cpi", "tst", "sbrc", "sbrs", "cpse"):
        return depth
    return replace(depth, frame=None)
