"""What the commands share: colour, progress, error messages, and reading designs and scripts with one kind of error."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    import argparse

    from controller_sim.design.form import Design
    from controller_sim.script import Run, Script

ENGINES = ("fast", "reference", "native")
"""What `--engine` takes; the native one is the design's firmware in C, built with the compiler of this machine."""

_CODES = {"good": "32", "bad": "31", "warn": "33", "quiet": "2", "strong": "1", "sound": "36", "foot": "35"}


class BadInput(Exception):
    """Something the person gave cannot be used; `str()` is the whole message."""


def tolerate_any_text(*streams: TextIO) -> None:
    """A terminal without Unicode shows other characters instead of ending the run."""
    for stream in streams:
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


def painter(stream: TextIO) -> Callable[[str, str], str]:
    """A function of text and style that colours on a terminal, and leaves the text alone elsewhere or with NO_COLOR."""
    if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb" or not stream.isatty():
        return lambda text, style: text
    return lambda text, style: f"\x1b[{_CODES[style]}m{text}\x1b[0m" if style in _CODES else text


def complain(message: str) -> None:
    """Tell an error on stderr."""
    sys.stdout.flush()
    print(painter(sys.stderr)("error: ", "bad") + message, file=sys.stderr)


def show_progress(text: str) -> None:
    """Replace the progress line; an empty text takes it away. Only a terminal gets to see it."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r\x1b[K{text}")
        sys.stderr.flush()


def add_command(
    commands: argparse._SubParsersAction[argparse.ArgumentParser], name: str, help: str, **more: Any
) -> argparse.ArgumentParser:
    """A sub-command whose help keeps the line breaks of its examples."""
    import argparse

    description = help[0].upper() + help[1:] + "."
    return commands.add_parser(name, help=help, description=description, formatter_class=argparse.RawDescriptionHelpFormatter, **more)


def load(path: str | Path) -> Design:
    """The checked design of a file; BadInput when it cannot be used."""
    from controller_sim.design import DesignError, load_design

    try:
        return load_design(str(path))
    except (DesignError, OSError) as error:
        raise BadInput(text_of(error, path)) from None


def text_of(error: Exception, path: str | Path) -> str:
    """An error about a file as one message that names the file."""
    if isinstance(error, OSError):
        return f"{path}: {error.strerror or error}"
    return str(error)


def read_script(path: str | Path, design: Design) -> Script:
    """The script of a file, checked against a design; BadInput when it cannot be played."""
    from controller_sim.script import ScriptError, parse_script

    try:
        text = Path(path).read_bytes().decode("utf-8")
    except OSError as error:
        raise BadInput(text_of(error, path)) from None
    except UnicodeDecodeError as error:
        before = error.object[: error.start]
        line, column = before.count(b"\n") + 1, len(before.rpartition(b"\n")[2]) + 1
        raise BadInput(f"{path}:{line}:{column}: this is no UTF-8 text") from None
    try:
        return parse_script(text, design, file=str(path))
    except ScriptError as error:
        raise BadInput(str(error)) from None


def read_chip(path: str | Path) -> bytes:
    """The image in a file; BadInput when it is none."""
    from controller_sim.simulator import SimulatorError
    from controller_sim.simulator.image_files import read_image

    try:
        return read_image(path)
    except OSError as error:
        raise BadInput(text_of(error, path)) from None
    except SimulatorError as error:
        raise BadInput(str(error)) from None


def play_script(design: Design, script: Script, engine: str, image: bytes | None = None, trace: bool = False) -> Run:
    """The script's run, from an image of the chip if given, with debounced edges if `trace`.

    BadInput when feet cannot play it or the image is refused.
    """
    from controller_sim.script import ScriptError, play
    from controller_sim.simulator import SimulatorError

    try:
        if engine == "native":
            return _play_native(design, script, trace, image)
        return play(design, script, engine=engine, trace=trace, image=image)
    except (ScriptError, SimulatorError) as error:
        raise BadInput(str(error)) from None


def _play_native(design: Design, script: Script, trace: bool, image: bytes | None) -> Run:
    from controller_sim.port.errors import PortError
    from controller_sim.port.native import native
    from controller_sim.script import play

    try:
        return play(design, script, engine=native, trace=trace, image=image)
    except PortError as error:
        raise BadInput(str(error)) from None


def write_text(path: str | Path, text: str) -> None:
    """Write a whole file; BadInput when that cannot be done."""
    try:
        Path(path).write_text(text, encoding="utf-8")
    except OSError as error:
        raise BadInput(text_of(error, path)) from None
