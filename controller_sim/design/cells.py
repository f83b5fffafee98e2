"""One cell of the memory: its range, its size, what its values are called, and what it holds at first."""

from __future__ import annotations

from controller_sim.design.errors import DesignError
from controller_sim.design.form import Cell
from controller_sim.design.keys import parse_range
from controller_sim.design.nodes import check_length, choice, items, mapping, name_of, number, scalar, truth
from controller_sim.design.yaml_text import Node, Scalar
from controller_sim.design.yaml_text import Sequence as ListNode

MAX_ELEMENTS = 4096
MAX_NAMES = 256
MAX_TEXT_SHOWN = 40
WORD_LOW, WORD_HIGH = -(1 << 31), (1 << 31) - 1


def read_cell(name: str, key: Scalar, node: Node, offset: int, names: list[tuple[Scalar, int]]) -> Cell:
    """The cell `name` at `offset` of the memory; its values' names are added to `names`. Raises DesignError."""
    whole = mapping(node, f"the memory cell {name}", ("range", "ends", "keep", "size", "start", "names", "texts"))
    own: tuple[str, ...] = ()
    if value := whole.get("names"):
        check_length(value, "names", 1, MAX_NAMES)
        nodes = [name_of(each, "value") for each in items(value, "names")]
        own = tuple(each.text for each in nodes)
        for index, each in enumerate(nodes):
            if each.text in own[:index]:
                first = nodes[own.index(each.text)].place
                raise DesignError(f"'{each.text}' stands in these names twice", each.place, (("the first is here", first),))
            names.append((each, index))
    if value := whole.get("range"):
        low, high = parse_range(scalar(value, "range").source(), WORD_LOW, WORD_HIGH)
        if own and (low, high) != (0, len(own) - 1):
            message = f"{len(own)} names give the range 0..{len(own) - 1}, not {low}..{high}: leave 'range' out"
            raise DesignError(message, value.place)
    elif own:
        low, high = 0, len(own) - 1
    else:
        raise DesignError(f"the memory cell {name} needs a range, for example 'range: 0..7', or names", key.place)
    if high - low > WORD_HIGH:
        raise DesignError(f"the range {low}..{high} holds more than {WORD_HIGH} values", whole.key("range").place)
    shape = _shape(value) if (value := whole.get("size")) else ()
    starts = _starts(whole.get("start"), shape, low, high, own)
    ends = choice(value, "ends", ("wrap", "clamp")) if (value := whole.get("ends")) else "proved"
    return Cell(
        name=name,
        low=low,
        high=high,
        start=starts[0],
        shape=shape,
        ends=ends,
        keep=truth(value, "keep") if (value := whole.get("keep")) else False,
        names=own,
        offset=offset,
        place=key.place,
        starts=starts if len(set(starts)) > 1 else (),
        texts=_texts(value, low, high, own) if (value := whole.get("texts")) else (),
    )


def _texts(node: Node, low: int, high: int, names: tuple[str, ...]) -> tuple[tuple[int, str], ...]:
    """`texts` of a cell: {-1: "off"}."""
    if names:
        raise DesignError("a cell whose values have names is shown by these: leave 'texts' out", node.place)
    found: dict[int, str] = {}
    for key, value in mapping(node, "texts").pairs:
        at = number(key, "a value", low, high)
        text = scalar(value, "a text").text
        if at in found:
            raise DesignError(f"the value {at} has a text already", key.place)
        if len(text) > MAX_TEXT_SHOWN or not text.isprintable():
            raise DesignError(f"what a display shows for a value is one line of at most {MAX_TEXT_SHOWN} characters", value.place)
        found[at] = text
    if not 1 <= len(found) <= MAX_NAMES:
        raise DesignError(f"texts has {len(found)} entries, but must have 1..{MAX_NAMES}", node.place)
    return tuple(sorted(found.items()))


def _shape(node: Node) -> tuple[int, ...]:
    if isinstance(node, ListNode):
        if len(node.items) != 2:
            raise DesignError("size is a number, or [rows, columns]", node.place)
        rows, columns = (number(each, "size", 1, MAX_ELEMENTS) for each in node.items)
        if rows * columns > MAX_ELEMENTS:
            raise DesignError(f"size gives {rows * columns} elements, but there are at most {MAX_ELEMENTS}", node.place)
        return rows, columns
    return (number(node, "size", 1, MAX_ELEMENTS),)


def _starts(node: Node | None, shape: tuple[int, ...], low: int, high: int, names: tuple[str, ...]) -> tuple[int, ...]:
    """The first value of every element, row by row; one value where all are the same."""
    if node is None:
        return (0 if low <= 0 <= high else low,)
    if not isinstance(node, ListNode):
        if isinstance(node, Scalar) and node.text in names:
            return (names.index(node.text),)
        return (number(node, "start", low, high),)
    if not shape:
        raise DesignError("start is a single value where there is no size", node.place)
    if len(node.items) != shape[0]:
        raise DesignError(f"start has {len(node.items)} entries, but size asks for {shape[0]}", node.place)
    found: list[int] = []
    for item in node.items:
        if len(shape) == 2:
            if not isinstance(item, ListNode):
                raise DesignError(f"start is a list of {shape[0]} lists of {shape[1]} values here", item.place)
            found.extend(_starts(item, shape[1:], low, high, names))
        else:
            found.extend(_starts(item, (), low, high, names))
    return tuple(found)
