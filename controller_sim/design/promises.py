"""What an author promises of every run: `promises` of a design file -> the intermediate form."""

from __future__ import annotations

import re
from collections.abc import Mapping as AnyMapping
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from controller_sim.design.errors import DesignError, Source
from controller_sim.design.form import GESTURES, Design, Event, Gestured, Moved, Place, Promise, Received, Sent, Started, Trigger, Turned
from controller_sim.design.intervals import walk
from controller_sim.design.keys import WHEN, BindingKey, nearest, parse_binding_key
from controller_sim.design.layout import Layout
from controller_sim.design.nodes import duration, mapping, scalar
from controller_sim.design.parsing import parse_value
from controller_sim.design.program import Compare, Expression, Local, Was
from controller_sim.design.promise_conditions import READ_BEFORE, PromiseCompiler
from controller_sim.design.responses import MessagePattern, meet, moved_of
from controller_sim.design.scope import Form, Scope
from controller_sim.design.yaml_text import Mapping, Node, Scalar
from controller_sim.design.yaml_text import Sequence as ListNode

MAX_PROMISES = 200
MAX_ALTERNATIVES = 16
KINDS = ("always", "never", "comes")
PARTS = (*KINDS, "while", "after", "until", "within")
EVENTS = (*GESTURES, "chord", "sent", "received", "move", "enter", "leave", "power_on", "restart")
_ALONE = ("power_on", "restart")
_WORDS = re.compile(r"\s*(?P<first>[A-Za-z_]\w*)(?:\s+(?P<second>[A-Za-z_]\w*))?")
_JOINING = ("and", "or", "if", "else", "in", "is", "not")
_SWITCH = "switch"

Named = dict[str, tuple[int, int, int]]
"""A name, and the local, the lowest and the highest value that it stands for."""


def read_promises(scope: Scope, layout: Layout, design: Design, forms: AnyMapping[int, Form], node: Node) -> tuple[Promise, ...]:
    """`promises` over a design that is complete but for them; `forms` are those of its modes. Raises DesignError."""
    pairs = mapping(node, "promises").pairs
    if len(pairs) > MAX_PROMISES:
        raise DesignError(f"there are {len(pairs)} promises, but at most {MAX_PROMISES} are allowed", node.place)
    scope.mode_drafted, scope.mode_form = frozenset(), None
    return tuple(_PromiseReader(scope, layout, design, forms, key, value).read() for key, value in pairs)


@dataclass(slots=True)
class _Given:
    """The names that an event gives, with the lowest and highest value of each; the values, over what is raw about it; and
    the names that stand for values already, with the values that must be the same."""

    names: dict[str, tuple[int, int]] = field(default_factory=dict)
    values: list[Expression] = field(default_factory=list)
    same: list[tuple[str, Expression]] = field(default_factory=list)


@dataclass(slots=True)
class _PromiseReader:
    """Reads one promise; `named` are the names that its `after` gives."""

    scope: Scope
    layout: Layout
    design: Design
    forms: AnyMapping[int, Form]
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
        after = self._after(whole, named)
        condition = whole.get("while")
        during = None if condition is None else self._during(condition)
        what = self._part(whole, kind, named, holding=() if during is None else (during,))
        if condition is not None and any(isinstance(each, Event) and each.looks_back for each in what) and _asks_how_it_was(during):
            raise DesignError(READ_BEFORE, condition.place)
        until = self._part(whole, "until", named)
        within_us = duration(node, "within", least_us=0) if (node := whole.get("within")) else None
        return Promise(self.key.text, self.key.place, kind, what, during, after, until, within_us, len(named))

    def _during(self, node: Node) -> Expression:
        if isinstance(node, ListNode):
            raise DesignError("'while' takes one condition: join several with 'and' or 'or'", node.place)
        source = scalar(node, "a condition").source()
        during = self._condition_of(source, {})
        if during.high == 0:
            raise DesignError("this condition is never true", source.place(0, 0))
        return during

    def _alternatives(self, whole: Mapping, part: str) -> list[Scalar]:
        """What stands under a key: one thing, or a list of things any of which counts."""
        node = whole.get(part)
        if not isinstance(node, ListNode):
            return [] if node is None else [scalar(node, "an event or a condition")]
        if part == "always":
            raise DesignError("'always' takes one condition: join several with 'and' or 'or'", node.place)
        if not 1 <= len(node.items) <= MAX_ALTERNATIVES:
            raise DesignError(f"a list has 1..{MAX_ALTERNATIVES} events or conditions, not {len(node.items)}", node.place)
        return [scalar(each, "an event or a condition") for each in node.items]

    def _part(self, whole: Mapping, part: str, named: Named, holding: tuple[Expression, ...] = ()) -> tuple[Trigger, ...]:
        return tuple(self._trigger(value, part, named, holding) for value in self._alternatives(whole, part))

    def _trigger(self, value: Scalar, part: str, named: Named, holding: tuple[Expression, ...] = ()) -> Trigger:
        source = value.source()
        if is_event(source):
            if part == "always":
                message = f"'{source.text.strip()}' happens at an instant and is not so all the time: 'always' takes a condition"
                raise DesignError(message, source.place(0, 0))
            return self._event(value, source, named)[0]
        condition = self._condition_of(source, named, holding)
        _check_certain(part, condition, source.place(0, 0))
        return condition

    def _after(self, whole: Mapping, named: Named) -> tuple[Trigger, ...]:
        """What it comes after; the names that each of these gives are for the other parts, and become its first values."""
        values = self._alternatives(whole, "after")
        events = [self._event(value, value.source(), {}) if is_event(value.source()) else None for value in values]
        given = [own for _, own in filter(None, events)]
        if not given or len(given) < len(values):
            return tuple(self._trigger(value, "after", {}) for value in values)
        common = [name for name in given[0] if all(name in own for own in given)]
        for slot, name in enumerate(common):
            named[name] = slot, min(own[name][1] for own in given), max(own[name][2] for own in given)
        return tuple(self._event(value, value.source(), {}, common)[0] for value in values)

    def _compiler(self, source: Source) -> PromiseCompiler:
        return PromiseCompiler(self.scope, source, self.forms, self.layout.display_lines)

    def _condition_of(
        self, source: Source, named: Named, holding: tuple[Expression, ...] = (), same: Expression | None = None, no_was: str = ""
    ) -> Expression:
        compiler = self._compiler(source)
        compiler.no_was = no_was
        for name, (slot, low, high) in named.items():
            compiler.slots[name] = slot
            compiler.state.locals[slot] = (low, high)
        for condition in (*holding, *([same] if same else ())):
            compiler.state.assume(condition, True)
        return compiler.condition(parse_value(source))

    def _event(self, value: Scalar, source: Source, named: Named, first: Sequence[str] | None = None) -> tuple[Event, Named]:
        """An event, and the names that it gives; `named` are those that stand for values already, `first` those to be numbered first."""
        when = WHEN.search(source.text)
        head = source.text[: when.start()] if when else source.text
        place = source.place(0, len(head) - len(head.lstrip()))
        word, _, rest = head.strip().partition(" ")
        given = _Given()
        what: Gestured | Sent | Received | Moved | Turned | Started
        if word in (*GESTURES, "chord"):
            what = self._gesture(source, head, named, given)
        elif word in ("sent", "received"):
            pattern = MessagePattern(self.layout, value, source, head, named)
            cause = pattern.cause()
            if word == "received" and not any(meet(cause, each.cause) for each in self.design.responses):
                raise DesignError("no mode binds such a message, so it never happens", place)
            what = Sent(cause) if word == "sent" else cause
            given.names = {name: (low, high) for name, low, high in pattern.captured}
            given.values, given.same = pattern.arguments, pattern.same
        elif word == "move":
            what = moved_of(self.layout, source, head)
            if not any(response.cause == what for response in self.design.responses):
                raise DesignError(f"no mode binds '{head.strip()}', so it never happens", place)
        elif word in ("enter", "leave"):
            at = source.place(0, len(head) - len(rest.lstrip()))
            what = Turned(self._mode(rest.strip(), at), word == "enter")
        else:
            what = Started(word == "restart")
            if when:
                message = f"'{word}' is before the first mode, where no condition holds: leave 'when' out"
                raise DesignError(message, source.place(0, when.start()))
        return self._finish(Event(what), source, named, given, first or ())

    def _finish(self, event: Event, source: Source, named: Named, given: _Given, first: Sequence[str]) -> tuple[Event, Named]:
        """The event with its place among the locals, and its condition with that on the names that stand for values already."""
        names = [*first, *(name for name in given.names if name not in first)]
        places = {name: place for place, name in enumerate(given.names)}
        values = [given.values[places[name]] for name in names]
        numbered = {name: (len(named) + place, *given.names[name]) for place, name in enumerate(names)}
        condition: Expression | None = None
        for name, value in given.same:
            slot, low, high = named[name]
            equal = Compare(0, 1, "==", Local(value.low, value.high, len(named) + len(values)), Local(low, high, slot))
            values.append(value)
            condition = equal if condition is None else self._compiler(source).logic("and", condition, equal)
        when = WHEN.search(source.text)
        if when:
            asked = Source(source.text[when.end() :], (source.place(0, when.end()),))
            if not asked.text.strip():
                raise DesignError("a condition is missing after 'when'", source.place(0, when.start()))
            no_was = READ_BEFORE if event.looks_back else ""
            own = self._condition_of(asked, {**named, **numbered}, same=condition, no_was=no_was)
            if own.high == 0:
                raise DesignError("this condition is never true", asked.place(0, 0))
            condition = own if condition is None else self._compiler(asked).logic("and", condition, own)
        return replace(event, values=tuple(values), names=tuple(names), first=len(named), condition=condition), numbered

    def _gesture(self, source: Source, head: str, named: Named, given: _Given) -> Gestured:
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
            given.same = [(_SWITCH, Local(low, high, 0))]
        elif not key.chord and _SWITCH not in named:
            given.names = {_SWITCH: (min(key.switches), max(key.switches)), "position": (0, len(key.switches) - 1)}
            given.values = [Local(low, high, place) for place, (low, high) in enumerate(given.names.values())]
        return Gestured(key.gesture, self._keys(key, hold_us, source, some=again), hold_us)

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


def _asks_how_it_was(condition: Expression | None) -> bool:
    return condition is not None and any(isinstance(part, Was) for part in walk(condition))


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
