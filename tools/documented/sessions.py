"""Texts that are played as they are read: files are written, commands are run, and what they show is compared with what comes.

In a Markdown text, a fenced block is by its first line
    yaml NAME, press NAME    a file to write
    diff NAME                a change in it: lines with - are taken out, those with + put in, the others are there
    sh                       commands that have to succeed
    console                  commands after `$ `, each followed by what it shows; `...` stands for what is left out
"""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

SHELL = ("bash", "--noprofile", "--norc")
_MARK = "\x1e"
_CHANGE = """\
import sys
name, before, after = sys.argv[1:]
text = open(name).read()
sys.exit(text.count(before) != 1 or open(name, 'w').write(text.replace(before, after)) == 0)"""


@dataclass(frozen=True)
class File:
    line: int
    name: str
    text: str


@dataclass(frozen=True)
class Change:
    line: int
    name: str
    before: str
    after: str


@dataclass(frozen=True)
class Command:
    line: int
    text: str
    shown: str | None
    """None: it has to succeed, whatever it shows."""


@dataclass(frozen=True)
class Differs:
    """A command that did not do what the text says."""

    command: Command
    came: str

    def __str__(self) -> str:
        shown = "that it succeeds" if self.command.shown is None else f"\n{self.command.shown}"
        return f"line {self.command.line}: $ {self.command.text}\nthe text shows {shown}\nbut this came:\n{self.came}"


def steps_of(text: str) -> Iterator[File | Change | Command]:
    """What a reader of a Markdown text does, in order. Raises ValueError for a block that no reader could follow."""
    from markdown_it import MarkdownIt

    for token in MarkdownIt().parse(text):
        if token.type != "fence":
            continue
        assert token.map is not None
        line, (language, _, name) = token.map[0] + 2, token.info.partition(" ")
        if language in ("yaml", "press") and name:
            yield File(line, name, token.content)
        elif language == "diff" and name:
            parts = token.content.splitlines()
            before, after = ("".join(f"{part[1:]}\n" for part in parts if part[:1] in signs) for signs in ("- ", "+ "))
            yield Change(line, name, before, after)
        elif language == "sh":
            yield from (Command(line + number, part, None) for number, part in enumerate(token.content.splitlines()) if part)
        elif language == "console":
            yield from _shown(line, token.content)
        else:
            raise ValueError(f"line {line - 1}: a block of {token.info!r} cannot be played")


def _shown(line: int, content: str) -> Iterator[Command]:
    pieces = re.split(r"^\$ (.*)\n", content, flags=re.MULTILINE)
    if pieces[0]:
        raise ValueError(f"line {line}: a console block begins with a command: $ ...")
    for command, shown in zip(pieces[1::2], pieces[2::2], strict=True):
        yield Command(line, command, shown)
        line += 1 + shown.count("\n")


def play(steps: Sequence[File | Change | Command], folder: Path, environment: Mapping[str, str]) -> list[Differs]:
    """Do all steps in one shell that begins in `folder`; gives the commands that did not do what the text says."""
    script = "".join(_script(number, step) for number, step in enumerate(steps))
    done = subprocess.run(
        SHELL,
        input=script,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=folder,
        env={**surroundings(), **environment},
        check=False,
    )
    found, outcomes = [], dict(_outcomes(done.stdout))
    for number, step in enumerate(steps):
        code, came = outcomes.get(number, (-1, done.stdout[-2000:]))
        if isinstance(step, Command):
            if (code != 0) if step.shown is None else not matches(step.shown, came):
                found.append(Differs(step, came))
        elif code:
            found.append(Differs(Command(step.line, f"(edit {step.name})", None), came))
    return found


def surroundings() -> dict[str, str]:
    """The variables that a newcomer's shell has too: nothing that leads to this project or to an environment that is active."""
    return {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV", "COLUMNS")}


def _script(number: int, step: File | Change | Command) -> str:
    if isinstance(step, Command):
        what = step.text
    elif isinstance(step, File):
        what = f"cat > {step.name} <<'END OF FILE'\n{step.text}END OF FILE"
    else:
        what = f'python3 -c "{_CHANGE}" {step.name} {_quoted(step.before)} {_quoted(step.after)}'
    return f"{what}\nprintf '{_MARK}{number} %d{_MARK}' $?\n"


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "'\\''") + "'"


def _outcomes(output: str) -> Iterator[tuple[int, tuple[int, str]]]:
    pieces = output.split(_MARK)
    for came, mark in zip(pieces[::2], pieces[1::2], strict=False):
        number, code = mark.split()
        yield int(number), (int(code), came)


def matches(shown: str, came: str) -> bool:
    """Whether what came is what a text shows: `...` is any text of a line, alone in its line any lines, also none."""
    lines = [r"(?:.*\n)*" if line == "..." else ".*".join(map(re.escape, line.split("..."))) + r" *\n" for line in shown.splitlines()]
    return re.fullmatch("".join(lines), re.sub(r" +\n", "\n", came if came.endswith("\n") or not came else came + "\n")) is not None
