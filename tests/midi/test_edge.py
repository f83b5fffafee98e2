import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller_sim.midi.edge import from_mido, to_mido
from controller_sim.midi.messages import STATUS_TABLE, MidiError, message_length


def _message_of(status: int) -> st.SearchStrategy[bytes]:
    length = message_length(status)
    if length is None:
        return st.lists(st.integers(0, 127), max_size=9).map(lambda body: bytes([status, *body, 0xF7]))
    return st.tuples(*[st.integers(0, 127)] * (length - 1)).map(lambda body: bytes([status, *body]))


@given(st.sampled_from(sorted(STATUS_TABLE)).flatmap(_message_of))
def test_message_survives_the_way_through_mido(data: bytes) -> None:
    assert from_mido(to_mido(data)) == data


def test_other_bytes_are_refused_with_our_own_error() -> None:
    with pytest.raises(MidiError):
        to_mido(b"\xf4")


def test_importing_the_package_does_not_import_mido() -> None:
    code = "import sys, controller_sim.midi; sys.exit('mido' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
