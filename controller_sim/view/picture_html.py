"""A run as one HTML page that needs nothing else: it can be zoomed, moved and asked what a mark is."""

from __future__ import annotations

import json
from html import escape
from importlib.resources import files
from typing import Any

from controller_sim.view.picture_labels import FONT
from controller_sim.view.picture_legend import legend
from controller_sim.view.picture_scene import Item, Lane, Scene
from controller_sim.view.picture_style import HAIR, INK, LINE, PAPER, PATTERNS, QUIET, STYLE
from controller_sim.view.picture_svg import Page, number
from controller_sim.view.picture_time import CUT_PX, NATURAL_PX, silences

LEGEND_PX = 900
_CLOSEST_PX = 2_000_000
"""Pixels a second at most, as the page's script has it: then all that can be seen is."""
_PAGE_STYLE = f"""
body {{ margin: 20px 24px; background: {PAPER}; color: {INK}; font: 13px/1.5 {FONT}; }}
h1 {{ font-size: 17px; margin: 0; }}
p {{ margin: 2px 0 10px; color: {QUIET}; }}
.verdict {{ color: {INK}; }}
nav {{ display: flex; flex-wrap: wrap; gap: 6px; align-items: center; margin-bottom: 8px; }}
button {{ font: inherit; color: {INK}; background: {PAPER}; border: 1px solid {LINE}; border-radius: 3px; padding: 2px 10px; }}
button {{ cursor: pointer; }}
button:focus-visible {{ outline: 2px solid {INK}; outline-offset: 1px; }}
button[aria-pressed=true] {{ border-color: {INK}; box-shadow: inset 0 -2px {INK}; }}
#readout {{ margin-left: auto; color: {QUIET}; }}
#run {{ display: block; width: 100%; border: 1px solid {HAIR}; border-width: 1px 0; }}
#run {{ touch-action: pan-y; cursor: crosshair; user-select: none; }}
#told {{ position: absolute; max-width: 640px; padding: 5px 9px; background: {PAPER}; border: 1px solid {INK}; }}
#told {{ pointer-events: none; white-space: pre-wrap; }}
#legend {{ display: block; margin-top: 14px; max-width: 100%; height: auto; }}
.cursor {{ stroke: {QUIET}; fill: none; stroke-width: .75; }}
.marked {{ stroke: {INK}; stroke-dasharray: 4 2; stroke-width: 1.25; }}
"""
_KEYS = (
    "wheel or + \u2212: zoom; drag or arrows: move; 0: whole run; n p: next, previous gesture; s: silences; "
    "click: set a mark to measure from, or take it away"
)


def page(scene: Scene) -> str:
    """The whole document."""
    title = escape(scene.title)
    # A '<' inside the data would end the script element.
    data = json.dumps(_facts(scene), separators=(",", ":"), ensure_ascii=False).replace("<", "\\u003c")
    script = files("controller_sim.view").joinpath("picture.js").read_text(encoding="utf-8")
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{_PAGE_STYLE}{STYLE}</style>
</head>
<body>
<h1>{title}</h1>
<p>{escape(scene.about)}; <span class="verdict">{escape(scene.verdict)}</span></p>
<nav>
<button id="whole">whole run</button><button id="out" aria-label="zoom out">\u2212</button><button id="in" aria-label="zoom in">+</button>
<button id="before" aria-label="previous gesture">\u2190 gesture</button><button id="next" aria-label="next gesture">gesture \u2192</button>
<button id="silences" aria-pressed="true">cut silences</button><span id="readout" role="status"></span>
</nav>
<noscript><p>This page draws itself with JavaScript. The same run as a still picture: ask for a file that ends in .svg.</p></noscript>
<svg id="run" height="300" role="img" aria-label="{title}: {escape(scene.about)}"><g id="shapes"></g><g id="hair"></g></svg>
<div id="told" hidden></div>
{_legend(scene)}
<p>{_KEYS}</p>
<script type="application/json" id="scene">{data}</script>
<script>
{script}</script>
</body>
</html>
"""


def _legend(scene: Scene) -> str:
    paper = Page()
    height = legend(paper, scene, _CLOSEST_PX, bool(silences(scene, NATURAL_PX)), 8, 10, LEGEND_PX)
    return f'<svg id="legend" viewBox="0 0 {LEGEND_PX} {number(height)}" width="{LEGEND_PX}">{"".join(paper.shapes + paper.texts)}</svg>'


def _facts(scene: Scene) -> dict[str, Any]:
    """The scene as the page's script reads it."""
    return {
        "start": scene.start_us,
        "end": scene.end_us,
        "off": scene.off,
        "cuts": silences(scene, NATURAL_PX),
        "cut_us": round(CUT_PX / NATURAL_PX * 1e6),
        "patterns": PATTERNS,
        "lanes": [_lane(lane) for lane in scene.lanes],
    }


def _lane(lane: Lane) -> dict[str, Any]:
    items = sorted(lane.items, key=lambda item: item.time_us)
    return {
        "kind": lane.kind,
        "name": lane.name,
        "section": lane.section,
        "rows": lane.rows,
        "items": [_item(item) for item in items],
        "steps": lane.steps,
    }


def _item(item: Item) -> list[Any]:
    return [
        item.kind,
        item.time_us,
        item.until_us,
        item.label,
        item.detail,
        item.row,
        item.ties,
        item.series,
        item.value,
        item.due_us,
        item.parts_us if len(item.parts_us) > 1 else (),
    ]
