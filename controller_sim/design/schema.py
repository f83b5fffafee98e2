"""A JSON Schema of design files, for editors: completion, descriptions and first checks. Loading checks far more."""

from __future__ import annotations

from controller_sim.design.budget import MOST_BUFFER
from controller_sim.design.form import GESTURES, PORT_NAMES
from controller_sim.design.layout import LEAST_STORAGE, MAX_COLOURS, MAX_LEDS, MAX_SWITCHES, MAX_VERSION, MOST_STORAGE, RESERVED
from controller_sim.design.pedals import CURVES, HIGHEST_READING, MAX_PEDALS, MAX_POINTS
from controller_sim.design.promises import KINDS as PROMISES
from controller_sim.design.promises import MAX_ALTERNATIVES, MAX_PROMISES
from controller_sim.design.responses import CHANNEL_KINDS, SYSTEM_KINDS
from controller_sim.design.thru import KINDS

Json = dict[str, object]

_NAME = "[A-Za-z][A-Za-z0-9_]{0,39}"
_RANGE = r"^\s*-?[0-9]+\s*\.\.\s*-?[0-9]+\s*$"
_DURATION = r"^\s*[0-9]+(\.[0-9]+)?(us|ms|s)\s*$"
_TRUTH: Json = {"enum": [True, False, "yes", "no"]}


def design_schema() -> Json:
    """The schema (JSON Schema, draft 2020-12) as plain dictionaries, for YAML 1.2 read into JSON's types."""
    bindings = _bindings("'GESTURE KEY [DURATION] [eager]', 'move PEDAL' or 'received MESSAGE(...)', each [when CONDITION]: action.")
    top: Json = {
        "format": {"const": 1, "description": "The version of this language."},
        "title": {"type": ["string", "number"], "description": "What the design is called."},
        "switches": _switches(),
        "leds": _names("The LEDs, in order; they may have the names of switches.", 0, MAX_LEDS),
        "colours": {
            "type": "object",
            "description": "The colours of LEDs: 'a..c: [red, amber]', the keys as in a mode's 'leds'; the first is what 'on' means.",
            "additionalProperties": _names("Colours of these LEDs.", 1, MAX_COLOURS),
        },
        "display": _object("The display.", {"characters": _number(1, 40), "lines": _number(1, 8)}, ["characters"]),
        "timing": _timing(),
        "tempo": _object(
            "The tempo in beats a minute, and the ports that get the MIDI clock.",
            {
                "range": _range("Slowest and fastest."),
                "start": _number(1, 1000),
                "clock": _ports(),
                "follow": {"enum": list(PORT_NAMES), "description": "The port whose MIDI clock sets the tempo."},
            },
        ),
        "wire": _object(
            "How messages leave.",
            {
                "running_status": _TRUTH,
                "delayed_messages": _number(1, 64, "How many delayed messages can wait."),
                "thru": _thru(),
                "echo": _duration("For how long a message that left at a port counts for nothing when it comes back there."),
            },
        ),
        "storage": _storage(),
        "budget": _budget(),
        "pedals": {**_table("The analogue inputs, by name.", _pedal()), "maxProperties": MAX_PEDALS},
        "devices": _table("What is connected, by name.", _device()),
        "memory": _table("The memory cells, by name.", _cell()),
        "procedures": _procedures(),
        "home": {"type": "string", "description": "The mode after power-on; without it the first."},
        "modes": {**_table("What the controller can be, by name.", _mode(bindings)), "minProperties": 1, "maxProperties": 64},
        "everywhere": {**bindings, "description": "Bindings of every mode that does not bind the same gesture on the same key."},
        "power_on": {
            "type": "object",
            "description": "Runs when exactly these switches are down at power-on: 'a+e: action'; 'always' runs at every power-on.",
            "propertyNames": {"pattern": rf"^\s*{_NAME}(\s*\+\s*{_NAME})*\s*$"},
            "additionalProperties": _action("What runs."),
        },
        "promises": _promises(),
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Design of a footswitch controller",
        **_object("A whole design.", top, ["switches", "modes"]),
    }


def _object(description: str, properties: Json, required: list[str] | None = None) -> Json:
    whole: Json = {"type": "object", "description": description, "properties": properties, "additionalProperties": False}
    if required:
        whole["required"] = required
    return whole


def _table(description: str, of: Json) -> Json:
    return {"type": "object", "description": description, "propertyNames": _own_name(), "additionalProperties": of}


def _own_name() -> Json:
    return {"type": "string", "pattern": f"^{_NAME}$", "not": {"enum": sorted(RESERVED)}}


def _names(description: str, low: int, high: int) -> Json:
    name = {"type": "string", "pattern": f"^{_NAME}$"}
    return {"type": "array", "description": description, "items": name, "minItems": low, "maxItems": high, "uniqueItems": True}


def _switches() -> Json:
    """Names, or names with what their contacts do when pressed: {x: opens}."""
    kind: Json = {"enum": ["closes", "opens"], "description": "What pressing does to the contact."}
    special = {**_table("A switch and what pressing does to its contact.", kind), "minProperties": 1, "maxProperties": 1}
    return {**_names("The momentary switches, in order.", 1, MAX_SWITCHES), "items": {"anyOf": [_own_name(), special]}}


def _thru() -> Json:
    only: Json = {"type": "array", "items": {"enum": list(KINDS)}, "minItems": 1, "uniqueItems": True}
    some = _object("Where to, and which messages.", {"to": _ports(), "only": only}, ["to"])
    return _object("What arrives at a port and goes on to others.", {port: {"anyOf": [_ports(), some]} for port in PORT_NAMES})


def _storage() -> Json:
    return _object(
        "The chip that holds the kept cells.",
        {
            "bytes": _number(LEAST_STORAGE, MOST_STORAGE, "How many bytes it has [1024]."),
            "version": _number(1, MAX_VERSION, "Of what the kept values mean [1]; a newer image is refused."),
            "oldest": _number(1, MAX_VERSION, "The oldest version whose values still mean the same [1]; an older image is refused."),
        },
    )


def _budget() -> Json:
    return _object(
        "What 'check' holds the design to; each is optional.",
        {
            "latency": _duration("Of presses that send: from the contact to the last byte."),
            "release": _duration("Of releases that send: from the contact to the last byte."),
            "tap": _duration("Of taps: from the contact opening to the tap."),
            "jitter": _duration("Of a MIDI clock byte on the serial line."),
            "buffer": _number(1, MOST_BUFFER, "The bytes that the serial port's transmit buffer holds."),
            "scan": _duration("From one look of the firmware at the contacts to the next [1ms]."),
        },
    )


def _pedal() -> Json:
    share: Json = {"type": "string", "pattern": r"^\s*[0-9]{1,3}\s*%\s*$"}
    dead: Json = {"type": "array", "items": share, "minItems": 2, "maxItems": 2}
    points: Json = {"type": "array", "items": share, "minItems": 2, "maxItems": MAX_POINTS}
    reading = _number(0, HIGHEST_READING)
    return _object(
        "A pedal.",
        {
            "reads": _range("What its converter gives [0..1023]."),
            "heel": {**reading, "description": "The reading at the heel."},
            "toe": {**reading, "description": "The reading at the toe; it may be the smaller one."},
            "dead": {"description": "The share of the way that counts as the end, or [heel, toe].", "anyOf": [share, dead]},
            "gives": _range("What its position is [0..127]."),
            "curve": {"description": "How it gets from end to end.", "anyOf": [{"enum": list(CURVES)}, points]},
            "hysteresis": {**reading, "description": "By how much a reading must differ to count [2]."},
            "every": _duration("The least time from move to move [10ms]."),
            "first": {"enum": ["quiet", "moves"], "description": "Whether the first reading after power-on is a move."},
        },
    )


def _number(low: int, high: int, description: str = "") -> Json:
    number: Json = {"type": "integer", "minimum": low, "maximum": high}
    return {**number, "description": description} if description else number


def _range(description: str) -> Json:
    return {"type": "string", "pattern": _RANGE, "description": f"{description} Written low..high."}


def _duration(description: str) -> Json:
    return {"type": "string", "pattern": _DURATION, "description": f"{description} For example 5ms, 1.5s or 250us."}


def _action(description: str) -> Json:
    return {"type": ["string", "integer"], "description": description}


def _ports() -> Json:
    port: Json = {"enum": ["serial", "usb"]}
    several: Json = {"type": "array", "items": port, "uniqueItems": True}
    return {"description": "serial, usb, or a list of both.", "anyOf": [port, several]}


def _timing() -> Json:
    debounce: Json = {
        "type": "string",
        "pattern": r"^(none|(settle|lockout)\s+[0-9]+(\.[0-9]+)?(us|ms|s))$",
        "description": "'settle 12ms': counts once stable; 'lockout 5ms': counts at once, then is not believed; or 'none'.",
    }
    period: Json = {"type": "string", "pattern": r"^\s*[0-9]+(\.[0-9]+)?(us|ms|s)(\s+x\s+[1-9][0-9]*)?\s*$"}
    periods: Json = {"type": "array", "items": period, "minItems": 1, "maxItems": 8}
    repeat: Json = {
        "first": _duration("From the press to the first repeat."),
        "then": {"description": "The periods after it: [140ms x 8, 50ms]; the last has no count.", "anyOf": [periods, period]},
    }
    return _object(
        "How presses become gestures.",
        {
            "debounce": _object("How contacts are believed.", {"press": debounce, "release": debounce}),
            "chord": _duration("How far apart the presses of a chord may be [45ms]."),
            "hold": _duration("How long a hold is where a binding does not say [500ms]."),
            "double": _duration("From the first release to the second press of a double [300ms]."),
            "label": _duration("How long the label of a form's field shows before its value [1s]."),
            "repeat": _object("How a switch repeats while it is down.", repeat),
        },
    )


def _device() -> Json:
    byte = _number(0, 127)
    controller = _object(
        "A controller.",
        {"number": byte, "bits": {"enum": [7, 14]}, "range": _range("What it takes."), "on": byte, "off": byte},
        ["number"],
    )
    return _object(
        "A device.",
        {
            "channel": _number(1, 16, "Its MIDI channel."),
            "port": _ports(),
            "programs": _range("The programs it takes, as on the wire, 0..127."),
            "notes": _range("The notes it takes, 0..127."),
            "controllers": {
                "type": "object",
                "description": "The controllers it takes, by name; without this any number may be used.",
                "propertyNames": {"pattern": f"^{_NAME}$"},
                "additionalProperties": {"anyOf": [byte, controller]},
            },
            "bank_select": {"enum": ["none", "msb", "lsb", "both"], "description": "How it wants its bank selected."},
            "numbers_from": _number(0, 1, "What 'shown' adds to a program number."),
        },
        ["channel"],
    )


def _cell() -> Json:
    size: Json = _number(1, 4096)
    start: Json = {"type": ["integer", "string"]}
    row: Json = {"type": "array", "items": start}
    whole = _object(
        "A memory cell.",
        {
            "range": _range("The values it holds."),
            "texts": {
                "type": "object",
                "description": "What displays show for some of its values: {-1: off}.",
                "propertyNames": {"pattern": r"^\s*-?[0-9]+\s*$"},
                "additionalProperties": {"type": ["string", "number", "boolean"]},
            },
            "names": _names("Names of its values from 0 on, instead of a range.", 1, 256),
            "ends": {"enum": ["wrap", "clamp"], "description": "What a value outside the range becomes; without it every value must fit."},
            "keep": {**_TRUTH, "description": "Whether it survives power-off."},
            "size": {
                "description": "How many elements, or [rows, columns].",
                "anyOf": [size, {"type": "array", "items": size, "minItems": 2, "maxItems": 2}],
            },
            "start": {
                "description": "The first value, or a list (of lists) of the size.",
                "anyOf": [start, row, {"type": "array", "items": row}],
            },
        },
    )
    return {**whole, "anyOf": [{"required": ["range"]}, {"required": ["names"]}]}


def _procedures() -> Json:
    parameter = r"\s*\w+\s+in\s+-?[0-9]+\s*\.\.\s*-?[0-9]+\s*"
    return {
        "type": "object",
        "description": "Actions with a name and parameters: 'recall(n in 0..39)'.",
        "propertyNames": {"pattern": rf"^\s*{_NAME}\s*\((\s*|{parameter}(,{parameter})*)\)\s*$"},
        "additionalProperties": _action("What it does."),
    }


def _bindings(description: str) -> Json:
    gestures = "|".join((*GESTURES, "chord"))
    group = rf"{_NAME}(\s*(\.\.|\+|,)\s*{_NAME})*"
    rest = r"(\s+[0-9]+(\.[0-9]+)?(us|ms|s))?(\s+eager)?"
    response = rf"move\s+{_NAME}|received\s+({'|'.join((*CHANNEL_KINDS, *SYSTEM_KINDS))})\s*(\([^()]*\))?"
    return {
        "type": "object",
        "description": description,
        "propertyNames": {"pattern": rf"^\s*(({gestures})\s+{group}{rest}|{response})(\s+when\s+[\s\S]+)?\s*$"},
        "additionalProperties": _action("What the gesture does."),
    }


def _promises() -> Json:
    one: Json = {"type": ["string", "integer", "boolean"]}

    def part(description: str) -> Json:
        return {**one, "description": description}

    def parts(description: str) -> Json:
        several: Json = {"type": "array", "items": one, "minItems": 1, "maxItems": MAX_ALTERNATIVES}
        return {"anyOf": [one, several], "description": f"{description} Of a list any one counts."}

    whole = _object(
        "A promise: one of always, never and comes, and when it is in force.",
        {
            "always": part("A condition that is so at the end of every instant."),
            "never": parts("An event that does not happen, or a condition that is never so."),
            "comes": parts("An event that must happen, or a condition that must become so, while the promise is in force."),
            "while": part("A condition: the promise is in force where it holds."),
            "after": parts("An event, or a condition that becomes true: the promise is in force from then on."),
            "until": parts("An event or a condition that ends it."),
            "within": _duration("How long it is in force."),
        },
    )
    after: Json = {"required": ["after"]}
    limited: Json = {**after, "anyOf": [{"required": ["until"]}, {"required": ["within"]}]}
    promise: Json = {
        **whole,
        "oneOf": [{"required": [kind]} for kind in PROMISES],
        "dependentSchemas": {"until": after, "within": after, "comes": limited, "while": {"not": {"required": ["after"]}}},
    }
    return {
        "type": "object",
        "description": "What is so in every run, by a name of any words.",
        "maxProperties": MAX_PROMISES,
        "additionalProperties": promise,
    }


def _field() -> Json:
    return _object(
        "A field of a form.",
        {
            "label": {"type": ["string", "number", "boolean"], "description": "What the display shows first."},
            "cell": {"type": "string", "description": "The memory cell, or the element of one, that is edited: cue[act, slot]."},
            "shown": {"type": "string", "description": "A device whose numbers_from is added to what is shown."},
            "range": {"type": "string", "description": "low..high, narrower than the cell's, or a device for its programs."},
            "ends": {"enum": ["wrap", "clamp"], "description": "What form_value does at the ends; without it what the cell does."},
            "then": _action("Runs after each change of the field."),
        },
        ["label", "cell"],
    )


def _mode(bindings: Json) -> Json:
    text: Json = {"type": ["string", "number", "boolean", "null"]}
    lines: Json = {"anyOf": [text, {"type": "array", "items": text}]}
    view = _object("One way the display can look.", {"when": {"type": ["string", "integer", "boolean"]}, "text": lines}, ["text"])
    timers: Json = {
        "type": "object",
        "description": "'after 1s: action' once, 'every 500ms: action' again and again, from entry on.",
        "propertyNames": {"pattern": r"^\s*(after|every)\s+[0-9]+(\.[0-9]+)?(us|ms|s)\s*$"},
        "additionalProperties": _action("What runs."),
    }
    leds: Json = {
        "type": "object",
        "description": "What LEDs show: names, groups, a memory cell that holds an LED's index, or 'other'; the first that fits counts.",
        "additionalProperties": {
            "type": ["string", "integer", "boolean"],
            "description": "off, on, blink, dim, a colour, blink(COLOUR), dim(COLOUR), or an expression.",
        },
    }
    return _object(
        "A mode.",
        {
            "form": {
                "type": "array",
                "description": "The fields that form_next, form_previous and form_value edit.",
                "items": _field(),
                "minItems": 1,
                "maxItems": 32,
            },
            "draft": {**_names("Memory cells that are edited here and saved or cancelled together.", 1, 4096)},
            "on_other_exit": {"enum": ["cancel", "save"], "description": "What leaving does to a draft neither saved nor cancelled."},
            "delayed": {"enum": ["complete", "cancel"], "description": "What leaving does to delayed messages sent here that still wait."},
            "enter": _action("Runs on entry."),
            "leave": _action("Runs on leaving."),
            "timers": timers,
            "display": {"description": "What the display shows.", "anyOf": [text, {"type": "array", "items": {"anyOf": [text, view]}}]},
            "leds": leds,
            "on": bindings,
        },
    )
