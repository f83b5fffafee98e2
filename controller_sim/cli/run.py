"""`controller-sim run`: play a press script to a design and show what happens."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from controller_sim.cli.terminal import (
    ENGINES,
    BadInput,
    add_command,
    kept_promises,
    load,
    painter,
    play_script,
    read_chip,
    read_script,
    show_progress,
    write_text,
)
from controller_sim.cli.watching import add_watch, run_once_or_watch

if TYPE_CHECKING:
    import argparse
    from collections.abc import Sequence

    from controller_sim.script import Run
    from controller_sim.verify.promises import Kept
    from controller_sim.view.timeline import Event

_EPILOG = """\
examples:
  controller-sim run configs/booth.yaml configs/booth_evening.press
  controller-sim run configs/booth.yaml configs/booth_evening.press --engine reference
  controller-sim run configs/booth.yaml configs/booth_evening.press --midi evening.mid
  controller-sim run configs/booth.yaml configs/booth_evening.press --vcd evening.vcd
  controller-sim run configs/booth.yaml configs/booth_evening.press --watch
  controller-sim run configs/booth.yaml configs/booth_evening.press --json | python3 -m json.tool

exit codes: 0 all expectations met and promises kept, 1 some not, 2 a file or the command line is wrong
"""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(commands, "run", "play a press script to a design and show what happens, instant by instant", epilog=_EPILOG)
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("script", metavar="SCRIPT", help="a press script (.press)")
    parser.add_argument("--engine", choices=ENGINES, default="fast", help="which engine plays (default: fast; native: the firmware in C)")
    parser.add_argument("--json", action="store_true", help="the run as JSON")
    parser.add_argument("--wire", action="store_true", help="also list every byte on the wire with its times")
    parser.add_argument("--midi", metavar="FILE", help="write the messages to a Standard MIDI File")
    parser.add_argument("--vcd", metavar="FILE", help="write contacts, levels, LEDs and every bit of the wire as a waveform (VCD)")
    parser.add_argument("--record", metavar="FILE", help="write what the feet did and what came of it as a new press script")
    parser.add_argument("--import", metavar="FILE", dest="image", help="what the chip with the kept cells holds at first (see storage)")
    parser.add_argument("--port", metavar="NAME", help="also send the messages to this MIDI output, in real time")
    add_watch(parser)
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    if arguments.watch and arguments.port is not None:
        raise BadInput("--watch and --port do not go together: a port is played to the end of the run")
    return run_once_or_watch(arguments, _run)


def _run(arguments: argparse.Namespace) -> int:
    design = load(arguments.design)
    script = read_script(arguments.script, design)
    from controller_sim.view import timeline

    image = read_chip(arguments.image) if arguments.image is not None else None
    traced = play_script(design, script, arguments.engine, image, trace=arguments.vcd is not None)
    run = _without_edges(traced)
    kept = kept_promises(run, image)
    happened = timeline.events(design, run.inputs, run.outputs, _echoes(run))
    if arguments.json:
        import json

        print(json.dumps(_json(arguments, run, happened, kept), indent=1))
    else:
        _show(arguments, run, happened, kept)
    _write_files(arguments, run)
    if arguments.vcd is not None:
        _write_waveform(arguments.vcd, traced)
    if arguments.port is not None:
        _send(arguments.port, run)
    return 1 if run.failures or (kept and kept.broken) else 0


def _echoes(run: Run) -> Sequence[tuple[int, int, bytes]]:
    """The messages that came back and counted for nothing; only a design that listens for echoes is played again for them."""
    if not run.design.echo_us or not any(put.kind == "arrived" for put in run.inputs):
        return ()
    from controller_sim.view.watched import watch_run

    return watch_run(run).echoes


def _show(arguments: argparse.Namespace, run: Run, happened: list[Event], kept: Kept | None) -> None:
    from controller_sim.script import report
    from controller_sim.view import timeline

    paint = painter(sys.stdout)
    print(paint(run.design.title, "strong") + paint(f"  {arguments.design}, {arguments.script}, {arguments.engine} engine", "quiet"))
    print()
    for line in timeline.timeline_lines(happened, paint):
        print(line)
    if arguments.wire:
        print()
        for line in timeline.wire_lines(run.design, run.outputs):
            print(line)
    print()
    print(timeline.summary(happened))
    print(paint(report(run), "bad" if run.failures else "good"))
    if kept:
        print(paint(kept.summary(), "bad" if kept.broken else "good"))


def _json(arguments: argparse.Namespace, run: Run, happened: list[Event], kept: Kept | None) -> dict[str, Any]:
    from dataclasses import asdict

    from controller_sim.view import timeline
    from controller_sim.view.words import plain

    facts: dict[str, Any] = {
        "design": arguments.design,
        "script": arguments.script,
        "engine": arguments.engine,
        "events": timeline.as_json(happened),
        "end_us": run.end_us,
        "failures": [plain(asdict(failure)) for failure in run.failures],
    }
    if kept:
        facts["promises"] = kept.as_json(run.design)
    if arguments.wire:
        facts["wire"] = timeline.wire_json(run.design, run.outputs)
    return facts


def _messages(run: Run) -> list[tuple[int, bytes]]:
    from controller_sim.design.outputs import Message

    return [(output.time_us, output.data) for output in run.outputs if isinstance(output, Message)]


def _write_files(arguments: argparse.Namespace, run: Run) -> None:
    if arguments.midi is not None:
        from controller_sim.midi import MidiFileError, write_midi_file

        try:
            left_out = write_midi_file(arguments.midi, _messages(run))
        except MidiFileError as error:
            raise BadInput(str(error)) from None
        if left_out:
            print(f"{arguments.midi}: {left_out} real-time and system messages left out; MIDI files do not hold them", file=sys.stderr)
    if arguments.record is not None:
        from controller_sim.script import record

        write_text(arguments.record, record(run))


def _without_edges(run: Run) -> Run:
    """The run as it is without tracing: debounced edges are for waveforms only."""
    from dataclasses import replace

    from controller_sim.design.outputs import Edge

    return replace(run, outputs=tuple(output for output in run.outputs if not isinstance(output, Edge)))


def _write_waveform(path: str, run: Run) -> None:
    from controller_sim.view.waveform import waveform

    try:
        text = waveform(run.design, run.inputs, run.outputs, run.end_us)
    except ImportError:
        raise BadInput("--vcd needs the library pyvcd: pip install 'controller-sim[waves]'") from None
    write_text(path, text)


def _send(name: str, run: Run) -> None:
    """Send the run's messages when their time comes, as the wall clock has it."""
    import time

    from controller_sim.midi import NoPortError, open_output

    messages = _messages(run)
    try:
        with open_output(name or None) as output:
            start_s = time.monotonic()
            for number, (time_us, data) in enumerate(messages, 1):
                while (ahead_s := start_s + time_us / 1_000_000 - time.monotonic()) > 0:
                    show_progress(f"message {number} of {len(messages)} in {ahead_s:.1f} s")
                    time.sleep(min(ahead_s, 0.2))
                output.send(data)
    except NoPortError as error:
        show_progress("")
        raise BadInput(str(error)) from None
    show_progress("")
