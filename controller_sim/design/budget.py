"""`budget`: what a design promises of its own speed."""

from __future__ import annotations

from controller_sim.design.form import Budget
from controller_sim.design.nodes import duration, mapping, number
from controller_sim.design.yaml_text import Mapping

MOST_BUFFER = 65_536


def read_budget(root: Mapping) -> Budget:
    """The promises of the file, or none. Raises DesignError."""
    node = root.get("budget")
    if node is None:
        return Budget()
    whole = mapping(node, "budget", ("latency", "release", "tap", "jitter", "buffer", "scan"))
    times = {name: duration(value, name) if (value := whole.get(name)) else None for name in ("latency", "release", "tap", "jitter")}
    scan = whole.get("scan")
    return Budget(
        latency_us=times["latency"],
        release_us=times["release"],
        tap_us=times["tap"],
        jitter_us=times["jitter"],
        buffer_bytes=number(each, "buffer", 1, MOST_BUFFER) if (each := whole.get("buffer")) else None,
        scan_us=duration(scan, "scan") if scan else Budget().scan_us,
    )
