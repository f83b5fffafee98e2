"""A state machine of hypothesis over one design: steps that a reader can follow, and a look at every instant."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from hypothesis import note
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule

from controller_sim.design.form import PORT_NAMES, Design
from controller_sim.design.outputs import encode
from controller_sim.simulator import Simulator
from controller_sim.testing.telling import HEADING, done_to
from controller_sim.verify.arrivals import Bytes, Reading, apart_us, possible_arrivals
from controller_sim.verify.moves import moves_of, times_us
from controller_sim.verify.promises import PromiseWatcher
from controller_sim.verify.watching import Item


class DesignMachine(RuleBasedStateMachine):
    """The base of what `machine_for` makes: a powered controller, taken from instant to instant.

    A subclass adds rules and invariants about `self.simulator`, and may look at every instant in `see`. A broken promise of the design
    fails the run. What fails is told as steps and as a press script. Times are whole microseconds.
    """

    design: ClassVar[Design]
    engine: ClassVar[str] = "fast"

    def __init__(self) -> None:
        super().__init__()
        self.simulator = Simulator(self.design, self.engine, trace=True)
        self._seen = 0
        self._watchers: list[PromiseWatcher] = []
        self._begin()

    def _begin(self) -> None:
        """Power has come on; feet wait until the contacts have settled."""
        self._watchers = [PromiseWatcher(number, self.design) for number in range(len(self.design.promises))]
        self._look()
        self.pass_time(moves_of(self.design).ready_us)

    def teardown(self) -> None:
        """The run is over; a subclass that has something to put away calls this too."""
        note(f"{HEADING}\n\n{done_to(self.simulator)}")

    def see(self, time_us: int, items: Sequence[Item]) -> None:
        """All that happened at an instant has happened; `items` were put out, packed as design.outputs says. Does nothing here."""

    def pass_time(self, time_us: int) -> None:
        """Let time pass, and look at every instant at which the controller does something by itself."""
        end_us = self.simulator.now_us + time_us
        while (due_us := self.simulator.next_deadline_us) is not None and due_us < end_us:
            self.simulator.advance_to(due_us)
            self._look()
        self.simulator.advance_to(end_us)

    def _look(self) -> None:
        outputs = self.simulator.outputs
        items = encode(outputs[self._seen :])[1::2]
        self._seen = len(outputs)
        now_us = self.simulator.now_us
        self.see(now_us, items)
        engine: Any = self.simulator.powered_engine()
        for watcher in self._watchers:
            told = watcher.see(now_us, items, engine)
            if told is not None:
                raise AssertionError(str(watcher.broken(told)))

    def act(self, contacts: int) -> None:
        """The contacts are so, now."""
        self.simulator.change(contacts)
        self._look()

    def strike(self, mask: int, length_us: int) -> None:
        """Switches go down, stay down for so long, and go up."""
        self.act(self.simulator.contacts | mask)
        self.pass_time(max(1, length_us))
        self.act(self.simulator.contacts & ~mask)
        self.pass_time(1)

    def turn_over(self, mask: int, bounces: int) -> None:
        """Switches go down, or up if all are down; the contacts turn over again so many times, an even number."""
        word = self.simulator.contacts
        turned = word & ~mask if word & mask == mask else word | mask
        self.act(turned)
        for again in range(1, bounces + 1):
            self.pass_time(max(1, self.design.timing.press.time_us // 3))
            self.act(word if again & 1 else turned)
        self.pass_time(1)

    def take_in(self, what: Reading | Bytes) -> None:
        """A pedal moves, or MIDI comes in."""
        if isinstance(what, Reading):
            self._read(what)
            return
        port = next(name for name, number in PORT_NAMES.items() if number == what.port)
        for turn in range(what.times):
            self.pass_time(what.every_us if turn else 0)
            self.simulator.receive(bytes(what.data), port)
            self._look()
        self.pass_time(1)

    def _read(self, what: Reading) -> None:
        pedal = self.design.pedals[what.pedal]
        for value in what.readings(pedal, self.simulator.reading(pedal.name), *pedal.reads):
            self.simulator.turn(pedal.name, value)
            self._look()
            self.pass_time(apart_us(pedal))

    def lose_power(self, off_us: int) -> None:
        """Power goes off and comes back; feet stay where they are."""
        self.simulator.power_off()
        self._seen = len(self.simulator.outputs)
        self.simulator.advance_to(self.simulator.now_us + off_us)
        self.simulator.power_on()
        self._begin()


def machine_for(design: Design, engine: str = "fast") -> type[DesignMachine]:
    """A state machine whose rules are what can be done to a design: subclass it to add invariants, or take its `TestCase` as it is.

    Feet tap and hold keys and turn single switches over, time passes by what a person takes and by every threshold of the design, exactly
    and a microsecond more and less, contacts bounce, pedals move and tremble, MIDI arrives, and power is cut. Every rule takes one
    microsecond more than it says, and `wait` one less, so that thresholds are met between the ends of rules.
    """
    masks = {"+".join(design.switches[member] for member in key.members): key.mask for key in design.keys}
    keys = st.sampled_from(list(masks))
    exact = (moves_of(design).tap_us, *times_us(design))
    times = st.sampled_from(list(dict.fromkeys(max(time_us + off, 0) for off in (0, 1, -1) for time_us in exact)))
    arrivals = tuple(possible_arrivals(design))

    class Machine(DesignMachine):
        @rule(key=keys, length_us=times)
        def tap(self, key: str, length_us: int) -> None:
            self.strike(masks[key], length_us)

        @rule(key=keys, bounces=st.sampled_from((0, 2, 4)))
        def turn(self, key: str, bounces: int) -> None:
            self.turn_over(masks[key], bounces)

        @rule(time_us=times)
        def wait(self, time_us: int) -> None:
            self.pass_time(max(0, time_us - 1))

        @precondition(lambda self: bool(arrivals))
        @rule(what=st.sampled_from(arrivals or (Bytes(()),)))
        def arrive(self, what: Reading | Bytes) -> None:
            self.take_in(what)

        @rule(off_us=st.sampled_from((1, 1_000_000)))
        def cut_power(self, off_us: int) -> None:
            self.lose_power(off_us)

    Machine.design, Machine.engine = design, engine
    Machine.__name__ = Machine.__qualname__ = "Machine"
    return Machine
