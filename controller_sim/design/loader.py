"""A design file -> a checked Design, or one DesignError."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from controller_sim.design.actions import calls_of, compile_procedure
from controller_sim.design.bindings import Entry, Keyboard, ModeBindings, Parameters, read_entries
from controller_sim.design.budget import read_budget
from controller_sim.design.cells import WORD_HIGH, WORD_LOW
from controller_sim.design.checks import check_chord_window, check_enter_circles
from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import Action, Design, Key, Mode, Place, PowerOnBinding, Procedure, Response, Timer
from controller_sim.design.forms import add_form_cells, compile_form_value, entering, label_gone, read_fields
from controller_sim.design.keys import nearest, parse_range, parse_switches, parse_timer_key
from controller_sim.design.layout import Layout, declare, new_parameter, read_layout
from controller_sim.design.nodes import choice, items, mapping, scalar
from controller_sim.design.panic import silence
from controller_sim.design.parsing import FORM_COMMANDS
from controller_sim.design.pedals import read_pedals
from controller_sim.design.program import ClockRun
from controller_sim.design.responses import ResponseEntry, add_responses, is_response, read_responses
from controller_sim.design.scope import IN_THEN, NO_FORM, Form, FormField, ProcedureSignature, Scope
from controller_sim.design.showing import read_leds, read_views
from controller_sim.design.steps import check_periods, check_statements, statements_in
from controller_sim.design.thru import read_thru
from controller_sim.design.yaml_text import Mapping, Scalar, parse, read_file

MAX_MODES = 64
MAX_PROCEDURES = 200
MAX_CALL_DEPTH = 16
MAX_TIMERS = 16
EVERY_POWER_ON = "always"
PANIC = "panic"
"""A call of the language that is a procedure of the form, made by the loader."""
MODE_KEYS = ("draft", "on_other_exit", "delayed", "form", "enter", "leave", "timers", "display", "leds", "on")
_SIGNATURE = re.compile(r"\s*([^\s()]+)\s*\(([^()]*)\)\s*")
_LEAVING = "does not work here: a leave action runs it"
_RELEASED = "does not work here: a release may come when the form has been left"
_UNUSED = "does not work here: no mode with a form runs this"
_PARAMETER = re.compile(r"\s*(\w+)\s+in\s+(-?[0-9]+\s*\.\.\s*-?[0-9]+)\s*")


def load_design(path: str | Path) -> Design:
    """Load a design file of at most 1 MiB. Raises DesignError for everything that is wrong with it, a missing file included."""
    return _load(read_file(path), str(path), Path(path).stem)


def load_design_text(text: str, file: str = "design") -> Design:
    """Load a design from its text; `file` is the name that places carry. Raises DesignError."""
    return _load(text, file, Path(file).stem)


def _load(text: str, file: str, title: str) -> Design:
    try:
        loader = _Loader(parse(text, file), file, title)
        return loader.with_warnings(loader.with_promises(loader.load()))
    except RecursionError:
        raise DesignError("the design is nested too deeply", Place(file, 1, 1)) from None


@dataclass(slots=True)
class _Declared:
    """A procedure of the file before it is compiled."""

    name: str
    place: Place
    parameters: tuple[tuple[str, int, int], ...]
    source: Source
    calls: list[tuple[str, Place]]
    by_gesture: bool = True
    may_enter: bool = True
    has_draft: bool = True
    forms: dict[int | str, None] = field(default_factory=dict)
    """The modes whose forms it may edit, by number, and reasons why it may edit none."""
    edits: int | None = None
    """The mode whose `form_value` this is; such a one is not in the file."""


@dataclass(slots=True)
class _ModeParts:
    name: str
    place: Place
    node: Mapping
    draft: tuple[int, ...]
    fields: tuple[FormField, ...]
    own: list[Entry]
    responses: list[ResponseEntry]


class _Loader:
    def __init__(self, root: Mapping, file: str, title: str) -> None:
        self.root = root
        self.file = file
        self.layout: Layout = read_layout(root, title)
        switches = self.layout.switches
        self.keyboard = Keyboard(self.layout, [Key(name, (index,), 1 << index) for name, index in switches.items()])
        self.layout.pedals = read_pedals(self.layout, root)
        self.procedures: list[Procedure] = []
        self.responses: list[Response] = []
        self.declared: dict[str, _Declared] = {}
        self.forms: dict[int, Form] = {}
        self.uses_panic = False

    def load(self) -> Design:
        self._read_modes()
        self._read_forms()
        self._read_procedures()
        layout = self.layout
        self.scope = Scope(
            file=self.file,
            switches=layout.switches,
            leds=layout.leds,
            led_colours=layout.led_colours,
            cells=layout.cells,
            devices=layout.devices,
            modes={parts.name: index for index, parts in enumerate(self.parts)},
            value_names=layout.value_names,
            tempo=layout.tempo,
            ports_in_use=layout.ports_in_use,
            procedures={},
            display_characters=layout.display_characters or None,
            drafted=frozenset(cell for parts in self.parts for cell in parts.draft),
            form_cells=frozenset(cell for form in self.forms.values() for cell in (form.index, form.label_shown)),
            pedals=layout.pedals,
        )
        self._find_contexts()
        self._compile_procedures()
        home = self._home()
        modes = tuple(self._mode(index, parts) for index, parts in enumerate(self.parts))
        power_on = self._power_on()
        every_power_on = self._every_power_on()
        self._fill_panic()
        self._check_modes(modes)
        return Design(
            title=layout.title,
            file=self.file,
            switches=tuple(layout.switches),
            leds=tuple(layout.leds),
            display_lines=layout.display_lines,
            display_characters=layout.display_characters,
            timing=layout.timing,
            tempo=layout.tempo,
            running_status=layout.running_status,
            delayed_messages=layout.delayed_messages,
            devices=layout.devices,
            cells=layout.cells,
            keys=tuple(self.keyboard.keys),
            procedures=tuple(self.procedures),
            bindings=tuple(self.keyboard.bindings),
            modes=modes,
            home=home,
            power_on=power_on,
            storage=layout.storage,
            led_colours=layout.led_colours,
            every_power_on=every_power_on,
            pedals=layout.pedals,
            responses=tuple(self.responses),
            thru=read_thru(self.root, layout.tempo.ports if self._runs_clock() else 0),
            opening=layout.opening,
            echo_us=layout.echo_us,
            budget=read_budget(self.root),
        )

    def _check_modes(self, modes: tuple[Mode, ...]) -> None:
        """What can only be said when all modes are known."""
        check_enter_circles(modes, self.procedures, lambda mode: self.parts[mode].node.key("enter").place)
        check_chord_window(modes, self.keyboard, self.layout.timing)
        steps = check_statements(self.procedures)
        check_periods(steps, self.layout.timing.repeat, self.keyboard.bindings, self._every_timers(modes))

    def with_promises(self, design: Design) -> Design:
        node = self.root.get("promises")
        if node is None:
            return design
        # Where nothing is promised there is no reason to load what knows about promises.
        from controller_sim.design.promises import read_promises

        return replace(design, promises=read_promises(self.scope, self.layout, design, self.forms, node))

    def with_warnings(self, design: Design) -> Design:
        if not any(cell.keep for cell in design.cells):
            return design
        # Where nothing is kept there is no reason to load what knows about storage.
        from controller_sim.design.storage import check_storage

        where = "storage" if self.root.get("storage") else "memory"
        return replace(design, warnings=check_storage(design, self.root.key(where).place))

    def _read_modes(self) -> None:
        node = self.root.get("modes")
        if node is None:
            raise DesignError("a design needs 'modes' with at least one mode", self.root.place)
        pairs = mapping(node, "modes").pairs
        if not 1 <= len(pairs) <= MAX_MODES:
            raise DesignError(f"modes has {len(pairs)} entries, but must have 1..{MAX_MODES}", node.place)
        self.parts: list[_ModeParts] = []
        for key, value in pairs:
            name = declare(self.layout, key, "mode")
            whole = mapping(value, f"the mode {name}", MODE_KEYS)
            draft = self._draft(whole)
            on = mapping(each, "on") if (each := whole.get("on")) else None
            own, responses = self._entries(on, name, bool(draft))
            fields = read_fields(self.layout, form) if (form := whole.get("form")) else ()
            self.parts.append(_ModeParts(name, key.place, whole, draft, fields, own, responses))
        every = mapping(node, "everywhere") if (node := self.root.get("everywhere")) else None
        every_draft = all(parts.draft for parts in self.parts)
        self.everywhere, self.responses_everywhere = self._entries(every, None, every_draft)

    def _entries(self, node: Mapping | None, mode: str | None, has_draft: bool) -> tuple[list[Entry], list[ResponseEntry]]:
        if node is None:
            return [], []
        gestures = [pair for pair in node.pairs if not is_response(pair[0])]
        return read_entries(self.layout, gestures, mode, has_draft), read_responses(self.layout, node, mode, has_draft)

    def _read_forms(self) -> None:
        """A form as cells, a timer and a procedure, to which the statements about forms lead."""
        modes = [index for index, parts in enumerate(self.parts) if parts.fields]
        if not modes:
            return
        place = self.parts[modes[0]].node.key("form").place
        index, label_shown = add_form_cells(self.layout, place, max(len(parts.fields) for parts in self.parts))
        for mode in modes:
            parts = self.parts[mode]
            timers = parts.node.get("timers")
            label_timer = len(mapping(timers, "timers").pairs) if timers else 0
            self.forms[mode] = Form(parts.name, parts.fields, index, label_shown, label_timer)
            calls = [call for each in parts.fields if each.then for call in calls_of(each.then)]
            name, first = _form_value_of(parts.name), parts.fields[0].cell
            self.declared[name] = _Declared(name, parts.node.key("form").place, (), first, calls, edits=mode)

    def _draft(self, mode: Mapping) -> tuple[int, ...]:
        node = mode.get("draft")
        if node is None:
            if mode.get("on_other_exit"):
                raise DesignError("'on_other_exit' needs a 'draft'", mode.key("on_other_exit").place)
            return ()
        known = {cell.name: index for index, cell in enumerate(self.layout.cells)}
        found: list[int] = []
        for item in items(node, "draft"):
            name = scalar(item, "the name of a memory cell")
            if name.text not in known:
                raise DesignError(f"there is no memory cell '{name.text}'{nearest(name.text, known)}", name.place)
            if known[name.text] in found:
                raise DesignError(f"the draft names {name.text} twice", name.place)
            found.append(known[name.text])
        if not found:
            raise DesignError("the draft names no memory cell", node.place)
        return tuple(found)

    def _read_procedures(self) -> None:
        node = self.root.get("procedures")
        pairs = mapping(node, "procedures").pairs if node else ()
        if node and len(pairs) > MAX_PROCEDURES:
            raise DesignError(f"there are {len(pairs)} procedures, but at most {MAX_PROCEDURES} are allowed", node.place)
        for key, value in pairs:
            match = _SIGNATURE.fullmatch(key.text)
            if match is None:
                raise DesignError(f"'{key.text}' is no procedure: write for example 'recall(n in 0..39)' or 'hush()'", key.place)
            source = key.source()
            name_node = Scalar(source.place(0, match.start(1)), match[1], None, 0, 0, key.document)
            name = declare(self.layout, name_node, "procedure")
            parameters = self._parameters(key, source, match)
            body = scalar(value, "an action").source()
            self.declared[name] = _Declared(name, key.place, parameters, body, calls_of(body))

    def _parameters(self, key: Scalar, source: Source, match: re.Match[str]) -> tuple[tuple[str, int, int], ...]:
        found: list[tuple[str, int, int]] = []
        at = match.start(2)
        for text in match[2].split(",") if match[2].strip() else ():
            start = at + len(text) - len(text.lstrip())
            each = _PARAMETER.fullmatch(text)
            if each is None:
                raise DesignError(f"'{text.strip()}' is no parameter: write for example 'n in 0..39'", source.place(0, start))
            name_node = Scalar(source.place(0, start), each[1], None, 0, 0, key.document)
            name = new_parameter(self.layout, name_node, [taken for taken, _, _ in found])
            low, high = parse_range(Source(each[2], (source.place(0, at + each.start(2)),)), WORD_LOW, WORD_HIGH)
            found.append((name, low, high))
            at += len(text) + 1
        return tuple(found)

    def _find_contexts(self) -> None:
        """What procedures may do depends on everything that runs them."""
        for mode, parts in enumerate(self.parts):
            draft = bool(parts.draft)
            form = mode if mode in self.forms else NO_FORM
            for entry in parts.own:
                self._restrict(entry.source, draft=draft, form=_RELEASED if entry.key.gesture == "release" else form)
            for response in parts.responses:
                self._restrict(response.source, draft=draft, form=form)
            for name in ("enter", "leave"):
                if node := parts.node.get(name):
                    source = scalar(node, "an action").source()
                    self._restrict(source, draft=draft, gesture=False, enter=name != "leave", form=form if name == "enter" else _LEAVING)
            if node := parts.node.get("timers"):
                for _, value in mapping(node, "timers").pairs:
                    self._restrict(scalar(value, "an action").source(), draft=draft, gesture=False, form=form)
            for each in parts.fields:
                if each.then:
                    self._restrict(each.then, draft=draft, gesture=False, form=IN_THEN)
        for response in self.responses_everywhere:
            self._restrict(response.source, draft=response.has_draft)
        for entry in self.everywhere:
            self._restrict(entry.source, draft=entry.has_draft)
        if node := self.root.get("power_on"):
            for _, value in mapping(node, "power_on").pairs:
                self._restrict(scalar(value, "an action").source(), draft=False)

    def _restrict(self, source: Source, *, draft: bool, gesture: bool = True, enter: bool = True, form: int | str = NO_FORM) -> None:
        calls = calls_of(source)
        self.uses_panic |= any(name == PANIC for name, _ in calls)
        waiting = [name for name, _ in calls]
        seen: set[str] = set()
        while waiting:
            name = waiting.pop()
            if name in seen or name not in self.declared:
                continue
            seen.add(name)
            procedure = self.declared[name]
            procedure.has_draft &= draft
            procedure.by_gesture &= gesture
            procedure.may_enter &= enter
            procedure.forms[form] = None
            waiting.extend(each for each, _ in procedure.calls)

    def _form_of(self, procedure: _Declared) -> Form | str:
        """The one form that a procedure may edit, or why there is none."""
        for each in procedure.forms:
            if isinstance(each, str):
                return each
        modes = [mode for mode in procedure.forms if isinstance(mode, int)]
        if len(modes) != 1:
            names = " and ".join(self.parts[mode].name for mode in modes)
            return f"would edit the forms of {names} here, and a procedure can edit one only" if modes else _UNUSED
        return self.forms[modes[0]]

    def _compile_procedures(self) -> None:
        signatures: dict[str, ProcedureSignature] = {}
        self.scope.procedures = signatures
        self.uses_panic |= any(name == PANIC for each in self.declared.values() for name, _ in each.calls)
        if self.uses_panic and self.layout.devices:
            # What it does is known only when all else is compiled; where it stands, before its callers, is known now.
            signatures[PANIC] = ProcedureSignature(0, ())
            self.procedures.append(Procedure(PANIC, 0, 1, (), self.root.place))
        for each in self._callees_first():
            if each.edits is not None:
                form, draft = self.forms[each.edits], bool(self.parts[each.edits].draft)
                form.procedure = len(self.procedures)
                self.procedures.append(compile_form_value(self.scope, form, each.place, has_draft=draft))
                continue
            compiled = self._compile(
                each.name,
                each.source,
                each.parameters,
                draft=each.has_draft,
                gesture=each.by_gesture,
                enter=each.may_enter,
                form=self._form_of(each),
            )
            signatures[each.name] = ProcedureSignature(compiled.procedure, each.parameters)

    def _fill_panic(self) -> None:
        if PANIC in self.scope.procedures:
            self.procedures[0] = replace(self.procedures[0], body=silence(self.layout.devices, self.procedures))

    def _callees_first(self) -> list[_Declared]:
        order: list[_Declared] = []
        depths: dict[str, int] = {}

        def visit(procedure: _Declared, path: list[str]) -> int:
            deepest = 0
            form = self._form_of(procedure)
            for name, place in procedure.calls:
                if name in FORM_COMMANDS and isinstance(form, Form):
                    name = _form_value_of(form.mode)
                callee = self.declared.get(name)
                if callee is None:
                    continue
                if name in path:
                    circle = " -> ".join([*path[path.index(name) :], name])
                    raise DesignError(f"procedures cannot call themselves: {circle}", place, ((f"{name} is here", callee.place),))
                if len(path) >= MAX_CALL_DEPTH:
                    raise DesignError(f"calls nest more than {MAX_CALL_DEPTH} deep here", place)
                deepest = max(deepest, depths[name] if name in depths else visit(callee, [*path, name]))
            depths[procedure.name] = deepest + 1
            if deepest >= MAX_CALL_DEPTH:
                raise DesignError(f"calls nest more than {MAX_CALL_DEPTH} deep in {procedure.name}", procedure.place)
            order.append(procedure)
            return deepest + 1

        for each in self.declared.values():
            if each.name not in depths:
                visit(each, [each.name])
        return order

    def _compile(
        self,
        name: str,
        source: Source,
        parameters: Parameters = (),
        *,
        draft: bool,
        gesture: bool = False,
        enter: bool = True,
        form: Form | str = NO_FORM,
    ) -> Action:
        procedure = compile_procedure(self.scope, name, parameters, source, by_gesture=gesture, may_enter=enter, has_draft=draft, form=form)
        return self._add(procedure)

    def _add(self, procedure: Procedure) -> Action:
        self.procedures.append(procedure)
        return Action(len(self.procedures) - 1, ())

    def _compile_gesture(self, entry: Entry, parameters: Parameters) -> int:
        form: Form | str = (self.scope.mode_form if entry.mode else None) or NO_FORM
        if entry.key.gesture == "release":
            form = _RELEASED
        return self._compile(entry.name, entry.source, parameters, draft=entry.has_draft, gesture=True, form=form).procedure

    def _compile_response(self, entry: ResponseEntry) -> int:
        form = (self.scope.mode_form if entry.mode else None) or NO_FORM
        return self._compile(entry.name, entry.source, entry.captured, draft=entry.has_draft, gesture=True, form=form).procedure

    def _home(self) -> int:
        node = self.root.get("home")
        if node is None:
            return 0
        name = scalar(node, "home")
        if name.text not in self.scope.modes:
            raise DesignError(f"there is no mode '{name.text}'{nearest(name.text, self.scope.modes)}", name.place)
        return self.scope.modes[name.text]

    def _mode(self, index: int, parts: _ModeParts) -> Mode:
        node, draft = parts.node, bool(parts.draft)
        form = self.forms.get(index)
        self.scope.mode_drafted, self.scope.mode_form = frozenset(parts.draft), form
        bindings = ModeBindings(self.scope, self.keyboard, index, self.layout.timing.hold_us, self._compile_gesture)
        bindings.add_all(parts.own, self.everywhere)
        responses = add_responses(bindings, parts.responses, self.responses_everywhere, self.responses, self._compile_response)
        exits, delayed = node.get("on_other_exit"), node.get("delayed")
        return Mode(
            name=parts.name,
            place=parts.place,
            bindings=tuple(bindings.indices),
            conditions=tuple(bindings.conditions),
            enter=self._enter(parts, form),
            leave=self._compile(f"{parts.name}: leave", scalar(leave, "an action").source(), draft=draft, enter=False, form=_LEAVING)
            if (leave := node.get("leave"))
            else None,
            timers=self._timers(parts, form),
            views=read_views(self.scope, self.layout, node.get("display")),
            leds=read_leds(self.scope, node.get("leds")),
            draft=parts.draft,
            on_other_exit=choice(exits, "on_other_exit", ("cancel", "save")) if exits else "cancel",
            delayed=choice(delayed, "delayed", ("complete", "cancel")) if delayed else "complete",
            responses=responses,
        )

    def _enter(self, parts: _ModeParts, form: Form | None) -> Action | None:
        prelude = entering(form) if form else ()
        if (node := parts.node.get("enter")) is None:
            return self._add(Procedure(f"{parts.name}: enter", 0, 0, prelude, parts.place)) if prelude else None
        action = self._compile(f"{parts.name}: enter", scalar(node, "an action").source(), draft=bool(parts.draft), form=form or NO_FORM)
        own = self.procedures[action.procedure]
        self.procedures[action.procedure] = replace(own, body=(*prelude, *own.body))
        return action

    def _timers(self, parts: _ModeParts, form: Form | None) -> tuple[Timer, ...]:
        """The mode's timers, and after them that of its form's label."""
        node = parts.node.get("timers")
        pairs = mapping(node, "timers").pairs if node else ()
        if node and len(pairs) > MAX_TIMERS:
            raise DesignError(f"the mode has {len(pairs)} timers, but at most {MAX_TIMERS} are allowed", node.place)
        timers = []
        for key, value in pairs:
            every, period_us = parse_timer_key(key.source())
            source = scalar(value, "an action").source()
            action = self._compile(f"{parts.name}: {key.text}", source, draft=bool(parts.draft), form=form or NO_FORM)
            timers.append(Timer(period_us, every, action))
        if form:
            timers.append(Timer(self.layout.label_us, False, self._add(label_gone(form, parts.place))))
        return tuple(timers)

    def _power_on(self) -> tuple[PowerOnBinding, ...]:
        node = self.root.get("power_on")
        found: dict[int, PowerOnBinding] = {}
        for key, value in mapping(node, "power_on").pairs if node else ():
            if key.text == EVERY_POWER_ON:
                continue
            mask = sum(1 << switch for switch in parse_switches(key.source(), self.layout.switches))
            if mask in found:
                raise DesignError("these switches are bound at power-on before", key.place, (("they are bound here", found[mask].place),))
            source = scalar(value, "an action").source()
            found[mask] = PowerOnBinding(mask, self._compile(f"power_on: {key.text}", source, draft=False), key.place)
        return tuple(found.values())

    def _runs_clock(self) -> bool:
        """Whether anything starts the MIDI clock."""
        return any(isinstance(each, ClockRun) and each.running for procedure in self.procedures for each in statements_in(procedure.body))

    def _every_power_on(self) -> Action | None:
        node = self.root.get("power_on")
        value = mapping(node, "power_on").get(EVERY_POWER_ON) if node else None
        if value is None:
            return None
        return self._compile(f"power_on: {EVERY_POWER_ON}", scalar(value, "an action").source(), draft=False)

    def _every_timers(self, modes: tuple[Mode, ...]) -> Iterator[tuple[Timer, Place]]:
        """The timers that come again and again, with their places."""
        for parts, mode in zip(self.parts, modes, strict=True):
            keys = [key for key, _ in mapping(node, "timers").pairs] if (node := parts.node.get("timers")) else []
            for key, timer in zip(keys, mode.timers[: len(keys)], strict=True):
                if timer.every:
                    yield timer, key.place


def _form_value_of(mode: str) -> str:
    """The name of the procedure behind a mode's `form_value`; no name in a file looks so."""
    return f"{mode}: form_value"
