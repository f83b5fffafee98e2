"""What looks for faults in the firmware finds those that are planted, and none where there is none."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tools"))

from firmware_checks import lint, wild  # noqa: E402  # no package of the project, tools/ must be on the path first
from firmware_checks.building import CheckError, put, run  # noqa: E402
from firmware_checks.cuts import cuts  # noqa: E402
from firmware_checks.fuzzing import fuzz, missed_by_all, ranges  # noqa: E402
from firmware_checks.lint import deviations_in, written  # noqa: E402
from firmware_checks.soak import soak  # noqa: E402

from controller_sim.design import load_design_text  # noqa: E402
from controller_sim.port.c99 import runtime_files, write_c99  # noqa: E402

STARTER = wild.named_designs([ROOT / "configs" / "starter.yaml"])
RESTLESS = """
switches: [go]
pedals: {swell: {reads: 0..1023, heel: 0, toe: 1023}}
memory:
  near: {range: 0..127, keep: yes}
  between: {range: 0..9, size: 9, keep: yes}
  far: {range: -500..70000, start: 0, ends: clamp, keep: yes}
modes:
  play:
    on:
      press go: between[3] = 7
      move swell: |
        near = swell
        far += swell
"""


def plant(monkeypatch: pytest.MonkeyPatch, name: str, before: str, after: str) -> None:
    """Replace a text of the runtime that stands there once."""
    files = runtime_files()
    assert files[name].count(before) == 1, f"{name} has no place for this any more"
    files[name] = files[name].replace(before, after)
    monkeypatch.setattr(wild, "runtime_files", lambda: files)


def quiet(line: str) -> None:
    pass


def soaked(folder: Path) -> dict[str, int]:
    return soak(STARTER, {}, 100_000, 1, 1, folder, quiet)


@pytest.mark.needs("cc")
def test_the_firmware_as_it_is_plays_as_many_edges_as_were_asked_for_and_more_than_edges(tmp_path: Path) -> None:
    result = soaked(tmp_path)
    assert result["edges"] >= 100_000
    assert min(result[each] for each in ("polls", "messages", "power_ons", "cuts")) > 0


@pytest.mark.needs("cc")
@pytest.mark.parametrize(
    ("name", "before", "after", "word"),
    [
        pytest.param("show.c", "ctl.leds[led] = values[led];", "ctl.leds[led + 1] = values[led];", "out of bounds", id="stray write"),
        pytest.param(
            "recovery.c", "    wait();\n    put_and_wait(0, MAGIC);", "    put_and_wait(0, MAGIC);", "is read while", id="busy memory"
        ),
        pytest.param("messages.c", "let_out(ports, bytes, 2);", "let_out(ports, bytes, 1);", "another length", id="half a message"),
        pytest.param(
            "modes.c", "ctl.mode = ctl.next_mode;", "ctl.mode = ctl.next_mode + (ctl.contacts > 2);", "ends with", id="no such mode"
        ),
        pytest.param(
            "poll.c",
            "        ctl_happen();\n",
            "        ctl_happen();\n        ctl_look();\n",
            "both acts and shows",
            id="two things in a poll",
        ),
        pytest.param(
            "poll.c", "    changes &= (ctl_switches_t)(0u - changes);\n", "", "edges of two switches", id="two contacts in a poll"
        ),
    ],
)
def test_a_planted_fault_is_met_by_random_feet(
    name: str, before: str, after: str, word: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant(monkeypatch, name, before, after)
    with pytest.raises(CheckError, match=word):
        soaked(tmp_path)


@pytest.mark.needs("cc", "clang")
def test_what_compilers_do_differently_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here = "    let_out(ports, bytes, 2);"
    plant(monkeypatch, "messages.c", here, f"#ifdef __clang__\n    if (bytes[1] == 3) {{\n        return;\n    }}\n#endif\n{here}")
    with pytest.raises(CheckError, match=r"with the sanitizers came .* without them"):
        soaked(tmp_path)


@pytest.mark.needs("cc")
@pytest.mark.parametrize(
    ("name", "before", "after"),
    [
        pytest.param("storage.c", "ctl_put_journal(store.end, END);", "(void)0;", id="an old entry behind the new one comes back"),
        pytest.param("storage.c", "begin_entry(void)\n{", "begin_entry(void)\n{\n    ctl_put_journal(0, END);", id="ended early"),
        pytest.param("image.c", "(LAST_ADDRESS - place);", "(LAST_ADDRESS - (place ? place : 1u));", id="overlap"),
    ],
)
def test_storage_that_a_power_cut_can_break_is_found(
    name: str, before: str, after: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cuts(STARTER, 1, False, 1, 1, tmp_path / "as it is", quiet)
    plant(monkeypatch, name, before, after)
    with pytest.raises(CheckError, match=r"neither all old nor all new|does not come up|is refused|lies beyond the storage"):
        cuts(STARTER, 1, False, 1, 1, tmp_path / "planted", quiet)


@pytest.mark.needs("cc")
@pytest.mark.parametrize(
    ("name", "before", "after"),
    [
        pytest.param("image.c", "offset < CTL_HELD_BYTES ? store.held + offset : settled(offset)", "settled(offset)", id="not held"),
        pytest.param("storage.c", "if (store.held_changed && store.phase == IDLE)", "if (false)", id="forgotten"),
        pytest.param("state.h", "(ctl.stored.held_changed = true)", "(ctl.stored.changed = true)", id="begun anew for ever"),
    ],
)
def test_storage_that_cells_can_outrun_is_found(
    name: str, before: str, after: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    designs = {"restless": load_design_text(RESTLESS, "restless.yaml")}
    assert cuts(designs, 1, False, 1, 1, tmp_path / "as it is", quiet)["cuts_while_changing"] > 10_000
    plant(monkeypatch, name, before, after)
    with pytest.raises(CheckError, match="never so, or too long ago"):
        cuts(designs, 1, False, 1, 1, tmp_path / "planted", quiet)


@pytest.mark.needs("cc", "clang", "gcc", "gcov")
def test_the_fuzzer_tells_what_it_reaches_and_keeps_the_input_that_shows_a_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result = fuzz(STARTER, ["-runs=50"], 1, 1, tmp_path / "as it is", None, quiet)
    reached = result["designs"][0]["files"]["storage.c"]
    assert len(reached["hit"]) > len(reached["missed"]) > 0
    plant(monkeypatch, "show.c", "ctl.leds[led] = values[led];", "ctl.leds[led + 1] = values[led];")
    with pytest.raises(CheckError, match=r"play it again: .*bad_"):
        fuzz(STARTER, ["-runs=50"], 1, 1, tmp_path, tmp_path / "inputs", quiet)
    assert list((tmp_path / "inputs").rglob("bad_*"))


def test_only_what_no_design_reaches_counts_as_missed() -> None:
    one = {"a.c": {"hit": [1, 2], "missed": [3, 4, 5, 9]}, "design.c": {"hit": [], "missed": [1]}}
    other = {"a.c": {"hit": [4], "missed": [1, 2]}, "b.c": {"hit": [1], "missed": []}}
    assert missed_by_all([one, other]) == {"a.c": [3, 5, 9]}
    assert ranges([3, 4, 5, 9, 11, 12]) == "3-5, 9, 11-12"


WEAKNESSES = (
    ("tempo.c", '#include "state.h"', "\nconst int ctl_ten = 010;", "cppcheck: tempo.c.*misra-c2012-7.1"),
    (
        "deadlines.c",
        '#include "state.h"',
        "\nvoid ctl_loop(void);\nvoid ctl_loop(void)\n{\n    ctl_loop();\n}",
        "cppcheck: .*misra-c2012-17.2",
    ),
    (
        "show.c",
        '#include "state.h"',
        "\n#include <stdlib.h>\nvoid ctl_two(void *p);\nvoid ctl_two(void *p)\n{\n    free(p);\n    free(p);\n}",
        "^starter: gcc: show.c.*analyzer-double-free",
    ),
    ("poll.c", "    ctl_look();", "\n    ctl.changes &= ctl.changes & 4 ? 0 : 2;", "avr-gcc: poll.c.*conversion"),
    ("modes.c", "ctl.next_mode = mode;", "\n    { uint8_t mode = 0; ctl.next_mode = mode; }", "^starter: gcc: modes.c.*shadow"),
    (
        "storage.c",
        '#include "storage.h"',
        "\nuint8_t ctl_low(int value);\nuint8_t ctl_low(int value) { return value; }",
        "gcc: storage.c.*conversion",
    ),
    (
        "board.c",
        '#include "pins.h"',
        "\nint lit(const uint8_t *p, uint8_t n);\nint lit(const uint8_t *p, uint8_t n)\n{\n    return !p && n > 3 ? p[n] : 0;\n}",
        "clang: board.c.*core.NullDereference",
    ),
    (
        "board.c",
        '#include "hardware.h"',
        "\n#include <stdlib.h>\nvoid twice(void *p);\nvoid twice(void *p)\n{\n    free(p);\n    free(p);\n}",
        "^starter: gcc: board.c.*analyzer-double-free",
    ),
)


@pytest.mark.needs("gcc", "avr-gcc", "cppcheck", "clang")
def test_planted_weaknesses_are_told_before_anything_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files, has_board = written(STARTER, "starter")
    assert has_board
    for name, here, more, _ in WEAKNESSES:
        assert files[name].count(here) == 1, f"{name} has no place for this any more"
        files[name] = files[name].replace(here, here + more)
    monkeypatch.setattr(lint, "written", lambda designs, name: (files, True))
    with pytest.raises(CheckError) as told:
        lint.lint(STARTER, {}, False, 1, tmp_path, quiet)
    for *_, word in WEAKNESSES:
        assert re.search(word, str(told.value), re.M), word


@pytest.mark.needs("gcc", "avr-gcc", "cppcheck")
def test_cppcheck_reads_the_deviations_as_they_are_listed_and_each_has_its_reason(tmp_path: Path) -> None:
    place = put(write_c99(next(iter(STARTER.values())), ""), tmp_path)
    text = (place / "deviations.txt").read_text(encoding="utf-8")
    command = next(part for part in re.sub(r" \\\n//\s*", " ", text).splitlines() if "cppcheck --std" in part).removeprefix("//").split()
    sources = sorted(path.name for path in place.glob("*.c"))
    run([*command[:-1], *sources], place)
    reasons = re.split(r"\n\n", text.strip())[1:]
    assert all(re.match(r"//[^\n]+\.\s[^\n]", each) for each in reasons), "a rule stands without its reason"
    assert sum(len(deviations_in(each)) for each in reasons) == len(deviations_in(text))
