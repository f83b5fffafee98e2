"""What installs the toolchains, and what tests do without one."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TOOL = str(ROOT / "tools" / "toolchains")
NEEDY = 'import pytest\n\n@pytest.mark.needs("kettle", "sh")\ndef test_tea():\n    pass\n'


def checked(folder: Path, packages: str) -> subprocess.CompletedProcess[str]:
    """Check on a system with these packages."""
    fake = folder / "dpkg-query"
    fake.write_text(f'#!/bin/sh\nfor each in {packages}; do case $each in $3) echo "ii "; exit;; esac; done\nexit 1\n', encoding="utf-8")
    fake.chmod(0o755)
    environment = {"PATH": f"{folder}{os.pathsep}{os.environ['PATH']}"}
    return subprocess.run([TOOL, "--check"], env=environment, capture_output=True, text=True, check=False)


ALL = "gcc-avr avr-libc libsimavr-dev libelf-dev gcc libc6-dev make cppcheck clang libclang-rt-14-dev"


def test_where_all_is_there_nothing_is_said(tmp_path: Path) -> None:
    done = checked(tmp_path, ALL)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


@pytest.mark.parametrize(("lost", "named"), [("gcc-avr", "gcc-avr"), ("make", "make"), ("libclang-rt-14-dev", "libclang-rt-dev")])
def test_what_is_missing_is_told_with_the_line_that_installs_it(lost: str, named: str, tmp_path: Path) -> None:
    done = checked(tmp_path, " ".join(package for package in ALL.split() if package != lost))
    assert done.returncode == 1
    assert done.stderr.strip().endswith(f"sudo apt install {named}")


@pytest.mark.parametrize(("toolchains", "outcome"), [("", "1 skipped"), ("required", "1 error")])
def test_a_missing_program_skips_a_test_but_where_toolchains_are_required(toolchains: str, outcome: str, tmp_path: Path) -> None:
    (tmp_path / "conftest.py").write_text((ROOT / "tests" / "conftest.py").read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "test_tea.py").write_text(NEEDY, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-rs", "-p", "no:cacheprovider", "--rootdir", str(tmp_path), str(tmp_path)]
    environment = os.environ | {"TOOLCHAINS": toolchains, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, env=environment, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert outcome in done.stdout and "missing: kettle; tools/toolchains" in done.stdout
