"""The C99 firmware as an engine: built with the machine's compiler, loaded here, and spoken to in batches."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from controller_sim.core.kinds import message_item, response_item
from controller_sim.design.form import Design
from controller_sim.design.outputs import Output, decode
from controller_sim.port.c99 import design_files, runtime_files
from controller_sim.port.compiler import build_library, cache_folder
from controller_sim.port.errors import PortError

_DECLARATIONS = """
void host_start(int64_t now_us, bool trace, const int32_t *kept);
bool host_play(const int64_t *times_us, const int64_t *words, size_t count);
bool host_arrive(int64_t now_us, int64_t word, const int64_t *events, size_t count);
const int64_t *host_outputs(void);
size_t host_take(void);
int64_t host_next_deadline_us(void);
void host_facts(int32_t facts[5]);
void host_cells(int32_t *values);
void host_saved(int32_t *values);
void host_kept(int32_t *values);
void host_leds(uint8_t *values);
void host_positions(int32_t *values);
const char *host_display(void);
size_t host_state_size(void);
void host_save(uint8_t *state);
void host_load(const uint8_t *state);
bool host_store_power_on(const uint8_t *image);
void host_store_save(const int32_t *kept);
void host_store_begin(const int32_t *kept, size_t steps);
const uint8_t *host_store_chip(void);
const int32_t *host_store_writes(void);
size_t host_store_take(void);
"""
ANSWERED = 4
"""Stands where a message has its ports."""
LIBRARY = Path(__file__).parent / "runtime" / "library"
_recent: list[tuple[Design, Library]] = []


class Library:
    """The built firmware of one design. It holds one controller at a time; engines that share it take turns."""

    def __init__(self, design: Design, folder: Path | None = None, flags: Sequence[str] = ("-O2",)) -> None:
        """Build and load it; `folder` keeps what was built. Raises PortError for what stands in the way."""
        try:
            import cffi
        except ModuleNotFoundError:
            raise PortError("the native engine needs the package cffi: pip install 'controller-sim[native]'") from None
        self.design = design
        self.path = build_library(host_files(design), "library.c", folder or cache_folder(), flags)
        self.ffi = cffi.FFI()
        self.ffi.cdef(_DECLARATIONS)
        self.lib: Any = self.ffi.dlopen(str(self.path))
        self.owner: NativeEngine | None = None


def host_files(design: Design) -> dict[str, str]:
    """The firmware of a design with what makes a library of it."""
    library = {path.name: path.read_text(encoding="utf-8") for path in LIBRARY.iterdir()}
    runtime = {name: text for name, text in runtime_files().items() if name.endswith((".c", ".h"))}
    return {**runtime, **design_files(design), **library}


def native(design: Design, now_us: int = 0, kept: Sequence[int] | None = None, trace: bool = False) -> NativeEngine:
    """The native engine of a design, as those who choose among engines make it."""
    return NativeEngine(design, now_us, kept, trace)


def library_of(design: Design) -> Library:
    """The library of a design; the last few are remembered."""
    for known, library in _recent:
        if known is design:
            return library
    library = Library(design)
    _recent.append((design, library))
    del _recent[:-8]
    return library


class NativeEngine:
    """A controller as its firmware has it, with what the other engines offer. Times are microseconds."""

    def __init__(
        self, design: Design, now_us: int = 0, kept: Sequence[int] | None = None, trace: bool = False, library: Library | None = None
    ) -> None:
        """Power on at `now_us`; `kept` holds the values of the kept cells from before. Raises PortError."""
        self._library = library or library_of(design)
        self._state = self._library.ffi.new("uint8_t[]", self._library.lib.host_state_size())
        self._cells = sum(cell.size for cell in design.cells)
        self._kept = sum(cell.size for cell in design.cells if cell.keep)
        self._leds = len(design.leds)
        self._pedals = len(design.pedals)
        self._packed: list[int | str] = []
        self.now_us = now_us
        values = self._library.ffi.NULL if kept is None else self._library.ffi.new("int32_t[]", list(kept) or 1)
        self._take_place()
        self._library.lib.host_start(now_us, trace, values)

    def _take_place(self) -> Any:
        """The library with this controller in it."""
        library = self._library
        if library.owner is not self:
            if library.owner is not None:
                library.owner._packed += library.owner._take()
                library.lib.host_save(library.owner._state)
            library.lib.host_load(self._state)
            library.owner = self
        return library.lib

    def play(self, times_us: Iterable[int], words: Iterable[int]) -> None:
        """Advance through two equally long columns: instants, rising, and the contacts seen at each."""
        times, contacts = _column(times_us), _column(words)
        if not times:
            return
        if not self._take_place().host_play(self._pointer(times), self._pointer(contacts), len(times)):
            raise MemoryError
        self.now_us = times[-1]

    def advance(self, now_us: int, contacts: int, arrived: tuple[int, ...] = ()) -> None:
        """Handle every deadline up to `now_us` at its own time, then the contacts seen at `now_us`, then what arrived."""
        lib = self._take_place()
        ffi = self._library.ffi
        if arrived:
            done = lib.host_arrive(now_us, contacts, ffi.new("int64_t[]", list(arrived)), len(arrived))
        else:
            done = lib.host_play(ffi.new("int64_t *", now_us), ffi.new("int64_t *", contacts), 1)
        if not done:
            raise MemoryError
        self.now_us = now_us

    def _pointer(self, column: array[int]) -> Any:
        return self._library.ffi.from_buffer("int64_t[]", column)

    def _take(self) -> list[int | str]:
        library = self._library
        count = library.lib.host_take()
        numbers: array[int] = array("q")
        if count:
            numbers.frombytes(library.ffi.buffer(library.lib.host_outputs(), 8 * count))
        items = numbers.tolist()
        return [*items] if min(items, default=0) >= 0 else _with_bytes(items, numbers)

    @property
    def packed(self) -> list[int | str]:
        """What was put out since it was last taken, packed as the fast engine packs it."""
        if self._library.owner is self:
            self._packed += self._take()
        return self._packed

    def take_outputs(self) -> list[Output]:
        """What was put out since the last call."""
        outputs = decode(self.packed)
        self._packed = []
        return outputs

    def next_deadline_us(self) -> int | None:
        """The next instant at which something may happen by itself, or None."""
        next_us: int = self._take_place().host_next_deadline_us()
        return None if next_us < 0 else next_us

    def _fact(self, number: int) -> int:
        facts = self._library.ffi.new("int32_t[5]")
        self._take_place().host_facts(facts)
        return int(facts[number])

    @property
    def mode(self) -> int:
        """The current mode, -1 before the first."""
        return self._fact(0)

    @property
    def tempo(self) -> int:
        """Beats a minute, rounded; the start tempo in a design that never uses it."""
        return self._fact(1) or self._library.design.tempo.start

    @property
    def clock_running(self) -> int:
        return self._fact(2)

    @property
    def cells(self) -> tuple[int, ...]:
        return self._values("host_cells", "int32_t[]", self._cells)

    @property
    def leds(self) -> tuple[int, ...]:
        return self._values("host_leds", "uint8_t[]", self._leds)

    @property
    def positions(self) -> tuple[int, ...]:
        return self._values("host_positions", "int32_t[]", self._pedals) if self._pedals else ()

    @property
    def display(self) -> str:
        text: bytes = self._library.ffi.string(self._take_place().host_display())
        return text.decode()

    @property
    def level(self) -> int:
        """The switches that are down, debounced (bit i: switch i)."""
        return self._fact(4)

    @property
    def notice_shown(self) -> bool:
        """Whether a notice covers the display."""
        return self._fact(3) != 0

    def saved(self) -> tuple[int, ...]:
        """The cells, drafted ones as they were before the draft."""
        return self._values("host_saved", "int32_t[]", self._cells)

    def kept(self) -> tuple[int, ...]:
        """What survives power-off now."""
        return self._values("host_kept", "int32_t[]", self._kept)

    def _values(self, function: str, kind: str, count: int) -> tuple[int, ...]:
        values = self._library.ffi.new(kind, max(count, 1))
        getattr(self._take_place(), function)(values)
        return tuple(values)[:count]


def _column(values: Iterable[int]) -> array[int]:
    return values if isinstance(values, array) and values.typecode == "q" else array("q", values)


def _item(data: bytes) -> int:
    """A long message, or the answer to one."""
    item: int = response_item(int.from_bytes(data[1:3], "little"), data[3:]) if data[0] == ANSWERED else message_item(data[0], data[1:])
    return item


def _with_bytes(items: Sequence[Any], numbers: array[int]) -> list[int | str]:
    """Items with the texts and long messages among them put together."""
    found: list[int | str] = []
    place = 0
    while place < len(items):
        time_us, item = items[place], items[place + 1]
        place += 2
        if item < 0:
            count = (-1 - item) // 2
            data = numbers[place : place + (count + 7) // 8].tobytes()[:count]
            place += (count + 7) // 8
            item = data.decode() if item & 1 else _item(data)
        found += (time_us, item)
    return found
