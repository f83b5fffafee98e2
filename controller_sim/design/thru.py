"""`thru` of a design's wire: which messages that arrive at a port go on to which ports."""

from __future__ import annotations

from controller_sim.core.kinds import ALL_KINDS, CHANNEL_KINDS, REAL_TIME_KINDS, kind_of
from controller_sim.design import responses
from controller_sim.design.errors import DesignError
from controller_sim.design.form import PORT_NAMES, Thru
from controller_sim.design.layout import read_ports
from controller_sim.design.nodes import choice, items, mapping
from controller_sim.design.yaml_text import Mapping, Node

KINDS = {
    "channel": CHANNEL_KINDS,
    "real_time": REAL_TIME_KINDS,
    "sysex": 1 << kind_of(0xF0),
    **{name: 1 << kind_of(status) for name, (status, _) in (responses.CHANNEL_KINDS | responses.SYSTEM_KINDS).items()},
}
"""What `only` may list: two groups and the names of messages."""


def read_thru(root: Mapping, own_clock_ports: int) -> tuple[Thru, ...]:
    """`wire: {thru: {serial: usb, usb: {to: [serial, usb], only: [channel, clock]}}}`; our own clock runs to `own_clock_ports`.

    Raises DesignError, also where a port would get two clocks.
    """
    wire = root.get("wire")
    node = mapping(wire, "wire").get("thru") if wire else None
    if node is None:
        return ()
    found = []
    for key, value in mapping(node, "thru", tuple(PORT_NAMES)).pairs:
        ports, kinds = _parts(value)
        if kinds & KINDS["clock"] and (twice := [name for name, port in PORT_NAMES.items() if port & ports & own_clock_ports]):
            what = f"{twice[0]} would get two clocks, our own and the one from {key.text}"
            raise DesignError(f"{what}: keep 'clock' out with 'only', or {twice[0]} out of the tempo's 'clock'", value.place)
        found.append(Thru(PORT_NAMES[key.text], ports, kinds))
    return tuple(found)


def _parts(node: Node) -> tuple[int, int]:
    if not isinstance(node, Mapping):
        return read_ports(node, "thru"), ALL_KINDS
    whole = mapping(node, "thru", ("to", "only"))
    if (to := whole.get("to")) is None:
        raise DesignError("where does it go on to? Write for example {to: usb, only: [channel]}", node.place)
    if (only := whole.get("only")) is None:
        return read_ports(to, "to"), ALL_KINDS
    kinds = 0
    for item in items(only, "only"):
        bits = KINDS[choice(item, "only", KINDS)]
        if bits & ~kinds == 0:
            raise DesignError("this goes on already", item.place)
        kinds |= bits
    if not kinds:
        raise DesignError("'only' lists nothing, so nothing goes on", only.place)
    return read_ports(to, "to"), kinds
