"""The engine: pure integers and flat tables; no clock, no files, nothing that MicroPython lacks."""

from .engine import Engine
from .tables import Tables

__all__ = ["Engine", "Tables"]
