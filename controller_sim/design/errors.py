"""The one error that a design raises: where it is, what is wrong, what would be right."""

from __future__ import annotations

from dataclasses import dataclass

from controller_sim.design.form import Place


@dataclass(frozen=True, slots=True)
class Source:
    """A piece of text of a design file, and where its characters stand there.

    `lines[i]` is the place of the first character of line i of `text`.
    """

    text: str
    lines: tuple[Place, ...]

    def place(self, line: int, column: int) -> Place:
        """The place of a character, by line and column in `text`, both counted from 0."""
        start = self.lines[min(line, len(self.lines) - 1)]
        return Place(start.file, start.line, start.column + column)


class DesignError(Exception):
    """A design that cannot be used. `str()` gives `file:line:column: message` and the lines it cites.

    `related` holds further places that are part of the conflict, each with a word on what stands there.
    """

    def __init__(self, message: str, place: Place, related: tuple[tuple[str, Place], ...] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.place = place
        self.related = related

    def __str__(self) -> str:
        text = f"{self.place.file}:{self.place.line}:{self.place.column}: {self.message}"
        text += _cite(self.place)
        for note, place in self.related:
            text += f"\n{place.file}:{place.line}:{place.column}: {note}" + _cite(place)
        return text


def _cite(place: Place) -> str:
    try:
        with open(place.file, encoding="utf-8", errors="replace") as stream:
            line = stream.read().splitlines()[place.line - 1]
    except (OSError, IndexError):
        return ""
    return f"\n    {line}\n    {' ' * (place.column - 1)}^"
