"""The steps of a press script, as values. Times are whole microseconds; names are those of the design."""

from __future__ import annotations

from dataclasses import dataclass, field

from controller_sim.simulator.simulator import TAP_US

WITHIN_US = 100_000
"""How long an expectation waits when nothing else is said."""
READY_US = 100_000
"""From power-on until a script's next step when nothing else is said."""
READ_EVERY_US = 5_000
"""From one reading of a sweeping pedal to the next when nothing else is said."""
LONGEST_US = 24 * 3600 * 1_000_000
"""The longest that a script may last."""
MOST_STEPS = 100_000
MOST_ARRIVALS = 500_000
MOST_CHARACTERS = 10_000_000


class ScriptError(Exception):
    """A script that cannot be played. `str()` gives `file:line:column: message`, the line and a caret.

    Lines and columns count from 1; line 0 means the script as a whole.
    """

    def __init__(self, message: str, file: str = "<script>", line: int = 0, column: int = 1, text: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.file = file
        self.line = line
        self.column = column
        self.text = text

    def __str__(self) -> str:
        if not self.line:
            return f"{self.file}: {self.message}"
        place = f"{self.file}:{self.line}:{self.column}: {self.message}"
        # Tabs stay tabs under the line, so that the caret stands where the eye expects it.
        lead = "".join("\t" if character == "\t" else " " for character in self.text[: self.column - 1])
        return f"{place}\n    {self.text}\n    {lead}^"


@dataclass(frozen=True, slots=True)
class When:
    """A step's own time: counted from the script's start (`at`), or from where the clock is (`+`)."""

    time_us: int
    absolute: bool


@dataclass(frozen=True, slots=True)
class Bounce:
    """Each change of a contact is followed by an even number of further ones, all less than `time_us` after it."""

    time_us: int
    seed: int = 0


@dataclass(frozen=True, slots=True)
class Jitter:
    """Each reading is off by 0..`most` either way, inside what the pedal reads."""

    most: int
    seed: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    when: When | None = None
    line: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change(Step):
    """Contacts close (`down`) or open, all at once."""

    switches: tuple[str, ...]
    down: bool
    bounce: Bounce | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Press(Step):
    """Switches go down, the last `skew_us` after the first, and up together `length_us` after the last went down.

    With `gap_us` all of it happens twice, the second time that long after the first release.
    """

    switches: tuple[str, ...]
    length_us: int = TAP_US
    skew_us: int = 0
    gap_us: int | None = None
    bounce: Bounce | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait(Step):
    duration_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Move(Step):
    """A pedal is read once, at the raw reading `to`."""

    pedal: str
    to: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep(Step):
    """A pedal moves evenly from one raw reading to another and is read every `every_us` and at the end; None: from where it stands."""

    pedal: str
    start: int | None
    to: int
    duration_us: int
    every_us: int = READ_EVERY_US
    jitter: Jitter | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Receive(Step):
    """Bytes arrive at a port, all at once; they need not be whole messages. With `every_us` again and again for `duration_us`."""

    port: str
    data: bytes
    every_us: int | None = None
    duration_us: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerOff(Step):
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerOn(Step):
    holding: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation(Step):
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class CutPower(Expectation):
    """The power fails while the next save writes its byte `byte` (from 1), which then holds `leaving`; None: what it held before.

    That there is such a save is what is expected.
    """

    byte: int
    leaving: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Timed(Expectation):
    """An expectation to be met within a time from the clock; None: at this very instant."""

    within_us: int | None = WITHIN_US


@dataclass(frozen=True, slots=True)
class Pattern:
    """A message as a script names it. `kind` is a name of the MIDI message table, or `bytes` for raw ones.

    `values` may lack the last one of a kind with two data bytes, which then may be any. `channel` is 1..16 and only given when
    the message is expected on a port rather than at a device.
    """

    kind: str
    values: tuple[int, ...] = ()
    channel: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectMessage(Timed):
    to: str
    """A device or a port."""
    message: Pattern


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectNoMessages(Expectation):
    to: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectSilence(Expectation):
    duration_us: int
    to: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectNothingElse(Expectation):
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectRestart(Timed):
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectDisplay(Timed):
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectLed(Timed):
    led: str
    level: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectMode(Timed):
    mode: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectMemory(Timed):
    cell: str
    value: int
    indices: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectTempo(Timed):
    tempo: int
    """Beats a minute."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectClock(Timed):
    running: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectPedal(Timed):
    pedal: str
    position: int
    """In what the pedal gives."""


@dataclass(frozen=True, slots=True)
class Script:
    """A whole script. `file` and `text` serve messages only and take no part in comparison."""

    steps: tuple[Step, ...]
    file: str = field(default="<script>", compare=False)
    text: str = field(default="", compare=False, repr=False)

    def line_text(self, line: int) -> str:
        """A line of the file, counted from 1; empty if there is none."""
        lines = self.text.split("\n")
        return lines[line - 1].rstrip("\r") if 0 < line <= len(lines) else ""
