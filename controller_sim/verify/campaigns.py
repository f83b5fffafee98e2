"""A campaign: many blocks of random sessions, on as many processes as are wanted, with a result that does not depend on how many.

Work goes out as seeds and block numbers, and comes back as findings and counts. Anything with `submit(function, *arguments)`
that gives futures can carry it: a pool of processes, or the client of a cluster.
"""

from __future__ import annotations

import pickle
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import lru_cache
from itertools import islice
from typing import Any, Protocol

from controller_sim.design.fast import FastEngine
from controller_sim.design.form import Design
from controller_sim.verify.drawing import SESSIONS
from controller_sim.verify.searching import Found, Promises, search
from controller_sim.verify.watching import EngineFactory

CHUNK = 4
"""Blocks that go out at once."""
AHEAD = 2
"""Chunks under way for each process."""


class Future(Protocol):
    def result(self) -> Any: ...
    def cancel(self) -> Any: ...


class Submitter(Protocol):
    """What carries work to other processes or machines."""

    def submit(self, function: Callable[..., Any], /, *arguments: Any) -> Future: ...


def chunk(work: bytes, seed: int, first: int, last: int) -> Found:
    """Search the blocks first..last-1; `work` is a pickled (design, engine factory, promises), unpacked once in each process."""
    design, factory, promises = _unpacked(work)
    return search(design, seed, range(first, last), factory, promises)


@lru_cache(maxsize=4)
def _unpacked(work: bytes) -> tuple[Design, EngineFactory, Promises]:
    design, factory, promises = pickle.loads(work)
    return design, factory, promises


def campaign(
    design: Design,
    seed: int = 0,
    sessions: int | None = None,
    factory: EngineFactory = FastEngine,
    promises: Promises | None = None,
    submitter: Submitter | None = None,
    processes: int = 1,
    go_on: Callable[[Found], bool] = lambda found: not found.findings,
) -> Found:
    """Hold a design to every property over random sessions.

    `sessions` is rounded up to whole chunks of CHUNK * SESSIONS; None: until `go_on` says no. `go_on` is asked after each chunk,
    in their order, with all that was found so far. The same seed and the same answers of `go_on` give the same result, whatever
    carries the work: nothing if `submitter` is None, else that many `processes` of it are kept busy. For those, `factory` and the
    makers in `promises` must be names of modules. `factory` makes the engine that is tried: it is called with
    (design, now_us, kept, trace), also with variants of the design, and gives something that is used like FastEngine.
    """
    chunks = None if sessions is None else -(-sessions // (CHUNK * SESSIONS))
    found = Found()
    if submitter is None:
        for first in _firsts(chunks):
            found.add(search(design, seed, range(first, first + CHUNK), factory, promises))
            if not go_on(found):
                break
        return found
    work = pickle.dumps((design, factory, promises))
    firsts = _firsts(chunks)
    under_way: deque[Future] = deque()
    try:
        while True:
            for first in islice(firsts, AHEAD * processes - len(under_way)):
                under_way.append(submitter.submit(chunk, work, seed, first, first + CHUNK))
            if not under_way:
                return found
            found.add(under_way.popleft().result())
            if not go_on(found):
                return found
    finally:
        for future in under_way:
            future.cancel()


def _firsts(chunks: int | None) -> Iterator[int]:
    number = 0
    while chunks is None or number < chunks:
        yield number * CHUNK
        number += 1


def on_processes(processes: int) -> ProcessPoolExecutor:
    """A pool for `campaign`, to be used as a context."""
    return ProcessPoolExecutor(processes)
