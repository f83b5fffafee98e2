"""Profiles of the random tests, the default one the same at every run (`--hypothesis-profile=long` digs deeper), and what a test needs
of the machine: `@pytest.mark.needs("avr-gcc", "make")` skips it where one of these programs is missing, or fails if $TOOLCHAINS says
`required`. Three names stand for more than a program: `cc`, any C compiler that the native engine takes, and `micropython` and `ziglang`,
which are Python packages.
"""

from __future__ import annotations

import os
import shutil
from importlib.util import find_spec

import pytest
from hypothesis import HealthCheck, settings

from controller_sim.port import rehearsal
from controller_sim.port.compiler import find_compiler
from controller_sim.port.errors import PortError

SLOW = (HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much)

settings.register_profile("default", deadline=None, derandomize=True, print_blob=True, suppress_health_check=SLOW)
settings.register_profile("long", deadline=None, max_examples=20_000, print_blob=True, suppress_health_check=SLOW)
settings.load_profile("default")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "needs(*programs): skip without these programs; fail without them where $TOOLCHAINS is 'required'")


def pytest_runtest_setup(item: pytest.Item) -> None:
    missing = sorted({name for mark in item.iter_markers("needs") for name in mark.args if not is_there(name)})
    if missing:
        said = f"missing: {', '.join(missing)}; tools/toolchains installs the compilers, pip install '.[test,zig]' MicroPython and zig"
        if os.environ.get("TOOLCHAINS") == "required":
            pytest.fail(said, pytrace=False)
        pytest.skip(said)


def is_there(name: str) -> bool:
    if name == "micropython":
        return rehearsal.command() is not None
    if name == "ziglang":
        return find_spec("ziglang") is not None
    if name == "cc":
        try:
            return bool(find_compiler())
        except PortError:
            return False
    return shutil.which(name) is not None
