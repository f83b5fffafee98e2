"""The one error of a simulator."""


class SimulatorError(Exception):
    """Something that cannot be asked of a simulator: an unknown name, a switch pressed twice, a time gone by, a refused image."""
