"""How fast a run wears out the chip that keeps its cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from controller_sim.design.form import Design
from controller_sim.simulator.storage import BYTE_US, Save, Storage

LIFE_WRITES = 100_000
"""How often an EEPROM's byte can be erased and written (AVR data sheets)."""
HOUR_US = 3_600_000_000
HOURS_A_YEAR = 8_766
_ENOUGH_WRITES = 100
"""Of the most worn byte; its rate is then known to a few percent."""
_ENOUGH_SAVES = 20_000


@dataclass(frozen=True, slots=True)
class Wear:
    """What the saves of a run wrote, and how long the chip lasts if the run is played over and over.

    Over and over, the kept cells are set back each time, which counts as one more save.
    """

    duration_us: int
    saves: int
    in_parts: int
    """Saves too large to be all or nothing."""
    writes: int
    """Bytes written by them, tidying up included."""
    writes_per_hour: float
    """Bytes, in the run itself."""
    most_worn_address: int
    most_worn_writes: int
    """In the run itself."""
    most_worn_per_hour: float
    """Over and over, when the saves go round the journal; of the byte that is most worn then."""
    years: float | None
    """Until that byte has LIFE_WRITES, played day and night; None: never."""
    longest_save_us: int
    """From the change until all of it counts, when nothing else is being written."""
    longest_tidying_us: int
    longest_wait_us: int
    """From the change until all of it counts, in the run, where a save may have to wait for the ones before."""


def wear_of(design: Design, storage: Storage, duration_us: int) -> Wear:
    """Count the saves of a run of `duration_us`, which must be above 0."""
    saves = storage.saves
    hours = duration_us / HOUR_US
    writes = sum(save.written + save.tidied for save in saves)
    worst, rounds = _over_and_over(design, storage)
    per_hour = worst / (rounds * hours)
    most = max(range(len(storage.saved_writes)), key=storage.saved_writes.__getitem__)
    return Wear(
        duration_us=duration_us,
        saves=len(saves),
        in_parts=sum(save.parts > 1 for save in saves),
        writes=writes,
        writes_per_hour=writes / hours,
        most_worn_address=most,
        most_worn_writes=storage.saved_writes[most],
        most_worn_per_hour=per_hour,
        years=LIFE_WRITES / per_hour / HOURS_A_YEAR if per_hour else None,
        longest_save_us=max((save.written for save in saves), default=0) * BYTE_US,
        longest_tidying_us=max((save.tidied for save in saves), default=0) * BYTE_US,
        longest_wait_us=_longest_wait_us(saves),
    )


def _over_and_over(design: Design, storage: Storage) -> tuple[int, int]:
    """Writes to the most worn byte, and rounds, of a run's saves repeated until the journal has gone round often."""
    chip = Storage(design)
    kept = chip.power_on()
    rounds = 0
    steps = [*(save.kept for save in storage.saves), storage.first]
    while not rounds or (storage.saves and max(chip.saved_writes) < _ENOUGH_WRITES and len(chip.saves) < _ENOUGH_SAVES):
        rounds += 1
        for after in steps:
            if after != kept:
                chip.save(kept, after, 0)
                kept = after
    return max(chip.saved_writes), rounds


def _longest_wait_us(saves: Sequence[Save]) -> int:
    free_us = longest_us = 0
    for save in saves:
        counts_us = max(free_us, save.time_us) + save.written * BYTE_US
        longest_us = max(longest_us, counts_us - save.time_us)
        free_us = counts_us + save.tidied * BYTE_US
    return longest_us
