"""`pedals` of a design: analogue inputs with their calibration, curve and rate."""

from __future__ import annotations

import re
from collections.abc import Sequence

from controller_sim.design.errors import DesignError
from controller_sim.design.form import Pedal
from controller_sim.design.keys import LEAST_PERIOD_US, parse_range
from controller_sim.design.layout import Layout, declare
from controller_sim.design.nodes import choice, duration, mapping, number, scalar
from controller_sim.design.yaml_text import Mapping, Node, Scalar
from controller_sim.design.yaml_text import Sequence as ListNode

MAX_PEDALS = 8
MAX_POINTS = 32
HIGHEST_READING = 65_535
GIVES_LOW, GIVES_HIGH = -8192, 16_383
MOST_SPAN = 16_383
"""Between the lowest and the highest that a pedal gives: 14 bits, and its curve can be worked out in 32 bits."""
MOST_DEAD = 40
DEFAULT_EVERY_US = 10_000
DEFAULT_HYSTERESIS = 2
KEYS = ("reads", "heel", "toe", "dead", "gives", "curve", "hysteresis", "every", "first")
STEPS = 16
"""Of the named curves: straight lines between 17 points stay within 0.1 % of the square."""
CURVES: dict[str, tuple[tuple[int, ...], int]] = {
    "linear": ((0, 1), 1),
    "slow": (tuple(i * i for i in range(STEPS + 1)), STEPS * STEPS),
    "fast": (tuple(2 * STEPS * i - i * i for i in range(STEPS + 1)), STEPS * STEPS),
}
"""For each curve its points as shares of a whole."""
_PERCENT = re.compile(r"([0-9]{1,3})\s*%")


def read_pedals(layout: Layout, root: Mapping) -> tuple[Pedal, ...]:
    """The pedals, their names declared. Raises DesignError."""
    node = root.get("pedals")
    if node is None:
        return ()
    pairs = mapping(node, "pedals").pairs
    if len(pairs) > MAX_PEDALS:
        raise DesignError(f"there are {len(pairs)} pedals, but at most {MAX_PEDALS} are allowed", node.place)
    return tuple(_pedal(_declared(layout, key), value) for key, value in pairs)


def _declared(layout: Layout, key: Scalar) -> str:
    name = declare(layout, key, "pedal")
    if name in layout.value_names:
        raise DesignError(f"'{name}' is the name of a value and cannot name a pedal", key.place)
    return name


def _pedal(name: str, node: Node) -> Pedal:
    whole = mapping(node, f"the pedal {name}", KEYS)
    low, high = _range(whole, "reads", (0, 1023), 0, HIGHEST_READING)
    if low == high:
        raise DesignError("a pedal reads more than one value", whole.key("reads").place)
    heel = number(value, "heel", low, high) if (value := whole.get("heel")) else low
    toe = number(value, "toe", low, high) if (value := whole.get("toe")) else high
    if heel == toe:
        raise DesignError(f"heel and toe are both {heel}", whole.key("heel" if whole.get("heel") else "toe").place)
    gives_low, gives_high = _range(whole, "gives", (0, 127), GIVES_LOW, GIVES_HIGH)
    if gives_high - gives_low > MOST_SPAN:
        raise DesignError(f"the range {gives_low}..{gives_high} holds more than 14 bits", whole.key("gives").place)
    dead_heel, dead_toe = _dead(whole.get("dead"))
    inner_heel = heel + _share(toe - heel, dead_heel)
    inner_toe = toe - _share(toe - heel, dead_toe)
    way = abs(inner_toe - inner_heel)
    hysteresis = number(value, "hysteresis", 0, way - 1) if (value := whole.get("hysteresis")) else min(DEFAULT_HYSTERESIS, way - 1)
    return Pedal(
        name=name,
        heel=inner_heel,
        toe=inner_toe,
        points=_points(whole.get("curve"), gives_low, gives_high),
        hysteresis=hysteresis,
        every_us=duration(value, "every", LEAST_PERIOD_US) if (value := whole.get("every")) else DEFAULT_EVERY_US,
        moves_first=choice(value, "first", ("quiet", "moves")) == "moves" if (value := whole.get("first")) else False,
        reads=(low, high),
    )


def _range(whole: Mapping, key: str, default: tuple[int, int], low: int, high: int) -> tuple[int, int]:
    return parse_range(scalar(value, key).source(), low, high) if (value := whole.get(key)) else default


def _share(way: int, percent: int) -> int:
    """A share of a way that may run backwards, rounded towards 0."""
    return way * percent // 100 if way > 0 else -(-way * percent // 100)


def _dead(node: Node | None) -> tuple[int, int]:
    if node is None:
        return 0, 0
    if not isinstance(node, ListNode):
        return (_percent(node, "dead", MOST_DEAD),) * 2
    if len(node.items) != 2:
        raise DesignError("dead is one share for both ends, or two: [heel, toe]", node.place)
    heel, toe = (_percent(each, "dead", MOST_DEAD) for each in node.items)
    return heel, toe


def _percent(node: Node, what: str, most: int) -> int:
    value = scalar(node, what)
    match = _PERCENT.fullmatch(value.text.strip())
    if match is None or int(match[1]) > most:
        raise DesignError(f"{what} is a share, 0%..{most}%, not '{value.text}'", value.place)
    return int(match[1])


def _points(node: Node | None, low: int, high: int) -> tuple[int, ...]:
    shares: Sequence[int]
    if isinstance(node, ListNode):
        if not 2 <= len(node.items) <= MAX_POINTS:
            raise DesignError(f"a curve has 2..{MAX_POINTS} points, not {len(node.items)}", node.place)
        shares, whole = [_percent(each, "a point of the curve", 100) for each in node.items], 100
    else:
        shares, whole = CURVES["linear" if node is None else choice(node, "curve", CURVES)]
    return tuple(low + (2 * (high - low) * share + whole) // (2 * whole) for share in shares)
