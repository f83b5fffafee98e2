"""What a switch, pedal or message means in a mode, in a few words."""

from __future__ import annotations

from collections.abc import Iterator

from controller_sim.design.form import Design
from controller_sim.design.program import (
    CancelDelayed,
    CancelDraft,
    ClockRun,
    Enter,
    FactoryValues,
    Notice,
    Restart,
    SaveDraft,
    Send,
    SetCell,
    SetTempo,
    Statement,
    TapTempo,
)
from controller_sim.midi.messages import STATUS_TABLE, is_channel
from controller_sim.verify.reach import Reach

_WORDS: dict[type[Statement], str] = {
    SetTempo: "sets the tempo",
    TapTempo: "taps the tempo",
    ClockRun: "runs the clock",
    CancelDelayed: "cancels delayed messages",
    SaveDraft: "saves the draft",
    CancelDraft: "cancels the draft",
    FactoryValues: "gives factory values",
    Notice: "shows a notice",
    Restart: "restarts",
}


def does(reach: Reach, procedure: int) -> tuple[str, ...]:
    """What a procedure may do, in the order: messages, modes, cells, the rest. Empty: nothing."""
    design, statements = reach.design, reach.statements(procedure)
    sends = [(_message(each), _receiver(design, each)) for each in statements if isinstance(each, Send)]
    receivers: dict[str, dict[str, None]] = {}
    for message, receiver in sends:
        receivers.setdefault(message, {}).setdefault(receiver)
    found = [f"{message} {', '.join(filter(None, to))}".rstrip() for message, to in receivers.items()]
    modes = dict.fromkeys(design.modes[each.mode].name for each in statements if isinstance(each, Enter))
    cells = dict.fromkeys(design.cells[each.cell].name for each in statements if isinstance(each, SetCell))
    found += [f"enters {', '.join(modes)}"] if modes else []
    found += [f"sets {', '.join(cells)}"] if cells else []
    return (*found, *_rest(statements))


def _message(send: Send) -> str:
    return STATUS_TABLE[send.data[0].low].name


def _receiver(design: Design, send: Send) -> str:
    status = send.data[0].low
    if not is_channel(status):
        return ""
    names = [device.name for device in design.devices if device.channel == status & 15 and device.ports & send.ports]
    return names[0] if names else f"channel {(status & 15) + 1}"


def _rest(statements: tuple[Statement, ...]) -> Iterator[str]:
    there = {type(each) for each in statements}
    yield from (words for kind, words in _WORDS.items() if kind in there)
