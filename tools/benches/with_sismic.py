"""four.yaml on `sismic`: a statechart for each contact, one for each switch's press, one for the mode, on one simulated clock.

sismic looks at its clock only when it is executed and does not say when it would next have something to do, so entering a state
that waits asks for an execution at that time. Where an event can come at the very instant at which the wait ends, the wait
ends by an event too, because sismic takes transitions without an event before all others.
"""

from __future__ import annotations

from benches.four import CHORD, CHORD_US, DEBOUNCE, HOLD, HOLD_US, LOCKOUT_US, SETTLE_US, SHOW, WINDOW, Booth, C, D, Play, Timers, player
from sismic.clock import SimulatedClock  # type: ignore[import-untyped]  # sismic ships no types
from sismic.interpreter import Interpreter  # type: ignore[import-untyped]  # sismic ships no types
from sismic.io import import_from_yaml  # type: ignore[import-untyped]  # sismic ships no types

CONTACT = import_from_yaml(
    f"""
statechart:
  name: contact
  root state:
    name: root
    initial: up
    states:
      - name: up
        transitions:
          - {{target: locked, event: close, action: press()}}
      - name: locked
        on entry: wake({LOCKOUT_US})
        transitions:
          - {{target: settling, guard: 'after({LOCKOUT_US}) and not contact.closed'}}
          - {{target: down, guard: 'after({LOCKOUT_US}) and contact.closed'}}
      - name: down
        transitions:
          - {{target: settling, event: open}}
      - name: settling
        on entry: wake({SETTLE_US})
        transitions:
          - {{target: down, event: close}}
          - {{target: up, guard: 'after({SETTLE_US})', action: release()}}
"""
)

PRESS = import_from_yaml(
    f"""
statechart:
  name: press
  root state:
    name: root
    initial: idle
    on entry: mode = 0
    states:
      - name: idle
        on exit: mode = booth.mode
        transitions:
          - {{target: pending, event: press, guard: chord_is_possible()}}
          - {{target: owing, event: press, guard: not chord_is_possible() and press_is_bound(), action: 'fire(booth.mode, "press")'}}
          - {{target: decided, event: press, guard: not chord_is_possible() and not press_is_bound()}}
          - {{target: done, event: join_chord}}
      - name: down
        initial: decided
        on entry: |
          if bound(booth.mode, "hold"):
              wake({HOLD_US}, {HOLD})
        transitions:
          - {{target: done, event: wake, guard: 'bound(mode, "hold") and after({HOLD_US})', action: 'fire(mode, "hold")'}}
          - {{target: idle, event: release, guard: 'bound(mode, "tap")', action: 'fire(mode, "tap")'}}
          - {{target: idle, event: release, guard: 'not bound(mode, "tap")', action: end(0)}}
          - {{target: done, event: wipe, action: end(1)}}
          - {{target: done, event: join_chord}}
        states:
          - name: pending
            on entry: wake({CHORD_US}, {WINDOW})
            transitions:
              - {{target: decided, event: decide}}
              - {{target: decided, event: wake, guard: 'after({CHORD_US})'}}
          - name: decided
      - name: owing
        transitions:
          - {{target: idle, event: release, action: 'fire(mode, "release")'}}
      - name: done
        transitions:
          - {{target: idle, event: release}}
"""
)

MODE = import_from_yaml(
    """
statechart:
  name: mode
  root state:
    name: root
    initial: show
    states:
      - name: show
        transitions:
          - {target: pad, event: enter_pad, action: enter(1)}
          - {target: space, event: enter_space, action: enter(2)}
      - name: pad
        transitions:
          - {target: show, event: enter_show, action: enter(0)}
      - name: space
        transitions:
          - {target: show, event: enter_show, action: enter(0)}
"""
)


class Floor:
    """All statecharts of one controller."""

    def __init__(self) -> None:
        self.clock = SimulatedClock()
        self.booth = Booth()
        self.booth.change_mode = self.enter
        self.timers = Timers(self.booth)
        self.contacts = [self.contact(switch) for switch in range(4)]
        self.presses = [self.press(switch) for switch in range(4)]
        self.mode = Interpreter(MODE, initial_context={"enter": self.wipe_and_enter}, clock=self.clock)
        for chart in (*self.contacts, *self.presses, self.mode):
            chart.execute()

    def contact(self, switch: int) -> Interpreter:
        def wake(delay_us: int) -> None:
            self.timers.start(delay_us, DEBOUNCE, switch, lambda: self.step(chart))

        context = {
            "contact": Level(),
            "wake": wake,
            "press": lambda: self.pressed(switch),
            "release": lambda: self.step(self.presses[switch], "release"),
        }
        chart = Interpreter(CONTACT, initial_context=context, clock=self.clock)
        return chart

    def press(self, switch: int) -> Interpreter:
        def wake(delay_us: int, kind: int) -> None:
            self.timers.start(delay_us, kind, switch, lambda: self.step(chart, "wake"))

        def chord_is_possible() -> bool:
            return self.booth.mode == SHOW and switch in (C, D) and "idle" in self.presses[C + D - switch].configuration

        context: dict[str, object] = {
            "booth": self.booth,
            "wake": wake,
            "chord_is_possible": chord_is_possible,
            "press_is_bound": lambda: self.booth.bound(self.booth.mode, "press", switch),
            "bound": lambda mode, gesture: self.booth.bound(mode, gesture, switch),
            "fire": lambda mode, gesture: self.booth.fire(mode, gesture, switch),
            "end": lambda fate: self.booth.ended(switch, fate),
        }
        chart = Interpreter(PRESS, initial_context=context, clock=self.clock)
        return chart

    def step(self, chart: Interpreter, event: str | None = None) -> None:
        self.clock.time = self.booth.now_us
        if event:
            chart.queue(event)
        chart.execute()

    def change(self, switch: int, closed: bool) -> None:
        chart = self.contacts[switch]
        chart.context["contact"].closed = closed
        self.step(chart, "close" if closed else "open")

    def pressed(self, switch: int) -> None:
        """A press either completes the pending chord, or closes the pending group and goes its own way."""
        for other in (C, D):
            if "pending" in self.presses[other].configuration:
                if switch in (C, D):
                    self.step(self.presses[other], "join_chord")
                    self.step(self.presses[switch], "join_chord")
                    self.booth.fire(SHOW, "press", CHORD)
                    return
                self.step(self.presses[other], "decide")
        self.step(self.presses[switch], "press")

    def enter(self, mode: int) -> None:
        self.step(self.mode, ("enter_show", "enter_pad", "enter_space")[mode])

    def wipe_and_enter(self, mode: int) -> None:
        for press in self.presses:
            if "down" in press.configuration:
                self.step(press, "wipe")
        self.booth.mode_entered(mode)


class Level:
    """Whether a contact is closed, for the guards to read."""

    closed = False


def prepare() -> Play:
    floor = Floor()
    return player(floor.booth, floor.timers, floor.change)
