"""A copy of the project to play texts in: what they write stays there, and what they show is not what happens to lie about."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from documented.pictures import ROOT


def copy_of_the_project(folder: Path) -> Path:
    """The files that are kept, in `folder`, where commands run by this interpreter without an installation (see `environment_of`)."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"], cwd=ROOT, stdout=subprocess.PIPE, check=True
    )
    for name in listed.stdout.decode().split("\0"):
        source = ROOT / name
        if name and source.is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(source, folder / name)
    commands = folder / ".commands"
    commands.mkdir()
    for command, module in {"controller-sim": "-m controller_sim", "pytest": "-m pytest", "python": ""}.items():
        (commands / command).write_text(f'#!/bin/sh\nexec "{sys.executable}" {module} "$@"\n', encoding="utf-8")
        (commands / command).chmod(0o755)
    return folder


def environment_of(copy: Path) -> dict[str, str]:
    """What a shell needs besides, to find the commands of a copy."""
    import os

    return {"PATH": f"{copy / '.commands'}:{os.environ['PATH']}", "PYTHONPATH": str(copy), "NO_COLOR": "1"}
