"""What actions, conditions, texts and LEDs are made of in the intermediate form: expressions and statements.

See `form` for what holds them and for what their numbers mean.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Expression:
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Constant(Expression):
    @property
    def value(self) -> int:
        return self.low


@dataclass(frozen=True, slots=True)
class CellValue(Expression):
    """A memory cell; `index` is the element's place in the cell's array, row by row (None: a plain cell)."""

    cell: int
    index: Expression | None


@dataclass(frozen=True, slots=True)
class Local(Expression):
    """A parameter, loop variable or local of the procedure, by its slot."""

    slot: int


@dataclass(frozen=True, slots=True)
class Unary(Expression):
    """`-`, `abs` (integers) or `not` (0 or 1)."""

    operator: str
    operand: Expression


@dataclass(frozen=True, slots=True)
class Binary(Expression):
    """`+ - * // % min max`; `//` and `%` floor, as in Python, and the divisor is proved not to be 0."""

    operator: str
    left: Expression
    right: Expression


@dataclass(frozen=True, slots=True)
class Compare(Expression):
    """`== != < <= > >=`; chains are written out with `and` by the loader."""

    operator: str
    left: Expression
    right: Expression


@dataclass(frozen=True, slots=True)
class Logic(Expression):
    """`and` / `or` of truths, giving 0 or 1; the right side is not evaluated when the left decides."""

    operator: str
    left: Expression
    right: Expression


@dataclass(frozen=True, slots=True)
class Choice(Expression):
    """`then if condition else otherwise`."""

    condition: Expression
    then: Expression
    otherwise: Expression


@dataclass(frozen=True, slots=True)
class Reading(Expression):
    """A fact that the engine keeps: `tempo` (beats a minute, rounded) or `clock_running` (0 or 1).

    Promises alone read `mode` (its index) and `notice_shown` (0 or 1) too.
    """

    name: str


@dataclass(frozen=True, slots=True)
class Changed(Expression):
    """Whether what the current mode drafts differs from its snapshot: an element, a whole cell (an array without `index`),
    or anything (`cell` None). 0 for what the mode does not draft."""

    cell: int | None
    index: Expression | None


@dataclass(frozen=True, slots=True)
class Position(Expression):
    """Where a pedal stands, in what it gives; before its first reading it stands at the heel."""

    pedal: int


@dataclass(frozen=True, slots=True)
class Lit(Expression):
    """The value of an LED as it was last put out. Only promises read it."""

    led: int


@dataclass(frozen=True, slots=True)
class Down(Expression):
    """Whether a switch is down, debounced. Only promises ask."""

    switch: Expression


@dataclass(frozen=True, slots=True)
class Shows(Expression):
    """Whether the display shows a text (`inside`: has it somewhere) as it was last put out. Only promises ask.

    `line` counts from 0; None: the whole display.
    """

    line: int | None
    text: Text
    inside: bool


@dataclass(frozen=True, slots=True)
class Was(Expression):
    """What a value was at the end of the instant before; before the first mode, what it is now. Only promises ask."""

    value: Expression


@dataclass(frozen=True, slots=True)
class Field:
    """A value inside a text: at least `width` characters, filled with `fill` on the left (numbers), or a name."""

    expression: Expression
    width: int = 0
    fill: str = " "
    names: tuple[str, ...] = ()
    """When not empty, the text is `names[value]`."""


@dataclass(frozen=True, slots=True)
class Text:
    parts: tuple[str | Field, ...]


class Statement:
    __slots__ = ()


@dataclass(frozen=True, slots=True)
class SetCell(Statement):
    """Store a value; a cell that wraps or clamps does so here (`low + (value - low) % size`, or the nearer end)."""

    cell: int
    index: Expression | None
    value: Expression


@dataclass(frozen=True, slots=True)
class SetLocal(Statement):
    slot: int
    value: Expression


@dataclass(frozen=True, slots=True)
class SetTempo(Statement):
    """Set the tempo in beats a minute, clamped to the design's range."""

    value: Expression


@dataclass(frozen=True, slots=True)
class If(Statement):
    condition: Expression
    then: tuple[Statement, ...]
    otherwise: tuple[Statement, ...]


@dataclass(frozen=True, slots=True)
class For(Statement):
    """`for slot in range(start, stop, step)`; all three are constants and step is not 0."""

    slot: int
    start: int
    stop: int
    step: int
    body: tuple[Statement, ...]


@dataclass(frozen=True, slots=True)
class Call(Statement):
    procedure: int
    arguments: tuple[Expression, ...]


@dataclass(frozen=True, slots=True)
class Send(Statement):
    """One whole MIDI message, byte by byte, to a set of ports (SERIAL | USB), now or after `delay_us`."""

    ports: int
    data: tuple[Expression, ...]
    delay_us: int = 0


@dataclass(frozen=True, slots=True)
class Hasten(Statement):
    """When this very note-off waits in the queue of delayed messages, the first such leaves now.

    Not where a note-on of its note waits before it: that one would be left without an end.
    """

    ports: int
    data: tuple[Expression, ...]


@dataclass(frozen=True, slots=True)
class CancelDelayed(Statement):
    """Drop the delayed messages that wait; the note-offs among them leave now instead."""


@dataclass(frozen=True, slots=True)
class Enter(Statement):
    mode: int


@dataclass(frozen=True, slots=True)
class Notice(Statement):
    """Cover the display with a text, worked out now, for a time."""

    text: Text
    duration_us: int


@dataclass(frozen=True, slots=True)
class TapTempo(Statement):
    """One tap of tap tempo, at the physical press of the key whose gesture runs this action."""


@dataclass(frozen=True, slots=True)
class ClockRun(Statement):
    """Start (`running` 1) or stop (0) the MIDI clock; no effect when it is so already."""

    running: int


@dataclass(frozen=True, slots=True)
class RestartTimer(Statement):
    """The timer of that number of the current mode counts anew from now; nothing where the mode has none."""

    timer: int


@dataclass(frozen=True, slots=True)
class SaveDraft(Statement):
    pass


@dataclass(frozen=True, slots=True)
class CancelDraft(Statement):
    pass


@dataclass(frozen=True, slots=True)
class FactoryValues(Statement):
    """Give cells their first values again, in a draft's snapshot too, so that cancelling does not bring the old ones back."""

    cells: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Restart(Statement):
    """At the end of the instant: leave the mode and begin again as at power-on, with what is kept."""
