"""The pictures in the texts: each is what a command writes, to the letter, whatever machine it runs on."""

from __future__ import annotations

import tempfile
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
PICTURES = {
    "configs/pictures/booth_double.svg": "picture configs/booth.yaml configs/booth_evening.press --from 6.2s --to 8.9s --width 900",
    "configs/pictures/booth_switches.svg": "chart configs/booth.yaml --part switches",
}
"""Each file with the command that draws it, without its `-o`."""


def drawn(command: str) -> str:
    """What a command draws now. Raises RuntimeError where it cannot."""
    from controller_sim.cli import main

    with tempfile.TemporaryDirectory() as folder, redirect_stdout(StringIO()):
        path = Path(folder, "drawn.svg")
        # The paths in the command are those of the project, wherever this is run.
        words = [str(ROOT / word) if word.startswith("configs/") else word for word in command.split()]
        if main([*words, "-o", str(path)]) != 0:
            raise RuntimeError(f"controller-sim {command} failed")
        return path.read_text(encoding="utf-8")


def stale() -> dict[str, str]:
    """The pictures that are missing or not what their commands draw now, each with what it should be."""
    found = {}
    for name, command in PICTURES.items():
        path, text = ROOT / name, drawn(command)
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            found[name] = text
    return found
