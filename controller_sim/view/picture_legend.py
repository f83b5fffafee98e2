"""What the marks in a picture mean: only those that occur in it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from controller_sim.view.picture_labels import text_width
from controller_sim.view.picture_scene import Item, Scene

_SAMPLE_PX = 26
_LINE_PX = 18


class Paper(Protocol):
    def text(self, x: float, y: float, text: str, kind: str = "", middle: bool = False) -> None: ...
    def path(self, d: str, kind: str) -> None: ...
    def box(self, x: float, y: float, width: float, height: float, kind: str, item: Item | None = None) -> None: ...


_ENTRIES = (
    ("contact", "contact, as the foot moves it"),
    ("level", "counts as down"),
    ("settle", "contact settles"),
    ("lockout", "contact not believed"),
    ("power_on", "contacts settle after power-on"),
    ("chord", "may become a chord"),
    ("hold", "may become a hold"),
    ("repeat", "until the next repeat"),
    ("double", "waits for a second press"),
    ("timer", "timer of the mode"),
    ("delayed", "delayed message"),
    ("due", "thick end: ran out; none: cut short"),
    ("gesture", "a gesture is decided, tied to its presses"),
    ("response", "answer to a pedal or to MIDI in"),
    ("fate", "a press that nothing came of"),
    ("restart", "starts again"),
    ("received", "arrives"),
    ("echo", "arrives, an echo: counts for nothing"),
    ("failed", "expectation not met"),
    ("led-on", "LED on"),
    ("led-blink", "LED blinks"),
    ("led-dim", "LED dim"),
    ("tick", "clock tick"),
    ("message", "message on the wire"),
    ("queue", "waiting for the wire"),
    ("off", "no power"),
    ("torn", "silence cut, with its length"),
)


def legend(page: Paper, scene: Scene, px_per_s: float, cut: bool, x: float, y: float, width: float) -> float:
    """Draw the legend of a picture of that scale, in which silences are `cut`, from `y` down and return where it ends."""
    there = set(_kinds(scene, px_per_s)) | ({"torn"} if cut else set())
    at = x
    for kind, words in _ENTRIES:
        if kind not in there:
            continue
        needed = _SAMPLE_PX + 6 + text_width(words) + 22
        if at + needed > x + width:
            at, y = x, y + _LINE_PX
        _sample(page, kind, at, y)
        page.text(at + _SAMPLE_PX + 6, y, words, "about")
        at += needed
    if scene.idle:
        text = "not shown, as nothing happened there: " + ", ".join(scene.idle)
        letters = int(width / text_width(" "))
        y += _LINE_PX + 4
        page.text(x, y, text if len(text) <= letters else f"{text[: letters - 1]}\u2026", "about")
    return y + 10


def lit(item: Item) -> str:
    """How an LED is lit, whatever its colour: on, blink or dim."""
    level = item.label.partition(" ")[0]
    return level if level in ("blink", "dim") else "on"


def _kinds(scene: Scene, px_per_s: float) -> Iterator[str]:
    for lane in scene.lanes:
        for item in lane.items:
            if item.kind == "led":
                yield f"led-{lit(item)}"
            elif item.kind == "message" and item.due_us:
                yield "message"
                if (item.time_us - item.due_us) * px_per_s / 1e6 > 1.5 and item.label:
                    yield "queue"
            else:
                yield item.kind
                if item.due_us and item.until_us >= item.due_us and item.label:
                    yield "due"
    if any(start_us <= scene.end_us and end_us >= scene.start_us for start_us, end_us in scene.off):
        yield "off"


def _sample(page: Paper, kind: str, x: float, y: float) -> None:
    middle = x + _SAMPLE_PX / 2
    shapes = {
        "contact": f"M{x},{y + 4}h8v-8h10v8h8",
        "due": f"M{middle},{y - 5}v10",
        "gesture": f"M{middle},{y - 4.5}l4.5,4.5l-4.5,4.5l-4.5,-4.5z",
        "response": f"M{middle},{y - 4.5}l4.5,4.5l-4.5,4.5l-4.5,-4.5z",
        "fate": f"M{middle - 3},{y - 3}l6,6m0,-6l-6,6",
        "restart": f"M{middle},{y - 5}v10m-3,-10h6m-6,10h6",
        "received": f"M{middle - 4},{y - 4}h8l-4,8z",
        "echo": f"M{middle - 4},{y - 4}h8l-4,8z",
        "failed": f"M{middle - 4},{y - 4}h8v8h-8zl8,8m0,-8l-8,8",
        "tick": f"M{x + 4},{y - 3}v6m6,-6v6m6,-6v6m6,-6v6",
        "queue": f"M{x + 3},{y - 4}v8m0,-4h18",
        "torn": f"M{middle - 4},{y - 7}l2,3l-4,6l2,3m8,-12l2,3l-4,6l2,3",
    }
    if kind in shapes:
        page.path(shapes[kind], kind)
    elif kind == "message":
        page.box(middle - 1, y - 5, 2, 10, kind)
    elif kind == "off":
        page.box(x, y - 6, _SAMPLE_PX, 12, kind)
    else:
        page.box(x, y - 4, _SAMPLE_PX, 8, kind)
