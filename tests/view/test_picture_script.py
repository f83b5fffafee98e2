"""The script of the page that a run can be zoomed in: run by QuickJS on a page that only has what the script asks of it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
import quickjs

from controller_sim.design import load_design
from controller_sim.script import parse_script, play
from controller_sim.view import picture

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
SCRIPTS = sorted(CONFIGS.glob("*.press"))
WIDTH_PX = 1200
_PAGE = """
const elements = {}, frames = [];
function element() {
  return {innerHTML: "", textContent: "", style: {}, clientWidth: WIDTH, offsetWidth: 100, setAttribute() {}, addEventListener() {},
    replaceChildren(...children) { this.children = children; }, getBoundingClientRect() { return {left: 0, top: 0}; }};
}
const document = {getElementById: id => elements[id] = elements[id] || element(), createElement: element};
function addEventListener() {}
function requestAnimationFrame(paint) { frames.push(paint); }
const scrollX = 0, scrollY = 0;
"""


class Page:
    """A page that was opened; `do` runs what a hand would do, and draws what has changed."""

    def __init__(self, html: str) -> None:
        data, script = re.findall(r"<script[^>]*>(.*?)</script>", html, re.DOTALL)
        self._context = quickjs.Context()
        self._context.eval(_PAGE.replace("WIDTH", str(WIDTH_PX)))
        self._context.eval(f"document.getElementById('scene').textContent = {json.dumps(data)}; 0")
        self._context.eval(script)

    def do(self, act: str) -> None:
        self._context.eval(f"{act}; while (frames.length) frames.shift()(); 0")

    def value(self, expression: str) -> Any:
        return json.loads(self._context.eval(f"JSON.stringify({expression})"))

    @property
    def drawn(self) -> str:
        return str(self.value("shapes.innerHTML"))

    def elements(self, tag: str) -> Iterator[ElementTree.Element]:
        return ElementTree.fromstring(f"<svg>{self.drawn}</svg>").iter(tag)

    def path(self, kind: str) -> str:
        return "".join(path.attrib["d"] for path in self.elements("path") if (path.get("class") or "").split()[:1] == [kind])


@cache
def html_of(path: Path) -> str:
    design = load_design(str(CONFIGS / f"{path.name.partition('_')[0]}.yaml"))
    return picture.html(play(design, parse_script(path.read_text(encoding="utf-8"), design, file=path.name)))


def text_boxes(page: Page) -> list[tuple[float, float, float, float, str]]:
    boxes = []
    for text in page.elements("text"):
        words = text.text or ""
        wide = len(words) * page.value("LETTER")
        left = float(text.attrib["x"]) - (wide / 2 if text.get("text-anchor") else 0)
        middle = float(text.attrib["y"]) - 3.5
        boxes.append((left, middle - 5, left + wide, middle + 5, words))
    return boxes


def check(page: Page) -> None:
    boxes = text_boxes(page)
    for left, _, right, _, words in boxes:
        assert left + 0.1 >= 0 and right <= WIDTH_PX + 0.1, words
    for x, y in re.findall(r"M([\d.]+),([\d.]+)l2,3l-4,6l2,3", page.path("torn")):
        crossed = [box for box in boxes if box[0] < float(x) + 2 and box[2] > float(x) - 2 and box[1] < float(y) + 12 and box[3] > float(y)]
        assert not crossed


HANDS: Sequence[str] = ("zoom(4)", "zoom(5)", "pan(300)", "toGesture(1)", "toGesture(1)", "silences()", "zoom(1 / 8)", "toGesture(-1)")


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_whatever_a_hand_does_texts_stay_inside_and_no_torn_edge_crosses_one(path: Path) -> None:
    page = Page(html_of(path))
    check(page)
    for hand in HANDS:
        page.do(hand)
        check(page)


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_every_gesture_and_message_is_drawn_where_its_time_is(path: Path) -> None:
    page = Page(html_of(path))
    page.do("silences()")
    lanes = [lane for lane in page.value("scene.lanes") if lane["kind"] in ("decided", "port")]
    for lane in lanes:
        kinds = {"decided": ("gesture", "response"), "port": ("message",)}[lane["kind"]]
        for item in [item for item in lane["items"] if item[0] in kinds][:12]:
            page.do(f"show({item[1] - 40_000}, {item[1] + 60_000})")
            start_us, end_us = page.value("[left, left + (width - NAMES) / scale]")
            # Time runs evenly from the names to the right edge.
            x = 116 + (item[1] - start_us) / (end_us - start_us) * (WIDTH_PX - 116)
            drawn = [float(found) for found in re.findall(r"M([\d.]+),", page.path(item[0]))]
            assert any(abs(x - found) < 0.06 for found in drawn), item


def test_asking_a_mark_tells_what_it_is_and_measuring_tells_how_far() -> None:
    page = Page(html_of(CONFIGS / "booth_evening.press"))
    page.do("silences(); show(8_500_000, 8_600_000)")
    page.do("pointer = {x: xOf(8_545_000) + 1, y: places.find(place => place.lane.kind === 'decided').y + 4}; mark = 8_500_000; tell()")
    told = page.value("told.children.map(line => line.textContent)")
    assert told[0] == "8.545000  double e  in show, line 108, 45ms after the press"
    assert re.fullmatch(r"8\.54\d{4} s, \+0\.04\d{4} s from the mark", page.value("readout.textContent"))


def long_page(rounds: int) -> tuple[Page, int]:
    """A busy evening without pauses, over and over."""
    steps = ("+120ms tap a", "+90ms tap b", "+150ms double e", "+300ms tap d", "+400ms chord d+e", "+350ms tap e", "+60ms tap c")
    design = load_design(str(CONFIGS / "booth.yaml"))
    html = picture.html(play(design, parse_script("\n".join(steps * rounds) + "\n", design, file="long.press")))
    page = Page(html)
    return page, page.value("scene.lanes.reduce((sum, lane) => sum + lane.items.length, 0)")


def test_ten_thousand_events_from_afar_are_drawn_by_few_elements_and_those_in_sight_by_fewer() -> None:
    page, events = long_page(120)
    assert events > 10_000
    # One path for all marks of a kind in a lane; what would fall onto the same pixel is left out.
    assert page.drawn.count("<") < 400 and len(page.drawn) < 350_000
    check(page)
    page.do("zoom(200)")
    assert len(page.drawn) < 40_000
