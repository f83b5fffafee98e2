"""Actions, conditions, texts and LEDs of the intermediate form as C99."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import takewhile

from controller_sim.design import form, program
from controller_sim.design.program import Expression, Statement
from controller_sim.port.c_facts import Ends, Facts, reads_in
from controller_sim.port.c_first import renewals
from controller_sim.port.c_types import fits_int, number, plus, type_for, widens

PRIMARY, UNARY, TIMES, PLUS, ORDER, EQUAL, AND, OR, CHOICE = range(9)
"""How tightly C binds; a term inside a tighter one needs brackets."""

FEWEST_IN_TABLE = 6
"""So many fixed messages in a row are smaller as a table."""
MOST_IN_TABLE = 60
"""Of four bytes each, so that a byte counts them."""

_LEVELS = {"+": PLUS, "-": PLUS, "*": TIMES, "<": ORDER, "<=": ORDER, ">": ORDER, ">=": ORDER, "==": EQUAL, "!=": EQUAL}
PORTS = {form.SERIAL: "CTL_SERIAL", form.USB: "CTL_USB", form.SERIAL | form.USB: "CTL_SERIAL | CTL_USB"}


@dataclass(frozen=True, slots=True)
class Term:
    """C text, how tightly it binds, and the type it has: a named one, or `int` for what arithmetic gives."""

    text: str
    level: int
    type: str

    def within(self, level: int) -> str:
        return self.text if self.level <= level else f"({self.text})"


TRUE = Term("1", PRIMARY, "uint8_t")
FALSE = Term("0", PRIMARY, "uint8_t")
_DECIDED = ("0", "1")


def _decide(operator: str, left: tuple[int, int], right: tuple[int, int]) -> bool | None:
    """What a comparison gives whatever the values are, or None. C's compilers complain of comparisons that decide nothing."""
    if operator in (">", ">="):
        return _decide({">": "<", ">=": "<="}[operator], right, left)
    if operator == "<":
        return True if left[1] < right[0] else False if left[0] >= right[1] else None
    if operator == "<=":
        return True if left[1] <= right[0] else False if left[0] > right[1] else None
    apart = left[1] < right[0] or right[1] < left[0]
    same = left[0] == left[1] == right[0] == right[1]
    return (operator == "!=") if apart else (operator == "==") if same else None


class CodeWriter:
    """Writes the code of one procedure, or of what is no procedure (`types` and `names` of its locals by slot)."""

    def __init__(
        self,
        facts: Facts,
        types: dict[int, str],
        names: dict[int, str],
        direct: Collection[int],
        ends: Ends | None = None,
        renews: bool = False,
    ) -> None:
        """`direct` are the slots of locals that are the counters of their loops themselves, `ends` what locals are ever set to; `renews`:
        cells may be drafted while it runs."""
        self.facts = facts
        self.types = types
        self.names = names
        self.direct = direct
        self.ends = ends or {}
        self.renews = renews
        self._counters = 0

    def _fits(self, *expressions: Expression) -> bool:
        """Whether plain int arithmetic holds all of some values, by what the locals in them are ever set to."""
        return all(fits_int(*self.facts.interval(e, self.ends)) for e in expressions)

    def term(self, e: Expression) -> Term:
        match e:
            case program.Constant():
                return Term(number(e.value), PRIMARY if e.value >= 0 else UNARY, type_for(e.value, e.value))
            case program.CellValue(cell=cell, index=index):
                return self._cell(cell, self._index(index))
            case program.Local(slot=slot):
                return self._read(self.names[slot], self.types[slot])
            case program.Unary(operator="-", operand=operand):
                wide = not self._fits(e, operand)
                return Term(f"-{self._operand(operand, wide, PRIMARY)}", UNARY, "int32_t" if wide else "int")
            case program.Unary(operator="abs", operand=operand):
                return self._call("abs", e, operand)
            case program.Unary(operand=operand):
                return self._not(self.term(operand))
            case program.Binary(operator=operator, left=left, right=right):
                return self._binary(e, operator, left, right)
            case program.Compare(operator=operator, left=left, right=right):
                return self._compare(operator, left, right)
            case program.Logic(operator=operator, left=left, right=right):
                return self._logic(operator, self._truth(left), self._truth(right))
            case program.Choice(condition=condition, then=then, otherwise=otherwise):
                return self._choice(e, self._truth(condition), then, otherwise)
            case program.Reading(name="tempo"):
                return Term("(int16_t)ctl.tempo", UNARY, "int16_t")
            case program.Reading():
                return Term("ctl.clock_running", PRIMARY, "bool") if self.facts.has_clock else Term("0", PRIMARY, "uint8_t")
            case program.Changed(cell=cell, index=index):
                return self._changed(cell, index)
            case program.Position(pedal=pedal):
                return self._read(f"ctl.pedals[{self.facts.pedal_names[pedal]}].position", "int16_t")
        raise TypeError(f"no C for {e!r}")

    def value(self, e: Expression, kind: str) -> str:
        """An expression as a value of a type that holds its interval."""
        term = self.term(e)
        if isinstance(e, program.Constant) or term.type == "bool" or widens(term.type, kind):
            return term.text
        return f"({kind}){term.within(UNARY)}"

    def condition(self, e: Expression) -> str:
        """An expression where C wants a truth."""
        return self._truth(e).text

    def _truth(self, e: Expression) -> Term:
        term = self.term(e)
        # What is computed is compared, so that nobody takes a product for a slip of the pen.
        return Term(f"{term.within(PLUS)} != 0", EQUAL, "bool") if term.type in ("int", "int32_t", "int16_t") else term

    def _not(self, term: Term) -> Term:
        if term.text in _DECIDED:
            return TRUE if term.text == "0" else FALSE
        if term.level == PRIMARY:
            return Term(f"!{term.text}", UNARY, "bool")
        return Term(f"!({term.text})", UNARY, "bool") if term.type == "bool" else Term(f"{term.within(PLUS)} == 0", EQUAL, "bool")

    def _compare(self, operator: str, left: Expression, right: Expression) -> Term:
        sides = [self.term(side) for side in (left, right)]
        ends = [self._interval(e, term) for e, term in zip((left, right), sides, strict=True)]
        decided = _decide(operator, *ends)
        if decided is None and sides[0].text == sides[1].text:
            decided = operator in ("==", "<=", ">=")
        if decided is not None:
            return TRUE if decided else FALSE
        first = f"({sides[0].text})" if sides[0].text.startswith("!") else sides[0].within(PLUS)
        return Term(f"{first} {operator} {sides[1].within(PLUS)}", _LEVELS[operator], "bool")

    def _interval(self, e: Expression, term: Term) -> tuple[int, int]:
        return (int(term.text), int(term.text)) if term.text in _DECIDED else self.facts.interval(e, self.ends)

    def _logic(self, operator: str, left: Term, right: Term) -> Term:
        sign, level, ends = ("&&", AND, "0") if operator == "and" else ("||", OR, "1")
        if left.text in _DECIDED:
            return left if left.text == ends else right
        if right.text in _DECIDED and right.text != ends:
            return left
        sides = [term.text if term.level == level or term.level <= EQUAL else f"({term.text})" for term in (left, right)]
        return Term(f" {sign} ".join(sides), level, "bool")

    def _choice(self, e: Expression, condition: Term, then: Expression, otherwise: Expression) -> Term:
        if condition.text in _DECIDED:
            return self.term(otherwise if condition.text == "0" else then)
        wide = not self._fits(e)
        sides = [self._operand(then, wide, OR), self._operand(otherwise, wide, CHOICE)]
        both = {self.term(side).type for side in (then, otherwise)}
        kind = "bool" if both == {"bool"} else "int32_t" if wide else "int"
        return Term(f"{condition.within(OR)} ? {sides[0]} : {sides[1]}", CHOICE, kind)

    def _read(self, text: str, kind: str) -> Term:
        # An unsigned 16-bit value would make int arithmetic unsigned where int has 16 bits.
        return Term(f"(int32_t){text}", UNARY, "int32_t") if kind == "uint16_t" else Term(text, PRIMARY, kind)

    def _cell(self, cell: int, index: str | None) -> Term:
        term = self._read(self.facts.cell_text(cell, index), self.facts.cell_types[cell])
        zero, declared = self.facts.cell_zeros[cell], self.facts.design.cells[cell]
        if not zero:
            return term
        wide = not fits_int(declared.low, declared.high)
        text = f"(int32_t){term.text}" if wide and term.level == PRIMARY else term.text
        return Term(plus(text, zero), PLUS, "int32_t" if wide else "int")

    def _index(self, index: Expression | None) -> str | None:
        if index is None:
            return None
        text = self.term(index).text
        if (
            isinstance(index, program.CellValue)
            and index.index is not None
            and not self.facts.cell_zeros[index.cell]
            and not reads_in((index,))
        ):
            self.facts.indices[text] = index
        return text

    def _operand(self, e: Expression, wide: bool, level: int) -> str:
        term = self.term(e)
        if wide and self._fits(e):
            return f"(int32_t){term.within(UNARY)}" if level >= UNARY else f"((int32_t){term.within(UNARY)})"
        return term.within(level)

    def _call(self, function: str, result: Expression, *arguments: Expression) -> Term:
        wide = not self._fits(result, *arguments)
        width = 32 if wide else 16
        texts = ", ".join(self.value(argument, f"int{width}_t") for argument in arguments)
        return Term(f"ctl_{function}{width}({texts})", PRIMARY, f"int{width}_t")

    def _binary(self, e: Expression, operator: str, left: Expression, right: Expression) -> Term:
        if operator in ("min", "max"):
            return self._call(operator, e, left, right)
        sign, level = operator, _LEVELS.get(operator, TIMES)
        if operator in ("//", "%"):
            if left.low < 0 or right.low <= 0:
                return self._call("div" if operator == "//" else "mod", e, left, right)
            sign = "/" if operator == "//" else "%"
            if isinstance(right, program.Constant) and self._fits(e, left, right) and (shift := _shift(right.value)) is not None:
                part = f">> {shift}" if sign == "/" else f"& {right.value - 1}"
                return Term(f"({self._operand(left, False, UNARY)} {part})", PRIMARY, "int")
        wide = not self._fits(e, left, right)
        right_level = level - 1 if sign in ("-", "/", "%") else level
        if sign == "*" and isinstance(right, program.Binary) and right.operator in ("//", "%"):
            right_level = level - 1
        text = f"{self._operand(left, wide, level)} {sign} {self._operand(right, wide, right_level)}"
        return Term(text, level, "int32_t" if wide else "int")

    def _changed(self, cell: int | None, index: Expression | None) -> Term:
        if not self.facts.has_drafts:
            return Term("0", PRIMARY, "uint8_t")
        if cell is None:
            return Term("ctl_draft_changed()", PRIMARY, "bool")
        name = self.facts.cell_names[cell]
        if cell in self.facts.constant_cells:
            return Term("0", PRIMARY, "uint8_t")
        if index is None:
            return Term(f"CTL_CELL_CHANGED({name})", PRIMARY, "bool")
        return Term(f"CTL_ELEMENT_CHANGED({name}, {self._index(index)})", PRIMARY, "bool")

    def block(self, body: Sequence[Statement]) -> list[str]:
        lines: list[str] = []
        place = 0
        while place < len(body):
            run = list(takewhile(_is_fixed, body[place : place + MOST_IN_TABLE]))
            lines += self._send_all(run) if len(run) >= FEWEST_IN_TABLE else self._statement(body[place])
            place += len(run) if len(run) >= FEWEST_IN_TABLE else 1
        return lines

    def _send_all(self, run: Sequence[Statement]) -> list[str]:
        entries = [", ".join([PORTS[s.ports], *self._bytes(s.data)]) for s in run if isinstance(s, program.Send)]
        head = "    static const CTL_FLASH uint8_t messages[] = {"
        call = f"    ctl_send_all(messages, sizeof messages); /* at most {len(run)} rounds */"
        return ["{", head, *(f"        {entry}," for entry in entries), "    };", call, "}"]

    def _statement(self, statement: Statement) -> list[str]:
        match statement:
            case program.SetCell(cell=cell):
                return [self._set_cell(statement), *(self._kept_changed([cell]) if self.facts.kept.changes(statement) else [])]
            case program.SetLocal(slot, value):
                return [f"{self.names[slot]} = {self.value(value, self.types[slot])};"] if slot in self.names else []
            case program.SetTempo(value):
                if self._fits(value):
                    return [f"ctl_set_tempo({self.value(value, 'int16_t')});"]
                return [f"ctl_set_tempo((int16_t)ctl_clamp32({self.value(value, 'int32_t')}, CTL_TEMPO_LOW, CTL_TEMPO_HIGH));"]
            case program.If():
                return self._if(statement)
            case program.For():
                return self._loop(statement)
            case program.Call(procedure, arguments):
                return [f"{self.facts.call(procedure, [self._argument(procedure, n, a) for n, a in enumerate(arguments)])};"]
            case program.Send(ports, data, delay_us):
                return self._send(ports, data, delay_us)
            case program.Hasten(ports, data):
                return self._with_bytes(data, f"ctl_hasten({PORTS[ports]}, message, {len(data)});") if self.facts.has_delayed else []
            case program.CancelDelayed():
                return ["ctl_cancel_delayed(CTL_NO_MODE);"] if self.facts.has_delayed else []
            case program.FactoryValues(cells):
                wanted = frozenset(cells) - self.facts.constant_cells
                if not wanted:
                    return []
                renewed = renewals(self.facts, wanted) if self.renews else []
                return [f"{self.facts.first_values[wanted]}();", *self._kept_changed(wanted), *renewed]
            case program.Restart():
                return ["ctl_restart();"]
            case program.Enter(mode):
                return [f"ctl_enter({self.facts.mode_names[mode]});"]
            case program.Notice(text, duration_us):
                if not self.facts.has_notices:
                    return []
                return ["ctl_begin_notice();", *self.text(text), f"ctl_end_notice({duration_us}u);"]
            case program.TapTempo():
                return ["ctl_tap_tempo();"]
            case program.ClockRun(running):
                return [f"ctl_run_clock({'true' if running else 'false'});"]
            case program.RestartTimer(timer):
                return [f"ctl_restart_timer({timer});"] if timer < self.facts.timers else []
            case program.SaveDraft():
                return ["ctl_save_draft();"] if self.facts.has_drafts else []
            case program.CancelDraft():
                return ["ctl_cancel_draft();"] if self.facts.has_drafts else []
        raise TypeError(f"no C for {statement!r}")

    def _kept_changed(self, cells: Iterable[int]) -> list[str]:
        """What tells the storage that some cells may have changed: nothing where none of them is kept."""
        kept = self.facts.kept.of(cells)
        held = kept.issubset(self.facts.held_cells)
        return [f"CTL_{'HELD' if held else 'KEPT'}_CHANGED();"] if kept else []

    def _if(self, statement: program.If) -> list[str]:
        condition = self.condition(statement.condition)
        if condition in _DECIDED:
            return self.block(statement.otherwise if condition == "0" else statement.then)
        if self._only_stores(statement):
            return self.block(statement.then)
        lines = [f"if ({condition}) {{", *indented(self.block(statement.then))]
        otherwise = self.block(statement.otherwise)
        if (
            len(statement.otherwise) == 1
            and isinstance(statement.otherwise[0], program.If)
            and otherwise
            and otherwise[0].startswith("if ")
        ):
            return [*lines, f"}} else {otherwise[0]}", *otherwise[1:]]
        if otherwise:
            lines += ["} else {", *indented(otherwise)]
        return [*lines, "}"]

    def _only_stores(self, statement: program.If) -> bool:
        """Whether all that an if does is to store a value that is not there yet: storing it again does no harm."""
        match statement:
            case program.If(
                program.Compare(operator="!=", left=program.CellValue() as there, right=value), (program.SetCell() as stores,), ()
            ):
                cell = self.facts.design.cells[stores.cell]
                same = (there.cell, there.index, value) == (stores.cell, stores.index, stores.value)
                return same and cell.low <= value.low and value.high <= cell.high and not self.facts.kept.changes(stores)
        return False

    def _argument(self, procedure: int, slot: int, e: Expression) -> str:
        return self.value(e, self.facts.local_types[procedure].get(slot, "int32_t"))

    def _set_cell(self, statement: program.SetCell) -> str:
        cell = self.facts.design.cells[statement.cell]
        value, kind = statement.value, self.facts.cell_types[statement.cell]
        target = self.facts.cell_text(statement.cell, self._index(statement.index))
        zero = self.facts.cell_zeros[statement.cell]
        inside = cell.low <= value.low and value.high <= cell.high
        if cell.ends == "proved" or inside:
            return f"{target} = {self._distance(value, cell, zero, kind) if zero else self.value(value, kind)};"
        wide = not all(
            fits_int(*ends) for ends in ((value.low, value.high), (cell.low, cell.high), (value.low - cell.low, value.high - cell.low))
        )
        width = 32 if wide else 16
        if cell.ends == "clamp":
            clamped = f"ctl_clamp{width}({self.value(value, f'int{width}_t')}, {number(cell.low)}, {number(cell.high)})"
            return f"{target} = ({kind}){f'({plus(clamped, -zero)})' if zero else clamped};"
        size = cell.high - cell.low + 1
        if wide or not fits_int(size, size):
            wrapped = f"ctl_wrap32({self.value(value, 'int32_t')}, {number(cell.low)}, {number(cell.high)})"
            return f"{target} = ({kind}){f'({plus(wrapped, -zero)})' if zero else wrapped};"
        term = self.term(value)
        moved = f"{term.within(PLUS)} {'-' if cell.low > 0 else '+'} {abs(cell.low)}" if cell.low else term.text
        back = f" {'+' if cell.low > 0 else '-'} {abs(cell.low)}" if cell.low and not zero else ""
        if value.low >= cell.low:
            part = f"% {size}" if _shift(size) is None else f"& {size - 1}"
            wrapped = f"({moved}) {part}" if cell.low or term.level > TIMES else f"{term.within(PRIMARY)} {part}"
            return f"{target} = ({kind})({wrapped}{back});"
        argument = moved if not cell.low and term.type in ("int16_t", "int8_t", "uint8_t", "bool") else f"(int16_t)({moved})"
        return f"{target} = ({kind})(ctl_mod16({argument}, {size}){back});"

    def _distance(self, value: Expression, cell: form.Cell, zero: int, kind: str) -> str:
        """A value of a cell as its variable holds it."""
        if isinstance(value, program.Constant):
            return number(value.value - zero)
        wide = not self._fits(value) or not fits_int(cell.low, cell.high)
        return f"({kind})({plus(self._operand(value, wide, PLUS), -zero)})"

    def _loop(self, loop: program.For) -> list[str]:
        values = range(loop.start, loop.stop, loop.step)
        if not values:
            return []
        end = loop.start + len(values) * loop.step
        kind = type_for(min(loop.start, end), max(loop.start, end))
        if loop.slot in self.direct and loop.slot in self.names:
            name = self.names[loop.slot]
            self.types[loop.slot] = kind
            body = self.block(loop.body)
        else:
            name = f"step{self._counters}"
            self._counters += 1
            body = self.block(loop.body)
            if loop.slot in self.names:
                body.insert(0, f"{self.names[loop.slot]} = ({self.types[loop.slot]}){name};")
        step = {1: f"{name}++", -1: f"{name}--"}.get(
            loop.step, f"{name} = ({kind})({name} {'+' if loop.step > 0 else '-'} {abs(loop.step)})"
        )
        test = f"{name} {'<' if loop.step > 0 else '>'} {number(end if abs(loop.step) > 1 else loop.stop)}"
        told = "" if abs(loop.step) == 1 else f" /* at most {len(values)} rounds */"
        return [f"for ({kind} {name} = {number(loop.start)}; {test}; {step}) {{{told}", *indented(body), "}"]

    def _send(self, ports: int, data: Sequence[Expression], delay_us: int) -> list[str]:
        if delay_us:
            return self._with_bytes(data, f"ctl_send_later({delay_us}u, {PORTS[ports]}, message, {len(data)});")
        if len(data) <= 3:
            return [f"ctl_send{len(data)}({', '.join([PORTS[ports], *self._bytes(data)])});"]
        return self._with_bytes(data, f"ctl_send_bytes({PORTS[ports]}, message, {len(data)});")

    def _with_bytes(self, data: Sequence[Expression], call: str) -> list[str]:
        return ["{", f"    const uint8_t message[] = {{{', '.join(self._bytes(data))}}};", f"    {call}", "}"]

    def _bytes(self, data: Sequence[Expression]) -> list[str]:
        return [f"0x{e.value:02X}" if isinstance(e, program.Constant) else self.value(e, "uint8_t") for e in data]

    def text(self, text: program.Text) -> list[str]:
        lines = []
        for part in text.parts:
            if isinstance(part, str):
                if part:
                    lines.append(f"ctl_put_text({self.facts.text_name(part)});")
            elif part.names:
                lines.append(f"ctl_put_name({self.facts.names_name(part.names)}, {self.value(part.expression, 'uint8_t')});")
            else:
                fill = "'0'" if part.fill == "0" else "' '"
                lines.append(f"ctl_put_number({self._shown(part.expression)}, {part.width}, {fill});")
        return lines

    def _shown(self, e: Expression) -> str:
        """A number as what shows it takes it: of 16 bits, but where some text shows a larger one."""
        return self.value(e, "int32_t" if self.facts.shows_wide else "int16_t")

    def view(self, view: form.View) -> list[str]:
        lines: list[str] = []
        for place, line in enumerate(view.lines):
            if place:
                lines.append(f"ctl_put_text({self.facts.text_name(chr(10))});")
            lines += self.text(line)
        return lines


def _shift(value: int) -> int | None:
    """By how many bits a division by a power of two shifts; None for what is none. Small chips take a hundred times as long to divide."""
    return value.bit_length() - 1 if value > 0 and value & value - 1 == 0 else None


def _is_fixed(statement: Statement) -> bool:
    """Whether a statement sends three bytes at once that are always the same."""
    if not isinstance(statement, program.Send) or statement.delay_us or len(statement.data) != 3:
        return False
    return all(isinstance(byte, program.Constant) for byte in statement.data)


def indented(lines: Iterable[str]) -> list[str]:
    """Lines one step further in."""
    return [f"    {line}" for line in lines]


def longest_text(text: program.Text) -> int:
    """The most bytes that a text can have in UTF-8."""
    most = 0
    for part in text.parts:
        if isinstance(part, str):
            most += len(part.encode())
        elif part.names:
            most += max(len(name.encode()) for name in part.names)
        else:
            most += max(part.width, len(str(part.expression.low)), len(str(part.expression.high)))
    return most
