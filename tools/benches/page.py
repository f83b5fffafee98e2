"""The page bench: a picture of a long run in a real browser, timed from inside: how soon it is there, and how fast it follows the hand."""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import cycle, islice
from pathlib import Path
from queue import Empty, Queue
from statistics import median
from threading import Thread

from benches.telling import BenchError

BROWSERS = ("chromium", "chromium-browser", "chrome")
DESIGN = Path("configs") / "booth.yaml"
STEPS = (
    "+300ms tap a", "+200ms tap b bounce 1.5ms", "+250ms double e", "+500ms tap d", "+440ms tap d", "+600ms chord d+e skew 20ms",
    "+700ms tap e", "+400ms tap c", "+100ms tap c", "+900ms hold d for 800ms", "+300ms hold d for 800ms", "+3s tap b",
)  # fmt: skip
"""What the feet do, over and over; with the clock off again, and a silence that is cut."""
PATIENCE_S = 120
FRAMES = 60
_MEASURE = """
<script>
addEventListener("load", async () => {
  const frame = () => new Promise(requestAnimationFrame);
  await frame(); await frame();
  const there_ms = performance.now();
  const timed = act => { const begun = performance.now(); act(); drawing.getBoundingClientRect(); return performance.now() - begun; };
  const redraws = {};
  for (const [name, factor] of [["whole", 0], ["ten", 10], ["hundred", 10]]) {
    if (factor) zoom(factor);
    paint();
    redraws[name] = [...Array(9)].map(() => timed(paint));
  }
  const frames = {};
  const acts = {still: () => {}, pan: step => pan(step % 2 ? 40 : -25), zoom: step => zoom(step < FRAMES / 2 ? 1.1 : 1 / 1.1)};
  for (const [name, act] of Object.entries(acts)) {
    keys["0"](); await frame(); await frame();
    const taken = [];
    for (let step = 0, last = performance.now(); step < FRAMES; step++) {
      act(step);
      await frame();
      const now = performance.now();
      taken.push(now - last);
      last = now;
    }
    frames[name] = taken;
  }
  pointer = {x: 600, y: places[0].y + 4};
  const told_ms = [...Array(9)].map(() => timed(() => { tell(); point(); }));
  await fetch("/result", {method: "POST", body: JSON.stringify({there_ms, redraws, frames, told_ms})});
});
</script>
""".replace("FRAMES", str(FRAMES))


def page_of(root: Path, least_events: int) -> tuple[str, int]:
    """The page of a run in which at least that much happens, and how much it is."""
    from controller_sim.design import load_design
    from controller_sim.script import parse_script, play
    from controller_sim.view import picture
    from controller_sim.view.picture_scene import scene_of

    design = load_design(str(root / DESIGN))
    steps = len(STEPS)
    while True:
        run = play(design, parse_script("\n".join(islice(cycle(STEPS), steps)) + "\n", design, file="long.press"))
        events = sum(len(lane.items) for lane in scene_of(run).lanes)
        if events >= least_events:
            return picture.html(run), events
        steps = max(steps + len(STEPS), steps * least_events // events)


@contextmanager
def served(page: str) -> Iterator[tuple[str, Queue[bytes]]]:
    """The page at an address of this machine, and what it sends back."""
    results: Queue[bytes] = Queue()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            self.wfile.write(page.encode())

        def do_POST(self) -> None:
            results.put(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *told: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/", results
    finally:
        server.shutdown()


def measure(root: Path, events: int) -> dict[str, object]:
    """Milliseconds: until the first picture is there, drawing anew at three zooms at best, and frames while a hand pans and zooms.

    Others on the machine only make it slower: the best times are the page's own.
    """
    browser = next(filter(None, map(shutil.which, BROWSERS)), None)
    if browser is None:
        raise BenchError(f"none of {', '.join(BROWSERS)} is on the path (on Debian: apt-get install chromium)")
    page, count = page_of(root, events)
    with served(page.replace("</body>", f"{_MEASURE}</body>")) as (address, results), tempfile.TemporaryDirectory() as profile:
        options = ["--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={profile}", "--window-size=1600,1000"]
        child = subprocess.Popen(
            [browser, *options, "--remote-debugging-port=0", address], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            taken = json.loads(results.get(timeout=PATIENCE_S))
        except Empty:
            raise BenchError(f"{browser} sent nothing back within {PATIENCE_S} s") from None
        finally:
            child.terminate()
            child.wait()
    return {
        "events": count,
        "kilobytes": len(page.encode()) // 1000,
        "there_ms": round(taken["there_ms"]),
        **{f"redraw_{name}_ms": round(min(times), 1) for name, times in taken["redraws"].items()},
        **{f"frame_{name}_ms": round(median(times), 1) for name, times in taken["frames"].items()},
        **{f"frame_{name}_best_ms": round(min(times), 1) for name, times in taken["frames"].items()},
        "hover_ms": round(median(taken["told_ms"]), 1),
    }


def table(result: dict[str, object]) -> str:
    return "\n".join(
        [
            f"a run of {result['events']:,} events: {result['kilobytes']:,} kB, drawn {result['there_ms']} ms after the page was asked for",
            f"drawn anew     whole {result['redraw_whole_ms']} ms, zoomed in 10 times {result['redraw_ten_ms']} ms, "
            f"100 times {result['redraw_hundred_ms']} ms (script and layout)",
            f"left alone     a frame every {result['frame_still_ms']} ms, at best {result['frame_still_best_ms']} ms",
            f"moved by hand  a frame every {result['frame_pan_ms']} ms, at best {result['frame_pan_best_ms']} ms",
            f"zoomed         a frame every {result['frame_zoom_ms']} ms, at best {result['frame_zoom_best_ms']} ms",
            f"pointed at     {result['hover_ms']} ms",
        ]
    )
