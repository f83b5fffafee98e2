from __future__ import annotations

import json

from hypothesis import given, settings

from controller_sim.design import form
from controller_sim.testing.designs import designs
from controller_sim.view.report import as_json, report_lines
from controller_sim.view.words import duration

PLACE = form.Place("booth.yaml", 1, 1)
TIMING = form.Timing(
    form.Debounce("lockout", 5000), form.Debounce("settle", 12_000), 45_000, 500_000, 300_000, form.Repeat(400_000, (), 50_000)
)
KEYS = (form.Key("a", (0,), 1), form.Key("b", (1,), 2), form.Key("c", (2,), 4), form.Key("a+b", (0, 1), 3), form.Key("a+b+c", (0, 1, 2), 7))


def booth(*bound: tuple[str, int], eager: bool = False) -> form.Design:
    bindings = tuple(
        form.Binding(0, gesture, key, form.Action(0, ()), PLACE, hold_us=500_000 if gesture == "hold" else 0, eager=eager and key < 3)
        for gesture, key in bound
    )
    return form.Design(
        title="Booth",
        file="booth.yaml",
        switches=("a", "b", "c"),
        leds=(),
        display_lines=1,
        display_characters=6,
        timing=TIMING,
        tempo=form.Tempo(),
        running_status=False,
        delayed_messages=16,
        devices=(),
        cells=(form.Cell("act", 0, 7, 0, (), "wrap", True, (), 0, PLACE), form.Cell("cue", 0, 9, 0, (8, 3), "wrap", False, (), 1, PLACE)),
        keys=KEYS,
        procedures=(form.Procedure("quiet", 0, 0, (), PLACE),),
        bindings=bindings,
        modes=(form.Mode("show", PLACE, tuple(range(len(bindings))), draft=(1,)),),
        home=0,
    )


@settings(max_examples=15)
@given(designs())
def test_the_report_of_any_design_is_plain_data_and_lines(design: form.Design) -> None:
    facts = as_json(design)
    assert json.loads(json.dumps(facts)) == facts
    assert all("\n" not in line for line in report_lines(design))


def test_memory_is_counted_in_values_of_four_bytes_and_storage_as_stored() -> None:
    assert as_json(booth(("press", 0)))["memory"] == {
        "cells": 2,
        "values": 25,
        "bytes": 100,
        "kept_values": 1,
        "kept_bytes": 1,
        "storage_bytes": 1024,
        "largest_draft_bytes": 96,
    }


def test_the_price_of_debouncing_is_told() -> None:
    assert as_json(booth())["debounce"] == {"press_adds_us": 0, "release_adds_us": 12_000}


def test_durations_are_written_as_in_a_design() -> None:
    assert [duration(time_us) for time_us in (0, 250, 1000, 1500, 45_000, 999_999, 1_000_000, 1_500_000, 1_000_001)] == [
        "0ms",
        "250us",
        "1ms",
        "1.5ms",
        "45ms",
        "999.999ms",
        "1s",
        "1.5s",
        "1000.001ms",
    ]
