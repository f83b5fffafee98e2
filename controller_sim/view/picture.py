"""A run as a picture: what the feet did, what the controller made of it, and when each message left."""

from __future__ import annotations

from controller_sim.script import Run
from controller_sim.view import picture_html, picture_svg
from controller_sim.view.picture_scene import Scene, scene_of
from controller_sim.view.picture_svg import NARROWEST_PX, PAGE_PX, WIDEST_PX

__all__ = ["ENDINGS", "NARROWEST_PX", "PAGE_PX", "WIDEST_PX", "PictureError", "check_png", "html", "png", "svg"]

ENDINGS = (".svg", ".png", ".html")
SHARP = 2
"""Pixels of a PNG for each of the SVG."""
MOST_ITEMS = 200_000
_MOST_PNG_PX = 60_000_000


class PictureError(Exception):
    """A picture that cannot be made; `str()` says why and what would help."""


def _scene(run: Run, start_us: int, end_us: int | None) -> Scene:
    scene = scene_of(run, start_us, end_us)
    items = sum(len(lane.items) for lane in scene.lanes)
    if items > MOST_ITEMS:
        raise PictureError(f"the picture would hold {items} things, more than {MOST_ITEMS}: draw a part with --from and --to")
    return scene


def svg(run: Run, start_us: int = 0, end_us: int | None = None, page_px: int = PAGE_PX) -> str:
    """A page of SVG, `page_px` wide, in as many rows as the run needs; with times only what happened from `start_us` to `end_us`.

    Raises PictureError where more than MOST_ITEMS things happen, as `html` and `png` do.
    """
    return picture_svg.draw(_scene(run, start_us, end_us), page_px)


def html(run: Run, start_us: int = 0, end_us: int | None = None) -> str:
    """One HTML page that needs no other file: zoom, move, ask what a mark is, measure from mark to mark."""
    return picture_html.page(_scene(run, start_us, end_us))


def check_png() -> None:
    """Raise PictureError unless the library that draws PNG can be used."""
    try:
        import resvg_py  # noqa: F401 (only whether it is there)
    except ImportError:
        raise PictureError("a .png needs the library resvg-py: pip install 'controller-sim[png]'; .svg and .html need nothing") from None


def png(run: Run, start_us: int = 0, end_us: int | None = None, page_px: int = PAGE_PX) -> bytes:
    """The page of `svg` as PNG, at twice its size if that is not too large. Raises PictureError without the library resvg-py."""
    check_png()
    import resvg_py

    page = svg(run, start_us, end_us, page_px)
    zoom = SHARP if page_px * picture_svg.height_of(page) * SHARP * SHARP <= _MOST_PNG_PX else 1
    return bytes(resvg_py.svg_to_bytes(svg_string=page, zoom=zoom))
