"""The map of modes: which gesture, timer or message leads from which mode to which, as a drawing and as a diagram in Mermaid's language."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from controller_sim.design.form import Action, Binding, Design, Mode
from controller_sim.design.program import Call, Constant, Enter, Expression, For, If, Restart, Statement
from controller_sim.view.fitting import width_of
from controller_sim.view.sheet import Box, Cell, Dot, Drawing, Label, Line, Mark, Stroke, Table, words
from controller_sim.view.terms import filled_in, known, spoken
from controller_sim.view.wording import Wording, gesture_frame, with_keys
from controller_sim.view.words import duration

TITLE = "Map of modes"
POWER_ON = -1
"""Where everything begins, and begins again after a restart."""
_SIZE, _ROW, _PAD, _STEP, _MARGIN = 15.0, 26.0, 10.0, 22.0, 16.0
"""Points: of the text, of a row, around a text, between two lanes, around the drawing."""
_LABEL_SIZE = 13.0


@dataclass(frozen=True, slots=True)
class Way:
    """From a mode to a mode, by number or POWER_ON; `by` is all that leads there."""

    source: int
    target: int
    by: tuple[str, ...]


def ways(design: Design) -> list[Way]:
    """Every way that the actions of a design may take. Conditions on memory are taken as open; those on the switch itself are not."""
    found: dict[tuple[int, int], dict[str, list[str]]] = {}

    def add(source: int, target: int, label: str, key: str = "") -> None:
        found.setdefault((source, target), {}).setdefault(label, []).append(key)

    reach = _Reach(design)
    add(POWER_ON, design.home, "")
    for held in design.power_on:
        names = "+".join(name for number, name in enumerate(design.switches) if held.mask >> number & 1)
        for target in reach.targets(held.action):
            add(POWER_ON, target, f"{names} held")
    if design.every_power_on is not None:
        for target in reach.targets(design.every_power_on):
            add(POWER_ON, target, "every power-on")
    for number, mode in enumerate(design.modes):
        for index in mode.bindings:
            binding = design.bindings[index]
            for target in reach.targets(binding.action):
                add(number, target, gesture_frame(design, binding), design.keys[binding.key].name)
        for label, target in _without_feet(design, reach, mode):
            add(number, target, label)
    for source, binding in _owed(design, set(found)):
        for target in reach.targets(binding.action):
            add(source, target, f"{binding.gesture} {{}} of {spoken(design.modes[binding.mode].name)}", design.keys[binding.key].name)
    return [
        Way(source, target, tuple(with_keys(design, label, keys) for label, keys in by.items())) for (source, target), by in found.items()
    ]


def _owed(design: Design, found: set[tuple[int, int]]) -> Iterator[tuple[int, Binding]]:
    """Releases that a press owes in modes entered while the foot is down: each such mode with the binding."""
    for binding in design.bindings:
        pressed = any(each.mode == binding.mode and each.key == binding.key and each.gesture == "press" for each in design.bindings)
        if binding.gesture != "release" or not pressed:
            continue
        reached: set[int] = set()
        waiting = [binding.mode]
        while waiting:
            source = waiting.pop()
            for target in (target for start, target in found if start == source and target not in (POWER_ON, *reached)):
                reached.add(target)
                waiting.append(target)
        yield from ((mode, binding) for mode in sorted(reached - {binding.mode}))


def _without_feet(design: Design, reach: _Reach, mode: Mode) -> Iterator[tuple[str, int]]:
    wording = Wording(design)
    for index in mode.responses:
        response = design.responses[index]
        for target in reach.of(response.procedure):
            yield wording.cause(response), target
    for timer in mode.timers:
        for target in reach.targets(timer.action):
            yield f"{'every' if timer.every else 'after'} {duration(timer.period_us)}", target
    if mode.enter is not None:
        for target in reach.targets(mode.enter):
            yield "at once", target


class _Reach:
    """Which modes a procedure may enter."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self._found: dict[int, frozenset[int]] = {}

    def targets(self, action: Action) -> list[int]:
        """Of an action; what its own arguments decide is decided."""
        procedure = self.design.procedures[action.procedure]
        places: list[Expression | None] = [None] * procedure.locals
        places[: len(action.arguments)] = [Constant(value, value) for value in action.arguments]
        return sorted(self._walk(procedure.body, places))

    def of(self, number: int) -> list[int]:
        if number not in self._found:
            procedure = self.design.procedures[number]
            self._found[number] = frozenset(self._walk(procedure.body, [None] * procedure.locals))
        return sorted(self._found[number])

    def _walk(self, body: Sequence[Statement], places: list[Expression | None]) -> Iterator[int]:
        for statement in body:
            match statement:
                case Enter(mode=mode):
                    yield mode
                case Restart():
                    yield POWER_ON
                case Call(procedure=procedure):
                    yield from self.of(procedure)
                case For(body=inner):
                    yield from self._walk(inner, places)
                case If(condition=condition, then=then, otherwise=otherwise):
                    value = known(filled_in(condition, places))
                    if value is None or value:
                        yield from self._walk(then, places)
                    if not value:
                        yield from self._walk(otherwise, places)


@dataclass(slots=True)
class _Map:
    """Where everything of the drawing stands: one row for what comes in, then one for each way out."""

    design: Design
    ways: list[Way]
    entry_y: dict[int, float] = field(default_factory=dict)
    """Where each mode that is entered is entered."""
    exit_y: dict[Way, float] = field(default_factory=dict)
    boxes: dict[int, tuple[float, float]] = field(default_factory=dict)
    """Top and height of each mode's box."""
    end_y: float = _MARGIN

    def __post_init__(self) -> None:
        entered = {way.target for way in self.ways}
        for node in (POWER_ON, *range(len(self.design.modes))):
            top = self.end_y
            if node in entered:
                self.entry_y[node] = self._next_row()
            for way in self.ways:
                if way.source == node:
                    self.exit_y[way] = self._next_row()
            if self.end_y == top:
                self._next_row()
            self.boxes[node] = top, self.end_y - top
            self.end_y += _ROW / 2

    def _next_row(self) -> float:
        self.end_y += _ROW
        return self.end_y - _ROW / 2

    def name(self, node: int) -> str:
        return "power on" if node == POWER_ON else spoken(self.design.modes[node].name)


def _label(way: Way) -> str:
    return ", ".join(filter(None, way.by))


def mode_map(design: Design) -> Drawing:
    """The map as a drawing: a box a mode, its ways out at its right, and one lane for each mode that is entered."""
    plan = _Map(design, ways(design))
    box_width = max(width_of(plan.name(node), _SIZE, bold=True) for node in plan.boxes) + 2 * _PAD
    label_width = max(width_of(_label(way), _LABEL_SIZE) for way in plan.ways) + 2 * _PAD
    right = _MARGIN + box_width
    first_lane = right + label_width + _PAD
    marks: list[Mark] = []
    for node, (top, height) in plan.boxes.items():
        marks.append(Box(_MARGIN, top, box_width, height, strong=node == design.home))
        marks.append(Label(_MARGIN + _PAD, top + _ROW / 2 + _SIZE * 0.35, plan.name(node), _SIZE, bold=True))
    lanes = _lanes(plan)
    for target, (lane, low, high) in lanes.items():
        x, entry = first_lane + lane * _STEP, plan.entry_y[target]
        marks += [Stroke(((x, low), (x, high))), Stroke(((x, entry), (right, entry)), arrow=True)]
        for way, row in plan.exit_y.items():
            if way.target == target:
                marks += [Stroke(((right, row), (x, row))), Label(right + _PAD, row - 4, _label(way), _LABEL_SIZE)]
                # A dot joins; where a line only turns it would say nothing.
                marks += [Dot(x, row)] if low < row < high else []
        marks += [Dot(x, entry)] if low < entry < high else []
    width = first_lane + max((lane for lane, _, _ in lanes.values()), default=0) * _STEP + _MARGIN
    return Drawing(TITLE, width, plan.end_y, tuple(marks), diagram(design), way_table(plan))


def way_table(plan: _Map) -> Table:
    """The map in words: from each mode, by what, to which."""
    rows = []
    for node in plan.boxes:
        for place, way in enumerate(way for way in plan.ways if way.source == node):
            head = Cell() if place else Cell((Line(plan.name(node)),))
            rows.append((head, words(_label(way)), words(plan.name(way.target))))
    return Table(TITLE, ("From", "By", "To"), tuple(rows))


def _lanes(plan: _Map) -> dict[int, tuple[int, float, float]]:
    """For each mode that is entered its lane, and from where to where that runs; lanes are shared where they do not meet."""
    spans = {}
    for target, entry in plan.entry_y.items():
        ys = [entry, *(row for way, row in plan.exit_y.items() if way.target == target)]
        spans[target] = (min(ys), max(ys))
    lanes: dict[int, tuple[int, float, float]] = {}
    taken: list[list[tuple[float, float]]] = []
    for target, (low, high) in sorted(spans.items(), key=lambda item: (item[1][1] - item[1][0], item[0])):
        lane = next((n for n, held in enumerate(taken) if all(high < a or b < low for a, b in held)), len(taken))
        if lane == len(taken):
            taken.append([])
        taken[lane].append((low, high))
        lanes[target] = (lane, low, high)
    return lanes


def diagram(design: Design) -> str:
    """The map in Mermaid's language, as the library `transitions` writes it."""
    from transitions.extensions import GraphMachine

    found = ways(design)
    restarts = any(way.target == POWER_ON for way in found)
    boots = [way for way in found if way.source == POWER_ON and way.by != ("",)]
    shown = [*([POWER_ON] if restarts or boots else []), *range(len(design.modes))]
    identity = {node: "power_on" if node == POWER_ON else f"mode_{node}" for node in shown}
    machine = GraphMachine(
        states=list(identity.values()),
        initial=identity.get(POWER_ON, identity[design.home]),
        auto_transitions=False,
        graph_engine="mermaid",
    )
    # On paper no state is the one at hand.
    machine.style_attributes = copy.deepcopy(machine.style_attributes)
    machine.style_attributes["node"] = {"default": {"fill": "white", "color": "black"}, "active": {"fill": "white", "color": "black"}}
    for node, name in identity.items():
        state: Any = machine.get_state(name)
        state.label = "power on" if node == POWER_ON else spoken(design.modes[node].name)
    for way in found:
        if way.source in identity:
            for label in way.by:
                machine.add_transition(label or "power on", identity[way.source], identity[way.target])
    graph: Any = machine.get_combined_graph(title=f"title: {TITLE}")
    return "\n".join(line.rstrip() for line in graph.source.splitlines())
