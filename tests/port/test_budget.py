"""What firmware takes of an ATmega328P, as the emulated one measures it."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller_sim.design import load_design
from controller_sim.port.avr import CYCLES_PER_US, build_firmware
from controller_sim.port.boards import write_atmega328p
from controller_sim.port.budget import instants_of, measure
from controller_sim.port.conform import Case
from controller_sim.simulator import History, Input

pytestmark = pytest.mark.needs("avr-gcc", "make", "cc")

STARTER = Path(__file__).resolve().parents[2] / "configs" / "starter.yaml"
SOURCE = STARTER.read_text(encoding="utf-8")
TAPS = History(tuple(Input(100_000 * n, "contacts", n & 1) for n in range(1, 9)), 1_000_000)


def silent(text: str) -> None:
    """No progress is shown."""


def test_all_figures_are_there_and_on_the_safe_side_of_what_they_bound() -> None:
    design = load_design(STARTER)
    worst = measure(design, write_atmega328p(design, SOURCE), [Case("taps", TAPS)], silent)
    assert worst.polls > 10_000
    assert 0 < worst.idle_poll_cycles < worst.poll_cycles
    # From the poll before that missed the contact to the byte: less than those two polls.
    assert 0 < worst.pin_to_byte_cycles < 2 * worst.poll_cycles
    assert 20 < worst.stack_bytes < 2_048 - build_firmware(write_atmega328p(design, SOURCE)).static_bytes
    # The display alone takes 40 ms to wake (HD44780U data sheet).
    assert worst.power_on_cycles > 40_000 * CYCLES_PER_US


def test_a_history_in_which_nothing_happens_has_no_latency() -> None:
    design = load_design(STARTER)
    worst = measure(design, write_atmega328p(design, SOURCE), [Case("rest", History((), 50_000))], silent)
    assert worst.pin_to_byte_cycles == 0 and worst.polls


def test_deadlines_and_inputs_are_the_instants_at_which_something_may_be_decided() -> None:
    history = History((Input(100_000, "contacts", 2), Input(150_000, "contacts", 0)), 1_000_000)
    found = instants_of(load_design(STARTER), history)
    # Power-on settles, the contact is locked out for a while, then it is let go and settles.
    assert {100_000, 150_000, 1_000_000} < set(found)
    assert len(found) > 4
