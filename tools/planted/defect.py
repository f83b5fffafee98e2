"""What a defect to be planted in the engine is: a slip that somebody could make.

The name says what a builder would notice, `caught_by` the property that must notice it on a design of designs/.
"""

from __future__ import annotations

from dataclasses import dataclass

REFERENCE = "as the reference says"


@dataclass(frozen=True, slots=True)
class Defect:
    """`old` stands once in `file` of the package and becomes `new`."""

    name: str
    caught_by: str
    design: str
    file: str
    old: str
    new: str
    harmless: str = ""
    """Why it makes no difference that the property could notice; such a defect must survive."""
