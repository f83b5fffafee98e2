"""The intermediate form of a design: small, typed, and the only thing that engines and ports read.

Every value is a signed 32-bit integer; truth is 0 or 1. Every expression carries the interval that the
loader proved for it (`low`..`high`, both inside). Times are microseconds. A switch, LED, cell, mode,
procedure, key, pedal, binding or response is named by its index in the tuple of `Design` that holds it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from controller_sim.design.program import Expression, Statement, Text

SERIAL = 1
USB = 2
PORT_NAMES = {"serial": SERIAL, "usb": USB}

GESTURES = ("press", "release", "tap", "hold", "repeat", "double")
LED_LEVELS = ("off", "on", "blink", "dim")
"""What the lowest two bits of an LED's value say; the bits above are a colour, by its number among the LED's own."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands in a design file; line and column count from 1."""

    file: str
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Procedure:
    """Statements with parameters in slots 0..parameters-1; `locals` counts all slots. Callees come earlier."""

    name: str
    parameters: int
    locals: int
    body: tuple[Statement, ...]
    place: Place
    names: tuple[str, ...] = ()
    """What the locals are called in the design, by slot; those beyond have no name there."""


@dataclass(frozen=True, slots=True)
class Action:
    """A procedure with constant arguments: what a binding, a timer, or entering and leaving runs."""

    procedure: int
    arguments: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Key:
    """A single switch or a chord. The first keys of a design are its switches, in order; chords follow."""

    name: str
    members: tuple[int, ...]
    mask: int


@dataclass(frozen=True, slots=True)
class Binding:
    """What a gesture on a key does in a mode. `condition` is an index in the mode's conditions, or None."""

    mode: int
    gesture: str
    key: int
    action: Action
    place: Place
    condition: int | None = None
    hold_us: int = 0
    """Only for `hold`: how long the key must be down."""
    eager: bool = False


@dataclass(frozen=True, slots=True)
class Moved:
    """A pedal has another position than at its last move, and its rate allows one."""

    pedal: int


@dataclass(frozen=True, slots=True)
class Received:
    """A whole message has arrived: `status` with its channel, at one of `ports`, each of its values in its low..high.

    The values are its two data bytes, 0 where it has fewer; of a SysEx its first bytes, of which it has at least as many.
    """

    status: int
    ports: int
    data: tuple[tuple[int, int], ...] = ((0, 127), (0, 127))
    bits: int = 7
    """14: a control change of a pair; its values are the number of the upper half, 0..31, and what both halves make."""


@dataclass(frozen=True, slots=True)
class Response:
    """What something that is no press does in a mode: of several for one cause the first that applies.

    `arguments` are those of the procedure, over the message's values as locals from 0 on.
    """

    mode: int
    cause: Moved | Received
    procedure: int
    arguments: tuple[Expression, ...]
    place: Place
    condition: int | None = None
    """An index in the mode's conditions, read when the cause happens."""

    @property
    def values(self) -> int:
        """How many values the cause has."""
        return 0 if isinstance(self.cause, Moved) else len(self.cause.data)


@dataclass(frozen=True, slots=True)
class Timer:
    """`every`: at entry + n * period, else once at entry + period."""

    period_us: int
    every: bool
    action: Action


@dataclass(frozen=True, slots=True)
class View:
    """One way the display can look: the first view of a mode whose condition holds (or is None) is shown."""

    condition: Expression | None
    lines: tuple[Text, ...]


@dataclass(frozen=True, slots=True)
class Mode:
    name: str
    place: Place
    bindings: tuple[int, ...]
    """Indices in Design.bindings, in the order of the file."""
    conditions: tuple[Expression, ...] = ()
    enter: Action | None = None
    leave: Action | None = None
    timers: tuple[Timer, ...] = ()
    views: tuple[View, ...] = ()
    leds: tuple[Expression, ...] = ()
    """One expression for each LED of the design: its level, 0..3, and with colours 4 times the colour more."""
    draft: tuple[int, ...] = ()
    on_other_exit: str = "cancel"
    """What leaving does to the drafted cells when neither saved nor cancelled: cancel or save."""
    delayed: str = "complete"
    """What leaving does to the delayed messages that were sent in this mode and still wait: complete or cancel."""
    responses: tuple[int, ...] = ()
    """Indices in Design.responses, the mode's own first."""


@dataclass(frozen=True, slots=True)
class PowerOnBinding:
    """Runs when exactly the switches in `mask` are down once the contacts have settled after power-on."""

    mask: int
    action: Action
    place: Place


@dataclass(frozen=True, slots=True)
class Debounce:
    kind: str
    """`settle` or `lockout`."""
    time_us: int


@dataclass(frozen=True, slots=True)
class Repeat:
    """First after `first_us`, then each (period, count) in turn, then `last_us` for as long as it lasts."""

    first_us: int
    steps: tuple[tuple[int, int], ...]
    last_us: int


@dataclass(frozen=True, slots=True)
class Timing:
    press: Debounce
    release: Debounce
    chord_us: int
    hold_us: int
    double_us: int
    repeat: Repeat


@dataclass(frozen=True, slots=True)
class Tempo:
    low: int = 30
    high: int = 240
    start: int = 120
    ports: int = 0
    """Where the MIDI clock goes (SERIAL | USB)."""
    follow: int = 0
    """The port whose MIDI clock sets the tempo; 0: none."""


@dataclass(frozen=True, slots=True)
class Thru:
    """What arrives at a port and goes on to others: bit n of `kinds` is set for messages of kind n (core.kinds.kind_of)."""

    source: int
    ports: int
    kinds: int


@dataclass(frozen=True, slots=True)
class Pedal:
    """An analogue input. Readings from `heel` to `toe`, which are the inner ends of the dead zones, count; the rest is the nearer end.

    `points` are what it gives at equal steps of the way from heel to toe, in between straight lines.
    """

    name: str
    heel: int
    toe: int
    """heel and toe are different readings, 0..65535; either may be the larger one."""
    points: tuple[int, ...]
    hysteresis: int
    """A reading counts only if it differs by more than this from the last that did, or is an end."""
    every_us: int
    """At least this long from move to move."""
    moves_first: bool = False
    """Whether the first reading after power-on is a move."""
    reads: tuple[int, int] = (0, 1023)

    @property
    def low(self) -> int:
        return min(self.points)

    @property
    def high(self) -> int:
        return max(self.points)


@dataclass(frozen=True, slots=True)
class Controller:
    name: str
    number: int
    low: int = 0
    high: int = 127
    on: int | None = None
    off: int | None = None
    bits: int = 7
    """14: the value goes as a pair, to `number` and then to `lower_number`."""

    @property
    def lower_number(self) -> int | None:
        """Takes the lower seven bits of 14: 32 above `number` (MIDI 1.0 Detailed Specification 4.2.1, p. 12)."""
        return self.number + 32 if self.bits == 14 else None


@dataclass(frozen=True, slots=True)
class Device:
    name: str
    channel: int
    """0..15, as on the wire."""
    ports: int
    programs: tuple[int, int] | None
    """Lowest and highest program number it accepts, as on the wire; None: it takes no program change."""
    controllers: tuple[Controller, ...] | None
    """None: it takes any controller, 0..127."""
    notes: tuple[int, int] | None
    bank_select: str = "none"
    numbers_from: int = 0


@dataclass(frozen=True, slots=True)
class Cell:
    name: str
    low: int
    high: int
    start: int
    shape: tuple[int, ...]
    """() for a plain cell, (n,) or (rows, columns)."""
    ends: str
    """`wrap`, `clamp`, or `proved` (the loader proved that nothing outside the range is ever stored)."""
    keep: bool
    names: tuple[str, ...]
    offset: int
    """Where its first element stands in the engine's flat memory."""
    place: Place
    starts: tuple[int, ...] = ()
    """Every element's first value where they differ; empty: all are `start`."""
    texts: tuple[tuple[int, str], ...] = ()
    """What displays show for some values. The loader writes it out into views and notices, so engines need not know."""

    @property
    def start_values(self) -> tuple[int, ...]:
        """The first value of every element, row by row."""
        return self.starts or (self.start,) * self.size

    @property
    def size(self) -> int:
        size = 1
        for n in self.shape:
            size *= n
        return size


@dataclass(frozen=True, slots=True)
class Storage:
    """The chip that holds kept cells, and which images of it may be taken over."""

    bytes: int = 1024
    version: int = 1
    """Of what the kept values mean, 1..255. A newer image is refused."""
    oldest: int = 1
    """The oldest version whose values still mean the same; an older image is refused."""


@dataclass(frozen=True, slots=True)
class Budget:
    """What a design promises of its own speed, for `check` to hold it to; None: it promises nothing."""

    latency_us: int | None = None
    """Of presses that send something: from the contact to the last byte, on an idle line."""
    release_us: int | None = None
    """The same of releases."""
    tap_us: int | None = None
    """Of taps: from the contact opening to the tap."""
    jitter_us: int | None = None
    """Of a MIDI clock byte on the serial line."""
    buffer_bytes: int | None = None
    """What the transmit buffer of the serial port holds."""
    scan_us: int = 1000
    """No promise but a fact of the firmware: how long from one look at the contacts and deadlines to the next, at most."""


@dataclass(frozen=True, slots=True)
class Gestured:
    """A gesture is taken on one of some keys, in whatever mode binds it."""

    gesture: str
    keys: tuple[int, ...]
    hold_us: int = 0
    """Only for `hold`."""


@dataclass(frozen=True, slots=True)
class Sent:
    """A message is handed to one of `message.ports`; a note-on of velocity 0 counts as a note-off of velocity 64.

    Of a controller of 14 bits: its lower half is, after an upper one. A `message.status` of 0..15 is any message on that channel.
    """

    message: Received


@dataclass(frozen=True, slots=True)
class Turned:
    """A mode is entered, or left."""

    mode: int
    entered: bool


@dataclass(frozen=True, slots=True)
class Started:
    """The controller begins: power comes on, or it restarts."""

    restarted: bool


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens at an instant, as a promise speaks of it. `Received` and `Moved` count where a response answers them."""

    what: Gestured | Sent | Received | Moved | Turned | Started
    values: tuple[Expression, ...] = ()
    """What it gives names to: over a message's values, or a single switch and its place in the group, as locals 0 and 1."""
    names: tuple[str, ...] = ()
    """What the first of `values` are called in the file; the others have no name."""
    first: int = 0
    """The promise's local that the first of `values` becomes; the others follow."""
    condition: Expression | None = None
    """Over the promise's locals. If `looks_back`, it is read as things were before that instant."""

    @property
    def looks_back(self) -> bool:
        """Whether what it comes of is what its instant begins with: a gesture, a move, or a message received."""
        return isinstance(self.what, Gestured | Moved | Received)


Trigger = Event | Expression
"""What a promise waits for. An expression: its being so at the end of an instant."""


@dataclass(frozen=True, slots=True)
class Promise:
    """What an author says is so in every run; engines know nothing of it.

    It is in force for the whole run, at the instants at which `during` holds, or from each `after` on, up to `until` or for
    `within_us`. While it is in force, `what` is so at the end of every instant (`always`), does not happen (`never`), or must
    happen before it ends (`comes`).
    """

    name: str
    place: Place
    kind: str
    what: tuple[Trigger, ...]
    """Any of these; of `always` there is one, an expression."""
    during: Expression | None = None
    after: tuple[Trigger, ...] = ()
    """Each of these; of an expression its becoming true."""
    until: tuple[Trigger, ...] = ()
    """The first of these."""
    within_us: int | None = None
    """The last instant at which it is in force is this long after `after`."""
    named: int = 0
    """How many locals every `after` gives values to, its first ones; promises that are in force at one time differ in these."""


@dataclass(frozen=True, slots=True)
class Design:
    """A whole design, checked. Every index in it leads somewhere, and no action in it can go wrong at run time."""

    title: str
    file: str
    switches: tuple[str, ...]
    leds: tuple[str, ...]
    display_lines: int
    display_characters: int
    """0: no display."""
    timing: Timing
    tempo: Tempo
    running_status: bool
    """Whether the serial port leaves out repeated status bytes."""
    delayed_messages: int
    """How many delayed messages can wait; when full, the one due first leaves early to make room."""
    devices: tuple[Device, ...]
    cells: tuple[Cell, ...]
    keys: tuple[Key, ...]
    procedures: tuple[Procedure, ...]
    bindings: tuple[Binding, ...]
    modes: tuple[Mode, ...]
    home: int
    power_on: tuple[PowerOnBinding, ...] = ()
    storage: Storage = Storage()
    every_power_on: Action | None = None
    """Runs at each power-on, after the power-on binding."""
    pedals: tuple[Pedal, ...] = ()
    responses: tuple[Response, ...] = ()
    thru: tuple[Thru, ...] = ()
    echo_us: int = 0
    """For how long a message that left at a port is an echo when it comes in there; 0: no message is."""
    opening: int = 0
    """The switches whose contacts open when pressed (bit i: switch i). Engines never see that: their words say what is down."""
    warnings: tuple[str, ...] = field(default=())
    led_colours: tuple[tuple[str, ...], ...] = ()
    """The colours of each LED, () for one without; empty: no LED has any."""
    budget: Budget = Budget()
    promises: tuple[Promise, ...] = ()

    @property
    def listens(self) -> bool:
        """Whether MIDI that comes in can mean anything."""
        return bool(self.thru or self.tempo.follow or any(isinstance(each.cause, Received) for each in self.responses))

    def colours_of(self, led: int) -> tuple[str, ...]:
        """The colours of an LED, by its index; () if it has just one that needs no name."""
        return self.led_colours[led] if self.led_colours else ()

    def led_text(self, led: int, value: int) -> str:
        """An LED's value in words: `off`, `on`, `blink`, `dim`, or with colours `off`, `red`, `blink red`, `dim red`."""
        level, colours = LED_LEVELS[value & 3], self.colours_of(led)
        if not colours or level == "off":
            return level
        return colours[value >> 2] if level == "on" else f"{level} {colours[value >> 2]}"

    def led_texts(self, led: int) -> tuple[str, ...]:
        """All that an LED can show, in words."""
        texts = (self.led_text(led, value) for value in range(4 * max(len(self.colours_of(led)), 1)))
        return tuple(dict.fromkeys(texts))
