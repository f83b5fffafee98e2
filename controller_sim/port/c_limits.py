"""What the C99 runtime cannot do, said before anything is written."""

from __future__ import annotations

from controller_sim.design import program
from controller_sim.design.form import Design, Place
from controller_sim.design.steps import statements_in
from controller_sim.port.errors import PortError

MOST_SLOTS = 250
"""Things that can be waited for at once; the runtime numbers them with a byte."""
MOST_MESSAGE_BYTES = 255
LONGEST_DEBOUNCE_US = 1 << 29


def check_limits(design: Design) -> None:
    """Raises PortError where a design goes beyond what the runtime's numbers hold."""
    start = Place(design.file, 1, 1)
    timing = design.timing
    if timing.press.time_us + timing.release.time_us > LONGEST_DEBOUNCE_US:
        raise PortError(f"the debounce times are too long for a counter of 32 bits: at most {LONGEST_DEBOUNCE_US:,} us together", start)
    slots = 3 * len(design.keys) + max(len(mode.timers) for mode in design.modes) + len(design.pedals)
    if slots > MOST_SLOTS:
        raise PortError(
            f"{len(design.keys)} switches and chords are too many for the C99 runtime, which can wait for {MOST_SLOTS} things at once",
            start,
        )
    for procedure in design.procedures:
        for statement in statements_in(procedure.body):
            if isinstance(statement, program.Send) and len(statement.data) > MOST_MESSAGE_BYTES:
                raise PortError(
                    f"{procedure.name} sends a message of {len(statement.data)} bytes; the C99 runtime takes {MOST_MESSAGE_BYTES}",
                    procedure.place,
                )
