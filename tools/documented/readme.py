"""The README's commands and examples: which there are, and which of them the tests leave to others."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from documented.pictures import ROOT

README = ROOT / "README.md"
NOT_RUN = {
    "tools/demo": "installs; the tutorial does, and the script that it plays is run",
    "PYTHON=python3.12 tools/demo": "needs that Python",
    ". .venv/bin/activate": "the tutorial does",
    "tools/test": "runs these tests",
    "tools/toolchains": "installs; .ci/run does",
    "tools/bench native": "measures, for a minute",
    "tools/bench page": "measures in a browser, which CI has not",
    "tools/firmware all": "takes a minute; tools/test does",
    "tools/firmware prove": "takes minutes and Frama-C; tests/port/test_proving.py",
    "controller-sim run configs/booth.yaml configs/booth_evening.press --watch": "goes on until it is ended; tests/cli/test_picture.py",
    'controller-sim run configs/booth.yaml configs/booth_evening.press --port "name of the output"': "needs a MIDI output; "
    "tests/midi/test_ports.py",
    "controller-sim test configs --engine native": "compiles every demo; tests/port/test_native_agreement.py",
    "controller-sim fuzz configs/booth.yaml --time 30s --jobs 2": "takes 30 seconds; tests/cli/test_fuzz.py",
    "controller-sim conform configs/booth.yaml --on all --fuzz 100": "takes minutes; tests/cli/test_conform.py",
    "controller-sim conform configs/booth.yaml --on avr --fuzz 20": "takes a minute; tests/port/test_emulated.py",
    "tools/bench avr": "measures, for a minute",
    "controller-sim conform configs/booth.yaml --on micropython --fuzz 100": "takes minutes; tests/cli/test_conform.py",
}
"""Commands of the README that its tests do not run, each with the reason. `pip install` is none of ours."""
_STARTS = re.compile(r"controller-sim \w+ \S|tools/\w|pytest \w|PYTHON=|\. \.")


@dataclass(frozen=True)
class Block:
    """A fenced block: its first line, what stands behind the fence, and its text."""

    line: int
    info: str
    text: str


def blocks() -> list[Block]:
    """The fenced blocks of the README, in order."""
    from markdown_it import MarkdownIt

    tokens = MarkdownIt().parse(README.read_text(encoding="utf-8"))
    return [Block(token.map[0] + 2, token.info, token.content) for token in tokens if token.type == "fence" and token.map]


def commands() -> list[str]:
    """Every command of the README once: those of its blocks, and those in its sentences and tables."""
    return list(dict.fromkeys(_commands()))


def _commands() -> Iterator[str]:
    from markdown_it import MarkdownIt

    for token in MarkdownIt().enable("table").parse(README.read_text(encoding="utf-8")):
        if token.type == "fence" and token.info == "sh":
            for line in token.content.splitlines():
                yield re.sub(r"\s+# .*", "", line)
        for child in token.children or ():
            if child.type == "code_inline" and _STARTS.match(child.content):
                yield child.content
