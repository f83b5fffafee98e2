"""A drawn history on a simulator, for properties written in Python."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from controller_sim.design.arrivals import MidiByte, unpack
from controller_sim.design.form import PORT_NAMES, Design
from controller_sim.simulator import Simulator
from controller_sim.testing.telling import told_when_it_fails
from controller_sim.verify.watching import Session

Look = Callable[[Simulator], object]
_PORTS = {number: name for name, number in PORT_NAMES.items()}


def play_history(design: Design, history: Sequence[Session], look: Look | None = None, engine: str = "fast") -> Simulator:
    """A simulator that has been through a history; times go on from session to session, with one second without power between two.

    `look` is called with it at the end of every instant at which something is done to it or it does something by itself; what `look`
    raises ends the run. Raises AssertionError for a promise of the design that was broken. Either has a note with a press script that
    does the same.
    """
    simulator = Simulator(design, engine)
    with told_when_it_fails(simulator):
        for number, session in enumerate(history):
            if number:
                simulator.power_off()
                simulator.wait(1_000_000)
                simulator.power_on()
            _play(simulator, session, simulator.now_us - session.start_us, look)
        _check_promises(simulator)
    return simulator


def _check_promises(simulator: Simulator) -> None:
    if simulator.design.promises:
        from controller_sim.verify.promises import kept_in

        broken = kept_in(simulator.design, simulator.engine_name, simulator.inputs, simulator.now_us).broken
        assert not broken, "\n".join(map(str, broken))


def _play(simulator: Simulator, session: Session, shift_us: int, look: Look | None) -> None:
    for at_us, word, arrived in session.instants():
        time_us = at_us + shift_us
        while look is not None and (due_us := simulator.next_deadline_us) is not None and simulator.now_us < due_us < time_us:
            simulator.advance_to(due_us)
            look(simulator)
        simulator.advance_to(time_us)
        simulator.change(word)
        for arrival in unpack(arrived):
            if isinstance(arrival, MidiByte):
                simulator.receive(bytes((arrival.byte,)), _PORTS[arrival.port])
            else:
                pedal = simulator.design.pedals[arrival.pedal]
                low, high = pedal.reads
                simulator.turn(pedal.name, min(max(arrival.value, low), high))
        if look is not None:
            look(simulator)
