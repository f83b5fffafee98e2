"""Press scripts on a disk, and the designs beside them."""

from __future__ import annotations

from pathlib import Path

from controller_sim.design.form import Design
from controller_sim.script.parser import parse_script
from controller_sim.script.syntax import Script, ScriptError

DESIGN_SUFFIXES = (".yaml", ".yml")


def read_script(path: str | Path, design: Design) -> Script:
    """The script of a file, checked against a design. Raises ScriptError, also for what cannot be read as UTF-8."""
    try:
        data = Path(path).read_bytes()
        text = data.decode("utf-8")
    except OSError as error:
        raise ScriptError(error.strerror or str(error), str(path)) from None
    except UnicodeDecodeError as error:
        line, start = data.count(b"\n", 0, error.start) + 1, data.rfind(b"\n", 0, error.start) + 1
        shown = data[start:].split(b"\n", 1)[0].decode("utf-8", "replace")
        column = len(data[start : error.start].decode("utf-8")) + 1
        raise ScriptError("this is no UTF-8 text", str(path), line, column, shown) from None
    return parse_script(text, design, file=str(path))


def design_beside(script: Path) -> Path | None:
    """The design beside a script with the longest name that the script's name begins with, if there is one."""
    beside = [path for path in script.parent.glob("*") if path.suffix in DESIGN_SUFFIXES and script.stem.startswith(path.stem)]
    return max(sorted(beside), key=lambda path: len(path.stem), default=None)
