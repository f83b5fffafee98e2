"""Small designs built by hand, and scripts played on the reference engine, so that the rules are tested without the loader.

A script is text such as `100 a; 150 ab; 160 -; 1000`: at 100 ms switch a is down, at 150 ms a and b, at 160 ms none, and it ends
at 1000 ms.
A run is a list of lines such as `160 tap a`, also in milliseconds. Power comes on at 0 and has settled long before 100 ms.
"""

from dataclasses import dataclass, replace
from types import SimpleNamespace

import pytest

from controller_sim.design import form, program
from controller_sim.design.form import (
    Action,
    Binding,
    Cell,
    Debounce,
    Design,
    Key,
    Mode,
    Place,
    PowerOnBinding,
    Procedure,
    Repeat,
    Tempo,
    Timer,
    Timing,
)
from controller_sim.design.outputs import Edge, Ended, Fired, LedSet, Message, ModeEntered, Restarted, Shown
from controller_sim.design.program import Constant, Enter, Send
from controller_sim.reference import ReferenceEngine

PLACE = Place("test", 1, 1)
SWITCHES = "abcdef"
AT_ONCE = Debounce("lockout", 0)
REPEAT = Repeat(400_000, ((100_000, 2),), 50_000)
TIMING = Timing(AT_ONCE, AT_ONCE, chord_us=45_000, hold_us=500_000, double_us=300_000, repeat=REPEAT)


@dataclass(frozen=True)
class Bind:
    """`gesture key [milliseconds] [eager]`, what it does, and when."""

    text: str
    does: tuple = ()
    when: object = None


@dataclass(frozen=True)
class Scene:
    """A mode to be built; timers are (milliseconds, every, statements)."""

    on: tuple = ()
    enter: tuple | None = None
    leave: tuple | None = None
    timers: tuple = ()
    views: tuple = ()
    leds: tuple = ()
    draft: tuple = ()
    on_other_exit: str = "cancel"


def constant(value):
    return Constant(value, value)


def cell_value(cell):
    return program.CellValue(-(2**31), 2**31 - 1, cell, None)


def equals(cell, value):
    return program.Compare(0, 1, "==", cell_value(cell), constant(value))


def store(cell, value):
    return program.SetCell(cell, None, value if isinstance(value, program.Expression) else constant(value))


def add(cell, amount):
    return store(cell, program.Binary(-(2**31), 2**31 - 1, "+", cell_value(cell), constant(amount)))


def send(*data, delay_ms=0):
    return Send(form.SERIAL, tuple(constant(byte) for byte in data), delay_ms * 1000)


def text(*parts):
    return program.Text(tuple(part if isinstance(part, str) else program.Field(part) for part in parts))


def cell(name="cell", low=0, high=127, start=0, shape=(), ends="proved", keep=False, starts=()):
    return Cell(name, low, high, start, shape, ends, keep, (), 0, PLACE, starts)


class _Builder:
    def __init__(self):
        self.procedures, self.bindings, self.keys = [], [], [Key(s, (i,), 1 << i) for i, s in enumerate(SWITCHES)]

    def action(self, statements):
        self.procedures.append(Procedure(f"p{len(self.procedures)}", 0, 8, tuple(statements), PLACE))
        return Action(len(self.procedures) - 1, ())

    def optional(self, statements):
        return None if statements is None else self.action(statements)

    def key(self, name):
        members = tuple(sorted(SWITCHES.index(switch) for switch in name.split("+")))
        mask = sum(1 << member for member in members)
        for number, key in enumerate(self.keys):
            if key.mask == mask:
                return number
        self.keys.append(Key(name, members, mask))
        return len(self.keys) - 1

    def mode(self, number, name, scene):
        conditions, numbers = [], []
        for bind in scene.on:
            gesture, key, *rest = bind.text.split()
            condition = None
            if bind.when is not None:
                conditions.append(bind.when)
                condition = len(conditions) - 1
            hold_us = next((int(word) * 1000 for word in rest if word.isdigit()), 500_000 if gesture == "hold" else 0)
            numbers.append(len(self.bindings))
            action = self.action(bind.does)
            self.bindings.append(Binding(number, gesture, self.key(key), action, PLACE, condition, hold_us, "eager" in rest))
        timers = tuple(Timer(int(period * 1000), every, self.action(does)) for period, every, does in scene.timers)
        enter, leave = self.optional(scene.enter), self.optional(scene.leave)
        views = tuple(form.View(condition, lines) for condition, lines in scene.views)
        leds = scene.leds or (constant(0), constant(0))
        return Mode(name, PLACE, tuple(numbers), tuple(conditions), enter, leave, timers, views, leds, scene.draft, scene.on_other_exit)


def build(*scenes, timing=TIMING, cells=(), power_on=(), tempo=None, delayed_messages=4, **changes):
    """A design whose modes are `scenes`, the first one its home. `power_on` holds (switches, statements)."""
    builder = _Builder()
    modes = tuple(builder.mode(number, f"m{number}", scene) for number, scene in enumerate(scenes))
    gestures = tuple(
        PowerOnBinding(sum(1 << SWITCHES.index(s) for s in switches), builder.action(does), PLACE) for switches, does in power_on
    )
    placed, offset = [], 0
    for one in cells:
        placed.append(replace(one, offset=offset))
        offset += one.size
    return Design(
        "test", "test", tuple(SWITCHES), ("a", "b"), 1, 40, replace(timing, **changes), tempo or Tempo(ports=form.SERIAL), False,
        delayed_messages, (), tuple(placed), tuple(builder.keys), tuple(builder.procedures), tuple(builder.bindings), modes, 0, gestures,
    )  # fmt: skip


def microseconds(milliseconds):
    whole, _, rest = milliseconds.partition(".")
    return int(whole) * 1000 + int(rest.ljust(3, "0") if rest else 0)


def milliseconds(time_us):
    return f"{time_us // 1000}.{time_us % 1000:03}".rstrip("0").rstrip(".")


def line(design, output):
    match output:
        case Fired():
            binding = design.bindings[output.binding]
            what = f"{binding.gesture} {design.keys[binding.key].name}"
            if binding.gesture == "hold" and binding.hold_us != 500_000:
                what += f" {binding.hold_us // 1000}"
        case Ended():
            what = f"{output.fate} {SWITCHES[output.switch]}"
        case ModeEntered():
            what = f"mode {output.mode}"
        case Message():
            what = output.data.hex(" ").upper()
        case LedSet():
            what = f"led {output.led} {output.value}"
        case Shown():
            what = f"shows {output.text!r}"
        case Restarted():
            what = "restarts"
        case Edge():
            what = f"edge {SWITCHES[output.switch]} {'down' if output.down else 'up'}"
    return f"{milliseconds(output.time_us)} {what}"


def steps(script):
    for step in script.split(";"):
        time, *switches = step.split()
        yield microseconds(time), sum(1 << SWITCHES.index(s) for s in switches[0] if s != "-") if switches else None


def start(design, script, start_us=0, **options):
    engine = ReferenceEngine(design, start_us, **options)
    word = 0
    for time_us, new in steps(script):
        word = word if new is None else new
        engine.advance(start_us + time_us, word)
    return engine


def run(design, script, **options):
    """All lines of a run from the first press on; what power-on gives (before 100 ms) is left out unless `whole` is true."""
    whole = options.pop("whole", False)
    outputs = start(design, script, **options).take_outputs()
    return [line(design, output) for output in outputs if whole or output.time_us >= 100_000]


@pytest.fixture(scope="session")
def stage():
    return SimpleNamespace(
        Bind=Bind, Scene=Scene, build=build, run=run, start=start, line=line, timing=TIMING, form=form,
        program=program,
        constant=constant, equals=equals, store=store, add=add, send=send, enter=Enter, text=text, cell=cell, cell_value=cell_value,
        on=lambda *texts: Scene(tuple(map(Bind, texts))),
    )  # fmt: skip
