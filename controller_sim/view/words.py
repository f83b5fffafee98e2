"""Small texts that every view shares: durations, instants, gestures, counts."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from controller_sim.design.form import Binding, Design, Moved, Response
from controller_sim.midi.messages import STATUS_TABLE, is_channel

Paint = Callable[[str, str], str]
"""May colour a piece of text for a named style."""


def unpainted(text: str, style: str) -> str:
    """Text as it is."""
    return text


def duration(time_us: int) -> str:
    """A duration as a design file writes it, in the largest unit that needs no more than a whole number or a short fraction."""
    if time_us >= 1_000_000 and time_us % 1000 == 0:
        return f"{_decimal(time_us, 1_000_000)}s"
    if time_us >= 1000 or time_us == 0:
        return f"{_decimal(time_us, 1000)}ms"
    return f"{time_us}us"


def _decimal(amount: int, unit: int) -> str:
    whole, rest = divmod(amount, unit)
    return str(whole) if not rest else f"{whole}.{str(unit + rest)[1:].rstrip('0')}"


def instant(time_us: int) -> str:
    """An instant in seconds, to the microsecond."""
    return f"{time_us // 1_000_000}.{time_us % 1_000_000:06}"


def moment(time_us: int) -> str:
    """An instant in seconds, no longer than it has to be, such as `8.3s`."""
    return f"{_decimal(time_us, 1_000_000)}s"


def plural(count: int, noun: str) -> str:
    """`1 press`, `2 presses`."""
    if count == 1:
        return f"1 {noun}"
    return f"{count} {noun}{'es' if noun.endswith(('s', 'sh', 'ch')) else 's'}"


def gesture_title(design: Design, binding: Binding) -> str:
    """A binding as the design file names it, such as `hold a 3s` or `chord a+c`."""
    key = design.keys[binding.key]
    word = "chord" if binding.gesture == "press" and len(key.members) > 1 else binding.gesture
    title = f"{word} {key.name}"
    if binding.gesture == "hold":
        title += f" {duration(binding.hold_us)}"
    return title + (" eager" if binding.eager else "")


def response_title(design: Design, response: Response) -> str:
    """What a response is to, such as `move swell`, `received note_on from pads` or `received start`."""
    cause = response.cause
    if isinstance(cause, Moved):
        return f"move {design.pedals[cause.pedal].name}"
    title = f"received {STATUS_TABLE[cause.status].name}"
    if not is_channel(cause.status):
        return title
    channel = cause.status & 15
    device = next((device.name for device in design.devices if device.channel == channel and device.ports == cause.ports), None)
    return f"{title} from {device or f'channel {channel + 1}'}"


def plain(value: Any) -> Any:
    """Tuples as lists all the way down, so that data compares equal to its JSON."""
    if isinstance(value, dict):
        return {name: plain(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    return value
