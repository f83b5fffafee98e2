"""The reference engine: time, debouncing, gestures, modes, messages and displays put together."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Sequence
from functools import partial

from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import PORT_NAMES, Action, Design, Moved, Received, Response
from controller_sim.design.outputs import Edge, Ended, Fired, LedSet, Message, ModeEntered, Output, Responded, Restarted, Shown
from controller_sim.design.program import Expression
from controller_sim.reference.debounce import Contact, contact_machine
from controller_sim.reference.gestures import Gestures
from controller_sim.reference.interpreter import Interpreter
from controller_sim.reference.listening import Beat, Ear, Echoes, Heard, Pairs, as_note_off, data_of, goes_on
from controller_sim.reference.memory import Memory
from controller_sim.reference.pedals import PedalInput
from controller_sim.reference.tempo import Clock, TapSeries
from controller_sim.reference.timeouts import Kind, Pending, Timeout, Wait

CLOCK_TICK = b"\xf8"


def lets_go(data: bytes) -> bool:
    """Whether a message ends a note: a note-off, or a note-on with velocity 0."""
    return data[0] & 0xF0 == 0x80 or (data[0] & 0xF0 == 0x90 and data[2] == 0)


class ReferenceEngine:
    """Plays a design, slowly and readably, as the semantics say.

    Power comes on at `now_us`; the contacts count as open until the first `advance`. `kept` holds the values of
    all kept cells' elements, in the order of the cells, as `kept()` gave them. Times are microseconds and never wrap here.
    `trace` adds the debounced edges to the outputs.

    Raises ValueError when `kept` has another length than the design asks for.
    """

    def __init__(self, design: Design, now_us: int = 0, kept: Sequence[int] | None = None, trace: bool = False) -> None:
        self.design = design
        self.now_us = now_us
        self.display = ""
        self.leds = [0] * len(design.leds)
        self._trace = trace
        self._outputs: list[Output] = []
        self.dropped: list[tuple[int, int, bytes]] = []
        """(time, port, message) of each echo that came in, for whoever looks on."""
        self._interpreter = Interpreter(design, self)
        self._contact_machine = contact_machine()
        self._word = 0
        self._begin(kept)

    def _begin(self, kept: Sequence[int] | None) -> None:
        """All that power-on sets."""
        design = self.design
        self.mode = -1
        self.memory = Memory(design, kept)
        self._gestures = Gestures(design, self)
        self._contacts = [Contact(self._contact_machine, design.timing) for _ in design.switches]
        self._power_on_us: int | None = None
        self._await_contacts()
        self._clock = Clock(design.tempo)
        self._taps = TapSeries(design.tempo)
        self._delayed: list[Pending] = []
        self._timers: list[int | None] = []
        self._notice: tuple[str, int] | None = None
        self._wanted_mode: int | None = None
        self._restart_wanted = False
        self._pressed_us: int | None = None
        self._pedals = [PedalInput(pedal, self.now_us, partial(self._moved, number)) for number, pedal in enumerate(design.pedals)]
        self._ears = {port: Ear() for port in PORT_NAMES.values()}
        self._beat = Beat(design.tempo)
        self._pairs = Pairs(design)
        self._echoes = Echoes(design.echo_us)

    @property
    def cells(self) -> list[int]:
        """The memory, flat: a cell's elements stand from its offset on."""
        return self.memory.values

    @property
    def tempo(self) -> int:
        """Beats a minute, rounded."""
        return self._clock.beats

    @property
    def clock_running(self) -> bool:
        return self._clock.running

    @property
    def positions(self) -> list[int]:
        """Where each pedal stands, in what it gives."""
        return [pedal.position for pedal in self._pedals]

    @property
    def level(self) -> int:
        """The switches that are down, debounced (bit i: switch i)."""
        return sum(contact.level << switch for switch, contact in enumerate(self._contacts))

    @property
    def notice_shown(self) -> bool:
        """Whether a notice covers the display."""
        return self._notice is not None

    def saved(self) -> list[int]:
        """The memory as `cancel` would leave it."""
        return self.memory.saved()

    def kept(self) -> tuple[int, ...]:
        """What survives power-off now: the elements of the kept cells, in the order of the cells."""
        return self.memory.kept()

    def take_outputs(self) -> list[Output]:
        """What was put out since the last call, in order."""
        taken, self._outputs = self._outputs, []
        return taken

    def next_deadline_us(self) -> int | None:
        """The earliest instant at which something may happen without any contact changing; None if nothing can."""
        waits = [contact.edge_us for contact in self._contacts if contact.edge_us is not None]
        return min([timeout.due_us for timeout in self._timeouts()] + waits, default=None)

    def waits(self) -> list[Wait]:
        """What contacts and keys are waiting for after this instant."""
        found = list(self._gestures.waits())
        if self._power_on_us is not None:
            found.append(Wait("power_on", (1 << len(self._contacts)) - 1, self._power_on_us - self._settled_us(), self._power_on_us))
        for switch, contact in enumerate(self._contacts):
            wait = contact.wait_us()
            if wait is not None and wait[1] > self.now_us:
                found.append(Wait("settle" if contact.state == "settling" else "lockout", 1 << switch, *wait))
        return found

    def pending(self) -> list[Pending]:
        """What timers of the mode and delayed messages are waiting for after this instant."""
        running = ((number, due_us) for number, due_us in enumerate(self._timers) if due_us is not None)
        timers = self.design.modes[self.mode].timers if self.mode >= 0 else ()
        return [*(Pending(self.mode, n, 0, b"", due_us - timers[n].period_us, due_us) for n, due_us in running), *self._delayed]

    def advance(self, now_us: int, contacts: int, arrived: Sequence[int] = ()) -> None:
        """Go to an instant at which `contacts` is seen (bit i: switch i is down); until then they were as before.

        `arrived` is what came at that instant besides, packed as core.kinds says. Raises ValueError when time would go backwards.
        """
        if now_us < self.now_us:
            raise ValueError(f"time went back from {self.now_us} us to {now_us} us")
        while (due_us := self.next_deadline_us()) is not None and due_us < now_us:
            self._instant(due_us, self._word)
        self._instant(now_us, contacts & ((1 << len(self._contacts)) - 1), arrived)

    def _instant(self, now_us: int, word: int, arrived: Sequence[int] = ()) -> None:
        """One instant: its timeouts, then its edges, then what arrived, then the display and the LEDs."""
        self.now_us = now_us
        while (timeout := min(self._timeouts(), key=lambda one: one.order, default=None)) and timeout.due_us <= now_us:
            timeout.meet()
        changed, self._word = word != self._word, word
        if self._power_on_us is None:
            self._edges()
        elif changed:
            self._await_contacts()
        for arrival in unpack(arrived):
            if isinstance(arrival, PedalReading):
                self._pedals[arrival.pedal].read(arrival.value, now_us, quiet=self.mode < 0)
            else:
                self._hear(arrival.port, arrival.byte)
        if self._restart_wanted:
            self._restart()
        self._show()

    def _edges(self) -> None:
        """Releases, presses, then the releases of switches pressed at this very instant, each in switch order."""
        edges = [contact.read(self.now_us, bool(self._word >> switch & 1)) for switch, contact in enumerate(self._contacts)]
        rounds: list[list[tuple[int, bool]]] = [[], [], []]
        for switch, own in enumerate(edges):
            for place, down in enumerate(own):
                rounds[1 if down else 2 * place].append((switch, down))
        for switch, down in rounds[0] + rounds[1] + rounds[2]:
            self._edge(switch, down)
            if down:
                self._gestures.press(switch)
            else:
                self._gestures.release(switch)

    def _edge(self, switch: int, down: bool) -> None:
        if self._trace:
            self._outputs.append(Edge(self.now_us, switch, down))

    def _await_contacts(self) -> None:
        """Power-on: the contacts have settled when they have not changed for the longer debounce time."""
        self._power_on_us = self.now_us + self._settled_us()

    def _settled_us(self) -> int:
        timing = self.design.timing
        return max(timing.press.time_us, timing.release.time_us, 1)

    def _power_on(self) -> None:
        self._power_on_us = None
        for switch, contact in enumerate(self._contacts):
            if self._word >> switch & 1:
                contact.level = contact.closed = True
                self._edge(switch, True)
                self._gestures.spend_at_power_on(switch)
        for binding in self.design.power_on:
            if binding.mask == self._word:
                self._interpreter.run(binding.action)
                break
        if self.design.every_power_on is not None:
            self._interpreter.run(self.design.every_power_on)
        first, self._wanted_mode = self._wanted_mode, None
        self._enter_mode(self.design.home if first is None else first)
        self._change_modes()
        for pedal in self._pedals:
            pedal.move_if_it_has(self.now_us)

    def _moved(self, pedal: int) -> None:
        self._respond(lambda cause: [] if isinstance(cause, Moved) and cause.pedal == pedal else None)

    def _hear(self, port: int, byte: int) -> None:
        """A byte arrives; with it a message may be whole: unless it is an echo it goes on, counts as a beat, and is responded to."""
        for message in self._ears[port].messages(byte):
            if self._echoes.is_echo(self.now_us, port, message):
                self.dropped.append((self.now_us, port, message))
                continue
            for thru in self.design.thru:
                if goes_on(thru, port, message):
                    self._put_out(thru.ports, message)
            if port == self.design.tempo.follow:
                quarter_us = self._beat.hear(message[0], self.now_us)
                if quarter_us is not None:
                    self._clock.set_quarter(quarter_us, self.now_us)
            pair = self._pairs.hear(port, message)
            if self.mode >= 0:
                message = as_note_off(message)
                self._received(Heard(port, message[0], data_of(message), pair))

    def _received(self, heard: Heard) -> None:
        self._respond(lambda cause: heard.values_for(cause) if isinstance(cause, Received) else None)

    def _respond(self, values_for: Callable[[Moved | Received], list[int] | None]) -> None:
        """Run the first response of the mode for whose cause there are values and whose condition holds, if there is one."""
        mode = self.design.modes[self.mode]
        for number in mode.responses:
            response: Response = self.design.responses[number]
            values = values_for(response.cause)
            if values is not None and (response.condition is None or self.truth(mode.conditions[response.condition])):
                self._outputs.append(Responded(self.now_us, number, tuple(values)))
                self._pressed_us = self.now_us
                self._interpreter.respond(response, values)
                self._change_modes()
                self._pressed_us = None
                return

    def _put_out(self, ports: int, data: bytes) -> None:
        """A message leaves now."""
        self._echoes.leaves(self.now_us, ports, data)
        self._outputs.append(Message(self.now_us, ports, data))

    def _timeouts(self) -> Iterator[Timeout]:
        if self._power_on_us is not None:
            yield Timeout(self._power_on_us, Kind.POWER_ON, 0, self._power_on)
        yield from self._gestures.timeouts()
        for number, due_us in enumerate(self._timers):
            if due_us is not None:
                yield Timeout(due_us, Kind.MODE_TIMER, number, partial(self._mode_timer, number))
        if self._delayed:
            yield Timeout(self._delayed[0].due_us, Kind.DELAYED_MESSAGE, 0, self._send_first_delayed)
        if self._clock.due_us is not None:
            yield Timeout(self._clock.due_us, Kind.CLOCK, 0, self._clock_tick)
        if self._notice is not None:
            yield Timeout(self._notice[1], Kind.NOTICE, 0, self._end_notice)
        for number, pedal in enumerate(self._pedals):
            if self.mode >= 0 and pedal.due_us is not None:
                yield Timeout(pedal.due_us, Kind.PEDAL, number, partial(self._pedal_may_move, pedal))

    def _mode_timer(self, number: int) -> None:
        timer, due_us = self.design.modes[self.mode].timers[number], self._timers[number]
        assert due_us is not None
        self._timers[number] = due_us + timer.period_us if timer.every else None
        self._act(timer.action)

    def _send_first_delayed(self) -> None:
        first = self._delayed.pop(0)
        self._put_out(first.ports, first.data)

    def _clock_tick(self) -> None:
        self._clock.tick(self.now_us)
        self._put_out(self.design.tempo.ports, CLOCK_TICK)

    def _pedal_may_move(self, pedal: PedalInput) -> None:
        pedal.move_if_it_has(self.now_us)

    def _end_notice(self) -> None:
        self._notice = None

    def _act(self, action: Action) -> None:
        """Run an action to completion, then the mode change it asked for."""
        self._interpreter.run(action)
        self._change_modes()

    def _change_modes(self) -> None:
        while self._wanted_mode is not None:
            mode, self._wanted_mode = self._wanted_mode, None
            self._leave_mode()
            self._enter_mode(mode)

    def _leave_mode(self) -> None:
        old = self.design.modes[self.mode]
        self._pressed_us = None
        if old.delayed == "cancel":
            self._cancel_delayed_of((self.mode,))
        if old.leave is not None:
            self._interpreter.run(old.leave)
        if old.on_other_exit == "cancel":
            self.memory.cancel_draft()
        self._gestures.wipe()

    def _restart(self) -> None:
        """Leave the mode, let go of what sounds, and begin again with what is kept."""
        self._leave_mode()
        self.memory.save_draft()
        for binding, pressed_us in self._gestures.owed_releases():
            self._outputs.append(Fired(self.now_us, binding))
            self._pressed_us = pressed_us
            self._interpreter.run(self.design.bindings[binding].action)
        self.memory.save_draft()
        self.cancel_delayed()
        self._begin(self.memory.kept())
        self._outputs.append(Restarted(self.now_us))

    def _enter_mode(self, mode: int) -> None:
        self.mode = mode
        self._outputs.append(ModeEntered(self.now_us, mode))
        new = self.design.modes[mode]
        self.memory.begin_draft(new.draft)
        self._timers = [self.now_us + timer.period_us for timer in new.timers]
        if new.enter is not None:
            self._interpreter.run(new.enter)

    def truth(self, condition: Expression) -> bool:
        return self._interpreter.truth(condition)

    def fire(self, binding: int, pressed_us: int) -> None:
        """A gesture fires, of a key that was pressed at `pressed_us`."""
        self._outputs.append(Fired(self.now_us, binding))
        self._pressed_us = pressed_us
        self._act(self.design.bindings[binding].action)
        self._pressed_us = None

    def end_press(self, switch: int, fate: str) -> None:
        self._outputs.append(Ended(self.now_us, switch, fate))

    def reading(self, name: str) -> int:
        return self.tempo if name == "tempo" else int(self.clock_running)

    def changed(self, cell: int | None, element: int | None) -> bool:
        """Whether an element, a whole cell or anything at all of the mode's draft differs from its snapshot."""
        return self.memory.changed(cell, element)

    def send(self, ports: int, data: bytes, delay_us: int) -> None:
        """Send a message now, or put it in the queue, where the one due first leaves if there is no room."""
        if delay_us == 0:
            self._put_out(ports, data)
            return
        if len(self._delayed) == self.design.delayed_messages:
            self._send_first_delayed()
        self._delayed.append(Pending(self.mode, None, ports, data, self.now_us, self.now_us + delay_us))
        self._delayed.sort(key=lambda message: message.due_us)

    def hasten(self, ports: int, data: bytes) -> None:
        for place, message in enumerate(self._delayed):
            if message.ports == ports and message.data[:2] == bytes([data[0] ^ 0x10, data[1]]):
                return
            if (message.ports, message.data) == (ports, data):
                del self._delayed[place]
                self._put_out(ports, data)
                return

    def cancel_delayed(self) -> None:
        self._cancel_delayed_of(range(-1, len(self.design.modes)))

    def _cancel_delayed_of(self, modes: Container[int]) -> None:
        """Drop the waiting messages that were sent in some modes; note-offs leave now."""
        waiting, self._delayed = self._delayed, []
        for message in waiting:
            if message.mode not in modes:
                self._delayed.append(message)
            elif lets_go(message.data):
                self._put_out(message.ports, message.data)

    def set_tempo(self, beats: int) -> None:
        self._clock.set_beats(beats, self.now_us)

    def tap_tempo(self) -> None:
        if self._pressed_us is None:
            return
        quarter_us = self._taps.tap(self._pressed_us)
        if quarter_us is not None:
            self._clock.set_quarter(quarter_us, self.now_us)

    def clock_run(self, running: bool) -> None:
        self._clock.run(running, self.now_us)

    def enter(self, mode: int) -> None:
        self._wanted_mode = mode

    def notice(self, text: str, duration_us: int) -> None:
        self._notice = (text, self.now_us + duration_us)

    def restart_timer(self, timer: int) -> None:
        if timer < len(self._timers):
            self._timers[timer] = self.now_us + self.design.modes[self.mode].timers[timer].period_us

    def save_draft(self) -> None:
        self.memory.save_draft()

    def cancel_draft(self) -> None:
        self.memory.cancel_draft()

    def factory_values(self, cells: Sequence[int]) -> None:
        self.memory.factory_values(cells)

    def restart(self) -> None:
        self._restart_wanted = True

    def _show(self) -> None:
        """Work out the display and the LEDs anew, and put out what has changed."""
        text = self._view() if self._notice is None else self._notice[0]
        if text != self.display:
            self.display = text
            self._outputs.append(Shown(self.now_us, text))
        expressions = self.design.modes[self.mode].leds if self.mode >= 0 else ()
        values = [self._interpreter.value(expression, []) for expression in expressions] or [0] * len(self.leds)
        for led, value in enumerate(values):
            if value != self.leds[led]:
                self.leds[led] = value
                self._outputs.append(LedSet(self.now_us, led, value))

    def _view(self) -> str:
        views = self.design.modes[self.mode].views if self.mode >= 0 else ()
        for view in views:
            if view.condition is None or self.truth(view.condition):
                return "\n".join(self._interpreter.text(line, []) for line in view.lines)
        return ""
