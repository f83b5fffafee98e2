"""C's arithmetic, as the runtime wraps it, is that of the language, and never undefined: the build stops at what is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cffi
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from controller_sim.port.c99 import runtime_files
from controller_sim.port.compiler import build_library

pytestmark = pytest.mark.needs("cc")

LOW, HIGH = -(2**31), 2**31 - 1
FUNCTIONS = ("div", "mod", "min", "max")
CHECKED = ("-O1", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error", "-Wconversion", "-Werror")


def ends(bits: int) -> st.SearchStrategy[int]:
    low, high = -(1 << bits - 1), (1 << bits - 1) - 1
    return st.one_of(st.sampled_from((low, low + 1, -1, 0, 1, high - 1, high)), st.integers(low, high), st.integers(-9, 9))


@pytest.fixture(scope="module")
def c(tmp_path_factory: pytest.TempPathFactory) -> Any:
    lines, declared = ['#include "arithmetic.h"'], []
    for bits in (16, 32):
        kind = f"int{bits}_t"
        for function in FUNCTIONS:
            declared.append(f"{kind} {function}{bits}({kind} a, {kind} b)")
            lines.append(f"VISIBLE {declared[-1]} {{ return ctl_{function}{bits}(a, b); }}")
        for function in ("clamp", "wrap") if bits == 32 else ("clamp",):
            declared.append(f"{kind} {function}{bits}({kind} value, {kind} low, {kind} high)")
            lines.append(f"VISIBLE {declared[-1]} {{ return ctl_{function}{bits}(value, low, high); }}")
    text = '#define VISIBLE __attribute__((visibility("default")))\n' + "\n".join(lines) + "\n"
    files = {"arithmetic.h": runtime_files()["arithmetic.h"], "all.c": text}
    ffi = cffi.FFI()
    ffi.cdef(";\n".join(declared) + ";")
    return ffi.dlopen(str(build_library(files, "all.c", Path(tmp_path_factory.mktemp("arithmetic")), CHECKED)))


@pytest.mark.parametrize("bits", [16, 32])
@given(data=st.data())
def test_division_and_remainder_round_down(c: Any, bits: int, data: st.DataObject) -> None:
    a, b = data.draw(ends(bits)), data.draw(ends(bits))
    assume(b != 0)
    assert getattr(c, f"mod{bits}")(a, b) == a % b
    # What the loader proves: the quotient fits.
    if a // b < 1 << bits - 1:
        assert getattr(c, f"div{bits}")(a, b) == a // b


def test_the_remainder_of_the_lowest_number_by_minus_one_is_zero(c: Any) -> None:
    assert c.mod32(LOW, -1) == 0 and c.mod16(-(2**15), -1) == 0


@pytest.mark.parametrize("bits", [16, 32])
@given(data=st.data())
def test_the_smaller_and_the_larger_are_python_s(c: Any, bits: int, data: st.DataObject) -> None:
    a, b = data.draw(ends(bits)), data.draw(ends(bits))
    assert getattr(c, f"min{bits}")(a, b) == min(a, b)
    assert getattr(c, f"max{bits}")(a, b) == max(a, b)


@given(ends(32), ends(32), ends(32))
@example(HIGH, LOW + 1, HIGH)
@example(LOW, LOW + 1, HIGH)
@example(LOW, 5, 7)
def test_cells_wrap_and_clamp_at_their_ends_whatever_the_distance(c: Any, value: int, low: int, high: int) -> None:
    low, high = min(low, high), max(low, high)
    assume((low, high) != (LOW, HIGH))
    assert c.wrap32(value, low, high) == low + (value - low) % (high - low + 1)
    assert c.clamp32(value, low, high) == min(max(value, low), high)
