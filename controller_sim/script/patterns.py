"""Messages as scripts name them: from names to bytes to match, and back."""

from __future__ import annotations

from dataclasses import dataclass

from controller_sim.design.form import PORT_NAMES, Design, Device
from controller_sim.midi.messages import STATUS_TABLE, SYSEX, MidiError, check_message, is_channel
from controller_sim.script.syntax import Pattern

CLOCK_TICK = 0xF8
RAW = "bytes"
# `continue` is the one name that actions spell otherwise, because Python reserves it.
STATUSES = {("continue_" if kind.name == "continue" else kind.name): status for status, kind in reversed(STATUS_TABLE.items())}
"""The lowest status byte of each kind of message, by the name that scripts use."""
_WIDE = {"pitchwheel": 8192, "songpos": 0}
"""Messages with one value of 14 bits, and what is added to it on the wire."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where a message goes: ports, and the channel (0..15) if it is a device's."""

    ports: int
    channel: int | None = None

    def takes(self, ports: int, data: bytes) -> bool:
        """Whether a message belongs to this target: on one of its ports, and of its channel if it has one."""
        return bool(ports & self.ports) and (self.channel is None or not is_channel(data[0]) or data[0] & 15 == self.channel)


def target_of(design: Design, name: str) -> Target | None:
    """The device or port of that name, if there is one."""
    device = find_device(design, name)
    if device is not None:
        return Target(device.ports, device.channel)
    return Target(PORT_NAMES[name]) if name in PORT_NAMES else None


def find_device(design: Design, name: str) -> Device | None:
    return next((device for device in design.devices if device.name == name), None)


def wanted_bytes(pattern: Pattern, target: Target) -> tuple[int | None, ...]:
    """The bytes to match, None for any. Raises MidiError for what is no whole message, with words for a musician."""
    if pattern.kind == RAW:
        check_message(bytes(pattern.values))
        return pattern.values
    status = STATUSES[pattern.kind]
    if is_channel(status):
        status |= _channel(pattern, target)
    elif pattern.channel is not None:
        raise MidiError(f"{pattern.kind} has no channel")
    return _with_values(status, pattern)


def _channel(pattern: Pattern, target: Target) -> int:
    if target.channel is not None:
        if pattern.channel is not None:
            raise MidiError(f"the device has its own channel, {target.channel + 1}; leave out `channel {pattern.channel}`")
        return target.channel
    if pattern.channel is None:
        raise MidiError(f"{pattern.kind} to a port needs its channel, such as `channel 1`")
    if not 1 <= pattern.channel <= 16:
        raise MidiError(f"channel {pattern.channel} is not in 1..16")
    return pattern.channel - 1


def _with_values(status: int, pattern: Pattern) -> tuple[int | None, ...]:
    kind, values = pattern.kind, pattern.values
    if kind in _WIDE:
        offset = _WIDE[kind]
        if len(values) != 1 or not 0 <= values[0] + offset <= 0x3FFF:
            raise MidiError(f"{kind} takes one number, {-offset}..{0x3FFF - offset}")
        return status, (values[0] + offset) & 0x7F, (values[0] + offset) >> 7
    wrong = next((value for value in values if not 0 <= value <= 127), None)
    if wrong is not None:
        raise MidiError(f"{wrong} is not in 0..127")
    if status == SYSEX:
        return SYSEX, *values, 0xF7
    count = STATUS_TABLE[status].data_bytes or 0
    if len(values) == count:
        return status, *values
    if count == 2 and len(values) == 1:
        return status, values[0], None
    raise MidiError(f"{kind} takes {('no numbers', 'one number', 'two numbers, or the first alone')[count]}, not {len(values)}")


def matches(wanted: tuple[int | None, ...], data: bytes) -> bool:
    return len(wanted) == len(data) and all(want in (None, byte) for want, byte in zip(wanted, data, strict=True))


def pattern_for(data: bytes) -> tuple[Pattern, int | None]:
    """The pattern that names a whole message exactly, without its channel, and that channel (0..15)."""
    status = data[0] & 0xF0 if is_channel(data[0]) else data[0]
    channel = data[0] & 15 if is_channel(data[0]) else None
    kind = next((kind for kind, known in STATUSES.items() if known == status), RAW)
    if kind in _WIDE:
        return Pattern(kind, ((data[1] | data[2] << 7) - _WIDE[kind],)), channel
    if kind == "sysex":
        return Pattern(kind, tuple(data[1:-1])), None
    if kind in ("quarter_frame", RAW):
        return Pattern(RAW, tuple(data)), None
    return Pattern(kind, tuple(data[1:])), channel
