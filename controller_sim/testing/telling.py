"""What was done to a simulator, for whoever has to see it again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from controller_sim.script.recorder import retell
from controller_sim.simulator import History, Simulator

HEADING = "What was done, as a press script:"


def done_to(simulator: Simulator) -> str:
    """All that was done to a simulator from its first power-on to now, as the text of a press script that does it again."""
    return retell(simulator.design, History(tuple(simulator.inputs), simulator.now_us))


@contextmanager
def told_when_it_fails(simulator: Simulator) -> Iterator[None]:
    """What is raised inside goes on with a note of what was done to the simulator."""
    try:
        yield
    except Exception as error:
        error.add_note(f"{HEADING}\n\n{done_to(simulator)}")
        raise
