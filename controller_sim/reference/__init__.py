"""The readable model of the semantics: the oracle that the fast engine is compared with."""

from controller_sim.reference.engine import ReferenceEngine

__all__ = ["ReferenceEngine"]
