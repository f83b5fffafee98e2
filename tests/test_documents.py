"""What the texts show of the tool is what it does: their pictures, their commands, their examples, their links."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tools"))

from documented import pictures, readme, sessions, tutorial  # noqa: E402  # no package of the project, tools/ must be on the path first
from documented.copies import copy_of_the_project, environment_of  # noqa: E402

TUTORIAL = ROOT / tutorial.NAME
TEXTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", TUTORIAL, *sorted((ROOT / "controller_sim").rglob("*.md"))]
HOW = "run tools/documents, look at what has changed, and commit it"
BLOCKS = readme.blocks()


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = copy_of_the_project(tmp_path_factory.mktemp("project"))
    (folder / "my_evening.press").write_bytes((ROOT / "configs" / "booth_evening.press").read_bytes())
    for block in BLOCKS:
        if block.info == "press first.press":
            (folder / "first.press").write_text(block.text, encoding="utf-8")
    return folder


def shell(command: str, copy: Path) -> str:
    done = subprocess.run(
        [*sessions.SHELL, "-e", "-c", command],
        cwd=copy,
        env={**sessions.surroundings(), **environment_of(copy)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    return done.stdout


@pytest.mark.parametrize("name", pictures.PICTURES)
def test_a_picture_in_the_texts_is_what_its_command_draws(name: str) -> None:
    assert (ROOT / name).read_text(encoding="utf-8") == pictures.drawn(pictures.PICTURES[name]), f"{name} is out of date: {HOW}"


def test_every_picture_has_its_own_ground_and_its_place_in_a_text() -> None:
    kept = [*(ROOT / "configs" / "pictures").iterdir(), *TUTORIAL.parent.glob("*.svg")]
    shown = {
        (text.parent / name).resolve() for text in TEXTS for name in re.findall(r"!\[[^\]]+\]\(([^)]+)\)", text.read_text(encoding="utf-8"))
    }
    assert set(kept) == shown and len(kept) == len(pictures.PICTURES) + 1
    for path in kept:
        text = path.read_text(encoding="utf-8")
        # A page may be dark: the picture brings its paper. It is read without its page's fonts and styles, so it names no other file.
        assert '<rect width="' in text and ('fill="white"' in text or 'fill="#ffffff"' in text)
        assert not any(word in text for word in ("href", "url(http", "@import"))


def test_a_picture_that_is_missing_or_changed_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    name, command = next(iter(pictures.PICTURES.items()))
    monkeypatch.setattr(pictures, "PICTURES", {"configs/pictures/missing.svg": command, name: f"{command} --width 901"})
    stale = pictures.stale()
    assert set(stale) == {"configs/pictures/missing.svg", name} and stale["configs/pictures/missing.svg"] == pictures.drawn(command)


def test_the_tutorial_goes_as_it_says_from_an_empty_folder_to_a_program_for_a_board() -> None:
    differs, drawn = tutorial.play()
    assert not differs, "\n\n".join(f"{tutorial.NAME}, {each}" for each in differs)
    assert not drawn, f"{tutorial.PICTURE} is out of date: {HOW}"


def as_case(command: str) -> object:
    return pytest.param(command, marks=pytest.mark.needs("avr-gcc", "make")) if "make " in command else command


@pytest.mark.parametrize("command", [as_case(command) for command in readme.commands() if command not in readme.NOT_RUN])
def test_a_command_in_the_readme_does_what_it_is_there_for(command: str, copy: Path) -> None:
    shell(command, copy)


def test_only_commands_that_are_there_are_left_out() -> None:
    assert set(readme.NOT_RUN) <= set(readme.commands()) and len(readme.commands()) > 40


@pytest.mark.parametrize("block", [block for block in BLOCKS if block.info == "console"], ids=lambda block: f"line {block.line}")
def test_what_the_readme_shows_of_a_command_is_what_comes(block: readme.Block, copy: Path) -> None:
    steps = list(sessions.steps_of(f"```console\n{block.text}```\n"))
    assert not sessions.play(steps, copy, environment_of(copy))


@pytest.mark.parametrize("block", [block for block in BLOCKS if block.info == "python"], ids=lambda block: f"line {block.line}")
def test_an_example_in_python_runs_and_prints_what_stands_behind_it(block: readme.Block, copy: Path) -> None:
    name = f"test_line_{block.line}.py"
    (copy / "tests" / name).write_text(block.text, encoding="utf-8")
    if "def test_" in block.text:
        # Among the project's own tests, whose profile has no deadline: no test judges by the wall clock.
        assert "2 passed" in shell(f"pytest -p no:cacheprovider tests/{name}", copy)
    else:
        printed = [line.partition("  # ")[2].strip() for line in block.text.splitlines() if "print(" in line]
        assert shell(f"python tests/{name}", copy).splitlines() == printed


@pytest.mark.parametrize("block", [block for block in BLOCKS if block.info.startswith("yaml")], ids=lambda block: f"line {block.line}")
def test_a_design_in_the_readme_is_that_of_configs(block: readme.Block) -> None:
    if name := block.info.partition(" ")[2]:
        assert (ROOT / name).read_text(encoding="utf-8") == block.text
    else:
        kept = {line.rstrip() for path in (ROOT / "configs").glob("*.yaml") for line in path.read_text(encoding="utf-8").splitlines()}
        assert set(block.text.splitlines()) <= kept


def anchor(heading: str) -> str:
    """As a page names its headings: small letters, no marks, dashes for spaces."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


@pytest.mark.parametrize("text", TEXTS, ids=lambda text: text.relative_to(ROOT).as_posix())
def test_a_link_leads_to_a_file_and_a_heading_that_are_there(text: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", re.sub(r"```.*?```|`[^`\n]*`", "", text.read_text(encoding="utf-8"), flags=re.DOTALL)):
        if "://" in target:
            continue
        name, _, heading = target.partition("#")
        path = (text.parent / name).resolve() if name else text
        assert path.is_file(), target
        assert not heading or heading in map(anchor, re.findall(r"^#+ (.*)", path.read_text(encoding="utf-8"), re.MULTILINE)), target


@pytest.mark.parametrize(
    ("shown", "came", "right"),
    [
        ("one\ntwo\n", "one\ntwo\n", True),
        ("one\ntwo\n", "one\n", False),
        ("one\n...\nfour\n", "one\ntwo\nthree\nfour\n", True),
        ("one\n...\nfour\n", "one\nfour\n", True),
        ("...\nfour\n", "one\nfour\nfive\n", False),
        ("kept ... times\n", "kept 12 times\n", True),
        ("kept ... times\n", "kept 12\ntimes\n", False),
        ("a.c\n", "abc\n", False),
        ("", "", True),
        ("", "a word\n", False),
    ],
)
def test_dots_stand_for_what_is_left_out_and_nothing_else_does(shown: str, came: str, right: bool) -> None:
    assert sessions.matches(shown, came) is right


def test_a_session_that_goes_otherwise_is_told(tmp_path: Path) -> None:
    text = "```yaml a.yaml\none\n```\n```diff a.yaml\n-one\n+two\n```\n```console\n$ cat a.yaml\ntwo\n$ cd .. && pwd\n/nowhere\n```\n"
    text += "```sh\nfalse\n```\n```diff a.yaml\n-one\n```\n"
    found = sessions.play(list(sessions.steps_of(text)), tmp_path, {})
    assert [(each.command.line, each.command.text) for each in found] == [(11, "cd .. && pwd"), (15, "false"), (18, "(edit a.yaml)")]


@pytest.mark.parametrize("text", ["```text\na\n```\n", "```console\nno command\n```\n", "    indented\n\n```\nplain\n```\n"])
def test_a_block_that_no_reader_could_follow_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"^line \d"):
        list(sessions.steps_of(text))
