"""What the texts show of the tool is what it does."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tools"))

from documented import pictures  # noqa: E402  # no package of the project, tools/ must be on the path first

HOW = "run tools/documents, look at what has changed, and commit it"


@pytest.mark.parametrize("name", pictures.PICTURES)
def test_a_picture_in_the_texts_is_what_its_command_draws(name: str) -> None:
    assert (ROOT / name).read_text(encoding="utf-8") == pictures.drawn(pictures.PICTURES[name]), f"{name} is out of date: {HOW}"


def test_every_picture_has_its_own_ground_and_its_place_in_a_text() -> None:
    told = (ROOT / "README.md").read_text(encoding="utf-8")
    kept = {path.relative_to(ROOT).as_posix() for path in (ROOT / "configs" / "pictures").iterdir()}
    assert kept == set(pictures.PICTURES)
    for name in kept:
        text = (ROOT / name).read_text(encoding="utf-8")
        assert f"]({name})" in told
        # A page may be dark: the picture brings its paper. It is read without its page's fonts and styles, so it names no other file.
        assert '<rect width="' in text and ('fill="white"' in text or 'fill="#ffffff"' in text)
        assert not any(word in text for word in ("href", "url(http", "@import"))


def test_a_picture_that_is_missing_or_changed_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    name, command = next(iter(pictures.PICTURES.items()))
    drawn = pictures.drawn(command)
    monkeypatch.setattr(pictures, "PICTURES", {"configs/pictures/missing.svg": command, name: f"{command} --width 901"})
    assert pictures.stale()["configs/pictures/missing.svg"] == drawn
    assert set(pictures.stale()) == {"configs/pictures/missing.svg", name}
