"""What actions do, in the words of the one who plays: short phrases made from the intermediate form."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

from controller_sim.design.form import Binding, Controller, Design, Device, Moved, Procedure, Response
from controller_sim.design.program import (
    Binary,
    Call,
    CancelDelayed,
    CancelDraft,
    CellValue,
    Choice,
    ClockRun,
    Constant,
    Enter,
    Expression,
    FactoryValues,
    For,
    Hasten,
    If,
    Local,
    Notice,
    Restart,
    RestartTimer,
    SaveDraft,
    Send,
    SetCell,
    SetLocal,
    SetTempo,
    Statement,
    TapTempo,
    Text,
    Unary,
)
from controller_sim.midi.messages import STATUS_TABLE, is_channel
from controller_sim.view.terms import Named, Terms, filled_in, known, spoken
from controller_sim.view.words import duration, response_title

NOTE_OFF, NOTE_ON, CONTROLLER, PROGRAM, PITCH = 0x80, 0x90, 0xB0, 0xC0, 0xE0
FORM_VALUE = ": form_value"
"""How the loader's procedures behind `form_value` are named: no name of a design has a colon."""
LABEL_GONE = ": label"
"""The same of the timer of a form's label."""
ENTERS = "to "
_PLAIN: dict[type[Statement], str] = {
    CancelDelayed: "cancel delayed",
    SaveDraft: "save",
    CancelDraft: "forget changes",
    Restart: "restart",
    TapTempo: "tap tempo",
}
_MODE_MESSAGES = {120: "all sound off", 121: "reset controllers", 123: "all notes off"}
Places = list[Expression | None]


@dataclass(frozen=True, slots=True)
class Phrase:
    """A piece of what an action does. `inner`: memory that nothing but the controller keeps in mind."""

    text: str
    inner: bool = False


class Wording:
    """Phrases for the actions of a design; `called` collects the author's procedures whose names they use."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self.terms = Terms(design)
        self.called: dict[int, None] = {}
        forms = any(procedure.name.endswith(LABEL_GONE) for procedure in design.procedures)
        self._of_forms = range(len(design.cells) - 2, len(design.cells)) if forms else range(0)

    def action(self, procedure: int, arguments: Sequence[Expression | None]) -> str:
        """What a procedure with these arguments does; None: an argument that is not known. Empty: nothing."""
        whole = self.design.procedures[procedure]
        return self.joined(self.phrases(whole.body, _places(whole, arguments)))

    def joined(self, phrases: Sequence[Phrase]) -> str:
        """The phrases as one text; what only the memory keeps is left out beside anything that can be heard or seen."""
        shown = [phrase for phrase in phrases if not phrase.inner] or list(phrases)
        return ", ".join(dict.fromkeys(phrase.text for phrase in shown))

    def phrases(self, body: Sequence[Statement], places: Places) -> list[Phrase]:
        found: list[Phrase] = []
        statements = list(body)
        while statements:
            taken, more = self._next(statements, places)
            found += more
            del statements[:taken]
        return found

    def _next(self, statements: Sequence[Statement], places: Places) -> tuple[int, list[Phrase]]:
        """How many statements the next phrases stand for, and these."""
        match statements:
            case [SetCell(value=Binary(operator="%", left=Binary(right=Constant(low=step)))), SetCell(), RestartTimer(), *_]:
                return 3, [Phrase("next field" if step == 1 else "previous field")]
            case [Send() as first, Send() as second, *_] if _is_bank_select(first) and _status(second) in (CONTROLLER, PROGRAM):
                return 1, []
            case [Send() as on, Send() as off, *_] if _sounds_until(on, off):
                return 2, [Phrase(f"{self._message(on, places)} for {duration(off.delay_us)}")]
            case [Send() as upper, Send() as lower, *_] if self._is_lower_half(upper, lower):
                return 2, [Phrase(self._message(upper, places))]
        return 1, list(self._one(statements[0], places))

    def _one(self, statement: Statement, places: Places) -> Iterator[Phrase]:
        match statement:
            case Send():
                late = f" after {duration(statement.delay_us)}" if statement.delay_us else ""
                yield Phrase(self._message(statement, places) + late)
            case Call(procedure=procedure, arguments=arguments):
                yield from self._call(procedure, [filled_in(argument, places) for argument in arguments])
            case Enter(mode=mode):
                yield Phrase(ENTERS + spoken(self.design.modes[mode].name))
            case SetCell(cell=cell) if cell in self._of_forms:
                return
            case SetCell():
                yield self._set(statement, places)
            case SetLocal(slot=slot, value=value):
                places[slot] = filled_in(value, places)
            case SetTempo(value=value):
                text = self.terms.value(filled_in(value, places))
                yield Phrase(f"tempo {text}" if text else "tempo")
            case ClockRun(running=running):
                yield Phrase("clock on" if running else "clock off")
            case Notice(text=text):
                yield Phrase(f'shows "{self._shown(text)}"')
            case FactoryValues(cells=cells):
                kept = tuple(n for n, cell in enumerate(self.design.cells) if cell.keep)
                names = ", ".join(spoken(self.design.cells[cell].name) for cell in cells)
                yield Phrase("factory values" if cells == kept else f"factory values ({names})")
            case If():
                yield from self._branch(statement, places)
            case For(slot=slot, body=body):
                _forget(body, places)
                places[slot] = None
                yield from self.phrases(body, places)
            case Hasten() | RestartTimer():
                return
            case _:
                yield Phrase(_PLAIN[type(statement)])

    def _branch(self, statement: If, places: Places) -> list[Phrase]:
        condition = filled_in(statement.condition, places)
        value = known(condition)
        if value is not None:
            return self.phrases(statement.then if value else statement.otherwise, places)
        branches = [self.phrases(body, list(places)) for body in (statement.then, statement.otherwise)]
        _forget((statement,), places)
        then, otherwise = map(self.joined, branches)
        inner = all(phrase.inner for branch in branches for phrase in branch)
        when = self.terms.condition(condition)
        if then == otherwise or not (then or otherwise):
            return branches[0]
        if {then, otherwise} == {"clock on", "clock off"}:
            return [Phrase("clock on/off")]
        if not otherwise:
            return [Phrase(f"{then} if {when}" if when else f"perhaps {then}", inner)]
        if not then:
            return [Phrase(f"{otherwise} unless {when}" if when else f"perhaps {otherwise}", inner)]
        return [Phrase(f"if {when}: {then}; else: {otherwise}" if when else f"{then} or {otherwise}", inner)]

    def _call(self, number: int, arguments: Sequence[Expression]) -> Iterator[Phrase]:
        procedure = self.design.procedures[number]
        told = [self._argument(procedure, slot, argument) for slot, argument in enumerate(arguments)]
        if procedure.name.endswith(FORM_VALUE):
            yield Phrase(f"value {told[0]}" if told[0] else "value")
            return
        if procedure.name != "panic":
            self.called.setdefault(number)
        yield Phrase(" ".join([spoken(procedure.name), *filter(None, told)]))

    def _argument(self, procedure: Procedure, slot: int, argument: Expression) -> str | None:
        if _turned(argument):
            return "on/off"
        text, value = self.terms.value(argument), known(argument)
        signed = value is not None and value > 0 and any(local.slot == slot and local.low < 0 for local in _locals_in(procedure.body))
        return f"+{text}" if signed else text

    def _set(self, statement: SetCell, places: Places) -> Phrase:
        cell = self.design.cells[statement.cell]
        index = None if statement.index is None else filled_in(statement.index, places)
        name, value = self.terms.cell(statement.cell, index), filled_in(statement.value, places)

        def same(other: Expression) -> bool:
            return isinstance(other, CellValue) and (other.cell, other.index) == (statement.cell, index)

        match value:
            case Binary(operator="min" | "max", left=Binary() as step, right=Constant()) if same(step.left):
                value = step
        match value:
            case Binary(operator="+" | "-" as sign, left=left, right=right) if same(left):
                amount, by = self.terms.value(right), known(right)
                if by is not None:
                    amount = str(abs(by))
                    sign = "+" if (by > 0) == (sign == "+") else "-"
                return Phrase(f"{name} {sign}{amount}" if amount else f"change {name}")
        if (turned := _turned(value)) is not None and same(turned):
            return Phrase(f"{name} on/off")
        text = self.terms.value(value, cell)
        by_name = isinstance(value, Constant) and cell.names
        return Phrase(f"set {name}" if text is None else f"{name} {text}" if by_name else f"{name} = {text}", inner=not cell.keep)

    def _shown(self, text: Text) -> str:
        return "".join(part if isinstance(part, str) else ".." for part in text.parts).strip()

    def cause(self, response: Response) -> str:
        """What a response is to, with the values that it takes: `received control change from organ: damp on`."""
        title, cause = spoken(response_title(self.design, response)), response.cause
        if isinstance(cause, Moved):
            return title
        device = self.device(cause.ports, cause.status) if is_channel(cause.status) else None
        values = [Expression(low, high) if low < high else Constant(low, low) for low, high in cause.data]
        if cause.status & 0xF0 == CONTROLLER:
            told = self._control_change(device, values)
            return f"{title}: {told}"
        texts = [f"{low}-{high}" if low < high else str(low) for low, high in cause.data if (low, high) not in ((0, 127), (0, 0))]
        return f"{title}: {', '.join(texts)}" if texts else title

    def device(self, ports: int, status: int) -> Device | None:
        """Who hears a channel message: the device at all of its ports, else the first at any of them."""
        heard = [device for device in self.design.devices if device.channel == status & 15 and device.ports & ports]
        return next((device for device in heard if device.ports == ports), heard[0] if heard else None)

    def _message(self, send: Send, places: Places) -> str:
        status = send.data[0].low
        if not is_channel(status):
            name = "sysex" if status == 0xF0 else spoken(STATUS_TABLE[status].name)
            value = self.terms.value(filled_in(send.data[1], places)) if len(send.data) == 2 else None
            return f"{name} {value}" if value else name
        device = self.device(send.ports, status)
        who = spoken(device.name) if device else f"channel {(status & 15) + 1}"
        data = [filled_in(byte, places) for byte in send.data[1:]]
        return f"{who} {self._channel_message(status & 0xF0, device, data)}"

    def _channel_message(self, kind: int, device: Device | None, data: Sequence[Expression]) -> str:
        first = self._sent(data[0])
        if kind == CONTROLLER:
            return self._control_change(device, data)
        if kind == PROGRAM:
            number = known(data[0])
            shown = first if number is None or device is None else str(number + device.numbers_from)
            return f"program {shown}" if shown else "program"
        if kind in (NOTE_ON, NOTE_OFF):
            off = kind == NOTE_OFF or data[1].high == 0
            return " ".join(filter(None, ("note", first, "off" if off else None)))
        if kind == PITCH:
            return "pitch"
        return "pressure"

    def _control_change(self, device: Device | None, data: Sequence[Expression]) -> str:
        number, value = known(data[0]), data[1]
        controller = controller_of(device, number)
        if number in _MODE_MESSAGES:
            return _MODE_MESSAGES[number]
        name = spoken(controller.name) if controller else f"controller {number}" if number is not None else "controller"
        return f"{name} {text}" if (text := self._controller_value(controller, value)) else name

    def _controller_value(self, controller: Controller | None, value: Expression) -> str | None:
        if controller and controller.on is not None:
            match value:
                case Constant(low=number) if number in (controller.on, controller.off):
                    return "on" if number == controller.on else "off"
                case Choice(condition=when, then=then, otherwise=otherwise) if (known(then), known(otherwise)) == (
                    controller.on,
                    controller.off,
                ):
                    text = self.terms.condition(when)
                    return f"as {text}" if text else "on/off"
        if controller and controller.bits == 14:
            match value:
                case Binary(operator="//", left=whole, right=Constant(low=128)):
                    return self._sent(whole)
                case Constant(low=upper):
                    return str(upper * 128)
        return self._sent(value)

    def _sent(self, value: Expression) -> str | None:
        """A value in a message: itself, or where it comes from."""
        match value:
            case CellValue(cell=cell):
                return f"from {spoken(self.design.cells[cell].name)}"
            case Constant() | Named():
                return self.terms.value(value)
        text = self.terms.value(value)
        return f"from {text}" if text else None

    def _is_lower_half(self, upper: Send, lower: Send) -> bool:
        if not (_status(upper) == _status(lower) == CONTROLLER and upper.data[0] == lower.data[0]):
            return False
        controller = controller_of(self.device(upper.ports, upper.data[0].low), known(upper.data[1]))
        return controller is not None and controller.lower_number is not None and controller.lower_number == known(lower.data[1])


def gesture_label(design: Design, binding: Binding) -> str:
    """A gesture without its key: `tap`, `hold`, or `hold 3s` where that is not the design's usual time."""
    if binding.gesture == "hold" and binding.hold_us != design.timing.hold_us:
        return f"hold {duration(binding.hold_us)}"
    return binding.gesture


def gesture_frame(design: Design, binding: Binding) -> str:
    """The same with a place for its key, `hold {} 3s`, which `with_keys` fills."""
    gesture, _, after = gesture_label(design, binding).partition(" ")
    return f"{gesture} {{}} {after}".rstrip()


def with_keys(design: Design, frame: str, keys: Sequence[str]) -> str:
    """A gesture's frame with the names of keys, each once, in its place; three neighbours or more are a range: `hold a..c 3s`."""
    order, names = design.switches, list(dict.fromkeys(keys))
    runs: list[list[str]] = []
    for name in names:
        last = order.index(runs[-1][-1]) if runs and runs[-1][-1] in order else len(order)
        if order[last + 1 : last + 2] == (name,):
            runs[-1].append(name)
        else:
            runs.append([name])
    told = (f"{spoken(run[0])}..{spoken(run[-1])}" if len(run) > 2 else ", ".join(map(spoken, run)) for run in runs)
    return frame.format(", ".join(told))


def controller_of(device: Device | None, number: int | None) -> Controller | None:
    """The device's own controller of that number, if it names one."""
    return next((each for each in device.controllers or () if number in (each.number, each.lower_number)), None) if device else None


def _turned(value: Expression) -> Expression | None:
    """What is on if it was off, and off if it was on."""
    match value:
        case Unary(operator="not", operand=operand) if isinstance(operand, CellValue):
            return operand
        case Binary(operator="-", left=Constant(low=1), right=CellValue() as right):
            return right
    return None


def _places(procedure: Procedure, arguments: Sequence[Expression | None]) -> Places:
    return [*arguments, *(None for _ in range(procedure.locals - len(arguments)))]


def _status(send: Send) -> int:
    return send.data[0].low & 0xF0


def _is_bank_select(send: Send) -> bool:
    return _status(send) == CONTROLLER and known(send.data[1]) in (0, 32)


def _sounds_until(on: Send, off: Send) -> bool:
    """A note whose end is sent with its beginning."""
    return _status(on) == NOTE_ON and _status(off) == NOTE_OFF and on.data[1] == off.data[1] and off.delay_us > 0 == on.delay_us


def _forget(body: Sequence[Statement], places: Places) -> None:
    """What a branch or loop may have set is not known after it."""
    for statement in body:
        match statement:
            case SetLocal(slot=slot):
                places[slot] = None
            case If(then=then, otherwise=otherwise):
                _forget((*then, *otherwise), places)
            case For(slot=slot, body=inner):
                places[slot] = None
                _forget(inner, places)


def _locals_in(part: Any) -> Iterator[Local]:
    """Every use of a local in statements and expressions."""
    if isinstance(part, Local):
        yield part
    elif isinstance(part, tuple):
        for each in part:
            yield from _locals_in(each)
    elif is_dataclass(part):
        for field in fields(part):
            yield from _locals_in(getattr(part, field.name))
