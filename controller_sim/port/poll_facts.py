"""What one poll of the firmware does at most, beyond what its loops say: how often some functions are called, and which actions can run.

Each of these is so by how the runtime (runtime/c99) goes about a poll; the reasons stand beside them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from controller_sim.design.form import Binding, Design
from controller_sim.design.program import Enter, Restart
from controller_sim.design.steps import run_by
from controller_sim.port.c_constants import Worth
from controller_sim.port.c_loops import Note
from controller_sim.port.choices import Choice, choices
from controller_sim.port.flow import Chosen, Edge, Limit, Program
from controller_sim.port.lines import Frame, Lines
from controller_sim.port.machine_code import MachineCode

MOST_CHANGES = "(1 + CTL_HAS_RELEASE + CTL_PEDALS)"
CALLS = {
    # A poll takes one thing that is due, or one contact's change.
    ("changed",): "1",
    ("all_changed", "ctl_age"): "1",
    ("all_changed", "take_byte"): "1",
    ("all_changed", "take_turn"): "1",
    ("edge_down", "edge_up"): "1",
    ("key_up",): "1",
    # A press that closes a group that it does not fit begins in the next poll.
    ("ctl_close_group",): "1",
    ("ctl_partition",): "1",
    ("settle_taps_of_group",): "1",
    # Whoever has changed the mode does no more, but that it may owe a release; at power-on pedals are heard after that.
    ("leave",): f"{MOST_CHANGES} * CTL_MOST_ENTERED",
    ("ctl_run_enter",): f"{MOST_CHANGES} * CTL_MOST_ENTERED",
}
"""So often at most these functions are called in one poll, together."""
CALLS_IN_A_MODE = {("ctl_settled",): "0"}
CALLS_BEFORE_THE_FIRST = {
    ("edge_down", "edge_up"): "0",
    ("ctl_key_timed_out", "ctl_timer_timed_out", "ctl_close_group", "ctl_show", "begin_again"): "0",
    ("leave",): f"{MOST_CHANGES} * CTL_MOST_ENTERED - 1",
}
"""The same of polls while there is a mode, and before there is."""
GESTURES = {
    "hold_key": "hold",
    "repeat_key": "repeat",
    "end_tap": "tap",
    "tap_key": "tap",
    "owe_and_press": "press",
    "fire_eager": "press",
    "decide": "double",
    "key_up": "release",
    "ctl_key_released": "release",
    "ctl_pay_releases": "release",
}
"""Of what gesture a function of recogniser.c fires the binding."""

KEYS, DECIDED, IN_GROUP, ALONE, WAITED, DOUBLED = -1, 0, 1, 2, 3, 4
"""What is chosen where it is a key that is decided, as part of a group or alone, or one
whose tap has waited long enough, or until the double came."""


class PollFacts:
    """The facts of one firmware."""

    def __init__(self, design: Design, code: MachineCode, program: Program, lines: Lines, asked: Mapping[str, int]) -> None:
        """`asked`: the line of design.c in which each function asks for a value by a switch."""
        self._design = design
        self._code = code
        self._program = program
        self._lines = lines
        self._asked = asked
        self._ways: dict[str, list[Edge]] = {}
        self._enters = [
            any(isinstance(s, Enter | Restart) for s in run_by(design, binding.action.procedure)) for binding in design.bindings
        ]

    def _may_enter(self, procedure: int) -> bool:
        return any(isinstance(statement, Enter | Restart) for statement in run_by(self._design, procedure))

    def calls(self, worth: Worth, mode: int | None, macros: Mapping[str, int]) -> Iterator[Limit]:
        """By how often functions are called in a poll that begins in a mode, or before the first; some macros of C have other values."""
        calls = CALLS | (CALLS_BEFORE_THE_FIRST if mode is None else CALLS_IN_A_MODE)
        notes = {most: Note(most, "firmware.c", 1).with_values(macros) for most in calls.values()}
        values = worth(list({*notes.values()}))
        for names, most in calls.items():
            entries = tuple(edge for name in names for edge in self._entries(name))
            yield Limit(entries, most=values[notes[most]])
        # A text has room for its characters and a NUL.
        (room,) = worth([Note("CTL_TEXT_BYTES + 1", "firmware.c", 1)]).values()
        yield Limit(tuple(self._entries("put")), tuple((edge, room) for edge in self._ways_into("begin_text")))

    def _is_in(self, address: int | None, name: str) -> bool:
        return address is not None and any(frame.function == name for frame in self._lines[address])

    def _ways_into(self, name: str) -> list[Edge]:
        """All steps by which a function of C is come to; where it is inlined, perhaps several for one call."""
        if name not in self._ways:
            self._ways[name] = [
                edge
                for edge in self._program.edges
                if not self._is_in(edge.source, name) and (self._is_in(edge.calls, name) or self._is_in(edge.target, name))
            ]
        return self._ways[name]

    def _entries(self, name: str) -> Iterator[Edge]:
        """Steps by which a function of C is come to, no two for one call: where it is inlined, one for each place, to what stands first."""
        inlined: dict[tuple[int, tuple[Frame, ...]], Edge] = {}
        for edge in self._ways_into(name):
            if self._is_in(edge.calls, name):
                yield edge
                continue
            assert edge.target is not None
            frames = self._lines[edge.target]
            depth = next(depth for depth, frame in enumerate(frames) if frame.function == name)
            place = edge.function, frames[:depth]
            if place not in inlined or edge.target < (inlined[place].target or 0):
                inlined[place] = edge
        yield from inlined.values()

    def actions(self, mode: int | None) -> Iterator[Limit]:
        """By which bindings can be fired while a poll begins in a mode, or (None) before the first."""
        bindings = self._design.bindings
        # Whatever is fired is bound in that mode, but for a release that a press of an earlier one owes.
        allowed = {n: b.gesture for n, b in enumerate(bindings, 1) if b.mode == mode or b.gesture == "release"}
        fired: dict[int, list[Chosen]] = {value: [] for value in range(1, len(bindings) + 1)}
        after_waits: set[Chosen] = set()
        for choice in self._choices("ctl_run_binding", fired):
            chosen = {value: Chosen(choice.function, choice.start, value) for value in choice.ways}
            yield from _followed(choice, chosen)
            sites = self._fired_at(choice)
            for gesture in {*allowed.values()}:
                of_gesture = tuple(each for value, each in chosen.items() if allowed.get(value) == gesture)
                yield Limit(of_gesture, tuple((edge, 1) for edge, name in sites if GESTURES.get(name, gesture) == gesture))
            entering = tuple((each, 1) for value, each in chosen.items() if value in allowed and self._enters[value - 1])
            if changes := tuple(self._changes_after(choice)):
                yield Limit(changes, entering)
            if all(name == "end_tap" for _, name in sites if GESTURES.get(name, "tap") == "tap"):
                after_waits |= {*chosen.values()}
            for value, each in chosen.items():
                fired[value].append(each)
        for value, several in fired.items():
            # Of each gesture of a key there is one at most.
            yield Limit(tuple(several), most=int(value in allowed))
        yield from self._of_keys(mode, fired, after_waits)
        own = self._design.modes[mode] if mode is not None else None
        timers = [timer.action.procedure for timer in own.timers] if own else []
        # At power-on pedals are heard in the mode that is entered then.
        heard = own.responses if own else range(len(self._design.responses))
        responses = [self._design.responses[number].procedure for number in heard]
        for name, run in (("ctl_timer_timed_out", timers), ("respond", responses)):
            entries = (edge for edge in self._entries("change_mode") if self._is_in(edge.source, name))
            if not any(map(self._may_enter, run)):
                yield Limit(tuple(entries))

    def _of_keys(self, mode: int | None, fired: Mapping[int, Sequence[Chosen]], after_waits: set[Chosen]) -> Iterator[Limit]:
        """By what can happen to keys in one poll; each binding is fired at some switches, at some of them only when a wait has ended."""
        design = self._design
        keys = range(len(design.keys))
        decided, waited, doubled = ({key: Chosen(KEYS, what, key) for key in keys} for what in (DECIDED, WAITED, DOUBLED))
        can_double = {binding.key for binding in design.bindings if binding.mode == mode and binding.gesture == "double"}
        for key in keys:
            bound = {n: b for n, b in enumerate(design.bindings, 1) if b.key == key and b.mode == mode}

            def of(gesture: str, bound: Mapping[int, Binding] = bound) -> Iterator[Chosen]:
                return (each for n, b in bound.items() if b.gesture == gesture and not b.eager for each in fired[n])

            # A key is decided once; then its press fires, and its double if its tap has waited for that.
            yield Limit(tuple(of("press")), ((decided[key], 1),))
            yield Limit(tuple(of("double")), ((doubled[key], 1),))
            yield Limit((doubled[key],), ((decided[key], 1),))
            # A tap that has waited comes when its wait ends, which it does not when the key is decided again.
            yield Limit(tuple(each for each in of("tap") if each in after_waits), ((waited[key], 1),))
            yield Limit((decided[key], waited[key]), most=1)
            yield Limit((waited[key],), most=int(key in can_double))
        for switch in range(len(design.switches)):
            # A switch is part of one key at a time, and no two keys wait that share one.
            holding = [key for key in keys if design.keys[key].mask >> switch & 1]
            yield Limit(tuple(decided[key] for key in holding), most=1)
            yield Limit(tuple(each[key] for key in holding for each in (waited, doubled)), most=1)
        yield from self._decided_by(mode, decided)
        # Each end of a tap is the end of a wait, and a wait only begins when all else of a poll is done.
        yield Limit(tuple(self._entries("end_tap")), tuple((each, 1) for each in waited.values()))

    def _decided_by(self, mode: int | None, decided: Mapping[int, Chosen]) -> Iterator[Limit]:
        """A group decides keys of chords, and what else is pressed its own key."""
        chords = {self._design.keys[b.key].mask for b in self._design.bindings if b.mode == mode and b.key >= len(self._design.switches)}
        ways = {edge: any(frame.function == "ctl_close_group" for frame in self._lines[edge.source]) for edge in self._ways_into("decide")}
        for key, each in decided.items():
            in_group, alone = Chosen(KEYS, IN_GROUP, key), Chosen(KEYS, ALONE, key)
            yield Limit((each,), ((in_group, 1), (alone, 1)))
            mask = self._design.keys[key].mask
            yield Limit((in_group,), most=int(any(mask & ~chord == 0 for chord in chords)))
            yield Limit((alone,), most=int(key < len(self._design.switches)))
            for switch in range(len(self._design.switches)):
                # A press only closes a group that it does not fit: with none of the chords that the group may become.
                if all(chord >> switch & 1 for chord in chords if mask & ~chord == 0):
                    yield Limit((in_group, Chosen(KEYS, ALONE, switch)), most=1)
        for kind, is_group in ((IN_GROUP, True), (ALONE, False)):
            several = tuple(Chosen(KEYS, kind, key) for key in decided)
            yield Limit(several, tuple((edge, 1) for edge, is_part in ways.items() if is_part == is_group))
        # A group that is all of a chord becomes that one key; one that is not has fewer switches.
        most = max((mask.bit_count() - 1 for mask in chords), default=0)
        for name in ("decide", "form"):
            entries = [edge for edge in self._entries(name) if any(f.function == "ctl_close_group" for f in self._lines[edge.source])]
            yield Limit(tuple(entries), most=max(1, most))
            yield Limit(tuple({*self._entries(name)}.difference(entries)), most=1)

    def _changes_after(self, choice: Choice) -> Iterator[Edge]:
        """The steps by which the mode is changed when a binding fired at a switch wants to."""
        frames = self._lines[choice.start]
        fire = next((depth for depth, frame in enumerate(frames) if frame.function == "fire"), None)
        if fire is not None:
            for edge in self._program.functions[choice.function].edges:
                follows = self._lines[edge.source][: fire + 1]
                enters = edge.calls is not None and self._is_in(edge.calls, "change_mode")
                jumps = self._is_in(edge.target, "change_mode") and not self._is_in(edge.source, "change_mode")
                if (enters or jumps) and [f.function for f in follows] == [f.function for f in frames[: fire + 1]]:
                    yield edge

    def _choices(self, name: str, values: Iterable[int]) -> Iterator[Choice]:
        wanted = list(values)
        for function in self._program.functions.values():
            addresses = {edge.source for edge in function.edges}
            asking = [
                address
                for address in addresses
                if (frames := self._lines[address]) and frames[-1].function == name and frames[-1].line == self._asked.get(name)
            ]
            if asking:
                yield from choices(self._code, function, asking, wanted)

    def _fired_at(self, choice: Choice) -> list[tuple[Edge, str]]:
        """The steps that lead to `fire` where it comes to a switch, and from which function of C."""
        frames = self._lines[choice.start]
        outer = next((depth for depth, frame in enumerate(frames) if frame.function == "fire"), 0)
        if outer:
            return [(edge, frames[outer - 1].function) for edge in choice.entries]
        function = self._program.functions[choice.function]
        found = list(self._program.calls[choice.function]) if self._is_in(function.entry, "fire") else []
        found += [edge for edge in function.edges if self._is_in(edge.target, "fire") and not self._is_in(edge.source, "fire")]
        return [(edge, lines[-1].function if (lines := self._lines[edge.source]) else "") for edge in found]


def _followed(choice: Choice, chosen: Mapping[int, Chosen]) -> Iterator[Limit]:
    """Each way on from a switch is gone as often as the switch is come to with a value that leads there."""
    by_way: dict[Edge, list[int]] = {}
    for value, edge in choice.ways.items():
        by_way.setdefault(edge, []).append(value)
    for edge, values in by_way.items():
        yield Limit((edge,), tuple((chosen[value], 1) for value in values))


def switch_lines(text: str) -> dict[str, int]:
    """The line of the first switch of each function in a file of C."""
    found: dict[str, int] = {}
    function = ""
    for number, line in enumerate(text.splitlines(), 1):
        if line and not line[0].isspace() and line.endswith(")"):
            function = line.split("(")[0].split()[-1]
        elif line.lstrip().startswith("switch (") and function:
            found.setdefault(function, number)
    return found
