"""The tutorial, played as a newcomer would."""

from __future__ import annotations

import tempfile
from pathlib import Path

from documented import sessions
from documented.copies import copy_of_the_project
from documented.pictures import ROOT

NAME = "configs/tutorial/README.md"
PICTURE = "configs/tutorial/howl.svg"
_DRAWN = "wind/howl.svg"


def play() -> tuple[list[sessions.Differs], dict[str, str]]:
    """What goes otherwise than the tutorial says, and its picture as it is now if that has changed."""
    steps = list(sessions.steps_of((ROOT / NAME).read_text(encoding="utf-8")))
    with tempfile.TemporaryDirectory() as folder:
        # As a newcomer has it: nothing installed, nothing on the path that was not there before.
        copy = copy_of_the_project(Path(folder))
        differs = sessions.play(steps, copy, {"NO_COLOR": "1"})
        drawn = copy / _DRAWN
        text = drawn.read_text(encoding="utf-8") if drawn.exists() else ""
    kept = ROOT / PICTURE
    current = not text or (kept.exists() and kept.read_text(encoding="utf-8") == text)
    return differs, {} if current else {PICTURE: text}
