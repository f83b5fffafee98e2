"""The schema that editors use: it takes what loads, and refuses what is plainly wrong."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from controller_sim.design import design_schema

ROOT = Path(__file__).resolve().parents[2]
CONFIGS = sorted((ROOT / "configs").glob("*.yaml"))
VALIDATOR = jsonschema.Draft202012Validator(design_schema())


def plain(text: str) -> Any:
    return YAML(typ="safe", pure=True).load(text)


def test_the_schema_is_a_schema_of_draft_2020_12() -> None:
    jsonschema.Draft202012Validator.check_schema(design_schema())


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_every_example_fits(path: Path) -> None:
    assert [error.message for error in VALIDATOR.iter_errors(plain(path.read_text(encoding="utf-8")))] == []


@pytest.mark.parametrize(
    "text",
    [
        "{}",
        "{switches: [a]}",
        "{switches: [], modes: {m: {}}}",
        "{switches: [a, a], modes: {m: {}}}",
        "{switches: [if you], modes: {m: {}}}",
        "{switches: [tempo], modes: {m: {}}}",
        "{switches: [a], modes: {}}",
        "{switches: [a], modes: {m: {}}, mode: m}",
        "{switches: [a], modes: {m: {enters: pass}}}",
        "{switches: [a], modes: {m: {on: {taap a: pass}}}}",
        "{switches: [a], modes: {m: {on: {tap: pass}}}}",
        "{switches: [a], modes: {m: {timers: {in 1s: pass}}}}",
        "{switches: [a], modes: {m: {on_other_exit: keep}}}",
        "{switches: [a], modes: {m: {}}, timing: {hold: 5}}",
        "{switches: [a], modes: {m: {}}, timing: {debounce: {press: 5ms}}}",
        "{switches: [a], modes: {m: {}}, devices: {room: {}}}",
        "{switches: [a], modes: {m: {}}, devices: {room: {channel: 17}}}",
        "{switches: [a], modes: {m: {}}, memory: {n: {keep: yes}}}",
        "{switches: [a], modes: {m: {}}, memory: {n: {range: 5}}}",
        "{switches: [a], modes: {m: {}}, procedures: {f: pass}}",
        "{switches: [a], modes: {m: {}}, display: {lines: 2}}",
        "{switches: [a], modes: {m: {}}, wire: {delayed_messages: 0}}",
        "{switches: [a], modes: {m: {form: []}}}",
        "{switches: [a], modes: {m: {form: [{label: n}]}}}",
        "{switches: [a], modes: {m: {form: [{label: n, cell: n, end: wrap}]}}}",
        "{switches: [a], leds: [a], colours: {a: []}, modes: {m: {}}}",
        "{switches: [a], leds: [a], colours: [red], modes: {m: {}}}",
        "{switches: [a], modes: {m: {}}, wire: {thru: {serial: {only: [clock]}}}}",
        "{switches: [{a: open}], modes: {m: {}}}",
        "{switches: [a], modes: {m: {}}, pedals: {p: {curve: steep}}}",
        "{switches: [a], modes: {m: {}}, pedals: {p: {dead: 2}}}",
        "{switches: [a], modes: {m: {on: {move: pass}}}}",
        "{switches: [a], modes: {m: {on: {received noteon: pass}}}}",
        "{switches: [a], modes: {m: {}}, promises: {p: {always: mode == m, never: press a}}}",
        "{switches: [a], modes: {m: {}}, promises: {p: {while: mode == m}}}",
        "{switches: [a], modes: {m: {}}, promises: {p: {after: press a, comes: enter m}}}",
        "{switches: [a], modes: {m: {}}, promises: {p: {never: enter m, within: 5ms}}}",
        "{switches: [a], modes: {m: {}}, promises: {p: {never: enter m, while: 1, after: press a}}}",
    ],
)
def test_what_is_plainly_wrong_does_not_fit(text: str) -> None:
    assert not VALIDATOR.is_valid(plain(text))


def objects(schema: Any) -> list[dict[str, Any]]:
    found = [schema] if isinstance(schema, dict) and schema.get("type") == "object" else []
    for value in schema.values() if isinstance(schema, dict) else schema if isinstance(schema, list) else ():
        found.extend(objects(value))
    return found


def test_every_object_is_described_and_closed() -> None:
    for each in objects(design_schema()):
        assert each["description"]
        assert "additionalProperties" in each


def test_each_call_gives_a_schema_of_its_own() -> None:
    first = design_schema()
    before = copy.deepcopy(first)
    first.clear()
    assert design_schema() == before
