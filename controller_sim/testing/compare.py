"""Run engines over contact histories, and two engines side by side up to the first difference."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from controller_sim.design.arrivals import unpack
from controller_sim.design.form import Design
from controller_sim.design.outputs import Fired, Output
from controller_sim.simulator.engines import Engine
from controller_sim.testing.describe import describe_design
from controller_sim.verify.watching import Session

POLLS_A_GAP = 40
SHOWN_OUTPUTS = 12


EngineFactory = Callable[..., Engine]
"""Called with (design, now_us, kept, trace)."""


@dataclass(frozen=True, slots=True)
class State:
    """What of an engine can be seen from outside between two instants."""

    mode: int
    cells: tuple[int, ...]
    display: str
    leds: tuple[int, ...]
    tempo: int
    clock_running: int
    positions: tuple[int, ...]
    next_deadline_us: int | None
    level: int
    notice_shown: bool
    saved: tuple[int, ...]
    kept: tuple[int, ...]


def state_of(engine: Any) -> State:
    return State(
        mode=engine.mode,
        cells=tuple(engine.cells),
        display=engine.display,
        leds=tuple(engine.leds),
        tempo=engine.tempo,
        clock_running=int(engine.clock_running),
        positions=tuple(engine.positions),
        next_deadline_us=engine.next_deadline_us(),
        level=engine.level,
        notice_shown=bool(engine.notice_shown),
        saved=tuple(engine.saved()),
        kept=tuple(engine.kept()),
    )


def instants(session: Session, engine: Engine) -> Iterator[tuple[int, int, tuple[int, ...]]]:
    """The instants of a session (time, contacts, what arrived), with its polls in between.

    The caller advances `engine` to each before the next is asked for.
    """
    word = session.words[0]
    for place, (time_us, word_then, arrived) in enumerate(session.instants()):
        if place:
            style = session.polls[place % len(session.polls)]
            yield from ((poll_us, word, ()) for poll_us in _polls(engine, style, time_us))
        word = word_then
        yield time_us, word, arrived


def _polls(engine: Engine, style: str, before_us: int) -> Iterator[int]:
    if style == "none":
        return
    for _ in range(POLLS_A_GAP if style != "middle" else 1):
        now_us = engine.now_us
        deadline_us = engine.next_deadline_us()
        if style == "middle":
            time_us = (now_us + before_us) // 2
        elif deadline_us is None:
            return
        else:
            time_us = deadline_us + {"deadline": 0, "before": -1, "after": 1}[style]
            if time_us <= now_us:
                time_us = deadline_us
        if not now_us < time_us < before_us:
            return
        yield time_us


def run(factory: EngineFactory, design: Design, session: Session, kept: Sequence[int] | None = None, trace: bool = False) -> list[Output]:
    """All outputs of one session on one engine."""
    engine = factory(design, session.start_us, kept, trace)
    for instant in instants(session, engine):
        engine.advance(*instant)
    return engine.take_outputs()


def find_difference(design: Design, history: Sequence[Session], first: EngineFactory, second: EngineFactory) -> str | None:
    """Advance two engines through the same instants; the first difference as a readable report, or None.

    Compared at every instant: outputs, mode, cells, display, LEDs, tempo, clock, pedals and kept cells. Deadlines need not be
    equal, as an engine may wake for nothing, but none may put anything out before the deadline that it announced.
    """
    kept: tuple[int, ...] | None = None
    for number, session in enumerate(history):
        pair = [factory(design, session.start_us, kept, True) for factory in (first, second)]
        before: tuple[list[Output], list[Output]] = ([], [])
        states_before = [state_of(engine) for engine in pair]
        for time_us, word, arrived in instants(session, pair[0]):
            for engine in pair:
                engine.advance(time_us, word, arrived)
            outputs = [engine.take_outputs() for engine in pair]
            states = [state_of(engine) for engine in pair]
            early = any(_before_deadline(own, state, time_us) for own, state in zip(outputs, states_before, strict=True))
            states_before = states
            if outputs[0] != outputs[1] or early or _compared(states[0]) != _compared(states[1]):
                where = f"session {number}, advancing to {time_us} us with contacts {word:b}, {unpack(arrived)}, kept cells {kept}"
                return _report(design, session, where, pair, before, outputs, states)
            for past, new in zip(before, outputs, strict=True):
                past.extend(new)
        kept = states[0].kept
    return None


def _before_deadline(outputs: list[Output], before: State, now_us: int) -> bool:
    limit_us = now_us if before.next_deadline_us is None else min(now_us, before.next_deadline_us)
    return bool(outputs) and outputs[0].time_us < limit_us


def _compared(state: State) -> State:
    return replace(state, next_deadline_us=None)


def _report(
    design: Design,
    session: Session,
    where: str,
    engines: list[Engine],
    before: tuple[list[Output], list[Output]],
    outputs: list[list[Output]],
    states: list[State],
) -> str:
    changes = " ".join(f"{time_us}:{word:0{len(design.switches)}b}" for time_us, word in session.changes)
    lines = ["the engines differ: " + where, describe_design(design), f"contacts {changes}, until {session.end_us}"]
    lines += [f"arrivals at {time_us}: {unpack(arrived)}" for time_us, arrived in session.arrivals]
    lines.append("before:")
    lines += [f"    {show_output(design, output)}" for output in before[0][-SHOWN_OUTPUTS:]]
    same = 0
    while same < min(map(len, outputs)) and outputs[0][same] == outputs[1][same]:
        same += 1
    lines += [f"    {show_output(design, output)}" for output in outputs[0][:same]]
    for engine, own, state in zip(engines, outputs, states, strict=True):
        lines.append(f"{type(engine).__name__} from here:")
        lines += [f"    {show_output(design, output)}" for output in own[same : same + SHOWN_OUTPUTS]]
        lines.append(f"    {state}")
    return "\n".join(lines)


def show_output(design: Design, output: Output) -> str:
    if isinstance(output, Fired):
        binding = design.bindings[output.binding]
        return f"{output.time_us} fired {output.binding}: {binding.gesture} {design.keys[binding.key].name} of mode {binding.mode}"
    return f"{output.time_us} {output}"
