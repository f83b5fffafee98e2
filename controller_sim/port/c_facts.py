"""What has to be known of a design before its C is written: what it uses, and what its parts are called there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from controller_sim.core.kinds import REAL_TIME_KINDS, kind_of
from controller_sim.core.midi_in import LONGEST_SYSEX, SYSEX
from controller_sim.design import form, program
from controller_sim.design.form import Action, Design, Procedure
from controller_sim.design.program import Expression, Statement
from controller_sim.design.steps import actions_without_gesture, expressions_in, seen_cells, shows_change, statements_in
from controller_sim.midi.messages import is_real_time
from controller_sim.port.c_held import Kept, held
from controller_sim.port.c_queue import most_waiting
from controller_sim.port.c_types import fits_int, string, type_bytes, type_for
from controller_sim.port.names import distinct, identifier

Ends = dict[int, tuple[int, int]]
"""The lowest and highest value that each local of a procedure is ever set to, by slot."""


class Facts:
    """Derived from a design once. Texts and lists of names are collected while its code is written."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.actions = list(_actions(design))
        self.reached = self._reached(self.actions)
        at_power_on = {id(action) for action in (*(binding.action for binding in design.power_on), design.every_power_on)}
        self.run_in_modes = frozenset(self._reached([action for action in self.actions if id(action) not in at_power_on]))
        """Procedures that something else than a power-on action can run."""
        self.statements = [s for p in self.reached for s in statements_in(design.procedures[p].body)]
        used = {type(s) for s in self.statements}
        delays = [s for s in self.statements if isinstance(s, program.Send) and s.delay_us]
        self.delayed_bytes = max((len(s.data) for s in delays), default=0)
        self.has_delayed = bool(delays)
        runs = [action.procedure for action in self.actions] + [response.procedure for response in design.responses]
        self.waiting = most_waiting(design.procedures, runs, design.delayed_messages)
        """The most delayed messages that wait at once; one more than there is room for if that may be too little."""
        self.has_display = design.display_characters > 0
        self.has_notices = program.Notice in used and self.has_display
        self.has_clock = program.ClockRun in used
        self.has_tap_tempo = program.TapTempo in used
        self.has_restart = program.Restart in used
        self.reads_tempo = any(
            isinstance(e, program.Reading) and e.name == "tempo" for e in expressions_in([design.modes, design.procedures])
        )
        self.has_tempo = self.has_clock or self.has_tap_tempo or self.reads_tempo or program.SetTempo in used or bool(design.tempo.follow)
        self.has_drafts = any(mode.draft for mode in design.modes)
        self.timers = max(len(mode.timers) for mode in design.modes)
        self.has_conditions = any(mode.conditions for mode in design.modes)
        self.has_cancelling_modes = self.has_delayed and any(mode.delayed == "cancel" for mode in design.modes)
        self.has_midi_in = design.listens
        heard = [response.cause for response in design.responses if isinstance(response.cause, form.Received)]
        self.pairs = sorted({(cause.status, cause.data[0][0]) for cause in heard if cause.bits == 14})
        """Status and number of the upper halves of pairs of controllers that something responds to."""
        passes_sysex = any(thru.kinds >> kind_of(SYSEX) & 1 for thru in design.thru)
        self.takes_sysex = passes_sysex or any(cause.status == SYSEX for cause in heard)
        messages = [s.data for s in self.statements if isinstance(s, program.Send)]
        passes_real_time = any(thru.kinds & REAL_TIME_KINDS for thru in design.thru)
        self.sends_real_time = self.has_clock or passes_real_time or any(is_real_time(data[0].high) for data in messages)
        sent = [len(data) for data in messages]
        self.longest_message = max([3, *sent, LONGEST_SYSEX if passes_sysex else 3])
        self._name()
        self.seen_cells = seen_cells(self.design)
        parts = expressions_in([design.modes, [design.procedures[p] for p in self.reached], design.responses])
        self.read_cells = frozenset(e.cell for e in parts if isinstance(e, program.CellValue))
        self.local_ends = {p: self._ends_of(p) for p in self.reached}
        self.local_types = {p: {slot: type_for(*each) for slot, each in ends.items()} for p, ends in self.local_ends.items()}
        self.used_parameters: dict[int, list[int]] = {}
        """The slots of the parameters that a procedure's C reads; known once it is written."""
        self.shows_wide = any(not fits_int(e.low, e.high) for e in self.shown_numbers())
        self.indices: dict[str, program.CellValue] = {}
        """Elements of arrays that say which element of an array is meant, by their C text."""
        self.texts: dict[str, str] = {}
        self.name_lists: dict[tuple[str, ...], str] = {}

    def _reached(self, actions: Sequence[Action]) -> list[int]:
        """The procedures that some actions or a response can run, callees first."""
        found = {action.procedure for action in actions} | {response.procedure for response in self.design.responses}
        for number in range(len(self.design.procedures) - 1, -1, -1):
            if number in found:
                found |= {s.procedure for s in statements_in(self.design.procedures[number].body) if isinstance(s, program.Call)}
        return sorted(found)

    def _name(self) -> None:
        design = self.design
        self.cell_names = distinct(cell.name for cell in design.cells)
        stored = [_stored(cell.low, cell.high) for cell in design.cells]
        self.cell_types = [kind for kind, _ in stored]
        self.cell_zeros = [zero for _, zero in stored]
        """What a 0 in a cell's variable stands for: its low end where the distance from there takes fewer bytes than the value."""
        assigned = {s.cell for s in self.statements if isinstance(s, program.SetCell)}
        drafted = {cell for mode in design.modes for cell in mode.draft}
        plain = (n for n, cell in enumerate(design.cells) if not cell.keep and n not in assigned and n not in drafted)
        self.constant_cells = frozenset(plain)
        """What nothing ever changes is a table in flash."""
        self.moving_cells = [n for n in range(len(design.cells)) if n not in self.constant_cells]
        self.kept = Kept(design)
        self.held_cells = held(self.kept, self.cell_types)
        """Kept cells that a save goes on with as they were when it began, in the order in which they come first in memory."""
        self.first_values: dict[frozenset[int], str] = {}
        """The functions that give some cells their first values; known once they are written."""
        self.mode_names = distinct((mode.name.upper() for mode in design.modes), "MODE_")
        self.pedal_names = distinct((pedal.name.upper() for pedal in design.pedals), "PEDAL_")
        self.led_names = distinct((led.upper() for led in design.leds), "LED_")
        self.procedure_names = distinct((procedure.name for procedure in design.procedures), "do_")

    def cell_text(self, cell: int, index: str | None) -> str:
        name = self.cell_names[cell]
        whole = f"constant_{name}" if cell in self.constant_cells else f"cells.{name}"
        if index is None:
            return whole
        return f"{whole}[{index}]"

    def cell_bytes(self, cell: int) -> int:
        """How many bytes all values of a cell take in RAM."""
        return type_bytes(self.cell_types[cell]) * self.design.cells[cell].size

    def call(self, procedure: int, arguments: Sequence[str]) -> str:
        """A call with those of the arguments that the procedure reads."""
        used = self.used_parameters[procedure]
        return f"{self.procedure_names[procedure]}({', '.join(arguments[slot] for slot in used)})"

    def run(self, action: Action) -> str:
        return self.call(action.procedure, [str(value) for value in action.arguments]) + ";"

    def interval(self, e: Expression, ends: Ends) -> tuple[int, int]:
        """Where an expression's value lies, also by what it is made of."""
        low, high = -(1 << 31), (1 << 31) - 1
        match e:
            case program.Local(slot=slot):
                low, high = ends.get(slot, (low, high))
            case program.CellValue(cell=cell):
                low, high = self.design.cells[cell].low, self.design.cells[cell].high
            case program.Reading(name="tempo"):
                low, high = self.design.tempo.low, self.design.tempo.high
            case program.Reading() | program.Changed() | program.Compare() | program.Logic() | program.Unary(operator="not"):
                low, high = 0, 1
            case program.Binary(operator="+" | "-" | "min" | "max" as operator, left=left, right=right):
                a, b = self.interval(left, ends), self.interval(right, ends)
                low, high = {
                    "+": (a[0] + b[0], a[1] + b[1]),
                    "-": (a[0] - b[1], a[1] - b[0]),
                    "min": (min(a[0], b[0]), min(a[1], b[1])),
                    "max": (max(a[0], b[0]), max(a[1], b[1])),
                }[operator]
        return max(low, e.low), min(high, e.high)

    def local_names(self, procedure: Procedure) -> dict[int, str]:
        """Names of the locals that are read, by slot."""
        names = list(procedure.names) + [f"value{slot}" for slot in range(len(procedure.names), procedure.locals)]
        taken = {"message", *self.procedure_names, *(f"{of}_{name}" for name in self.cell_names for of in ("constant", "first"))}
        read = reads_in(procedure.body)
        return {slot: name for slot, name in enumerate(distinct(names, taken=taken)) if slot in read}

    def direct_loops(self, procedure: Procedure) -> set[int]:
        """Slots that only loops set and only their own bodies read: the loop's counter can be the variable itself."""
        body = procedure.body
        loops = [s for s in statements_in(body) if isinstance(s, program.For)]
        found = {loop.slot for loop in loops} - {s.slot for s in statements_in(body) if isinstance(s, program.SetLocal)}
        for slot in list(found):
            inside = sum(_reads(loop.body, slot) for loop in loops if loop.slot == slot)
            nested = any(
                inner.slot == slot
                for loop in loops
                if loop.slot == slot
                for inner in statements_in(loop.body)
                if isinstance(inner, program.For)
            )
            if nested or inside != _reads(body, slot) or slot < procedure.parameters:
                found.discard(slot)
        return found

    def _ends_of(self, number: int) -> Ends:
        procedure = self.design.procedures[number]
        ends: dict[int, list[int]] = {}
        for action in self.actions:
            if action.procedure == number:
                for slot, value in enumerate(action.arguments):
                    ends.setdefault(slot, []).append(value)
        calls = [(s.procedure, s.arguments) for s in self.statements if isinstance(s, program.Call)]
        calls += [(response.procedure, response.arguments) for response in self.design.responses]
        for callee, arguments in calls:
            if callee == number:
                for slot, argument in enumerate(arguments):
                    ends.setdefault(slot, []).extend((argument.low, argument.high))
        for statement in statements_in(procedure.body):
            if isinstance(statement, program.SetLocal):
                ends.setdefault(statement.slot, []).extend((statement.value.low, statement.value.high))
            elif isinstance(statement, program.For) and range(statement.start, statement.stop, statement.step):
                values = range(statement.start, statement.stop, statement.step)
                ends.setdefault(statement.slot, []).extend((values[0], values[-1]))
        return {slot: (min(values), max(values)) for slot, values in ends.items()}

    def shows_change(self, body: Sequence[Statement]) -> bool:
        """Whether a body may change what some display or LED shows."""
        return shows_change(body, self.seen_cells)

    def shown_texts(self) -> Iterator[program.Text]:
        """The lines and notices of the display."""
        yield from (line for mode in self.design.modes for view in mode.views for line in view.lines)
        yield from (s.text for s in self.statements if isinstance(s, program.Notice))

    def shown_numbers(self) -> Iterator[Expression]:
        """The expressions that texts show as numbers."""
        fields = (part for text in self.shown_texts() for part in text.parts if isinstance(part, program.Field))
        return (part.expression for part in fields if not part.names)

    def text_name(self, text: str) -> str:
        """The table that holds a text."""
        if text not in self.texts:
            stem = "text_" + (identifier(text) if any(c.isascii() and c.isalnum() for c in text) else "sign")
            self.texts[text] = _unused(stem, self.texts.values())
        return self.texts[text]

    def names_name(self, names: tuple[str, ...]) -> str:
        """The table that holds the names of a value, one after another."""
        if names not in self.name_lists:
            cell = next((n for n, cell in enumerate(self.design.cells) if cell.names == names), None)
            stem = f"names_of_{self.cell_names[cell]}" if cell is not None else "names_of_value"
            self.name_lists[names] = _unused(stem, self.name_lists.values())
        return self.name_lists[names]

    def text_tables(self) -> list[str]:
        lines = [f"static const CTL_FLASH char {name}[] = {string(text)};" for text, name in self.texts.items()]
        for names, name in self.name_lists.items():
            # Each with its NUL; the last one's is the literal's own.
            texts = ' "\\0" '.join(string(each) for each in names)
            lines.append(f"static const CTL_FLASH char {name}[] = {texts};")
        return lines


def _stored(low: int, high: int) -> tuple[str, int]:
    """The smallest type for a cell's values, and what its 0 stands for."""
    plain, distance = type_for(low, high), type_for(0, high - low)
    return (distance, low) if type_bytes(distance) < type_bytes(plain) else (plain, 0)


def _unused(stem: str, taken: Iterable[str]) -> str:
    used = set(taken)
    name, number = stem, 2
    while name in used:
        name, number = f"{stem}_{number}", number + 1
    return name


def _actions(design: Design) -> Iterator[Action]:
    yield from (binding.action for binding in design.bindings)
    yield from actions_without_gesture(design)


def reads_in(body: Sequence[Statement | Expression]) -> set[int]:
    """Slots of the locals that a body reads."""
    return {e.slot for e in expressions_in(body) if isinstance(e, program.Local)}


def _reads(body: Sequence[Statement], slot: int) -> int:
    return sum(isinstance(e, program.Local) and e.slot == slot for e in expressions_in(body))
