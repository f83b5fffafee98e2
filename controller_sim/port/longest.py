"""How long one round of the endless loop of ATmega328P firmware can take at most, by its machine code.

Each way through the code is a flow: what comes to an instruction goes on from it, a function is come to as often as it is called, and a
loop goes round so often at most for each time that it is come to. The largest sum of cycles that such a flow can have, found by a linear
program, is at least that of any run (Y.-T. S. Li, S. Malik 1995, Performance analysis of embedded software using implicit path
enumeration).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path

import highspy
import numpy

from controller_sim.design.form import Design
from controller_sim.port.avr import BYTE_CYCLES, OVERFLOW_CYCLES
from controller_sim.port.c_constants import worth_in
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_most import largest_in
from controller_sim.port.c_tables import Bound
from controller_sim.port.compiler import cache_folder
from controller_sim.port.cycles import CYCLES, INTERRUPT_CYCLES
from controller_sim.port.errors import PortError
from controller_sim.port.flow import Chosen, Edge, Limit, Program, endless_round, function_at
from controller_sim.port.lines import Lines
from controller_sim.port.machine_code import MachineCode, read_machine_code
from controller_sim.port.poll_facts import PollFacts, switch_lines
from controller_sim.port.rounds import Rounds

SMALLEST = 1e-6
"""What the solver takes for nothing."""
CONVERSION_CYCLES = 13 * 128
"""Of the converter (ATmega328P data sheet, ADC conversion time and prescaler)."""
INTERRUPTS: dict[str, Callable[[int], int]] = {
    "__vector_13": lambda cycles: 1 + cycles // OVERFLOW_CYCLES,
    "__vector_18": lambda cycles: 3 + cycles // BYTE_CYCLES,
    "__vector_19": lambda cycles: 4 + 2 * (cycles // BYTE_CYCLES),
    "__vector_21": lambda cycles: 1 + cycles // CONVERSION_CYCLES,
}
"""How many of each kind of interrupt there can be in so many cycles, by the numbers of the chip's vectors (same, interrupts).

13: timer 1 runs over. 18: a byte has come in; two may have waited. 19: the serial line takes a byte, two at once when it was idle, or none
is left, which is told once before each byte at most. 21: a pedal has been read.
"""


@dataclass(frozen=True, slots=True)
class Worst:
    cycles: int
    flow: dict[Edge | Chosen, float]
    """How often each step is taken in the longest way."""


@dataclass(frozen=True, slots=True)
class Longest:
    """A bound in cycles, that of interrupts among them, and what they are spent on, as functions of C with their shares."""

    cycles: int
    shares: tuple[tuple[str, int], ...]


def longest_poll(
    design: Design | None, elf: Path, files: Mapping[str, str], defines: Sequence[str] = (), folder: Path | None = None
) -> Longest:
    """The bound for a round of main's endless loop, where `files`, with the macros `defines`, were built to `elf`.

    `design` is what the firmware is of; None: it is of none. No wait for the serial line is counted. Raises PortError where the code
    cannot be followed, or nobody knows how often a loop goes round.
    """
    code, folder = read_machine_code(elf), folder or cache_folder()
    lines, worth = Lines(code, files, defines, folder), worth_in(files, defines, folder)

    def rounds(program: Program) -> Rounds:
        return Rounds(code, program, lines, files, worth)

    program = Program(code, endless_round(code, "main"))
    loops = rounds(program)
    if design is None:
        found = worst_flow(program, loops.limits())
    else:
        facts, c_facts, bound = PollFacts(design, code, program, lines, switch_lines(files["design.c"])), Facts(design), Bound(design)

        def beginning_in(mode: int | None) -> Worst:
            macros = {} if mode is None else largest_in(c_facts, bound, mode)
            return worst_flow(program, [*loops.limits(macros), *facts.calls(worth, mode, macros), *facts.actions(mode)])

        found = max(map(beginning_in, (None, *range(len(design.modes)))), key=attrgetter("cycles"))
    shares: Counter[str] = Counter()
    for edge, times in found.flow.items():
        if isinstance(edge, Edge):
            frames = lines[edge.source]
            shares[frames[-1].function if frames else code.name_at(edge.source)] += round(times * edge.cycles)
    each = _interrupts(code, lambda program: worst_flow(program, rounds(program).limits()))
    total = found.cycles
    while (more := found.cycles + sum(INTERRUPTS[name](total) * cycles for name, cycles in each.items())) > total:
        total = more
    shares["interrupts"] = total - found.cycles
    return Longest(total, tuple((name, cycles) for name, cycles in shares.most_common() if cycles))


def _interrupts(code: MachineCode, worst: Callable[[Program], Worst]) -> dict[str, int]:
    """The cycles that each kind of interrupt takes at most."""
    found = {}
    for name, address in code.functions():
        if name.startswith("__vector_") and name.removeprefix("__vector_").isdigit():
            if name not in INTERRUPTS:
                raise PortError(f"nobody knows how often {name} comes")
            by_way_of = code.instructions[4 * int(name.removeprefix("__vector_"))]
            found[name] = INTERRUPT_CYCLES + CYCLES[by_way_of.name] + worst(Program(code, function_at(code, address))).cycles
    return found


def worst_flow(program: Program, limits: Sequence[Limit]) -> Worst:
    """The longest way through a program, from its root's start to its end. Raises PortError where there is no longest."""
    columns: dict[Edge | Chosen, int] = {edge: number for number, edge in enumerate(program.edges)}
    rows = [*_kept(program)]
    for limit in limits:
        row: dict[Edge | Chosen, float] = dict.fromkeys(limit.passed, 1.0)
        for what, most in limit.terms:
            row[what] = row.get(what, 0) - most
        rows.append((row, -highspy.kHighsInf, limit.most))
    for row, _, _ in rows:
        for what in row:
            columns.setdefault(what, len(columns))
    return _solved(columns, rows, program.root.entry)


_Row = tuple[dict[Edge | Chosen, float], float, float]
"""How often each thing counts in a sum, and between what the sum lies."""


def _kept(program: Program) -> Iterator[_Row]:
    """What comes to an instruction goes on from it, and a function is come to as often as it is called, the root once."""
    at: dict[tuple[int, int], dict[Edge | Chosen, float]] = {}

    def count(edge: Edge, function: int, address: int, times: float) -> None:
        row = at.setdefault((function, address), {})
        row[edge] = row.get(edge, 0) + times

    for edge in program.edges:
        count(edge, edge.function, edge.source, -1)
        if edge.target is not None:
            count(edge, edge.function, edge.target, 1)
        if edge.calls is not None:
            count(edge, edge.calls, edge.calls, 1)
    for (function, address), row in at.items():
        given = -1.0 if function == address == program.root.entry else 0.0
        yield row, given, given


def _kind(what: Edge | Chosen, root: int) -> highspy.HighsVarType:
    whole = isinstance(what, Chosen) or what.function == root
    return highspy.HighsVarType.kInteger if whole else highspy.HighsVarType.kContinuous


def _solved(columns: Mapping[Edge | Chosen, int], rows: Sequence[_Row], root: int) -> Worst:
    solver = highspy.Highs()  # type: ignore[no-untyped-call]
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("mip_rel_gap", 0.0)
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = len(columns), len(rows)
    model.sense_ = highspy.ObjSense.kMaximize
    model.col_cost_ = numpy.array([what.cycles if isinstance(what, Edge) else 0 for what in columns], dtype=float)
    # A poll goes one way and fires whole bindings; else it might go a tenth of one way, and there spend all that the limits allow.
    model.integrality_ = [_kind(what, root) for what in columns]
    model.col_lower_ = numpy.zeros(len(columns))
    model.col_upper_ = numpy.full(len(columns), highspy.kHighsInf)
    model.row_lower_, model.row_upper_ = (numpy.array([row[side] for row in rows], dtype=float) for side in (1, 2))
    model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    model.a_matrix_.start_ = numpy.cumsum([0, *(len(row) for row, _, _ in rows)])
    model.a_matrix_.index_ = numpy.array([columns[what] for row, _, _ in rows for what in row])
    model.a_matrix_.value_ = numpy.array([times for row, _, _ in rows for times in row.values()])
    solver.passModel(model)
    solver.run()
    status = solver.getModelStatus()
    if status != highspy.HighsModelStatus.kOptimal:
        raise PortError(f"the longest poll of the firmware has no bound: {solver.modelStatusToString(status)}")
    values = solver.getSolution().col_value
    flow = {what: times for what, times in zip(columns, values, strict=True) if times > SMALLEST}
    # What has been proved that no way is longer than; the best that was found may be a little shorter.
    return Worst(math.ceil(max(solver.getInfo().mip_dual_bound, solver.getObjectiveValue()) - SMALLEST), flow)
