"""How a run tells of pedals and of what was received, and what `check` says of them."""

from __future__ import annotations

from controller_sim.design import load_design_text
from controller_sim.simulator import Simulator
from controller_sim.view.report import as_json as report_json
from controller_sim.view.report import report_lines
from controller_sim.view.timeline import as_json, events, timeline_lines
from controller_sim.view.watched import watch

DESIGN = load_design_text(
    """
switches: [a, {far: opens}]
pedals: {swell: {every: 20ms}}
devices: {organ: {channel: 1}, lamps: {channel: 4, port: usb, controllers: {level: {number: 7, bits: 14}}}}
modes:
  play:
    on:
      move swell: control_change(lamps, level, swell)
      received note_on(organ): pass
      received start: pass
""",
    "evening.yaml",
)


def played() -> Simulator:
    simulator = Simulator(DESIGN)
    simulator.wait("100ms")
    for value in (1023, 800, 600):
        simulator.turn("swell", value)
        simulator.wait("5ms")
    simulator.wait("95ms")
    simulator.receive("90 3C F8 64 3C")
    simulator.wait("1ms")
    simulator.receive("00 FA")
    return simulator


def test_a_run_tells_what_arrived_and_what_answered_it() -> None:
    simulator = played()
    lines = list(timeline_lines(events(DESIGN, simulator.inputs, simulator.outputs)))
    assert lines == [
        "    0.012000      mode play",
        "    0.100000  swell reads 1023",
        "                  move swell  in play, line 8",
        "                  lamps  control change ch 4: 7 = 0 (level)  usb 0.101000..0.102000",
        "                  lamps  control change ch 4: 39 = 127 (level)  usb 0.101000..0.102000",
        "    0.105000  swell reads 800 to 600 in 2 readings until 0.110000",
        "    0.120000      move swell  in play, line 8",
        "                  lamps  control change ch 4: 7 = 0 (level)  usb 0.121000..0.122000",
        "                  lamps  control change ch 4: 39 = 74 (level)  usb 0.121000..0.122000",
        "    0.210000  serial receives 90 3C F8 64 3C  clock, note on ch 1: 60 velocity 100",
        "                  received note_on from organ  in play, line 9",
        "    0.211000  serial receives 00 FA  note on ch 1: 60 velocity 0, start",
        "                  received start  in play, line 10",
    ]


def test_an_echo_is_told_and_only_where_it_came_back() -> None:
    echoing = load_design_text(
        "switches: [a]\nwire: {echo: 250ms}\ndevices: {sampler: {channel: 1, programs: 0..9}}\n"
        "modes: {show: {on: {press a: 'program_change(sampler, 3)', received program_change(sampler): pass}}}\n",
        "echo.yaml",
    )
    simulator = Simulator(echoing)
    simulator.wait("100ms")
    simulator.press("a")
    # language.md, MIDI in: what left less than 250 ms ago and comes back counts for nothing; then it is a message again.
    for pause in ("10ms", "239999us", "1us"):
        simulator.wait(pause)
        simulator.receive("C0 03")
    watched = watch(echoing, simulator.inputs, simulator.now_us)
    happened = events(echoing, simulator.inputs, simulator.outputs, watched.echoes)
    told = [(event.text, event.facts["echoes"]) for event in happened if event.kind == "received"]
    assert told == [
        ("serial receives C0 03  echo, dropped: program change ch 1: 3", 1),
        ("serial receives C0 03  echo, dropped: program change ch 1: 3", 1),
        ("serial receives C0 03  program change ch 1: 3", 0),
    ]
    assert sum(event.kind == "response" for event in happened) == 1


def test_the_events_as_data_leave_no_reading_out() -> None:
    simulator = played()
    told = as_json(events(DESIGN, simulator.inputs, simulator.outputs))
    assert [event["value"] for event in told if event["kind"] == "pedal"] == [1023, 800, 600]
    assert [event["bytes"] for event in told if event["kind"] == "received"] == ["90 3C F8 64 3C", "00 FA"]
    assert [event["response"] for event in told if event["kind"] == "response"].count("move swell") == 2


def test_the_report_names_pedals_contacts_and_responses() -> None:
    lines = list(report_lines(DESIGN))
    assert "  switches   a, far (opens)" in lines
    assert "  pedals     swell (0..127)" in lines
    assert "  play  1 move, 2 received (home)" in lines
    data = report_json(DESIGN)
    assert data["pedals"] == {"swell": {"low": 0, "high": 127, "every_us": 20_000}}
    assert data["modes"][0]["responses"] == {"move": 1, "received": 2}
