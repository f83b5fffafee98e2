"""A design file -> a checked Design, or one DesignError."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from controller_sim.design.actions import calls_of, compile_procedure
from controller_sim.design.bindings import Entry, Keyboard, ModeBindings, read_entries
from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import (
    Action,
    Binding,
    Call,
    ClockRun,
    Design,
    Enter,
    Key,
    Mode,
    Place,
    PowerOnBinding,
    Procedure,
    Response,
    Statement,
    Timer,
)
from controller_sim.design.keys import nearest, parse_range, parse_switches, parse_timer_key
from controller_sim.design.layout import (
    WORD_HIGH,
    WORD_LOW,
    Layout,
    choice,
    declare,
    items,
    mapping,
    new_parameter,
    read_layout,
    scalar,
)
from controller_sim.design.pedals import read_pedals
from controller_sim.design.responses import ResponseEntry, add_responses, is_response, read_responses
from controller_sim.design.scope import ProcedureSignature, Scope
from controller_sim.design.showing import read_leds, read_views
from controller_sim.design.steps import check_statements, statements_in
from controller_sim.design.thru import read_thru
from controller_sim.design.yaml_text import Mapping, Node, Scalar, parse, read_file

MAX_MODES = 64
MAX_PROCEDURES = 200
MAX_CALL_DEPTH = 16
MAX_TIMERS = 16
MODE_KEYS = ("draft", "on_other_exit", "enter", "leave", "timers", "display", "leds", "on")
_SIGNATURE = re.compile(r"\s*([^\s()]+)\s*\(([^()]*)\)\s*")
_PARAMETER = re.compile(r"\s*(\w+)\s+in\s+(-?[0-9]+\s*\.\.\s*-?[0-9]+)\s*")


def load_design(path: str | Path) -> Design:
    """Load a design file of at most 1 MiB. Raises DesignError for everything that is wrong with it, a missing file included."""
    return _load(read_file(path), str(path), Path(path).stem)


def load_design_text(text: str, file: str = "design") -> Design:
    """Load a design from its text; `file` is the name that places carry. Raises DesignError."""
    return _load(text, file, Path(file).stem)


def _load(text: str, file: str, title: str) -> Design:
    try:
        return _Loader(parse(text, file), file, title).load()
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
    may_tap_tempo: bool = True
    may_enter: bool = True
    has_draft: bool = True


@dataclass(slots=True)
class _ModeParts:
    name: str
    place: Place
    node: Mapping
    draft: tuple[int, ...]
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

    def load(self) -> Design:
        self._read_modes()
        self._read_procedures()
        layout = self.layout
        self.scope = Scope(
            file=self.file,
            switches=layout.switches,
            leds=layout.leds,
            cells=layout.cells,
            devices=layout.devices,
            modes={parts.name: index for index, parts in enumerate(self.parts)},
            value_names=layout.value_names,
            tempo=layout.tempo,
            ports_in_use=layout.ports_in_use,
            procedures={},
            display_characters=layout.display_characters or None,
            pedals=layout.pedals,
        )
        self._find_contexts()
        self._compile_procedures()
        home = self._home()
        modes = tuple(self._mode(index, parts) for index, parts in enumerate(self.parts))
        power_on = self._power_on()
        self._check_enter_circles(modes)
        self._check_chord_window(modes)
        check_statements(self.procedures)
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
            pedals=layout.pedals,
            responses=tuple(self.responses),
            thru=read_thru(self.root, layout.tempo.ports if self._runs_clock() else 0),
            opening=layout.opening,
        )

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
            self.parts.append(_ModeParts(name, key.place, whole, draft, own, responses))
        every = mapping(node, "everywhere") if (node := self.root.get("everywhere")) else None
        every_draft = all(parts.draft for parts in self.parts)
        self.everywhere, self.responses_everywhere = self._entries(every, "everywhere", every_draft)

    def _entries(self, node: Mapping | None, where: str, has_draft: bool) -> tuple[list[Entry], list[ResponseEntry]]:
        if node is None:
            return [], []
        gestures = [pair for pair in node.pairs if not is_response(pair[0])]
        return read_entries(self.layout, gestures, where, has_draft), read_responses(self.layout, node, where, has_draft)

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
        bound: list[Entry | ResponseEntry]
        for parts in self.parts:
            draft = bool(parts.draft)
            bound = [*parts.own, *parts.responses]
            for entry in bound:
                self._restrict(entry.source, draft=draft)
            for name in ("enter", "leave"):
                if node := parts.node.get(name):
                    source = scalar(node, "an action").source()
                    self._restrict(source, draft=draft, tap=False, enter=name != "leave")
            if node := parts.node.get("timers"):
                for _, value in mapping(node, "timers").pairs:
                    self._restrict(scalar(value, "an action").source(), draft=draft, tap=False)
        bound = [*self.everywhere, *self.responses_everywhere]
        for entry in bound:
            self._restrict(entry.source, draft=entry.has_draft)
        if node := self.root.get("power_on"):
            for _, value in mapping(node, "power_on").pairs:
                self._restrict(scalar(value, "an action").source(), draft=False, tap=False)

    def _restrict(self, source: Source, *, draft: bool, tap: bool = True, enter: bool = True) -> None:
        if draft and tap and enter:
            return
        waiting = [name for name, _ in calls_of(source)]
        seen: set[str] = set()
        while waiting:
            name = waiting.pop()
            if name in seen or name not in self.declared:
                continue
            seen.add(name)
            procedure = self.declared[name]
            procedure.has_draft &= draft
            procedure.may_tap_tempo &= tap
            procedure.may_enter &= enter
            waiting.extend(each for each, _ in procedure.calls)

    def _compile_procedures(self) -> None:
        signatures: dict[str, ProcedureSignature] = {}
        self.scope.procedures = signatures
        for each in self._callees_first():
            procedure = compile_procedure(
                self.scope,
                each.name,
                each.parameters,
                each.source,
                may_tap_tempo=each.may_tap_tempo,
                may_enter=each.may_enter,
                has_draft=each.has_draft,
            )
            signatures[each.name] = ProcedureSignature(len(self.procedures), each.parameters)
            self.procedures.append(procedure)

    def _callees_first(self) -> list[_Declared]:
        order: list[_Declared] = []
        depths: dict[str, int] = {}

        def visit(procedure: _Declared, path: list[str]) -> int:
            deepest = 0
            for name, place in procedure.calls:
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

    def _compile(self, name: str, source: Source, *, draft: bool, tap: bool, enter: bool = True) -> Action:
        procedure = compile_procedure(self.scope, name, (), source, may_tap_tempo=tap, may_enter=enter, has_draft=draft)
        self.procedures.append(procedure)
        return Action(len(self.procedures) - 1, ())

    def _compile_gesture(self, name: str, parameters: tuple[tuple[str, int, int], ...], source: Source, draft: bool) -> int:
        procedure = compile_procedure(self.scope, name, parameters, source, may_tap_tempo=True, may_enter=True, has_draft=draft)
        self.procedures.append(procedure)
        return len(self.procedures) - 1

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
        bindings = ModeBindings(self.scope, self.keyboard, index, self.layout.timing.hold_us, self._compile_gesture)
        bindings.add_all(parts.own, self.everywhere)
        responses = add_responses(bindings, parts.responses, self.responses_everywhere, self.responses, self._compile_gesture)
        actions: dict[str, Action | None] = {"enter": None, "leave": None}
        for name in actions:
            if each := node.get(name):
                source = scalar(each, "an action").source()
                actions[name] = self._compile(f"{parts.name}: {name}", source, draft=draft, tap=False, enter=name != "leave")
        exits = node.get("on_other_exit")
        return Mode(
            name=parts.name,
            place=parts.place,
            bindings=tuple(bindings.indices),
            conditions=tuple(bindings.conditions),
            enter=actions["enter"],
            leave=actions["leave"],
            timers=self._timers(parts, node.get("timers")),
            views=read_views(self.scope, self.layout, node.get("display")),
            leds=read_leds(self.scope, node.get("leds")),
            draft=parts.draft,
            on_other_exit=choice(exits, "on_other_exit", ("cancel", "save")) if exits else "cancel",
            responses=responses,
        )

    def _timers(self, parts: _ModeParts, node: Node | None) -> tuple[Timer, ...]:
        if node is None:
            return ()
        pairs = mapping(node, "timers").pairs
        if len(pairs) > MAX_TIMERS:
            raise DesignError(f"the mode has {len(pairs)} timers, but at most {MAX_TIMERS} are allowed", node.place)
        timers = []
        for key, value in pairs:
            every, period_us = parse_timer_key(key.source())
            source = scalar(value, "an action").source()
            timers.append(Timer(period_us, every, self._compile(f"{parts.name}: {key.text}", source, draft=bool(parts.draft), tap=False)))
        return tuple(timers)

    def _power_on(self) -> tuple[PowerOnBinding, ...]:
        node = self.root.get("power_on")
        found: dict[int, PowerOnBinding] = {}
        for key, value in mapping(node, "power_on").pairs if node else ():
            mask = sum(1 << switch for switch in parse_switches(key.source(), self.layout.switches))
            if mask in found:
                raise DesignError("these switches are bound at power-on before", key.place, (("they are bound here", found[mask].place),))
            source = scalar(value, "an action").source()
            found[mask] = PowerOnBinding(mask, self._compile(f"power_on: {key.text}", source, draft=False, tap=False), key.place)
        return tuple(found.values())

    def _runs_clock(self) -> bool:
        """Whether anything starts the MIDI clock."""
        return any(isinstance(each, ClockRun) and each.running for procedure in self.procedures for each in statements_in(procedure.body))

    def _enters(self, body: tuple[Statement, ...]) -> Iterator[int]:
        """The modes that an action may ask for, through procedures too."""
        waiting = [body]
        called: set[int] = set()
        while waiting:
            for statement in statements_in(waiting.pop()):
                if isinstance(statement, Enter):
                    yield statement.mode
                elif isinstance(statement, Call) and statement.procedure not in called:
                    called.add(statement.procedure)
                    waiting.append(self.procedures[statement.procedure].body)

    def _check_enter_circles(self, modes: tuple[Mode, ...]) -> None:
        follows = {
            index: sorted(set(self._enters(self.procedures[mode.enter.procedure].body))) if mode.enter else []
            for index, mode in enumerate(modes)
        }
        done: set[int] = set()

        def visit(mode: int, path: list[int]) -> None:
            for after in follows[mode]:
                if after in path:
                    circle = path[path.index(after) :]
                    names = " -> ".join(modes[each].name for each in [*circle, after])
                    places = [self._key_place(each, "enter") for each in circle]
                    related = tuple((f"{modes[each].name} enters here", place) for each, place in zip(circle[1:], places[1:], strict=True))
                    raise DesignError(f"enter actions enter modes in a circle: {names}", places[0], related)
                if after not in done:
                    visit(after, [*path, after])
            done.add(mode)

        for mode in follows:
            if mode not in done:
                visit(mode, [mode])

    def _key_place(self, mode: int, key: str) -> Place:
        return self.parts[mode].node.key(key).place

    def _check_chord_window(self, modes: tuple[Mode, ...]) -> None:
        """A hold must not be decided before it is known whether its switch belongs to a chord."""
        timing = self.layout.timing
        for mode in modes:
            bindings = [self.keyboard.bindings[index] for index in mode.bindings]
            chord = next((each for each in bindings if len(self.keyboard.keys[each.key].members) > 1), None)
            if chord is None:
                continue
            for binding in bindings:
                time_us, what = (binding.hold_us, "hold") if binding.gesture == "hold" else (timing.repeat.first_us, "first repeat")
                if binding.gesture in ("hold", "repeat") and time_us <= timing.chord_us:
                    self._refuse_window(binding, chord, what, time_us)

    def _refuse_window(self, binding: Binding, chord: Binding, what: str, time_us: int) -> None:
        name = self.keyboard.keys[chord.key].name
        message = f"the {what} ({_written(time_us)}) must be longer than the chord window ({_written(self.layout.timing.chord_us)})"
        raise DesignError(message, binding.place, ((f"the chord {name} is bound here", chord.place),))


def _written(time_us: int) -> str:
    return f"{time_us // 1000}ms" if time_us % 1000 == 0 else f"{time_us}us"
