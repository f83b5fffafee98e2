"""The map of modes: which gesture, timer or message leads from which mode to which, as a drawing and as a diagram in Mermaid's language."""

from __future__ import annotations

import copy
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from controller_sim.design.form import Action, Design, Mode
from controller_sim.design.program import Call, Constant, Enter, Expression, For, If, Restart, Statement
from controller_sim.view.sheet import Box, Dot, Drawing, Label, Stroke
from controller_sim.view.terms import filled_in, known, spoken
from controller_sim.view.wording import gesture_label
from controller_sim.view.words import duration, response_title

POWER_ON = -1
"""Where everything begins, and begins again after a restart."""
_SIZE, _ROW, _PAD, _STEP, _MARGIN = 15.0, 26.0, 10.0, 22.0, 16.0
"""Points: of the text, of a row, around a text, between two lanes, around the drawing."""
_WIDTH, _BOLD_WIDTH = 0.58, 0.62
"""How wide a character is at most on average, as a share of the size."""


@dataclass(frozen=True, slots=True)
class Way:
    """From a mode to a mode, by number or POWER_ON; `by` is all that leads there."""

    source: int
    target: int
    by: tuple[str, ...]


def ways(design: Design) -> list[Way]:
    """Every way that the actions of a design may take. Conditions on memory are taken as open; those on the switch itself are not."""
    found: dict[tuple[int, int], dict[str, list[str]]] = {}

    def add(source: int, target: int, before: str, key: str = "", after: str = "") -> None:
        keys = found.setdefault((source, target), {}).setdefault(f"{before} {{}} {after}".strip() if key else before, [])
        if key and key not in keys:
            keys.append(key)

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
            key = design.keys[binding.key].name
            before, _, after = gesture_label(design, binding).partition(" ")
            for target in reach.targets(binding.action):
                add(number, target, before, key, after)
        for label, target in _without_feet(design, reach, mode):
            add(number, target, label)
    return [Way(source, target, tuple(_titles(design, by))) for (source, target), by in found.items()]


def _without_feet(design: Design, reach: _Reach, mode: Mode) -> Iterator[tuple[str, int]]:
    for index in mode.responses:
        response = design.responses[index]
        for target in reach.of(response.procedure):
            yield spoken(response_title(design, response)), target
    for timer in mode.timers:
        for target in reach.targets(timer.action):
            yield f"{'every' if timer.every else 'after'} {duration(timer.period_us)}", target
    if mode.enter is not None:
        for target in reach.targets(mode.enter):
            yield "at once", target


def _titles(design: Design, by: dict[str, list[str]]) -> Iterator[str]:
    """Labels, the switches of each in a row: `hold a..c`."""
    for label, keys in by.items():
        yield label.format(", ".join(_runs(design, keys))) if keys else label


def _runs(design: Design, keys: Sequence[str]) -> Iterator[str]:
    """Three neighbours or more become one range."""
    order = [*design.switches]
    at = 0
    while at < len(keys):
        end = at
        while end + 1 < len(keys) and keys[end] in order and keys[end + 1] in order[order.index(keys[end]) + 1 :][:1]:
            end += 1
        if end - at >= 2:
            yield f"{spoken(keys[at])}..{spoken(keys[end])}"
            at = end + 1
        else:
            yield spoken(keys[at])
            at += 1


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


def mode_map(design: Design) -> Drawing:
    """The map as a drawing: a box a mode, its ways out at its right, and one lane for each mode that is entered."""
    found = ways(design)
    shown = [POWER_ON, *range(len(design.modes))]
    outs = {node: [way for way in found if way.source == node] for node in shown}
    names = {node: "power on" if node == POWER_ON else spoken(design.modes[node].name) for node in shown}
    entered = {way.target for way in found}
    box_width = max(len(name) for name in names.values()) * _SIZE * _BOLD_WIDTH + 2 * _PAD
    labels = {(way.source, way.target): ", ".join(filter(None, way.by)) for way in found}
    label_width = max(len(label) for label in labels.values()) * _SIZE * _WIDTH + 2 * _PAD
    right = _MARGIN + box_width
    marks: list[Stroke | Box | Dot | Label] = []
    entry_y: dict[int, float] = {}
    out_y: dict[tuple[int, int], float] = {}
    y = _MARGIN
    for node in shown:
        rows = (node in entered) + max(len(outs[node]), 0 if node in entered else 1)
        if node in entered:
            entry_y[node] = y + _ROW / 2
        for place, way in enumerate(outs[node]):
            out_y[way.source, way.target] = y + _ROW * ((node in entered) + place + 0.5)
        height = _ROW * rows
        marks.append(Box(_MARGIN, y, box_width, height, strong=node == design.home))
        marks.append(Label(_MARGIN + _PAD, y + _ROW / 2 + _SIZE * 0.35, names[node], _SIZE, bold=True))
        y += height + _ROW / 2
    lanes = _lanes(found, entry_y, out_y)
    first_lane = right + label_width + _PAD
    for target, (lane, low, high) in lanes.items():
        x = first_lane + lane * _STEP
        marks.append(Stroke(((x, low), (x, high))))
        marks.append(Stroke(((x, entry_y[target]), (right, entry_y[target])), arrow=True))
        for way in found:
            if way.target == target:
                row = out_y[way.source, target]
                marks += [
                    Stroke(((right, row), (x, row))),
                    Dot(x, row),
                    Label(right + _PAD, row - 4, labels[way.source, target], _SIZE * 0.87),
                ]
    width = first_lane + (max((lane for lane, _, _ in lanes.values()), default=0) + 1) * _STEP + _MARGIN
    return Drawing("Map of modes", width, y, tuple(marks), diagram(design))


def _lanes(found: Sequence[Way], entry_y: dict[int, float], out_y: dict[tuple[int, int], float]) -> dict[int, tuple[int, float, float]]:
    """For each mode that is entered its lane, and from where to where that runs; lanes are shared where they do not meet."""
    spans = {}
    for target, entry in entry_y.items():
        ys = [entry, *(out_y[way.source, target] for way in found if way.target == target)]
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
    graph: Any = machine.get_combined_graph(title="title: Map of modes")
    return "\n".join(line.rstrip() for line in graph.source.splitlines())
