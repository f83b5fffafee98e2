"""What can only be said of a design's modes when all of them are known."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from controller_sim.design.bindings import Keyboard
from controller_sim.design.errors import DesignError
from controller_sim.design.form import Binding, Mode, Place, Procedure, Timing
from controller_sim.design.program import Call, Enter, Statement
from controller_sim.design.steps import statements_in


def check_enter_circles(modes: Sequence[Mode], procedures: Sequence[Procedure], place_of: Callable[[int], Place]) -> None:
    """Refuse enter actions that enter modes in a circle; `place_of` gives the place of a mode's enter action. Raises DesignError."""
    follows = {
        index: sorted(set(_enters(procedures[mode.enter.procedure].body, procedures))) if mode.enter else []
        for index, mode in enumerate(modes)
    }
    done: set[int] = set()

    def visit(mode: int, path: list[int]) -> None:
        for after in follows[mode]:
            if after in path:
                circle = path[path.index(after) :]
                names = " -> ".join(modes[each].name for each in [*circle, after])
                places = [place_of(each) for each in circle]
                related = tuple((f"{modes[each].name} enters here", place) for each, place in zip(circle[1:], places[1:], strict=True))
                raise DesignError(f"enter actions enter modes in a circle: {names}", places[0], related)
            if after not in done:
                visit(after, [*path, after])
        done.add(mode)

    for mode in follows:
        if mode not in done:
            visit(mode, [mode])


def _enters(body: Sequence[Statement], procedures: Sequence[Procedure]) -> Iterator[int]:
    """The modes that an action may ask for, through procedures too."""
    waiting = list(statements_in(body))
    called: set[int] = set()
    while waiting:
        match waiting.pop():
            case Enter(mode=mode):
                yield mode
            case Call(procedure=procedure) if procedure not in called:
                called.add(procedure)
                waiting.extend(statements_in(procedures[procedure].body))


def check_chord_window(modes: Sequence[Mode], keyboard: Keyboard, timing: Timing) -> None:
    """A hold must not be decided before it is known whether its switch belongs to a chord. Raises DesignError."""
    for mode in modes:
        bindings = [keyboard.bindings[index] for index in mode.bindings]
        chord = next((each for each in bindings if len(keyboard.keys[each.key].members) > 1), None)
        if chord is None:
            continue
        for binding in bindings:
            time_us, what = (binding.hold_us, "hold") if binding.gesture == "hold" else (timing.repeat.first_us, "first repeat")
            if binding.gesture in ("hold", "repeat") and time_us <= timing.chord_us:
                raise _too_short(binding, chord, keyboard.keys[chord.key].name, f"{what} ({_written(time_us)})", timing)


def _too_short(binding: Binding, chord: Binding, name: str, what: str, timing: Timing) -> DesignError:
    message = f"the {what} must be longer than the chord window ({_written(timing.chord_us)})"
    return DesignError(message, binding.place, ((f"the chord {name} is bound here", chord.place),))


def _written(time_us: int) -> str:
    return f"{time_us // 1000}ms" if time_us % 1000 == 0 else f"{time_us}us"
