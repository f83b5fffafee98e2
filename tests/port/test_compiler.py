"""The native engine where there is no C compiler but a Python package, and where nothing can be kept."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from controller_sim.port.compiler import cache_folder

ROOT = Path(__file__).resolve().parents[2]


def played_without_compilers(folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Play a script on the native engine with nothing on the path."""
    (folder / "nothing").mkdir(exist_ok=True)
    bare = {"PATH": str(folder / "nothing"), "HOME": str(folder / "home"), "PYTHONPATH": str(ROOT), **environment}
    command = [sys.executable, "-m", "controller_sim", "test", str(ROOT / "configs" / "starter_cues.press"), "--engine", "native"]
    return subprocess.run(command, env=bare, capture_output=True, text=True, check=False)


@pytest.mark.needs("ziglang")
def test_the_package_ziglang_is_compiler_enough_and_writes_only_where_it_may(tmp_path: Path) -> None:
    done = played_without_compilers(tmp_path)
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, "1 ok, 0 failed, 0 broken"), done.stderr
    kept = tmp_path / "home" / ".cache" / "controller-sim"
    assert [path.suffix for path in kept.iterdir() if path.is_file()] == [".so"]
    # Nothing of zig's lies about beside it, as it would where zig chose.
    assert [path.name for path in kept.parent.iterdir()] == ["controller-sim"]


@pytest.mark.needs("cc")
def test_where_nothing_can_be_kept_it_is_built_anew(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    done = played_without_compilers(tmp_path, PATH=os.environ["PATH"], XDG_CACHE_HOME=str(tmp_path / "file"))
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, "1 ok, 0 failed, 0 broken"), done.stderr
    assert (tmp_path / "file").read_text(encoding="utf-8") == "no folder"


def test_what_is_kept_lies_where_the_user_wants_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "caches"))
    assert cache_folder() == tmp_path / "caches" / "controller-sim" and cache_folder().is_dir()
