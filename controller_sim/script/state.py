"""Expectations on what the controller shows and holds: what is wanted, and what is there."""

from __future__ import annotations

from functools import singledispatch

from controller_sim.script.printer import duration_text, print_step
from controller_sim.script.syntax import (
    Expectation,
    ExpectClock,
    ExpectDisplay,
    ExpectLed,
    ExpectMemory,
    ExpectMessage,
    ExpectMode,
    ExpectPedal,
    ExpectRestart,
    ExpectTempo,
    Step,
    Timed,
)
from controller_sim.simulator.simulator import Simulator, cell_offset

_NO_POWER = "the power is off"


def is_state(step: Expectation) -> bool:
    return isinstance(step, Timed) and not isinstance(step, ExpectMessage | ExpectRestart)


def wanted_state(step: Step) -> str:
    """The expectation without its first word, and with its time in words."""
    text = print_step(step)
    text = text[text.index("expect ") + len("expect ") :]
    if isinstance(step, Timed) and step.within_us is not None and " within " not in text:
        text += f" within {duration_text(step.within_us)}"
    return text


@singledispatch
def observe(step: Expectation, _simulator: Simulator) -> tuple[bool, str]:
    """Whether an expectation on the state is met just now, and a text of what is there."""
    raise TypeError(f"no expectation on the state: {step!r}")


@observe.register
def _(step: ExpectDisplay, simulator: Simulator) -> tuple[bool, str]:
    text = simulator.display
    return text == "\n".join(step.lines), print_step(ExpectDisplay(lines=tuple(text.split("\n"))))[len("expect ") :]


@observe.register
def _(step: ExpectLed, simulator: Simulator) -> tuple[bool, str]:
    level = simulator.leds[step.led]
    return level == step.level, f"led {step.led} {level}"


@observe.register
def _(step: ExpectMode, simulator: Simulator) -> tuple[bool, str]:
    mode = simulator.mode
    if mode is None:
        return False, "no mode yet" if simulator.powered else _NO_POWER
    return mode == step.mode, f"mode {mode}"


@observe.register
def _(step: ExpectMemory, simulator: Simulator) -> tuple[bool, str]:
    if not simulator.powered:
        return False, _NO_POWER
    _, offset = cell_offset(simulator.design, step.cell, step.indices)
    value = simulator.powered_engine().cells[offset]
    indices = f"[{', '.join(map(str, step.indices))}]" if step.indices else ""
    return value == step.value, f"memory {step.cell}{indices} = {value}"


@observe.register
def _(step: ExpectPedal, simulator: Simulator) -> tuple[bool, str]:
    if not simulator.powered:
        return False, _NO_POWER
    position = simulator.positions[step.pedal]
    return position == step.position, f"pedal {step.pedal} = {position}"


@observe.register
def _(step: ExpectTempo, simulator: Simulator) -> tuple[bool, str]:
    if not simulator.powered:
        return False, _NO_POWER
    return simulator.tempo == step.tempo, f"tempo {simulator.tempo}"


@observe.register
def _(step: ExpectClock, simulator: Simulator) -> tuple[bool, str]:
    if not simulator.powered:
        return False, _NO_POWER
    running = simulator.clock_running
    return running == step.running, f"clock {'running' if running else 'stopped'}"
