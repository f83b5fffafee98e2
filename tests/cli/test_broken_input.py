"""Broken designs and scripts: each is refused with its place, none with a traceback, and none hangs."""

from __future__ import annotations

import contextlib
import io
import random
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller_sim.cli import main

ROOT = Path(__file__).resolve().parents[2]
CONFIGS = ROOT / "configs"
BROKEN = sorted((Path(__file__).parent / "broken").iterdir())
BOOTH = CONFIGS / "booth.yaml"
HANGS_AFTER_S = 120
"""A guard, not a measurement: far beyond what any of these takes."""
CHUNKS = 10
WANTED_PER_CHUNK = 30


def refused(path: Path, *arguments: str) -> bool:
    """Whether the command line refuses the file, and if so whether it does it well."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), hang_guard(path):
        code = main(list(arguments))
    assert code in (0, 1, 2)
    if code == 2:
        first = err.getvalue().split("\n")[0]
        assert re.fullmatch(rf"error: {re.escape(str(path))}:[1-9]\d*:[1-9]\d*: \S.*", first), err.getvalue()
        assert out.getvalue() == ""
        assert "Traceback" not in err.getvalue()
    return code == 2


@contextlib.contextmanager
def hang_guard(path: Path) -> Iterator[None]:
    def stop(number: int, frame: object) -> None:
        raise AssertionError(f"{path} keeps the command line busy")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(HANGS_AFTER_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.name)
def test_what_is_known_to_be_broken_is_refused_with_its_place(path: Path) -> None:
    command = ("check", str(path)) if path.suffix == ".yaml" else ("run", str(BOOTH), str(path))
    assert refused(path, *command)


def without_a_piece(text: str, chance: random.Random) -> str:
    start = chance.randrange(len(text))
    return text[:start] + text[start + chance.choice((1, 1, 2, 5, 20)) :]


def with_a_stray_character(text: str, chance: random.Random) -> str:
    place = chance.randrange(len(text))
    return text[:place] + chance.choice("{}[]()\"':,|&*#!%@`<>=+-~?\\\0\t\n\u2028ä9") + text[place:]


def with_a_word_for_another(text: str, chance: random.Random) -> str:
    words = list(re.finditer(r"[\w.]+", text))
    here, there = chance.choice(words), chance.choice(words)
    return text[: here.start()] + there[0] + text[here.end() :]


def with_another_number(text: str, chance: random.Random) -> str:
    here = chance.choice(list(re.finditer(r"\d+", text)))
    return text[: here.start()] + chance.choice(("-1", "0", "128", "16384", "9" * 30, "1.5", "0x", "1e9", "")) + text[here.end() :]


def with_a_line_elsewhere(text: str, chance: random.Random) -> str:
    lines = text.split("\n")
    line = lines[chance.randrange(len(lines))] if chance.random() < 0.5 else lines.pop(chance.randrange(len(lines)))
    lines.insert(chance.randrange(len(lines) + 1), line)
    return "\n".join(lines)


def with_another_indent(text: str, chance: random.Random) -> str:
    lines = text.split("\n")
    number = chance.randrange(len(lines))
    lines[number] = " " * chance.choice((1, 3, 4)) + lines[number] if chance.random() < 0.5 else lines[number].lstrip()
    return "\n".join(lines)


def cut_short(text: str, chance: random.Random) -> str:
    return text[: chance.randrange(len(text))]


DAMAGES: tuple[Callable[[str, random.Random], str], ...] = (
    without_a_piece,
    with_a_stray_character,
    with_a_word_for_another,
    with_another_number,
    with_a_line_elsewhere,
    with_another_indent,
    cut_short,
)


def damaged(text: str, chance: random.Random) -> str:
    for _ in range(chance.choice((1, 1, 1, 2, 3))):
        text = chance.choice(DAMAGES)(text, chance)
        if not re.search(r"\d", text):
            break
    return text


SOURCES = sorted(path for path in CONFIGS.iterdir() if path.suffix in (".yaml", ".press"))
SMALL = [path for path in SOURCES if path.name.startswith("starter")]


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_damaged_files_are_refused_with_their_place(chunk: int, tmp_path: Path) -> None:
    chance = random.Random(f"broken {chunk}")
    broken = 0
    for number in range(20 * WANTED_PER_CHUNK):
        # Small files do for most damages, as long as every file gets its share.
        source = SOURCES[(chunk + number) % len(SOURCES)] if number % 6 == 0 else chance.choice(SMALL)
        path = tmp_path / f"damaged{number}{source.suffix}"
        path.write_text(damaged(source.read_text(encoding="utf-8"), chance), encoding="utf-8", newline="")
        design = CONFIGS / (source.stem.partition("_")[0] + ".yaml")
        broken += refused(path, "check", str(path)) if source.suffix == ".yaml" else refused(path, "run", str(design), str(path))
        if broken == WANTED_PER_CHUNK:
            break
    assert broken == WANTED_PER_CHUNK


def test_there_are_at_least_300_broken_inputs() -> None:
    assert len(BROKEN) + CHUNKS * WANTED_PER_CHUNK >= 300


@pytest.mark.parametrize("name", ["on_true_division.yaml", "unknown_switch.press", "not_utf8.yaml", "empty.yaml"])
def test_a_process_of_its_own_refuses_just_the_same(name: str) -> None:
    path = Path(__file__).parent / "broken" / name
    command = ["check", str(path)] if path.suffix == ".yaml" else ["run", str(BOOTH), str(path)]
    done = subprocess.run([sys.executable, "-m", "controller_sim", *command], capture_output=True, text=True, timeout=HANGS_AFTER_S)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"error: {path}:")
    assert "Traceback" not in done.stderr
