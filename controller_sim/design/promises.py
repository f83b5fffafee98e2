"""What an author promises of every run: `promises` of a design file -> the intermediate form."""

from __future__ import annotations

import ast
import re
from collections.abc import Mapping as AnyMapping
from dataclasses import dataclass, replace

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.expressions import ExpressionCompiler
from controller_sim.design.form import GESTURES, Design, Event, Gestured, Place, Promise, Received, Sent, Started, Turned
from controller_sim.design.keys import WHEN, BindingKey, nearest, parse_binding_key
from controller_sim.design.layout import Layout, duration, mapping, scalar
from controller_sim.design.parsing import cited, parse_value
from controller_sim.design.program import Compare, Constant, Expression, Lit, Local, Reading
from controller_sim.design.responses import MessagePattern, covers, moved_of
from controller_sim.design.scope import Lamp, Scope
from controller_sim.design.yaml_text import Mapping, Node, Scalar

MAX_PROMISES = 200
KINDS = ("always", "never", "comes")
PARTS = (*KINDS, "while", "after", "until", "within")
EVENTS = (*GESTURES, "chord", "sent", "received", "move", "enter", "leave", "power_on", "restart")
_ALONE = ("power_on", "restart")
_WORDS = re.compile(r"\s*(?P<first>[A-Za-z_]\w*)(?:\s+(?P<second>[A-Za-z_]\w*))?")
_JOINING = ("and", "or", "if", "else", "in", "is", "not")
_SWITCH = "switch"

Named = dict[str, tuple[int, int, int]]
"""A name, and the local, the lowest and the highest value that it stands for."""


def read_promises(scope: Scope, layout: Layout, design: Design, node: Node) -> tuple[Promise, ...]:
    """`promises` over a design that is complete but for them. Raises DesignError."""
    pairs = mapping(node, "promises").pairs
    if len(pairs) > MAX_PROMISES:
        raise DesignError(f"there are {len(pairs)} promises, but at most {MAX_PROMISES} are allowed", node.place)
    scope.mode_drafted, scope.mode_form = frozenset(), None
    return tuple(_PromiseReader(scope, layout, design, key, value).read() for key, value in pairs)


class PromiseCompiler(ExpressionCompiler):
    """Expressions that may ask besides for the mode and for what an LED shows."""

    def _name(self, node: ast.Name) -> Expression:
        declared = node.id in self.slots or self.scope.cell_index(node.id) is not None or self.scope.pedal_index(node.id) is not None
        if not declared and node.id in self.scope.modes:
            mode = self.scope.modes[node.id]
            return Constant(mode, mode)
        if not declared and node.id == "mode" and node.id not in (*self.scope.switches, *self.scope.value_names):
            return self.finish(node, Reading(0, len(self.scope.modes) - 1, "mode"))
        return super()._name(node)

    def _unknown(self, node: ast.Name) -> DesignError:
        hint = nearest(node.id, self.scope.modes)
        return self.error(node, f"unknown name '{node.id}'{hint}") if hint else super()._unknown(node)

    def _function(self, node: ast.Call) -> Expression:
        if isinstance(node.func, ast.Name) and node.func.id == "led":
            led = self._led(node)
            return self.finish(node, Lit(0, 4 * max(len(self._lamp(led).colours), 1) - 1, led))
        if isinstance(node.func, ast.Name) and node.func.id == "changed":
            raise self.error(node, "'changed' has no place in a promise: it speaks of the draft of one mode")
        return super()._function(node)

    def _comparison(self, node: ast.Compare) -> Expression:
        """An LED's colours mean something beside it."""
        leds = {self._led(each) for each in (node.left, *node.comparators) if _is_led(each)}
        if len(leds) != 1:
            return super()._comparison(node)
        outside, self.lamp = self.lamp, self._lamp(leds.pop())
        try:
            return super()._comparison(node)
        finally:
            self.lamp = outside

    def _led(self, node: ast.expr) -> int:
        assert isinstance(node, ast.Call)
        name = self.arguments(node, ("led",))["led"]
        if not isinstance(name, ast.Name) or name.id not in self.scope.leds:
            hint = nearest(name.id, self.scope.leds) if isinstance(name, ast.Name) else ""
            raise self.error(name, f"there is no LED '{cited(name)}'{hint}")
        return self.scope.leds[name.id]

    def _lamp(self, led: int) -> Lamp:
        return Lamp(list(self.scope.leds)[led], self.scope.led_colours[led] if self.scope.led_colours else ())


def _is_led(node: ast.expr) -> bool:
    return isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "led"


@dataclass(slots=True)
class _PromiseReader:
    """Reads one promise; `named` are the names that its `after` gives."""

    scope: Scope
    layout: Layout
    design: Design
    key: Scalar
    node: Node

    def read(self) -> Promise:
        whole = mapping(self.node, f"the promise '{self.key.text}'", PARTS)
        kinds = [kind for kind in KINDS if whole.get(kind) is not None]
        if len(kinds) != 1:
            message = f"a promise has one of always, never and comes, not {' and '.join(kinds) or 'none of them'}"
            raise DesignError(message, whole.key(kinds[1]).place if kinds else self.key.place)
        kind = kinds[0]
        _check_parts(whole, kind, self.key.place)
        named: Named = {}
        after = self._part(whole, "after", named, gives=True)
        during = None
        if (node := whole.get("while")) is not None:
            source = scalar(node, "a condition").source()
            during = self._condition_of(source, {})
            if during.high == 0:
                raise DesignError("this condition is never true", source.place(0, 0))
        what = self._part(whole, kind, named, holding=() if during is None else (during,))
        assert what is not None
        until = self._part(whole, "until", named)
        within_us = duration(node, "within") if (node := whole.get("within")) else None
        count = len(after.values) if isinstance(after, Event) else 0
        return Promise(self.key.text, self.key.place, kind, what, during, after, until, within_us, count)

    def _part(
        self, whole: Mapping, part: str, named: Named, *, gives: bool = False, holding: tuple[Expression, ...] = ()
    ) -> Event | Expression | None:
        """What stands under a key. `gives`: the names in it are for the other parts."""
        node = whole.get(part)
        if node is None:
            return None
        value = scalar(node, "an event or a condition")
        source = value.source()
        if is_event(source):
            if part == "always":
                message = f"'{source.text.strip()}' happens at an instant and is not so all the time: 'always' takes a condition"
                raise DesignError(message, source.place(0, 0))
            return self._event(value, source, named, gives)
        condition = self._condition_of(source, named, holding)
        _check_certain(part, condition, source.place(0, 0))
        return condition

    def _condition_of(
        self, source: Source, named: Named, holding: tuple[Expression, ...] = (), same: Expression | None = None
    ) -> Expression:
        compiler = PromiseCompiler(self.scope, source, {})
        for name, (slot, low, high) in named.items():
            compiler.slots[name] = slot
            compiler.state.locals[slot] = (low, high)
        for condition in (*holding, *([same] if same else ())):
            compiler.state.assume(condition, True)
        return compiler.condition(parse_value(source))

    def _event(self, value: Scalar, source: Source, named: Named, gives: bool) -> Event:
        when = WHEN.search(source.text)
        head = source.text[: when.start()] if when else source.text
        place = source.place(0, len(head) - len(head.lstrip()))
        word, _, rest = head.strip().partition(" ")
        own: Named = {}
        same: list[tuple[str, Expression]] = []
        what: Gestured | Sent | Received | Turned | Started
        values: list[Expression] = []
        if word in (*GESTURES, "chord"):
            what, own, same = self._gesture(source, head, named)
            values = [Local(low, high, place) for place, (_, low, high) in enumerate(own.values())]
        elif word in ("sent", "received"):
            pattern = MessagePattern(self.layout, value, source, head, named)
            cause = pattern.cause()
            if word == "received":
                self._check_received(cause, pattern, place)
            if word == "sent" and cause.bits == 14:
                raise DesignError("a controller of 14 bits is sent as two messages: name one half, with its own number", place)
            what = Sent(cause) if word == "sent" else cause
            own = {name: (0, low, high) for name, low, high in pattern.captured}
            values, same = pattern.arguments, pattern.same
        elif word == "move":
            moved = moved_of(self.layout, source, head)
            if not any(response.cause == moved for response in self.design.responses):
                raise DesignError(f"no mode binds '{head.strip()}', so it never happens", place)
            return self._finish(Event(moved), source, named, {}, [], gives)
        elif word in ("enter", "leave"):
            at = source.place(0, len(head) - len(rest.lstrip()))
            what = Turned(self._mode(rest.strip(), at), word == "enter")
        else:
            what = Started(word == "restart")
        return self._finish(Event(what, tuple(values)), source, named, own, same, gives)

    def _finish(self, event: Event, source: Source, named: Named, own: Named, same: list[tuple[str, Expression]], gives: bool) -> Event:
        """The event with its place among the locals, and its condition with that on the names that stand for values already."""
        first = 0 if gives else sum(1 for _ in named)
        numbered = {name: (first + place, low, high) for place, (name, (_, low, high)) in enumerate(own.items())}
        values = list(event.values)
        condition: Expression | None = None
        for name, value in same:
            slot, low, high = named[name]
            equal = Compare(0, 1, "==", Local(value.low, value.high, first + len(values)), Local(low, high, slot))
            values.append(value)
            condition = equal if condition is None else PromiseCompiler(self.scope, source, {}).logic("and", condition, equal)
        when = WHEN.search(source.text)
        if when:
            asked = Source(source.text[when.end() :], (source.place(0, when.end()),))
            if not asked.text.strip():
                raise DesignError("a condition is missing after 'when'", source.place(0, when.start()))
            own_condition = self._condition_of(asked, {**named, **numbered}, same=condition)
            if own_condition.high == 0:
                raise DesignError("this condition is never true", asked.place(0, 0))
            condition = (
                own_condition if condition is None else PromiseCompiler(self.scope, asked, {}).logic("and", condition, own_condition)
            )
        if gives:
            named.update(numbered)
        return replace(event, values=tuple(values), first=first, condition=condition)

    def _gesture(self, source: Source, head: str, named: Named) -> tuple[Gestured, Named, list[tuple[str, Expression]]]:
        switches = self.layout.switches
        again = _SWITCH in re.split(r"\W+", head)
        if again and _SWITCH not in named:
            raise DesignError("'switch' has no meaning here: 'after' has no single switch or group", source.place(0, head.index(_SWITCH)))
        known: AnyMapping[str, int] = {**switches, _SWITCH: len(switches)} if again else switches
        key = parse_binding_key(Source(source.text, source.lines), known)
        if key.eager:
            raise DesignError("a promise does not ask how a press is bound: leave 'eager' out", source.place(0, head.index("eager")))
        hold_us = (key.hold_us or self.layout.timing.hold_us) if key.gesture == "hold" else 0
        if again:
            if key.switches != (len(switches),):
                raise DesignError("'switch' stands alone for the switch that 'after' was about", source.place(0, head.index(_SWITCH)))
            _, low, high = named[_SWITCH]
            key = replace(key, switches=tuple(range(low, high + 1)))
            gestured = Gestured(key.gesture, self._keys(key, hold_us, source, some=True), hold_us)
            return gestured, {}, [(_SWITCH, Local(low, high, 0))]
        gestured = Gestured(key.gesture, self._keys(key, hold_us, source), hold_us)
        own: Named = {}
        if not key.chord and _SWITCH not in named:
            own = {_SWITCH: (0, min(key.switches), max(key.switches)), "position": (0, 0, len(key.switches) - 1)}
        return gestured, own, []

    def _keys(self, key: BindingKey, hold_us: int, source: Source, some: bool = False) -> tuple[int, ...]:
        """The keys that a gesture is about, each of them (or some) bound in some mode."""
        masks = [sum(1 << switch for switch in key.switches)] if key.chord else [1 << switch for switch in key.switches]
        bound = {(b.gesture, self.design.keys[b.key].mask, b.hold_us): b.key for b in self.design.bindings}
        found = []
        for mask in masks:
            index = bound.get((key.gesture, mask, hold_us))
            if index is None:
                if some:
                    continue
                raise DesignError(self._unbound(key.gesture, mask, hold_us), source.place(0, 0))
            found.append(index)
        if not found:
            raise DesignError(self._unbound(key.gesture, masks[0], hold_us), source.place(0, 0))
        return tuple(found)

    def _unbound(self, gesture: str, mask: int, hold_us: int) -> str:
        names = [name for index, name in enumerate(self.design.switches) if mask >> index & 1]
        what = f"{'chord' if gesture == 'press' and len(names) > 1 else gesture} {'+'.join(names)}"
        if gesture == "hold":
            what += f" {hold_us // 1000}ms" if hold_us % 1000 == 0 else f" {hold_us}us"
        others = sorted(
            {
                b.gesture + (f" {b.hold_us // 1000}ms" if b.gesture == "hold" else "")
                for b in self.design.bindings
                if self.design.keys[b.key].mask == mask
            }
        )
        return f"no mode binds '{what}', so it never happens" + (f"; bound on {'+'.join(names)}: {', '.join(others)}" if others else "")

    def _check_received(self, cause: Received, pattern: MessagePattern, place: Place) -> None:
        if pattern.captured or pattern.same:
            raise DesignError("of what is received a promise names no values: write numbers or ranges", place)
        if not any(covers(cause, each.cause) for each in self.design.responses):
            raise DesignError("no mode binds such a message, or a part of these, so it never happens", place)

    def _mode(self, name: str, place: Place) -> int:
        if name not in self.scope.modes:
            raise DesignError(f"there is no mode '{name}'{nearest(name, self.scope.modes)}", place)
        return self.scope.modes[name]


def is_event(source: Source) -> bool:
    """Whether a text speaks of something that happens, not of something that is so. Raises DesignError for a word that is neither."""
    match = _WORDS.match(source.text)
    if match is None:
        return False
    first, second = match["first"], match["second"]
    if second is None:
        return first in _ALONE and not source.text[match.end() :].strip()
    if second in _JOINING or first in (*_JOINING, "lambda", "await", "yield"):
        return False
    if first not in EVENTS:
        message = (
            f"'{first} {second}' is neither a condition nor an event: an event begins with {', '.join(EVENTS)}{nearest(first, EVENTS)}"
        )
        raise DesignError(message, source.place(0, match.start("first")))
    return True


def _check_parts(whole: Mapping, kind: str, place: Place) -> None:
    """Which parts go together."""
    after = whole.get("after")
    for part in ("until", "within"):
        if whole.get(part) is not None and after is None:
            raise DesignError(f"'{part}' needs an 'after'", whole.key(part).place)
    if whole.get("while") is not None and after is not None:
        raise DesignError("a promise has 'while' or 'after', not both", whole.key("while").place)
    if kind != "comes":
        return
    if after is None:
        raise DesignError("what 'comes' comes after something: add 'after'", place)
    if whole.get("until") is None and whole.get("within") is None:
        raise DesignError("until when must it have come? Add 'within', for example 'within: 50ms', or 'until'", whole.key("comes").place)


def _check_certain(part: str, condition: Expression, place: Place) -> None:
    """A condition that is certain when the design is loaded is mostly a slip of the pen."""
    if condition.low != condition.high or (part == "always" and condition.low == 1) or (part == "never" and condition.high == 0):
        return
    if condition.low == 1:
        raise DesignError("this is always so", place)
    raise DesignError("this is never so", place)
