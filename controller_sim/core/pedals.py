"""From raw readings to a pedal's position: calibrated ends, dead zones, hysteresis and a curve."""

from .kinds import NEVER

UNREAD = -1


class Pedals:
    """`positions` says where each pedal stands, `told` where it stood at its last move (NEVER: it has not moved yet)."""

    __slots__ = ("held", "positions", "settings", "told")

    def __init__(self, settings):
        """`settings` holds (heel, toe, points, hysteresis, every_us, moves_first, shown) for each pedal."""
        self.settings = settings
        self.held = [UNREAD] * len(settings)
        self.positions = [pedal[2][0] for pedal in settings]
        self.told = [NEVER] * len(settings)

    def read(self, p, raw, quietly):
        """Take a reading; with `quietly`, and at the first one as a rule, where the pedal then stands is no news."""
        heel, toe, points, hysteresis, _, moves_first, _ = self.settings[p]
        low, high = (heel, toe) if heel < toe else (toe, heel)
        value = low if raw < low else high if raw > high else raw
        held = self.held[p]
        if held != UNREAD and low < value < high and -hysteresis <= value - held <= hysteresis:
            return
        self.held[p] = value
        self.positions[p] = interpolated(points, abs(value - heel), high - low)
        if not moves_first and (quietly or held == UNREAD):
            self.told[p] = self.positions[p]

    def has_news(self, p):
        return self.positions[p] != self.told[p] and self.held[p] != UNREAD


def interpolated(points, way, whole):
    """What a curve gives after `way` of the `whole`, rounded half up; with points 16383 apart at most it needs no more than 32 bits."""
    steps = len(points) - 1
    place = way * steps // whole
    rest = way * steps - place * whole
    if not rest:
        return points[place]
    return points[place] + (2 * (points[place + 1] - points[place]) * rest + whole) // (2 * whole)
