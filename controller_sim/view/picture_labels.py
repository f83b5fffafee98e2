"""Texts in a picture: how wide they are, and where they stand so that none covers another."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller_sim.view.picture_scene import Item

FONT = "ui-monospace, 'DejaVu Sans Mono', Menlo, Consolas, 'Liberation Mono', monospace"
"""One width for all letters, so that a text's width is known before anyone draws it."""
ADVANCE = 0.61
"""Of the size of the letters; DejaVu Sans Mono has 0.602, the others of the stack less."""
SIZE_PX = 10
GAP_PX = 8
"""From the end of a text to the next one in its line."""
SERIES_PX = 70
"""Neighbours of a series that are nearer than this share a label."""
NEAR_PX = 3
"""Marks that are nearer than this share the line to their texts."""
MOST_LINES = 6
"""At one instant; the rest is counted."""
LONGEST = 34
"""Letters of a label."""


def text_width(text: str, size: float = SIZE_PX) -> float:
    """Pixels, at most."""
    cells = sum(0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1 for letter in text)
    return cells * ADVANCE * size


def shortened(text: str, letters: int = LONGEST) -> str:
    return text if len(text) <= letters else text[: letters - 1] + "\u2026"


@dataclass(frozen=True, slots=True)
class Block:
    """Lines of text at one place; `level` counts lines downwards from the lane's marks."""

    x: float
    lines: tuple[str, ...]
    level: int = 0

    @property
    def right(self) -> float:
        return self.x + max(map(text_width, self.lines)) + GAP_PX

    @property
    def end(self) -> int:
        return self.level + len(self.lines)


def blocks_of(placed: Sequence[tuple[float, Item]]) -> list[Block]:
    """The labels of items at their places (which rise): series are told once, and what happened together stands together."""
    found: list[tuple[float, int, list[str]]] = []
    for x, due_us, label in _series(placed):
        if found and (x - found[-1][0] < NEAR_PX or (due_us and due_us == found[-1][1] and x - found[-1][0] < SERIES_PX)):
            found[-1][2].append(shortened(label))
        else:
            found.append((x, due_us, [shortened(label)]))
    return [Block(x, tuple(_counted(texts))) for x, _, texts in found]


def _counted(texts: list[str]) -> list[str]:
    more = len(texts) - MOST_LINES
    return texts if more <= 0 else [*texts[: MOST_LINES - 1], f"and {more + 1} more"]


def _series(placed: Sequence[tuple[float, Item]]) -> Iterator[tuple[float, int, str]]:
    """(place, when handed over, text) of each label, in order of the place of the first of its series."""
    found: list[list[tuple[float, Item]]] = []
    latest: dict[str, list[tuple[float, Item]]] = {}
    for x, item in placed:
        if not item.label:
            continue
        run = latest.get(item.series) if item.series else None
        if run is not None and x - run[-1][0] < SERIES_PX:
            run.append((x, item))
        else:
            latest[item.series] = run = [(x, item)]
            found.append(run)
    for run in found:
        (x, first), (_, last) = run[0], run[-1]
        if len(run) == 1:
            yield x, first.due_us, first.label
            continue
        values = first.value if len({item.value for _, item in run}) == 1 else f"{first.value} \u2026 {last.value}"
        yield x, first.due_us, f"{first.series} {values}".strip() + f" {len(run)}\u00d7"


def cascade(blocks: Sequence[Block], most: int) -> list[Block]:
    """Give blocks their levels, from the right to the left: one that would run into the next goes below it.

    So the line from a mark down to its text never crosses another text. What needs more than `most` levels is left out.
    """
    done: list[Block] = []
    for block in sorted(blocks, key=lambda block: -block.x):
        level = 0
        for other in reversed(done):
            if other.x >= block.right:
                break
            level = max(level, other.end)
        if level + len(block.lines) <= most:
            done.append(Block(block.x, block.lines, level))
    done.reverse()
    return done
