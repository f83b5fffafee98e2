"""The first values of cells as C: what sets them at power-on, at a restart, and where a design asks for them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from controller_sim.design import program
from controller_sim.port.c_facts import Facts
from controller_sim.port.c_types import fits_int, number, plus, type_for, widens

ALL = "ctl_take_first_values"
UNKEPT = "ctl_take_unkept_values"

MOST_EXCEPTIONS = 2
"""So many elements outside a row of equally spaced values are still smaller than a table of all."""


class FirstValues:
    """Functions that give some cells their first values; each set of cells that something wants has one."""

    def __init__(self, facts: Facts) -> None:
        self.facts = facts
        design = facts.design
        moving = facts.moving_cells
        self.functions: dict[frozenset[int], str] = {}
        wanted = [frozenset(s.cells) & frozenset(moving) for s in facts.statements if isinstance(s, program.FactoryValues)]
        if facts.has_restart:
            self.functions[frozenset(n for n in moving if not design.cells[n].keep)] = UNKEPT
        for cells in filter(None, wanted):
            if cells not in self.functions:
                kept = all(design.cells[n].keep == (n in cells) for n in moving)
                first = facts.cell_names[min(cells)]
                stem = "take_first_kept_values" if kept else f"take_first_values_of_{first}{'_and_more' if len(cells) > 1 else ''}"
                same = sum(name.startswith(stem) for name in self.functions.values())
                self.functions[cells] = f"{stem}_{same + 1}" if same else stem
        facts.first_values = {cells: name for cells, name in self.functions.items() if cells in wanted}

    def lines(self, actions: Sequence[str]) -> list[str]:
        """The functions, and the tables that they copy from; what neither power-on nor the code of `actions` calls is left out."""
        bodies: list[str] = []
        tables: dict[int, list[str]] = {}
        left, calls = set(self.facts.moving_cells), []
        for cells, name in sorted(self.functions.items(), key=lambda each: (-len(each[0]), each[1])):
            if cells and cells <= left:
                calls.append(f"    {name}();")
                left -= cells
            elif name != UNKEPT and not any(f"{name}();" in line for line in actions):
                continue
            head = f"{'' if name == UNKEPT else 'static '}void {name}(void)"
            bodies += [head, "{", *(f"    {line}" for line in self._body(sorted(cells), tables)), "}", ""]
        bodies += [f"void {ALL}(void)", "{", *calls, *(f"    {line}" for line in self._body(sorted(left), tables)), "}", ""]
        return [*(line for lines in tables.values() for line in lines), *([""] if tables else []), *bodies]

    def _body(self, cells: Sequence[int], tables: dict[int, list[str]]) -> list[str]:
        """Assignments to plain cells, then a loop for all arrays of one length."""
        facts, lines = self.facts, []
        lengths: dict[int, list[int]] = {}
        for n in cells:
            cell = facts.design.cells[n]
            if cell.shape:
                lengths.setdefault(cell.size, []).append(n)
            else:
                lines.append(f"cells.{facts.cell_names[n]} = {number(cell.start_values[0] - facts.cell_zeros[n])};")
        for length, arrays in lengths.items():
            kind = type_for(0, length)
            lines.append(f"for ({kind} i = 0; i < {length}; i++) {{")
            others: list[str] = []
            for n in arrays:
                name, values = facts.cell_names[n], [value - facts.cell_zeros[n] for value in facts.design.cells[n].start_values]
                element, wrong = self._element(n, values, kind, tables)
                lines.append(f"    cells.{name}[i] = {element};")
                others += [f"cells.{name}[{place}] = {number(values[place])};" for place in wrong]
            lines += ["}", *others]
        return lines

    def _element(self, n: int, values: Sequence[int], counter: str, tables: dict[int, list[str]]) -> tuple[str, list[int]]:
        """What element i of an array is set to, and the few for which that is wrong."""
        kind = self.facts.cell_types[n]
        step = values[1] - values[0] if len(values) > 1 else 0
        ramp = [values[0] + step * i for i in range(len(values))]
        wrong = [i for i, value in enumerate(values) if value != ramp[i]]
        if len(wrong) <= MOST_EXCEPTIONS and fits_int(min(0, *ramp), max(ramp)):
            return _ramp(values[0], step, counter, kind), wrong
        name = f"first_{self.facts.cell_names[n]}"
        tables.setdefault(n, [f"static const CTL_FLASH {kind} {name}[] = {{{', '.join(map(number, values))}}};"])
        return f"{name}[i]", []


def _ramp(first: int, step: int, counter: str, kind: str) -> str:
    """first + step * i, for every i whose value fits 16 bits."""
    if not step:
        return number(first)
    if (first, step) == (0, 1):
        return "i" if widens(counter, kind) else f"({kind})i"
    product = "i" if step == 1 else f"{step} * i"
    return f"({kind})({plus(product, first) if first else product})"


def renewals(facts: Facts, cells: Iterable[int]) -> list[str]:
    """Calls that give the draft's snapshot of cells their present values."""
    drafted = {cell for mode in facts.design.modes for cell in mode.draft}
    names = [facts.cell_names[n] for n in sorted(drafted.intersection(cells))]
    return [f"ctl_renew_draft(offsetof(struct ctl_cells, {name}), sizeof cells.{name});" for name in names]
