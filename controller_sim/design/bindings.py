"""What gestures do in a mode: its own bindings and those that every mode has."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from controller_sim.design.actions import compile_condition
from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import Action, Binding, Key, Place
from controller_sim.design.keys import BindingKey, parse_binding_key
from controller_sim.design.layout import Layout
from controller_sim.design.nodes import scalar
from controller_sim.design.program import Expression
from controller_sim.design.scope import Scope
from controller_sim.design.yaml_text import Node, Scalar

MAX_BINDINGS = 2000
MAX_CONDITIONS = 30

Parameters = tuple[tuple[str, int, int], ...]


@dataclass(slots=True)
class Entry:
    """One entry of a file: a key and an action, compiled when first asked for. `mode` is None where every mode has it."""

    key: BindingKey
    place: Place
    name: str
    source: Source
    has_draft: bool
    mode: str | None
    procedure: int | None = None


CompileAction = Callable[[Entry, Parameters], int]
"""An entry and its action's parameters -> the procedure's index."""


@dataclass(slots=True)
class Keyboard:
    """The keys of a design, switches first, and all its bindings so far."""

    layout: Layout
    keys: list[Key]
    bindings: list[Binding] = field(default_factory=list)

    def key(self, entry: BindingKey, position: int) -> int:
        """The index of the switch at a place of the group, or of the chord, which is added when it is new."""
        if not entry.chord:
            return entry.switches[position]
        mask = sum(1 << switch for switch in entry.switches)
        for index, key in enumerate(self.keys):
            if key.mask == mask:
                return index
        names = list(self.layout.switches)
        self.keys.append(Key("+".join(names[switch] for switch in entry.switches), entry.switches, mask))
        return len(self.keys) - 1


def read_entries(layout: Layout, pairs: Iterable[tuple[Scalar, Node]], mode: str | None, has_draft: bool) -> list[Entry]:
    """The gestures of `on` or `everywhere`, their keys understood. Raises DesignError."""
    entries = []
    for key, value in pairs:
        parsed = parse_binding_key(key.source(), layout.switches)
        name = f"{mode or 'everywhere'}: {key.text}"
        entries.append(Entry(parsed, key.place, name, scalar(value, "an action").source(), has_draft, mode))
    return entries


def compile_entry(entry: Entry, compile_action: CompileAction) -> int:
    """The index of the entry's procedure, compiled once."""
    if entry.procedure is None:
        switches = entry.key.switches
        parameters: Parameters = () if entry.key.chord else (("switch", min(switches), max(switches)), ("position", 0, len(switches) - 1))
        entry.procedure = compile_action(entry, parameters)
    return entry.procedure


@dataclass(slots=True)
class ModeBindings:
    """Puts together the bindings of one mode."""

    scope: Scope
    keyboard: Keyboard
    mode: int
    default_hold_us: int
    compile_action: CompileAction
    conditions: list[Expression] = field(default_factory=list)
    condition_places: list[Place] = field(default_factory=list)
    indices: list[int] = field(default_factory=list)

    def add_all(self, own: list[Entry], everywhere: list[Entry]) -> None:
        """The mode's own bindings, then those of `everywhere` that it does not bind itself. Raises DesignError."""
        for entry in own:
            self._add(entry, set())
        taken = {self._slot(self.keyboard.bindings[index]) for index in self.indices}
        for entry in everywhere:
            self._add(entry, taken)
        self._check_told_apart()

    def _slot(self, binding: Binding) -> tuple[str, int, int]:
        return binding.gesture, binding.key, binding.hold_us

    def _add(self, entry: Entry, taken: set[tuple[str, int, int]]) -> None:
        key = entry.key
        hold_us = 0
        if key.gesture == "hold":
            hold_us = self.default_hold_us if key.hold_us is None else key.hold_us
        possible = False
        for position in range(1 if key.chord else len(key.switches)):
            index = self.keyboard.key(key, position)
            arguments = () if key.chord else (key.switches[position], position)
            condition = self._condition(key, arguments)
            if condition is not None and condition.high == 0:
                continue
            possible = True
            if (key.gesture, index, hold_us) in taken:
                continue
            number = None if condition is None or condition.low == 1 else self.condition_number(condition, key.condition)
            action = Action(compile_entry(entry, self.compile_action), arguments)
            if len(self.keyboard.bindings) == MAX_BINDINGS:
                raise DesignError(f"the design has more than {MAX_BINDINGS} bindings, groups counted switch by switch", entry.place)
            self.indices.append(len(self.keyboard.bindings))
            self.keyboard.bindings.append(
                Binding(self.mode, key.gesture, index, action, entry.place, number, hold_us, key.eager),
            )
        if not possible:
            assert key.condition is not None
            raise DesignError("this condition is never true", key.condition.place(0, 0))

    def _condition(self, key: BindingKey, arguments: tuple[int, ...]) -> Expression | None:
        if key.condition is None:
            return None
        constants = dict(zip(("switch", "position"), arguments, strict=False))
        return compile_condition(self.scope, key.condition, constants)

    def condition_number(self, condition: Expression, source: Source | None) -> int:
        """The number of a condition in the mode, where it is added if it is new. Raises DesignError."""
        if condition not in self.conditions:
            if len(self.conditions) == MAX_CONDITIONS:
                assert source is not None
                message = f"the mode has more than {MAX_CONDITIONS} different conditions, groups counted switch by switch"
                raise DesignError(message, source.place(0, 0))
            self.conditions.append(condition)
        return self.conditions.index(condition)

    def _check_told_apart(self) -> None:
        first: dict[tuple[tuple[str, int, int], int | None], Binding] = {}
        for index in self.indices:
            binding = self.keyboard.bindings[index]
            slot = self._slot(binding)
            earlier = first.get((slot, None)) or first.get((slot, binding.condition))
            if earlier is not None:
                what = f"'{binding.gesture} {self.keyboard.keys[binding.key].name}'"
                if binding.gesture == "hold":
                    what = f"'hold {self.keyboard.keys[binding.key].name}' of {binding.hold_us // 1000}ms"
                reason = "always" if earlier.condition is None else "under the same condition"
                raise DesignError(
                    f"this can never happen: {what} is bound before, {reason}", binding.place, (("it is bound here", earlier.place),)
                )
            first[slot, binding.condition] = binding
