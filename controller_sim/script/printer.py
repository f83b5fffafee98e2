"""From steps to text: the inverse of parsing."""

from __future__ import annotations

import json
from functools import singledispatch

from controller_sim.script.patterns import RAW
from controller_sim.script.syntax import (
    READ_EVERY_US,
    WITHIN_US,
    Bounce,
    Change,
    CutPower,
    ExpectClock,
    ExpectDisplay,
    ExpectLed,
    ExpectMemory,
    ExpectMessage,
    ExpectMode,
    ExpectNoMessages,
    ExpectNothingElse,
    ExpectPedal,
    ExpectRestart,
    ExpectSilence,
    ExpectTempo,
    Move,
    Pattern,
    PowerOff,
    PowerOn,
    Press,
    Receive,
    Script,
    Step,
    Sweep,
    Timed,
    Wait,
)
from controller_sim.simulator.simulator import GAP_US, TAP_US

_HOLD_US = 500_000
"""A press from this length on is written as a hold."""


def print_script(script: Script) -> str:
    """The text of a script, which parses to the same steps."""
    return "format 1\n" + "".join(print_step(step) + "\n" for step in script.steps)


def print_step(step: Step) -> str:
    """One line, without its end."""
    text = _body(step)
    if isinstance(step, Timed) and step.within_us != WITHIN_US:
        text += " now" if step.within_us is None else f" within {duration_text(step.within_us)}"
    if step.when is None:
        return text
    time = duration_text(step.when.time_us)
    return f"at {time} {text}" if step.when.absolute else f"+{time} {text}"


def duration_text(time_us: int) -> str:
    """The shortest exact text of a duration: `1.5s`, `60ms`, `250us`."""
    for unit, size, digits in (("s", 1_000_000, 6), ("ms", 1000, 3)):
        if time_us >= size or time_us == 0:
            whole, rest = divmod(time_us, size)
            fraction = f"{rest:0{digits}}".rstrip("0")
            return f"{whole}.{fraction}{unit}" if fraction else f"{whole}{unit}"
    return f"{time_us}us"


@singledispatch
def _body(step: Step) -> str:
    raise TypeError(f"no step of a script: {step!r}")


@_body.register
def _(step: Change) -> str:
    return f"{'down' if step.down else 'up'} {'+'.join(step.switches)}" + _bounce(step.bounce)


@_body.register
def _(step: Press) -> str:
    keys = "+".join(step.switches)
    if step.gap_us is not None:
        text = f"double {keys}" + (f" gap {duration_text(step.gap_us)}" if step.gap_us != GAP_US else "")
    elif step.length_us >= _HOLD_US:
        text = f"hold {keys}"
    else:
        text = f"{'tap' if len(step.switches) == 1 else 'chord'} {keys}"
    if step.skew_us:
        text += f" skew {duration_text(step.skew_us)}"
    if step.length_us != TAP_US:
        text += f" for {duration_text(step.length_us)}"
    return text + _bounce(step.bounce)


def _bounce(bounce: Bounce | None) -> str:
    if bounce is None:
        return ""
    return f" bounce {duration_text(bounce.time_us)}" + (f" seed {bounce.seed}" if bounce.seed else "")


@_body.register
def _(step: Wait) -> str:
    return f"wait {duration_text(step.duration_us)}"


@_body.register
def _(step: Move) -> str:
    return f"move {step.pedal} {step.to}"


@_body.register
def _(step: Sweep) -> str:
    start = "" if step.start is None else f"{step.start} "
    every = "" if step.every_us == READ_EVERY_US else f" every {duration_text(step.every_us)}"
    jitter = "" if step.jitter is None else f" jitter {step.jitter.most}" + (f" seed {step.jitter.seed}" if step.jitter.seed else "")
    return f"move {step.pedal} {start}to {step.to} over {duration_text(step.duration_us)}{every}{jitter}"


@_body.register
def _(step: Receive) -> str:
    text = f"receive from {step.port} {step.data.hex(' ').upper()}"
    return text if step.every_us is None else f"{text} every {duration_text(step.every_us)} for {duration_text(step.duration_us)}"


@_body.register
def _(_step: PowerOff) -> str:
    return "power off"


@_body.register
def _(step: PowerOn) -> str:
    return "power on" + (f" holding {'+'.join(step.holding)}" if step.holding else "")


@_body.register
def _(step: CutPower) -> str:
    return f"cut power at byte {step.byte}" + ("" if step.leaving is None else f" leaving {step.leaving:02X}")


@_body.register
def _(step: ExpectMessage) -> str:
    return f"expect message to {step.to} {pattern_text(step.message)}"


def pattern_text(pattern: Pattern) -> str:
    """A message as a script writes it, after its destination."""
    if pattern.kind == RAW:
        return bytes(pattern.values).hex(" ").upper()
    text = " ".join([pattern.kind, *map(str, pattern.values)])
    return text if pattern.channel is None else f"{text} channel {pattern.channel}"


@_body.register
def _(step: ExpectNoMessages) -> str:
    return "expect no messages" + _to(step.to)


@_body.register
def _(step: ExpectSilence) -> str:
    return f"expect silence{_to(step.to)} for {duration_text(step.duration_us)}"


def _to(name: str | None) -> str:
    return "" if name is None else f" to {name}"


@_body.register
def _(_step: ExpectNothingElse) -> str:
    return "expect nothing else"


@_body.register
def _(_step: ExpectRestart) -> str:
    return "expect restart"


@_body.register
def _(step: ExpectDisplay) -> str:
    return "expect display " + " / ".join(json.dumps(line, ensure_ascii=False) for line in step.lines)


@_body.register
def _(step: ExpectLed) -> str:
    return f"expect led {step.led} {step.level}"


@_body.register
def _(step: ExpectMode) -> str:
    return f"expect mode {step.mode}"


@_body.register
def _(step: ExpectMemory) -> str:
    indices = f"[{', '.join(map(str, step.indices))}]" if step.indices else ""
    return f"expect memory {step.cell}{indices} = {step.value}"


@_body.register
def _(step: ExpectPedal) -> str:
    return f"expect pedal {step.pedal} = {step.position}"


@_body.register
def _(step: ExpectTempo) -> str:
    return f"expect tempo {step.tempo}"


@_body.register
def _(step: ExpectClock) -> str:
    return f"expect clock {'running' if step.running else 'stopped'}"
