"""A run as one page of SVG, in rows as music is written: feet at the top, then what the controller made of it, wires at the bottom."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import zip_longest

from controller_sim.view.picture_labels import Block, blocks_of, cascade, shortened, text_width
from controller_sim.view.picture_legend import legend, lit
from controller_sim.view.picture_scene import KEY_WINDOWS, ON_CONTACT, SECTIONS, Item, Lane, Scene
from controller_sim.view.picture_style import HEAD_SIZE_PX, PAPER, PATTERNS, STYLE
from controller_sim.view.picture_time import Row, Ruler, ruler_of, ticks

PAGE_PX = 1600
"""How wide a page is unless it is asked for otherwise."""
NARROWEST_PX, WIDEST_PX = 600, 6000
NAMES_PX = 104
"""For the names of the lanes."""
RIGHT_PX = 200
"""For the labels of what happens at the end of a row."""
EDGE_PX = 24
HEAD_PX = 66
AXIS_PX = 24
LINE_PX = 13
BETWEEN_ROWS_PX = 30
CONTACT_PX = 14
"""The strip of a switch with its contact and its level."""
WINDOW_PX = 12
WAIT_PX = 15
"""A row of what the controller itself waits for."""
MOST_LEVELS = 9
TORN_PX = 7
"""From the middle of a torn strip to its edge, with a little air."""
TORN_STEP_PX = 12
_SPACE_PX = 6
_SECTION_PX = 17


def number(value: float) -> str:
    """A coordinate, to a hundredth of a pixel."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


@dataclass(slots=True)
class _Place:
    """A lane in a row of the page."""

    lane: Lane
    y: float
    height: float
    labels: list[Block] = field(default_factory=list)


@dataclass(slots=True)
class Page:
    """Collects elements; texts come last, so that no line crosses them."""

    shapes: list[str] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    boxes: list[tuple[float, float, float]] = field(default_factory=list)
    """(left, right, middle) of each text in letters of the usual size."""

    def text(self, x: float, y: float, text: str, kind: str = "", middle: bool = False) -> None:
        """A text whose line is centred on `y`."""
        anchor = ' text-anchor="middle"' if middle else ""
        left = x - text_width(text) / 2 if middle else x
        self.boxes.append((left, left + text_width(text), y))
        kind = f' class="{kind}"' if kind else ""
        self.texts.append(f'<text x="{number(x)}" y="{number(y + 3.5)}"{kind}{anchor}>{escape(text, quote=False)}</text>')

    def path(self, d: str, kind: str) -> None:
        if d:
            self.shapes.append(f'<path class="{kind}" d="{d}"/>')

    def box(self, x: float, y: float, width: float, height: float, kind: str, item: Item | None = None) -> None:
        """A rectangle; with an item it is the mark that stands for it, and says on hover what it is."""
        size = f'x="{number(x)}" y="{number(y)}" width="{number(width)}" height="{number(height)}"'
        self._mark(f'<rect class="{kind}" {size}', "rect", item)

    def mark(self, d: str, kind: str, item: Item, x: float) -> None:
        """A path that stands for an item at `x`."""
        self._mark(f'<path class="{kind}" data-x="{number(x)}" d="{d}"', "path", item)

    def _mark(self, start: str, element: str, item: Item | None) -> None:
        if item is None:
            self.shapes.append(start + "/>")
        else:
            title = escape(item.detail, quote=False)
            self.shapes.append(f'{start} data-us="{item.time_us}"><title>{title}</title></{element}>')


def draw(scene: Scene, page_px: int = PAGE_PX) -> str:
    """The page of a scene, `page_px` wide (NARROWEST_PX..WIDEST_PX): a whole SVG document."""
    within_px = page_px - 2 * EDGE_PX
    ruler = ruler_of(scene, within_px - NAMES_PX - RIGHT_PX)
    page = Page()
    page.text(EDGE_PX, EDGE_PX + 8, shortened(scene.title, int(within_px / text_width("m", HEAD_SIZE_PX))), "head")
    page.text(EDGE_PX, EDGE_PX + 28, shortened(f"{scene.about}; {scene.verdict}", int(within_px / text_width("m"))), "about")
    y = float(EDGE_PX + HEAD_PX - 16)
    for row in ruler.rows:
        y = RowDrawing(page, scene, ruler, row, y).draw() + BETWEEN_ROWS_PX
    cut = any(piece.cut for row in ruler.rows for piece in row.pieces)
    y = legend(page, scene, ruler.px_per_s, cut, EDGE_PX, y, within_px) + EDGE_PX
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{page_px}" height="{number(y)}" role="img"',
            f' viewBox="0 0 {page_px} {number(y)}">',
            f"<title>{escape(f'{scene.title}: {scene.about}', quote=False)}</title>",
            f"<style>{STYLE}</style>",
            PATTERNS,
            f'<rect width="{page_px}" height="{number(y)}" fill="{PAPER}"/>',
            *page.shapes,
            *page.texts,
            "</svg>\n",
        ]
    )


def height_of(page: str) -> float:
    """The height that a page says it has, in pixels."""
    return float(page.split(' height="', 1)[1].split('"', 1)[0])


class RowDrawing:
    """One row of the page, from `top` down."""

    def __init__(self, page: Page, scene: Scene, ruler: Ruler, row: Row, top: float) -> None:
        self.page = page
        self.scene = scene
        self.ruler = ruler
        self.row = row
        self.top = top
        self.left = EDGE_PX + NAMES_PX
        self.last = row is ruler.rows[-1]
        self.first_text = len(page.boxes)
        self.places: list[_Place] = []
        self.items = [[item for item in lane.items if self._touches(item)] for lane in scene.lanes]
        self.bottom = self._lay_out()

    def _touches(self, item: Item) -> bool:
        return item.until_us >= self.row.start_us and (item.time_us < self.row.end_us or (self.last and item.time_us <= self.row.end_us))

    def begins(self, item: Item) -> bool:
        """Whether the row shows the item's beginning, not only what is left of it."""
        if item.time_us < self.row.start_us:
            # What began before the picture did is shown as something that goes on.
            return False
        return item.time_us < self.row.end_us or self.last

    def x(self, time_us: int) -> float:
        return self.left + self.row.place(time_us)

    def _lay_out(self) -> float:
        y = self.top + AXIS_PX
        section = ""
        for lane, items in zip(self.scene.lanes, self.items, strict=True):
            if lane.section != section:
                section = lane.section
                y += _SECTION_PX
            labels: list[Block] = []
            if lane.kind in ("decided", "port", "received", "failed"):
                placed = sorted(((self.x(item.time_us), item) for item in items if self.begins(item)), key=lambda pair: pair[0])
                labels = cascade(blocks_of(placed), MOST_LEVELS)
            height = _height(lane, items, labels)
            self.places.append(_Place(lane, y, height, labels))
            y += height + (2 if lane.kind == "led" else _SPACE_PX)
        return y

    def draw(self) -> float:
        """Draw the row and return where it ends."""
        self.page.shapes.append(f'<g class="row" data-from="{self.row.start_us}" data-to="{self.row.end_us}">')
        self._ground()
        for place, items in zip(self.places, self.items, strict=True):
            self._name(place)
            getattr(self, f"_draw_{place.lane.kind}")(place, items)
        self._threads()
        self._cuts()
        self._axis()
        self.page.shapes.append("</g>")
        return self.bottom

    def _ground(self) -> None:
        """Power cuts, guides, and the names of the sections."""
        right = self.left + self.row.width
        for start_us, end_us in self.scene.off:
            if end_us >= self.row.start_us and start_us <= self.row.end_us:
                x = self.x(start_us)
                self.page.box(x, self.top + AXIS_PX + 4, max(self.x(end_us) - x, 2), self.bottom - self.top - AXIS_PX - 4, "off")
        for section in SECTIONS:
            first = next((place for place in self.places if place.lane.section == section), None)
            if first is not None:
                y = first.y - _SECTION_PX / 2
                self.page.text(EDGE_PX, y, section, "section")
                self.page.path(f"M{number(self.left)},{number(y)}H{number(right)}", "hair")

    def _name(self, place: _Place) -> None:
        lane = place.lane
        name = shortened(lane.name, 15)
        y = place.y + (CONTACT_PX / 2 if lane.kind in ("switch", "pedal") else 6)
        if lane.kind == "led":
            first = next(other for other in self.places if other.lane.kind == "led")
            if first is place:
                self.page.text(EDGE_PX, y, "LED", "name2")
            name = shortened(lane.name, 10)
            self.page.text(EDGE_PX + 30, y, name)
        else:
            self.page.text(EDGE_PX, y, name)

    def _draw_switch(self, place: _Place, items: Sequence[Item]) -> None:
        self._steps(place, CONTACT_PX, "contact")
        for item in items:
            x, end = self.x(item.time_us), self.x(item.until_us)
            if item.kind == "level":
                self.page.box(x, place.y + 3, max(end - x, 1.5), CONTACT_PX - 6, "level", item if self.begins(item) else None)
        ends: dict[int, float] = {}
        for item in items:
            if item.kind in ON_CONTACT:
                x, end = self.x(item.time_us), self.x(item.until_us)
                self.page.box(x, place.y + CONTACT_PX, max(end - x, 1), 3, item.kind, item if self.begins(item) else None)
            elif item.kind not in ("level", "contact"):
                self._window(place, item, [other for other in items if other.row == item.row and other.label], ends)

    def _window(self, place: _Place, item: Item, others: Sequence[Item], ends: dict[int, float]) -> None:
        """A bar; a thick end where it ran out, none where something cut it short; its name where there is room."""
        x, end = self.x(item.time_us), self.x(item.until_us)
        y = place.y + CONTACT_PX + 5 + WINDOW_PX * item.row
        self.page.box(x, y, max(end - x, 1), WINDOW_PX - 6, item.kind, item if self.begins(item) else None)
        if item.until_us >= item.due_us and item.until_us <= self.row.end_us:
            self.page.path(f"M{number(end)},{number(y - 1)}v{WINDOW_PX - 4}", "due")
        after = [self.x(other.time_us) for other in others if other.time_us > item.time_us and self._touches(other)]
        free = min([*after, self.left + self.row.width + RIGHT_PX]) - GAP
        at = max(end + 4, ends.get(item.row, 0.0))
        same = [other for other in others if other.time_us == item.time_us and other.until_us > item.until_us]
        if self.begins(item) and not same and at == end + 4 and at + text_width(item.label) <= free:
            self.page.text(at, y + 3, item.label, "name2 halo")
            ends[item.row] = at + text_width(item.label) + GAP

    def _steps(self, place: _Place, height: float, kind: str) -> None:
        """A line that is high where the contact is closed or the pedal is at its toe."""
        steps = place.lane.steps
        first = max(bisect_right(steps, (self.row.start_us, 2.0)) - 1, 0)
        stop = bisect_left(steps, (self.row.end_us + 1, -1.0))
        y = number(place.y + height * (1 - steps[first][1]))
        d = f"M{number(self.left)},{y}"
        for time_us, level in steps[first + 1 : stop]:
            d += f"H{number(self.x(time_us))}V{number(place.y + height * (1 - level))}"
        self.page.path(d + f"H{number(self.left + self.row.width)}", kind)

    def _draw_pedal(self, place: _Place, items: Sequence[Item]) -> None:
        self._steps(place, place.height - 4, "reading")
        for item in items:
            if self.begins(item):
                x = self.x(item.time_us)
                self.page.mark(f"M{number(x)},{number(place.y + place.height - 3)}v3", "tick", item, x)

    def _flags(self, place: _Place, text: str) -> None:
        """Lines from marks down to their texts."""
        for block in place.labels:
            top = place.y + _MARK_PX + LINE_PX * block.level
            self.page.path(f"M{number(block.x)},{number(place.y + _MARK_PX)}V{number(top + LINE_PX * len(block.lines) - 3)}", "lead")
            for line, words in enumerate(block.lines):
                self.page.text(block.x + 3, top + LINE_PX * (line + 0.5), words, text)

    def _draw_received(self, place: _Place, items: Sequence[Item]) -> None:
        for item in items:
            if self.begins(item):
                x = self.x(item.time_us)
                self.page.mark(f"M{number(x - 4)},{number(place.y)}h8l-4,{_MARK_PX - 3}z", item.kind, item, x)
        self._flags(place, "halo")

    def _draw_decided(self, place: _Place, items: Sequence[Item]) -> None:
        y = place.y + _MARK_PX / 2
        for item in items:
            if not self.begins(item):
                continue
            x = self.x(item.time_us)
            if item.kind in ("gesture", "response"):
                self.page.mark(f"M{number(x)},{number(y - 4.5)}l4.5,4.5l-4.5,4.5l-4.5,-4.5z", item.kind, item, x)
            elif item.kind == "fate":
                self.page.mark(f"M{number(x - 3)},{number(y - 3)}l6,6m0,-6l-6,6", item.kind, item, x)
            else:
                self.page.mark(f"M{number(x)},{number(y - 5)}v10m-3,-10h6m-6,10h6", item.kind, item, x)
        self._flags(place, "halo")

    def _draw_failed(self, place: _Place, items: Sequence[Item]) -> None:
        for item in items:
            if self.begins(item):
                x = self.x(item.time_us)
                self.page.mark(f"M{number(x - 4)},{number(place.y)}h8v8h-8zl8,8m0,-8l-8,8", "failed", item, x)
        self._flags(place, "halo")

    def _draw_waiting(self, place: _Place, items: Sequence[Item]) -> None:
        """A bar each, with a thick end where it ran out, and what it is inside or behind it."""
        for item in items:
            x, end = self.x(item.time_us), self.x(item.until_us)
            y = place.y + WAIT_PX * item.row
            self.page.box(x, y, max(end - x, 1), WAIT_PX - 3, item.kind, item if self.begins(item) else None)
            if item.until_us >= item.due_us and item.until_us <= self.row.end_us:
                self.page.path(f"M{number(end)},{number(y - 1)}v{WAIT_PX - 1}", "due")
            width = text_width(item.label)
            after = [self.x(other.time_us) for other in items if other.row == item.row and other.time_us > item.time_us]
            if x + 4 + width <= end:
                self.page.text(x + 4, y + 6, item.label, "halo")
            elif self.begins(item) and end + 4 + width + GAP <= min([*after, self.left + self.row.width + RIGHT_PX]):
                self.page.text(end + 4, y + 6, item.label, "halo")

    def _draw_mode(self, place: _Place, items: Sequence[Item]) -> None:
        tinted = set(place.lane.items[::2])
        for item in items:
            x, end = self.x(item.time_us), self.x(item.until_us)
            if item in tinted:
                self.page.box(x, place.y, max(end - x, 0.5), place.height, "ground")
            if self.begins(item):
                self.page.mark(f"M{number(x)},{number(place.y - 2)}v{number(place.height + 4)}", "mode", item, x)
        self._texts_inside(place, items, 1, "")

    def _draw_display(self, place: _Place, items: Sequence[Item]) -> None:
        for item in items:
            x, end = self.x(item.time_us), self.x(item.until_us)
            self.page.box(x, place.y, max(end - x, 0.5), place.height, "display", item if self.begins(item) else None)
        self._texts_inside(place, items, _lines(place.lane), "")

    def _texts_inside(self, place: _Place, items: Sequence[Item], lines: int, kind: str) -> None:
        """The text of what lasts, where it fits before the next."""
        for item in items:
            x = self.x(item.time_us)
            free = self.x(item.until_us)
            if item is items[-1] and item.until_us >= self.scene.end_us and self.last:
                free = self.left + self.row.width + RIGHT_PX
            words = [shortened(line, 40) for line in item.label.split("\n")[:lines]]
            if x + 4 + max(map(text_width, words)) <= free:
                for number_, line in enumerate(words):
                    self.page.text(x + 4, place.y + 8 + LINE_PX * number_, line, kind or "halo")

    def _draw_led(self, place: _Place, items: Sequence[Item]) -> None:
        for item in items:
            x, end = self.x(item.time_us), self.x(item.until_us)
            self.page.box(x, place.y + 2, max(end - x, 1), 8, f"led-{lit(item)}", item if self.begins(item) else None)
        if _coloured(place.lane):
            self._texts_inside(_Place(place.lane, place.y + 9, LINE_PX), items, 1, "")

    def _draw_clock(self, place: _Place, items: Sequence[Item]) -> None:
        ticks_at = [self.x(item.time_us) for item in items if item.kind == "tick"]
        self.page.path("".join(f"M{number(x)},{number(place.y + 12)}v5" for x in ticks_at), "tick")
        tempos = [item for item in items if item.kind == "beats"]
        for item, following in zip_longest(tempos, tempos[1:]):
            x = self.x(item.time_us)
            self.page.mark(f"M{number(x)},{number(place.y)}v12", "tick", item, x)
            if following is None or x + 3 + text_width(item.label) + 4 <= self.x(following.time_us):
                self.page.text(x + 3, place.y + 6, item.label, "halo")

    def _draw_port(self, place: _Place, items: Sequence[Item]) -> None:
        queue = seams = ""
        for item in items:
            x, end, given = self.x(item.time_us), self.x(item.until_us), self.x(item.due_us)
            tick = not item.label
            if x - given > 1.5 and not tick:
                queue += f"M{number(given)},{number(place.y + 1)}v7M{number(given)},{number(place.y + 4.5)}H{number(x)}"
            if self.begins(item):
                height = _MARK_PX - (6 if tick else 1)
                self.page.box(x, place.y, max(end - x, 1 if tick else 2), height, "message", item)
            if len(item.parts_us) > 1 and (end - x) / len(item.parts_us) > 4:
                seams += "".join(f"M{number(self.x(start_us))},{number(place.y)}v{_MARK_PX}" for start_us in item.parts_us)
        self.page.path(queue, "queue")
        self.page.path(seams, "seam")
        self._flags(place, "message-text halo")

    def _threads(self) -> None:
        """From each press to the gesture it became, and from there to the messages of that instant."""
        decided = next((place for place in self.places if place.lane.kind == "decided"), None)
        if decided is None:
            return
        thread, presses = "", ""
        for place, items in zip(self.places, self.items, strict=True):
            for item in items if place is decided else ():
                if item.ties and self.begins(item):
                    thread += self._thread(item, decided)
                    presses += "".join(self._press(lane, time_us) for lane, time_us in item.ties)
        self.page.path(thread, "thread")
        self.page.path(presses, "press")
        causes = {item.time_us for item in self.items[self.places.index(decided)]}
        lines = {}
        for place, items in zip(self.places, self.items, strict=True):
            for item in items if place.lane.kind == "port" else ():
                if item.label and item.due_us in causes and self.row.start_us <= item.due_us <= self.row.end_us:
                    lines[self.x(item.due_us)] = place.y
        start = decided.y + _MARK_PX
        self.page.path("".join(f"M{number(x)},{number(start)}V{number(y)}" for x, y in lines.items()), "cause")

    def _middle(self, lane: int) -> float:
        return self.places[lane].y + CONTACT_PX / 2

    def _thread(self, item: Item, decided: _Place) -> str:
        x = self.x(item.time_us)
        d = f"M{number(x)},{number(min(self._middle(lane) for lane, _ in item.ties))}V{number(decided.y)}"
        for lane, time_us in item.ties:
            if time_us != item.time_us:
                d += f"M{number(self.x(time_us))},{number(self._middle(lane))}H{number(x)}"
        return d

    def _press(self, lane: int, time_us: int) -> str:
        if not self.row.start_us <= time_us <= self.row.end_us or self.places[lane].lane.kind != "switch":
            return ""
        return f"M{number(self.x(time_us) - 3)},{number(self._middle(lane))}a3,3 0 1 0 6,0a3,3 0 1 0 -6,0"

    def _cuts(self) -> None:
        """Where a silence was cut: a torn strip that lets texts through, and how long it was."""
        texts = self.page.boxes[self.first_text :]
        for piece in self.row.pieces:
            if piece.cut:
                middle = self.left + piece.x + piece.width / 2
                crossing = [y for left, right, y in texts if left - TORN_PX < middle + TORN_PX and right + TORN_PX > middle - TORN_PX]
                d = ""
                for step in range(int((self.bottom - self.top - AXIS_PX) / TORN_STEP_PX)):
                    y = self.top + AXIS_PX + TORN_STEP_PX * step
                    # A text reaches half a line up and down from its middle.
                    if not any(y - LINE_PX / 2 < text < y + TORN_STEP_PX + LINE_PX / 2 for text in crossing):
                        d += "".join(f"M{number(middle + side)},{number(y)}l2,3l-4,6l2,3" for side in (-4, 4))
                self.page.path(d, "torn")
                self.page.text(middle, self.top + 10, _silence(piece.end_us - piece.start_us), "more halo", middle=True)

    def _axis(self) -> None:
        y = self.top + AXIS_PX - 2
        d = ""
        told: set[int] = set()
        free = self.left - 100.0
        for time_us, text, numbered in ticks(self.row, self.ruler.px_per_s):
            x = self.x(time_us)
            width = text_width(text)
            if numbered and time_us not in told and x - width / 2 >= free and not self._in_cut(x, width):
                told.add(time_us)
                free = x + width / 2 + 6
                self.page.text(x, self.top + 10, text, "axis", middle=True)
                d += f"M{number(x)},{number(y)}v-6"
            else:
                d += f"M{number(x)},{number(y)}v-3"
        self.page.text(EDGE_PX, self.top + 10, "seconds", "axis")
        for piece in self.row.pieces:
            if not piece.cut:
                d += f"M{number(self.left + piece.x)},{number(y)}h{number(piece.width)}"
        self.page.path(d, "contact")

    def _in_cut(self, x: float, width: float) -> bool:
        return any(
            piece.cut and self.left + piece.x - 2 < x + width / 2 and x - width / 2 < self.left + piece.x + piece.width + 2
            for piece in self.row.pieces
        )


GAP = 6
_MARK_PX = 11


def _height(lane: Lane, items: Sequence[Item], labels: Sequence[Block]) -> float:
    if lane.kind == "switch":
        return CONTACT_PX + 4 + WINDOW_PX * max((item.row + 1 for item in items if item.kind in KEY_WINDOWS), default=0)
    if lane.kind == "waiting":
        return WAIT_PX * max((item.row + 1 for item in items), default=0.4)
    if lane.kind == "display":
        return 4 + LINE_PX * _lines(lane)
    if lane.kind == "led":
        return 12 + (LINE_PX if _coloured(lane) else 0)
    fixed = {"pedal": 34.0, "mode": 16.0, "clock": 18.0}
    return fixed.get(lane.kind) or _MARK_PX + 2 + LINE_PX * max((block.end for block in labels), default=0)


def _coloured(lane: Lane) -> bool:
    return any(item.label not in ("on", "blink", "dim") for item in lane.items)


def _lines(lane: Lane) -> int:
    return max((item.label.count("\n") + 1 for item in lane.items), default=1)


def _silence(time_us: int) -> str:
    """A length of time in at most seven letters."""
    seconds = time_us / 1e6
    if seconds < 1:
        return f"{time_us // 1000} ms" if time_us >= 1000 else f"{time_us} us"
    if seconds < 100:
        return f"{seconds:.1f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes / 60:.1f} h"
