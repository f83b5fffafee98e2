"""What a design declares about the box and its surroundings: switches, display, timing, wire, devices, memory."""

from __future__ import annotations

import keyword
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

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
from controller_sim.design.parsing import BUILT_IN
from controller_sim.design.yaml_text import Mapping, Node, Scalar
from controller_sim.design.yaml_text import Sequence as ListNode

MAX_SWITCHES = 16
MAX_LEDS = 32
MAX_COLOURS = 16
"""Of one LED; outputs have room for 64."""
LEAST_ECHO_US, MOST_ECHO_US = 1000, 10_000_000
MAX_ELEMENTS = 4096
MAX_NAMES = 256
MAX_TEXT_SHOWN = 40
MAX_TEMPO = 1000
LEAST_STORAGE, MOST_STORAGE = 32, 1 << 16
MAX_VERSION = 255
LAST_PAIRED = 31
"""Controllers 0..31 take 14 bits, the lower seven by the controller 32 above (MIDI 1.0 Detailed Specification 4.2.1, p. 12)."""
WORD_LOW, WORD_HIGH = -(1 << 31), (1 << 31) - 1
TRUTHS = {"yes": True, "true": True, "no": False, "false": False}
RESERVED = BUILT_IN | {*LED_LEVELS, "other", "when", "eager", "always"}
"""Words that mean something of their own, so that nothing can be named so."""
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,39}")
_NUMBER = re.compile(r"[-+]?[0-9]{1,10}")

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


def scalar(node: Node, what: str) -> Scalar:
    """The node as a single value, not empty. Raises DesignError."""
    if not isinstance(node, Scalar):
        raise DesignError(f"{what} is a single value, not a {'list' if isinstance(node, ListNode) else 'mapping'}", node.place)
    if not node.text.strip():
        raise DesignError(f"{what} is missing here", node.place)
    return node


def mapping(node: Node, what: str, allowed: Sequence[str] = ()) -> Mapping:
    """The node as a mapping, its keys among `allowed` unless that is empty. Raises DesignError."""
    if not isinstance(node, Mapping):
        raise DesignError(f"{what} is a mapping of keys to values", node.place)
    for key, _ in node.pairs if allowed else ():
        if key.text not in allowed:
            hint = nearest(key.text, allowed) or f": write {', '.join(allowed)}"
            raise DesignError(f"{what} has no key '{key.text}'{hint}", key.place)
    return node


def items(node: Node, what: str) -> tuple[Node, ...]:
    """The node as a list. Raises DesignError."""
    if not isinstance(node, ListNode):
        raise DesignError(f"{what} is a list: [a, b]", node.place)
    return node.items


def number(node: Node, what: str, low: int, high: int) -> int:
    """A whole number in low..high. Raises DesignError."""
    value = scalar(node, what)
    if not _NUMBER.fullmatch(value.text):
        raise DesignError(f"{what} is a whole number, not '{value.text}'", value.place)
    if not low <= int(value.text) <= high:
        allowed = str(low) if low == high else f"{low}..{high}"
        raise DesignError(f"{what} is {int(value.text)}, but must be {allowed}", value.place)
    return int(value.text)


def truth(node: Node, what: str) -> bool:
    """yes or no (or true or false). Raises DesignError."""
    value = scalar(node, what)
    if value.text not in TRUTHS:
        raise DesignError(f"{what} is yes or no, not '{value.text}'", value.place)
    return TRUTHS[value.text]


def choice(node: Node, what: str, allowed: Iterable[str]) -> str:
    """One of some words. Raises DesignError."""
    value = scalar(node, what)
    words = list(allowed)
    if value.text not in words:
        raise DesignError(f"{what} is {' or '.join(words)}, not '{value.text}'{nearest(value.text, words)}", value.place)
    return value.text


def name_of(node: Node, what: str) -> Scalar:
    """A name: letters, digits and _, starting with a letter, at most 40. Raises DesignError."""
    value = scalar(node, f"the name of a {what}")
    if not _NAME.fullmatch(value.text):
        raise DesignError(
            f"'{value.text}' is no name for a {what}: letters, digits and _, starting with a letter, at most 40 characters", value.place
        )
    if keyword.iskeyword(value.text):
        raise DesignError(f"'{value.text}' is a word of the action language and cannot name a {what}", value.place)
    return value


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
    _check_length(node, "switches", 1, MAX_SWITCHES)
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


def _check_length(node: Node, what: str, low: int, high: int) -> None:
    length = len(items(node, what))
    if not low <= length <= high:
        raise DesignError(f"{what} has {length} entries, but must have {low}..{high}", node.place)


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
    _check_length(node, "leds", 0, MAX_LEDS)
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
        _check_length(value, "a list of colours", 1, MAX_COLOURS)
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


def duration(node: Node, what: str, least_us: int = 1) -> int:
    return parse_duration(scalar(node, what).source(), least_us=least_us)


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
        cell = _cell(name, key, value, offset, names)
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


def _cell(name: str, key: Scalar, node: Node, offset: int, names: list[tuple[Scalar, int]]) -> Cell:
    whole = mapping(node, f"the memory cell {name}", ("range", "ends", "keep", "size", "start", "names", "texts"))
    own: tuple[str, ...] = ()
    if value := whole.get("names"):
        _check_length(value, "names", 1, MAX_NAMES)
        nodes = [name_of(each, "value") for each in items(value, "names")]
        own = tuple(each.text for each in nodes)
        for index, each in enumerate(nodes):
            if each.text in own[:index]:
                first = nodes[own.index(each.text)].place
                raise DesignError(f"'{each.text}' stands in these names twice", each.place, (("the first is here", first),))
            names.append((each, index))
    if value := whole.get("range"):
        low, high = parse_range(scalar(value, "range").source(), WORD_LOW, WORD_HIGH)
        if own and (low, high) != (0, len(own) - 1):
            message = f"{len(own)} names give the range 0..{len(own) - 1}, not {low}..{high}: leave 'range' out"
            raise DesignError(message, value.place)
    elif own:
        low, high = 0, len(own) - 1
    else:
        raise DesignError(f"the memory cell {name} needs a range, for example 'range: 0..7', or names", key.place)
    if high - low > WORD_HIGH:
        raise DesignError(f"the range {low}..{high} holds more than {WORD_HIGH} values", whole.key("range").place)
    shape = _shape(value) if (value := whole.get("size")) else ()
    starts = _starts(whole.get("start"), shape, low, high, own)
    ends = choice(value, "ends", ("wrap", "clamp")) if (value := whole.get("ends")) else "proved"
    return Cell(
        name=name,
        low=low,
        high=high,
        start=starts[0],
        shape=shape,
        ends=ends,
        keep=truth(value, "keep") if (value := whole.get("keep")) else False,
        names=own,
        offset=offset,
        place=key.place,
        starts=starts if len(set(starts)) > 1 else (),
        texts=_texts(value, low, high, own) if (value := whole.get("texts")) else (),
    )


def _texts(node: Node, low: int, high: int, names: tuple[str, ...]) -> tuple[tuple[int, str], ...]:
    """`texts` of a cell: {-1: "off"}."""
    if names:
        raise DesignError("a cell whose values have names is shown by these: leave 'texts' out", node.place)
    found: dict[int, str] = {}
    for key, value in mapping(node, "texts").pairs:
        at = number(key, "a value", low, high)
        text = scalar(value, "a text").text
        if at in found:
            raise DesignError(f"the value {at} has a text already", key.place)
        if len(text) > MAX_TEXT_SHOWN or not text.isprintable():
            raise DesignError(f"what a display shows for a value is one line of at most {MAX_TEXT_SHOWN} characters", value.place)
        found[at] = text
    if not 1 <= len(found) <= MAX_NAMES:
        raise DesignError(f"texts has {len(found)} entries, but must have 1..{MAX_NAMES}", node.place)
    return tuple(sorted(found.items()))


def _shape(node: Node) -> tuple[int, ...]:
    if isinstance(node, ListNode):
        if len(node.items) != 2:
            raise DesignError("size is a number, or [rows, columns]", node.place)
        rows, columns = (number(each, "size", 1, MAX_ELEMENTS) for each in node.items)
        if rows * columns > MAX_ELEMENTS:
            raise DesignError(f"size gives {rows * columns} elements, but there are at most {MAX_ELEMENTS}", node.place)
        return rows, columns
    return (number(node, "size", 1, MAX_ELEMENTS),)


def _starts(node: Node | None, shape: tuple[int, ...], low: int, high: int, names: tuple[str, ...]) -> tuple[int, ...]:
    """The first value of every element, row by row; one value where all are the same."""
    if node is None:
        return (0 if low <= 0 <= high else low,)
    if not isinstance(node, ListNode):
        if isinstance(node, Scalar) and node.text in names:
            return (names.index(node.text),)
        return (number(node, "start", low, high),)
    if not shape:
        raise DesignError("start is a single value where there is no size", node.place)
    if len(node.items) != shape[0]:
        raise DesignError(f"start has {len(node.items)} entries, but size asks for {shape[0]}", node.place)
    found: list[int] = []
    for item in node.items:
        if len(shape) == 2:
            if not isinstance(item, ListNode):
                raise DesignError(f"start is a list of {shape[0]} lists of {shape[1]} values here", item.place)
            found.extend(_starts(item, shape[1:], low, high, names))
        else:
            found.extend(_starts(item, (), low, high, names))
    return tuple(found)
