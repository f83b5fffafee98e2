"""What a design declares about the box and its surroundings: switches, display, timing, wire, devices, memory."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from controller_sim.design.cells import MAX_ELEMENTS, read_cell
from controller_sim.design.errors import DesignError
from controller_sim.design.form import (
    LED_LEVELS,
    PORT_NAMES,
    SERIAL,
    Cell,
    Controller,
    Debounce,
    Device,
    Pedal,
    Place,
    Repeat,
    Storage,
    Tempo,
    Timing,
)
from controller_sim.design.keys import LEAST_PERIOD_US, nearest, parse_duration, parse_group, parse_range
from controller_sim.design.nodes import check_length, choice, duration, items, mapping, name_of, number, scalar, truth
from controller_sim.design.parsing import BUILT_IN
from controller_sim.design.yaml_text import Mapping, Node, Scalar
from controller_sim.design.yaml_text import Sequence as ListNode

MAX_SWITCHES = 16
MAX_LEDS = 32
MAX_COLOURS = 16
"""Of one LED; outputs have room for 64."""
LEAST_ECHO_US, MOST_ECHO_US = 1000, 10_000_000
MAX_TEMPO = 1000
LEAST_STORAGE, MOST_STORAGE = 32, 1 << 16
MAX_VERSION = 255
LAST_PAIRED = 31
"""Controllers 0..31 take 14 bits, the lower seven by the controller 32 above (MIDI 1.0 Detailed Specification 4.2.1, p. 12)."""
RESERVED = BUILT_IN | {*LED_LEVELS, "other", "when", "eager", "always"}
"""Words that mean something of their own, so that nothing can be named so."""

TOP_KEYS = (
    "format",
    "title",
    "switches",
    "leds",
    "colours",
    "display",
    "timing",
    "tempo",
    "wire",
    "storage",
    "budget",
    "pedals",
    "devices",
    "memory",
    "procedures",
    "home",
    "modes",
    "everywhere",
    "power_on",
    "promises",
)


DEFAULT_TIMING = Timing(
    press=Debounce("lockout", 5_000),
    release=Debounce("settle", 12_000),
    chord_us=45_000,
    hold_us=500_000,
    double_us=300_000,
    repeat=Repeat(400_000, ((140_000, 8),), 50_000),
)


@dataclass(slots=True)
class Layout:
    """The declared part of a design. `places` says where each name of the shared space was declared, and as what."""

    title: str
    switches: dict[str, int] = field(default_factory=dict)
    opening: int = 0
    leds: dict[str, int] = field(default_factory=dict)
    led_colours: tuple[tuple[str, ...], ...] = ()
    display_lines: int = 0
    display_characters: int = 0
    timing: Timing = DEFAULT_TIMING
    label_us: int = 1_000_000
    """How long the label of a form's field shows: common practice, no source."""
    tempo: Tempo = field(default_factory=Tempo)
    ports_in_use: int = 0
    running_status: bool = False
    delayed_messages: int = 16
    echo_us: int = 0
    pedals: tuple[Pedal, ...] = ()
    devices: tuple[Device, ...] = ()
    cells: tuple[Cell, ...] = ()
    storage: Storage = field(default_factory=Storage)
    value_names: dict[str, int] = field(default_factory=lambda: {name: value for value, name in enumerate(LED_LEVELS)})
    places: dict[str, tuple[str, Place]] = field(default_factory=dict)


def declare(layout: Layout, node: Node, what: str) -> str:
    """A name of the space that switches, cells, devices, modes and procedures share. Raises DesignError."""
    value = name_of(node, what)
    if value.text in RESERVED:
        raise DesignError(f"'{value.text}' is a word of the language and cannot name a {what}", value.place)
    if value.text in layout.places:
        kind, place = layout.places[value.text]
        raise DesignError(f"the name '{value.text}' is taken", value.place, ((f"it names a {kind} here", place),))
    layout.places[value.text] = (what, value.place)
    return value.text


def new_parameter(layout: Layout, node: Scalar, taken: Iterable[str]) -> str:
    """A name for a value that an action is given, in use for nothing else. Raises DesignError."""
    name = name_of(node, "parameter").text
    if name in RESERVED or name in layout.value_names:
        raise DesignError(f"'{name}' is a word of the language and cannot name a parameter", node.place)
    if name in layout.places:
        kind, place = layout.places[name]
        raise DesignError(f"the name '{name}' is taken", node.place, ((f"it names a {kind} here", place),))
    if name in taken:
        raise DesignError(f"the parameter '{name}' stands here twice", node.place)
    return name


def read_layout(root: Mapping, title: str) -> Layout:
    """All declarations of a design. Raises DesignError."""
    mapping(root, "the design", TOP_KEYS)
    layout = Layout(title)
    if node := root.get("format"):
        number(node, "format", 1, 1)
    if node := root.get("title"):
        layout.title = scalar(node, "title").text
    if (node := root.get("switches")) is None:
        raise DesignError("a design needs 'switches', for example 'switches: [a, b, c]'", root.place)
    check_length(node, "switches", 1, MAX_SWITCHES)
    for item in items(node, "switches"):
        _switch(layout, item)
    if node := root.get("leds"):
        _leds(layout, node)
    if node := root.get("display"):
        display = mapping(node, "display", ("characters", "lines"))
        layout.display_lines = number(lines, "lines", 1, 8) if (lines := display.get("lines")) else 1
        if (characters := display.get("characters")) is None:
            raise DesignError("a display needs 'characters', for example 'display: {characters: 6}'", display.place)
        layout.display_characters = number(characters, "characters", 1, 40)
    if node := root.get("timing"):
        _timing(layout, node)
    if node := root.get("wire"):
        wire = mapping(node, "wire", ("running_status", "delayed_messages", "thru", "echo"))
        if each := wire.get("running_status"):
            layout.running_status = truth(each, "running_status")
        if each := wire.get("delayed_messages"):
            layout.delayed_messages = number(each, "delayed_messages", 1, 64)
        if each := wire.get("echo"):
            layout.echo_us = duration(each, "echo", LEAST_ECHO_US)
            if layout.echo_us > MOST_ECHO_US:
                raise DesignError(f"echo is at most {MOST_ECHO_US // 1_000_000}s", each.place)
    if node := root.get("devices"):
        layout.devices = tuple(_device(layout, key, value) for key, value in mapping(node, "devices").pairs)
    _tempo(layout, root.get("tempo"))
    if node := root.get("memory"):
        _memory(layout, node)
    if node := root.get("storage"):
        layout.storage = _storage(node)
    if node := root.get("colours"):
        _colours(layout, node)
    return layout


def _switch(layout: Layout, node: Node) -> None:
    """`a`, or `{a: opens}` for a switch whose contact opens when pressed."""
    if not isinstance(node, Mapping):
        layout.switches[declare(layout, node, "switch")] = len(layout.switches)
        return
    if len(node.pairs) != 1:
        raise DesignError("a switch is a name, or a name with what its contact does when pressed: {x: opens}", node.place)
    key, value = node.pairs[0]
    if choice(value, f"the contact of {key.text}", ("closes", "opens")) == "opens":
        layout.opening |= 1 << len(layout.switches)
    layout.switches[declare(layout, key, "switch")] = len(layout.switches)


def _leds(layout: Layout, node: Node) -> None:
    check_length(node, "leds", 0, MAX_LEDS)
    seen: dict[str, Place] = {}
    for item in items(node, "leds"):
        name = name_of(item, "LED")
        if name.text == "other":
            raise DesignError("'other' means the LEDs that are left and cannot name one", name.place)
        if name.text in seen:
            raise DesignError(f"the LED '{name.text}' stands here twice", name.place, (("the first is here", seen[name.text]),))
        seen[name.text] = name.place
        layout.leds[name.text] = len(layout.leds)


def _colours(layout: Layout, node: Node) -> None:
    """Keys name LEDs as those of a mode's `leds` do; their values are lists of colours."""
    colours: list[tuple[str, ...]] = [()] * len(layout.leds)
    places: dict[int, Place] = {}
    for key, value in mapping(node, "colours").pairs:
        check_length(value, "a list of colours", 1, MAX_COLOURS)
        found: list[str] = []
        for each in (name_of(item, "colour") for item in items(value, "a list of colours")):
            if each.text in RESERVED:
                raise DesignError(f"'{each.text}' is a word of the language and cannot name a colour", each.place)
            if each.text in layout.places or each.text in layout.value_names:
                kind, place = layout.places.get(each.text, ("value", each.place))
                related = ((f"it names a {kind} here", place),) if place is not each.place else ()
                raise DesignError(f"the name '{each.text}' is taken", each.place, related)
            if each.text in found:
                raise DesignError(f"the colour '{each.text}' stands in this list twice", each.place)
            found.append(each.text)
        for led in parse_group(key.source(), layout.leds, "LED"):
            if led in places:
                message = f"the LED {list(layout.leds)[led]} has its colours already"
                raise DesignError(message, key.place, (("they stand here", places[led]),))
            places[led] = key.place
            colours[led] = tuple(found)
    layout.led_colours = tuple(colours)


def _timing(layout: Layout, node: Node) -> None:
    whole = mapping(node, "timing", ("debounce", "chord", "hold", "double", "repeat", "label"))
    press, release, repeat = DEFAULT_TIMING.press, DEFAULT_TIMING.release, DEFAULT_TIMING.repeat
    if each := whole.get("debounce"):
        both = mapping(each, "debounce", ("press", "release"))
        press = _debounce(value, "press") if (value := both.get("press")) else press
        release = _debounce(value, "release") if (value := both.get("release")) else release
    if each := whole.get("repeat"):
        repeat = _repeat(each)
    times = {
        name: duration(value, name) if (value := whole.get(name)) else getattr(DEFAULT_TIMING, f"{name}_us")
        for name in ("chord", "hold", "double")
    }
    layout.timing = Timing(press, release, times["chord"], times["hold"], times["double"], repeat)
    if value := whole.get("label"):
        layout.label_us = duration(value, "label", LEAST_PERIOD_US)


def _debounce(node: Node, what: str) -> Debounce:
    value = scalar(node, what)
    if value.text == "none":
        return Debounce("lockout", 0)
    kind, _, rest = value.text.partition(" ")
    if kind not in ("settle", "lockout") or not rest.strip():
        hint = nearest(kind, ("settle", "lockout", "none"))
        raise DesignError(f"'{value.text}' is no debounce: write 'settle 12ms', 'lockout 5ms' or 'none'{hint}", value.place)
    source = value.source()
    start = len(kind) + 1
    return Debounce(kind, parse_duration(type(source)(rest, (source.place(0, start),)), least_us=0))


def _repeat(node: Node) -> Repeat:
    whole = mapping(node, "repeat", ("first", "then"))
    default = DEFAULT_TIMING.repeat
    first_us = duration(value, "first", LEAST_PERIOD_US) if (value := whole.get("first")) else default.first_us
    then = whole.get("then")
    if then is None:
        return Repeat(first_us, default.steps, default.last_us)
    periods = then.items if isinstance(then, ListNode) else (then,)
    if not 1 <= len(periods) <= 8:
        raise DesignError("'then' holds 1..8 periods, the last without a count: [140ms x 8, 50ms]", then.place)
    steps = []
    for item in periods[:-1]:
        value = scalar(item, "a period")
        source = value.source()
        period, found, count = value.text.partition(" x ")
        if not found or not re.fullmatch(r"\s*[1-9][0-9]{0,4}\s*", count):
            raise DesignError(f"'{value.text}' needs a count, as in '140ms x 8': only the last period goes on for ever", value.place)
        steps.append((parse_duration(type(source)(period, (source.place(0, 0),)), least_us=LEAST_PERIOD_US), int(count)))
    last = scalar(periods[-1], "the last period")
    if " x " in last.text:
        raise DesignError(f"the last period goes on for ever and takes no count, so not '{last.text}'", last.place)
    return Repeat(first_us, tuple(steps), parse_duration(last.source(), least_us=LEAST_PERIOD_US))


def read_ports(node: Node, what: str) -> int:
    """A port or a list of ports. Raises DesignError."""
    nodes = node.items if isinstance(node, ListNode) else (node,)
    ports = 0
    for each in nodes:
        port = PORT_NAMES[choice(each, what, PORT_NAMES)]
        if ports & port:
            raise DesignError(f"{what} names a port twice", each.place)
        ports |= port
    return ports


def _tempo(layout: Layout, node: Node | None) -> None:
    ports = 0
    for device in layout.devices:
        ports |= device.ports
    whole = mapping(node, "tempo", ("range", "start", "clock", "follow")) if node else None
    default = Tempo()
    low, high = default.low, default.high
    if whole and (value := whole.get("range")):
        low, high = parse_range(scalar(value, "range").source(), 1, MAX_TEMPO)
    start = min(max(default.start, low), high)
    if whole and (value := whole.get("start")):
        start = number(value, "start", low, high)
    clock = read_ports(value, "clock") if whole and (value := whole.get("clock")) else None
    # A design without devices still has something to say to the world: to the serial port.
    layout.ports_in_use = (ports | (clock or 0)) or SERIAL
    follow = PORT_NAMES[choice(value, "follow", PORT_NAMES)] if whole and (value := whole.get("follow")) else 0
    layout.tempo = Tempo(low, high, start, layout.ports_in_use if clock is None else clock, follow)


def _device(layout: Layout, key: Scalar, node: Node) -> Device:
    name = declare(layout, key, "device")
    allowed = ("channel", "port", "programs", "controllers", "notes", "bank_select", "numbers_from")
    whole = mapping(node, f"the device {name}", allowed)
    if (channel := whole.get("channel")) is None:
        raise DesignError(f"the device {name} needs a channel, 1..16", key.place)
    programs = parse_range(scalar(value, "programs").source(), 0, 127) if (value := whole.get("programs")) else None
    notes = parse_range(scalar(value, "notes").source(), 0, 127) if (value := whole.get("notes")) else (0, 127)
    controllers = None
    if value := whole.get("controllers"):
        controllers = tuple(_controller(each, number_node) for each, number_node in mapping(value, "controllers").pairs)
    banks = ("none", "msb", "lsb", "both")
    return Device(
        name=name,
        channel=number(channel, "channel", 1, 16) - 1,
        ports=read_ports(value, "port") if (value := whole.get("port")) else SERIAL,
        programs=programs,
        controllers=controllers,
        notes=notes,
        bank_select=choice(value, "bank_select", banks) if (value := whole.get("bank_select")) else "none",
        numbers_from=number(value, "numbers_from", 0, 1) if (value := whole.get("numbers_from")) else 0,
    )


def _controller(key: Scalar, node: Node) -> Controller:
    name = name_of(key, "controller").text
    if isinstance(node, Scalar):
        return Controller(name, number(node, f"the number of {name}", 0, 127))
    whole = mapping(node, f"the controller {name}", ("number", "bits", "range", "on", "off"))
    if (number_node := whole.get("number")) is None:
        raise DesignError(f"the controller {name} needs a number, 0..127", key.place)
    bits = number(value, "bits", 7, 14) if (value := whole.get("bits")) else 7
    if bits not in (7, 14):
        raise DesignError(f"bits is {bits}, but must be 7 or 14", whole.key("bits").place)
    highest = (1 << bits) - 1
    found = (
        number(number_node, "the number of a controller of 14 bits", 0, LAST_PAIRED)
        if bits == 14
        else number(number_node, "number", 0, 127)
    )
    low, high = parse_range(scalar(value, "range").source(), 0, highest) if (value := whole.get("range")) else (0, highest)
    on = number(value, "on", 0, 127) if (value := whole.get("on")) else None
    off = number(value, "off", 0, 127) if (value := whole.get("off")) else None
    if off is not None and on is None:
        raise DesignError(f"the controller {name} has 'off' but no 'on'", whole.key("off").place)
    if on is not None and "range" in (each.text for each, _ in whole.pairs):
        raise DesignError(f"the controller {name} has 'on' and so takes a truth: leave 'range' out", whole.key("range").place)
    if on is not None and bits == 14:
        raise DesignError(f"the controller {name} has 'on' and so takes a truth: leave 'bits' out", whole.key("bits").place)
    return Controller(name, found, low, high, on, off, bits)


def _storage(node: Node) -> Storage:
    whole = mapping(node, "storage", ("bytes", "version", "oldest"))
    default = Storage()
    size = number(value, "bytes", LEAST_STORAGE, MOST_STORAGE) if (value := whole.get("bytes")) else default.bytes
    version = number(value, "version", 1, MAX_VERSION) if (value := whole.get("version")) else default.version
    oldest = number(value, "oldest", 1, version) if (value := whole.get("oldest")) else default.oldest
    return Storage(size, version, oldest)


def _memory(layout: Layout, node: Node) -> None:
    offset = 0
    cells: list[Cell] = []
    names: list[tuple[Scalar, int]] = []
    for key, value in mapping(node, "memory").pairs:
        name = declare(layout, key, "memory cell")
        if name in layout.leds:
            raise DesignError(f"the memory cell '{name}' and an LED have the same name", key.place)
        cell = read_cell(name, key, value, offset, names)
        offset += cell.size
        if offset > MAX_ELEMENTS:
            raise DesignError(f"the memory holds {offset} elements up to here, but at most {MAX_ELEMENTS}", key.place)
        cells.append(cell)
    layout.cells = tuple(cells)
    first: dict[str, Place] = {}
    for name_node, value_index in names:
        text = name_node.text
        if text in layout.places:
            kind, place = layout.places[text]
            raise DesignError(f"the value name '{text}' is taken", name_node.place, ((f"it names a {kind} here", place),))
        if text in BUILT_IN:
            raise DesignError(f"'{text}' is a word of the language and cannot name a value", name_node.place)
        if layout.value_names.setdefault(text, value_index) != value_index:
            meant = layout.value_names[text]
            related = (("it is named here", first[text]),) if text in first else ()
            raise DesignError(f"'{text}' means {meant} and cannot mean {value_index} too", name_node.place, related)
        first.setdefault(text, name_node.place)
