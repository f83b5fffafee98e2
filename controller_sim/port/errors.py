"""What a target refuses."""

from __future__ import annotations

from controller_sim.design.form import Place


class PortError(Exception):
    """A design asks what a target cannot do, or its firmware cannot be built. `place` is where, or None."""

    def __init__(self, message: str, place: Place | None = None) -> None:
        self.message = message
        self.place = place
        super().__init__(f"{place.file}:{place.line}:{place.column}: {message}" if place else message)
