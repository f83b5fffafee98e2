"""All defects to be planted in the engine, one at a time."""

from __future__ import annotations

from planted.feet import CONTACTS, KEYS
from planted.surroundings import ARRIVALS, STORAGE
from planted.together import TOGETHER
from planted.values import MODES_AND_VALUES

DEFECTS = (*CONTACTS, *KEYS, *MODES_AND_VALUES, *ARRIVALS, *STORAGE, *TOGETHER)
