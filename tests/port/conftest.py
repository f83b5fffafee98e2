"""Designs that the tests of ports share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from controller_sim.port.rehearsal import MicroPython

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
DESIGNS = sorted(CONFIGS.glob("*.yaml"))


@pytest.fixture(params=DESIGNS, ids=lambda path: path.stem)
def design_file(request: pytest.FixtureRequest) -> Path:
    """Each design of configs/."""
    path = request.param
    assert isinstance(path, Path)
    return path


@pytest.fixture
def micropython() -> Iterator[MicroPython]:
    with MicroPython() as target:
        yield target
