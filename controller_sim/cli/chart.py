"""`controller-sim chart`: what a manual needs of a design, as Markdown, HTML, PDF or SVG."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from controller_sim.cli.terminal import BadInput, add_command, load, text_of, write_text

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from controller_sim.design.form import Design
    from controller_sim.view.chart import Delay
    from controller_sim.view.sheet import Drawing, Sheet, Table

PARTS = ("switches", "map", "words", "midi", "storage", "latency")
_EPILOG = """\
The parts, in this order:
  switches  what every switch, chord and pedal does in every mode, as large as an A4 page allows, to tape to the floor
  map       the map of modes: which gesture leads from which to which
  words     what the names on the chart of switches stand for, and what happens by itself
  midi      the MIDI Implementation Chart in the form of the MIDI 1.0 Detailed Specification
  storage   where kept values lie in the chip
  latency   how long gestures take
The ending of the file says what it becomes: .md, .html, .pdf (needs the extra `pdf`), or .svg: one picture of the parts that
are asked for, without --part of the map alone.

examples:
  controller-sim chart configs/booth.yaml
  controller-sim chart configs/booth.yaml -o booth.pdf
  controller-sim chart configs/booth.yaml --part switches -o floor.pdf
  controller-sim chart configs/booth.yaml --part midi --part storage -o reference.html
  controller-sim chart configs/booth.yaml -o modes.svg
  controller-sim chart configs/booth.yaml --part switches -o floor.svg

exit codes: 0 it is written, 2 a file or the command line is wrong
"""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(commands, "chart", "write what every switch does in every mode, and the other tables of a manual", epilog=_EPILOG)
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("-o", "--output", metavar="FILE", help="the file to write (.md, .html, .pdf, .svg); without it Markdown is printed")
    parser.add_argument("--part", metavar="PART", choices=PARTS, action="append", help=f"one of {', '.join(PARTS)}; may be repeated (all)")
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    output = arguments.output
    ending = Path(output).suffix.lower() if output is not None else ".md"
    writers: dict[str, Callable[[str, Sheet], None]] = {".md": _markdown, ".html": _html, ".pdf": _pdf, ".svg": _svg}
    if ending not in writers:
        raise BadInput(f"{output}: a chart can be .md, .html, .pdf or .svg, and {ending or 'a name without an ending'} is none of these")
    chosen = ["map"] if ending == ".svg" and not arguments.part else arguments.part or PARTS
    design = load(arguments.design)
    sheet = _sheet(design, chosen)
    if not sheet.parts:
        raise BadInput(f"{arguments.design}: there is nothing to tell of {' and '.join(chosen)}")
    writers[ending](output, sheet)
    return 0


def _sheet(design: Design, chosen: list[str] | tuple[str, ...]) -> Sheet:
    from controller_sim.view import chart
    from controller_sim.view.implementation import implementation_chart
    from controller_sim.view.modes import mode_map
    from controller_sim.view.sheet import Sheet

    switches, *words = chart.switch_tables(design)
    parts: dict[str, list[Table | Drawing | None]] = {
        "switches": [switches],
        "map": [mode_map(design)] if "map" in chosen else [],
        "words": [*words],
        "midi": [implementation_chart(design)],
        "storage": [chart.storage_table(design)],
        "latency": [chart.latency_table(design, _delays(design))] if "latency" in chosen else [],
    }
    return Sheet(f"{design.title}: charts", tuple(part for name in PARTS if name in chosen for part in parts[name] if part is not None))


def _delays(design: Design) -> list[Delay]:
    """How long each gesture takes, as `check` bounds it."""
    from controller_sim.verify.checking import check
    from controller_sim.view.chart import Delay
    from controller_sim.view.wording import gesture_frame

    delays = []
    for run, latency in check(design).latencies.items():
        binding = design.bindings[run.number]
        last = [each.last for each in latency.sending]
        sent_us = (min(each.best_us for each in last), max(each.worst_us for each in last)) if last else None
        decided_us = (latency.decided.best_us, latency.decided.worst_us)
        mode, key = design.modes[binding.mode].name, design.keys[binding.key].name
        delays.append(Delay(mode, gesture_frame(design, binding), key, latency.waits_for, decided_us, sent_us))
    return delays


def _markdown(output: str | None, sheet: Sheet) -> None:
    from controller_sim.view.chart_text import markdown

    if output is None:
        sys.stdout.write(markdown(sheet))
    else:
        write_text(output, markdown(sheet))


def _html(output: str, sheet: Sheet) -> None:
    from controller_sim.view.chart_text import html

    write_text(output, html(sheet))


def _svg(output: str, sheet: Sheet) -> None:
    from controller_sim.view.chart_svg import svg

    write_text(output, svg(sheet.parts))


def _pdf(output: str, sheet: Sheet) -> None:
    from controller_sim.view.chart_pdf import pdf, unprintable

    try:
        data = pdf(sheet)
    except ImportError:
        raise BadInput(
            "a PDF needs the library fpdf2: pip install 'controller-sim[pdf]'; HTML, which a browser prints, needs nothing"
        ) from None
    try:
        Path(output).write_bytes(data)
    except OSError as error:
        raise BadInput(text_of(error, output)) from None
    lacking = unprintable(sheet)
    if lacking:
        print(f"{output}: the fonts of a PDF lack {' '.join(sorted(lacking))}, shown as ?; HTML shows every letter", file=sys.stderr)
