"""`controller-sim picture`: play a press script to a design and draw what happens."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from controller_sim.cli.terminal import BadInput, add_command, load, painter, play_script, read_chip, read_script, text_of
from controller_sim.cli.watching import add_watch, run_once_or_watch

if TYPE_CHECKING:
    import argparse

    from controller_sim.script import Run

_EPILOG = """\
Time runs to the right, in seconds from power-on. The feet are at the top, what the controller makes of them below, the
wires at the bottom. Long silences are cut and marked. The ending of the file says what is drawn: .svg and .png one
page, .html a page to zoom into and to ask what a mark is; it needs no network. A .png needs the png extra.

examples:
  controller-sim picture configs/booth.yaml configs/booth_evening.press -o evening.html
  controller-sim picture configs/booth.yaml configs/booth_evening.press -o evening.svg
  controller-sim picture configs/booth.yaml configs/booth_evening.press -o double.png --from 8.3s --to 8.9s
  controller-sim picture configs/booth.yaml configs/booth_evening.press -o double.svg --from 8.3s --to 8.9s --width 900
  controller-sim picture configs/booth.yaml configs/booth_evening.press -o evening.html --watch

exit codes: 0 all expectations met, 1 some failed (drawn all the same), 2 a file or the command line is wrong
"""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = add_command(commands, "picture", "play a press script to a design and draw what happens", epilog=_EPILOG)
    parser.add_argument("design", metavar="DESIGN", help="a design file (.yaml)")
    parser.add_argument("script", metavar="SCRIPT", help="a press script (.press)")
    parser.add_argument("-o", "--output", metavar="FILE", required=True, help="the picture: a name that ends in .svg, .png or .html")
    parser.add_argument("--from", metavar="TIME", dest="start", help="draw only what happens from this time on, such as 8.3s or 250ms")
    parser.add_argument("--to", metavar="TIME", dest="end", help="draw only what happens until this time")
    parser.add_argument(
        "--width", metavar="PX", type=int, help="how wide an .svg or .png is, in pixels [1600]; a narrow one is for small pages"
    )
    parser.add_argument("--import", metavar="FILE", dest="image", help="what the chip with the kept cells holds at first (see storage)")
    add_watch(parser)
    parser.set_defaults(execute=execute)


def execute(arguments: argparse.Namespace) -> int:
    return run_once_or_watch(arguments, _draw)


def _draw(arguments: argparse.Namespace) -> int:
    from controller_sim.script import report
    from controller_sim.view import picture

    ending = Path(arguments.output).suffix.lower()
    if ending not in picture.ENDINGS:
        raise BadInput(f"{arguments.output}: a picture's name ends in .svg, .png or .html")
    start_us, end_us = _range(arguments)
    width_px = _width(arguments.width, ending)
    design = load(arguments.design)
    script = read_script(arguments.script, design)
    try:
        if ending == ".png":
            picture.check_png()
        run = play_script(design, script, "fast", read_chip(arguments.image) if arguments.image is not None else None)
        if start_us and start_us >= run.end_us:
            raise BadInput(f"--from {arguments.start}: the run ends after {run.end_us / 1_000_000:g}s")
        drawn = _file(run, ending, start_us, end_us, width_px)
    except picture.PictureError as error:
        raise BadInput(str(error)) from None
    try:
        Path(arguments.output).write_bytes(drawn)
    except OSError as error:
        raise BadInput(text_of(error, arguments.output)) from None
    paint = painter(sys.stdout)
    print(f"{arguments.output}: {len(drawn) // 1000 or 1} kB")
    print(paint(report(run), "bad" if run.failures else "good"))
    return 1 if run.failures else 0


def _range(arguments: argparse.Namespace) -> tuple[int, int | None]:
    """The times to draw, in microseconds; None: to the end."""
    start_us = _time(arguments.start, "--from") if arguments.start is not None else 0
    end_us = _time(arguments.end, "--to") if arguments.end is not None else None
    if end_us is not None and end_us <= start_us:
        raise BadInput(f"--to {arguments.end} is not later than --from {arguments.start or '0s'}")
    return start_us, end_us


def _width(width_px: int | None, ending: str) -> int:
    from controller_sim.view import picture

    if width_px is None:
        return picture.PAGE_PX
    if ending == ".html":
        raise BadInput("--width: an .html is as wide as its window; .svg and .png have a width")
    if not picture.NARROWEST_PX <= width_px <= picture.WIDEST_PX:
        raise BadInput(f"--width {width_px}: a picture is {picture.NARROWEST_PX} to {picture.WIDEST_PX} pixels wide")
    return width_px


def _time(text: str, option: str) -> int:
    from controller_sim.simulator import SimulatorError, duration_us

    try:
        # Nought is the same in every unit.
        return 0 if text == "0" else duration_us(text)
    except SimulatorError as error:
        raise BadInput(f"{option}: {error}") from None


def _file(run: Run, ending: str, start_us: int, end_us: int | None, width_px: int) -> bytes:
    from controller_sim.view import picture

    if ending == ".html":
        return picture.html(run, start_us, end_us).encode()
    if ending == ".png":
        return picture.png(run, start_us, end_us, width_px)
    return picture.svg(run, start_us, end_us, width_px).encode()
