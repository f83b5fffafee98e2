"""Run a command again whenever one of its files changes."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from controller_sim.cli.terminal import BadInput, complain

if TYPE_CHECKING:
    import argparse

LOOK_EVERY_S = 0.25
"""How often the files are looked at: soon enough for an eye, and nothing to a processor."""


def add_watch(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--watch", action="store_true", help="do it again whenever a file changes, until Ctrl-C")


def run_once_or_watch(arguments: argparse.Namespace, once: Callable[[argparse.Namespace], int]) -> int:
    """The exit code of the command, or with --watch 0 when it is ended."""
    if not arguments.watch:
        return once(arguments)
    files = [path for path in (arguments.design, arguments.script, arguments.image) if path is not None]
    return watch(files, lambda: once(arguments))


def watch(files: Sequence[str], once: Callable[[], int], sleep: Callable[[float], None] = time.sleep) -> int:
    """Run `once`, and again after each change of a file; an error takes the place of the result. Ends with 0 at Ctrl-C."""
    try:
        while True:
            seen = _stamps(files)
            _clear()
            try:
                once()
            except BadInput as error:
                complain(str(error))
            sys.stdout.flush()
            print(f"watching {', '.join(files)}; Ctrl-C ends", file=sys.stderr, flush=True)
            _wait_for_change(files, seen, sleep)
    except KeyboardInterrupt:
        print(file=sys.stderr)
        return 0


def _wait_for_change(files: Sequence[str], seen: Sequence[object], sleep: Callable[[float], None]) -> None:
    """Return once the files differ from what was seen and have come to rest: a file may be written bit by bit."""
    before = list(seen)
    while True:
        sleep(LOOK_EVERY_S)
        now = _stamps(files)
        if now != seen and now == before:
            return
        before = now


def _stamps(files: Sequence[str]) -> list[object]:
    """What tells that a file was written; a missing file has a stamp too."""
    stamps: list[object] = []
    for path in files:
        try:
            status = os.stat(path)
            stamps.append((status.st_mtime_ns, status.st_size, status.st_ino))
        except OSError as error:
            stamps.append(error.errno)
    return stamps


def _clear() -> None:
    if sys.stdout.isatty():
        print("\x1b[2J\x1b[H", end="", flush=True)
