from pathlib import Path

import pytest

from controller_sim.design import Design, load_design

BOOTH = Path(__file__).parent.parent / "simulator" / "booth.yaml"


@pytest.fixture(scope="session")
def booth() -> Design:
    """Tap a: next act; double b: the clock runs; d: freeze; a+c: set-up, from which holding b leads back."""
    return load_design(str(BOOTH))
