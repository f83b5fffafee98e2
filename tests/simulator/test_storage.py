"""A simulator's kept cells go through the chip's image, written when they change."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import Design, load_design_text
from controller_sim.design.storage import first_kept
from controller_sim.simulator import Simulator, SimulatorError, Storage
from controller_sim.simulator.wear import BYTE_US, HOUR_US, LIFE_WRITES, wear_of
from controller_sim.testing.contacts import histories
from controller_sim.testing.designs import designs

STAGE = """
switches: [a, b, c]
display: {characters: 6}
memory:
  act: {range: 0..7, ends: wrap, keep: yes, start: 2}
  cue: {range: -5..300, size: [2, 2], start: [[1, 2], [3, 4]], ends: clamp, keep: yes}
  loose: {range: 0..7, ends: wrap}
modes:
  show:
    timers: {every 1s: loose += 1}
    on:
      press a: act += 1
      press b: |
        loose += 1
        enter(edit)
      press c: |
        for n in range(2):
          cue[n, n] = 300
        act = 0
  edit:
    draft: [cue]
    timers: {every 1s: "cue[1, 1] -= 1"}
    on:
      press a: cue[1, 0] += 10
      press b: |
        save()
        enter(show)
      press c: |
        cancel()
        enter(show)
"""


@pytest.fixture(scope="module")
def stage() -> Design:
    return load_design_text(STAGE)


def on(design: Design, engine: str = "fast", image: bytes | None = None) -> Simulator:
    simulator = Simulator(design, engine, image=image)
    simulator.wait("100ms")
    return simulator


both = pytest.mark.parametrize("engine", ["fast", "reference"])


@both
def test_each_instant_that_changes_kept_cells_is_one_save(engine: str, stage: Design) -> None:
    simulator = on(stage, engine)
    simulator.tap("a")
    simulator.wait("1s")
    simulator.tap("c")
    simulator.wait("3s")
    assert [(save.time_us, save.rows, save.parts) for save in simulator.storage.saves] == [(100_000, 1, 1), (1_160_000, 2, 1)]
    assert simulator.storage.saves[-1].kept == (0, 300, 2, 3, 300)


@both
def test_a_draft_is_saved_when_it_is_saved_and_not_before(engine: str, stage: Design) -> None:
    simulator = on(stage, engine)
    simulator.tap("b")
    simulator.wait("5s")
    assert simulator.memory["cue", 1, 1] == -1 and simulator.storage.saves == []
    simulator.tap("b")
    simulator.wait("100ms")
    assert [save.kept for save in simulator.storage.saves] == [(2, 1, 2, 3, -1)]


def test_changes_while_nobody_looks_are_saved_at_their_own_instants() -> None:
    simulator = on(load_design_text(STAGE.replace("loose += 1}", "act += 1}")))
    simulator.wait("3s")
    assert simulator.display == ""
    assert [save.time_us for save in simulator.storage.saves] == [1_012_000, 2_012_000, 3_012_000]


def test_what_comes_back_with_power_is_what_the_image_says(stage: Design) -> None:
    simulator = on(stage)
    simulator.tap("a")
    simulator.power_off()
    image = simulator.storage.image
    simulator.power_on()
    simulator.wait("100ms")
    assert (simulator.memory["act"], simulator.memory["loose"]) == (3, 0)
    assert on(stage, image=image).memory["act"] == 3
    assert on(stage).memory["act"] == 2


@given(st.data())
@settings(max_examples=40, deadline=None)
def test_for_any_design_and_any_feet_the_image_holds_what_the_engine_keeps(data: st.DataObject) -> None:
    design = data.draw(designs())
    simulator = Simulator(design)
    for session in data.draw(histories(design)):
        offset_us = simulator.now_us - session.start_us
        for time_us, word in session.changes:
            simulator.advance_to(time_us + offset_us)
            simulator.change(word)
        simulator.advance_to(session.end_us + offset_us)
        kept = simulator.powered_engine().kept()
        assert Storage(design, simulator.storage.image).power_on() == kept
        simulator.power_on()
        assert simulator.powered_engine().kept() == kept


def test_a_blank_chip_and_a_new_image_hold_the_start_values(stage: Design) -> None:
    assert Storage(stage).power_on() == first_kept(stage)
    assert Storage(stage, bytes(1024)).power_on() == first_kept(stage)
    assert Storage(stage, Simulator(stage).storage.image).power_on() == first_kept(stage)


def test_an_image_of_another_size_is_refused(stage: Design) -> None:
    with pytest.raises(SimulatorError, match="the image has 512 bytes, but the design declares storage of 1024"):
        Simulator(stage, image=bytes(512))


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (
            "range: 0..7, ends: wrap, keep",
            "range: 0..9, ends: wrap, keep",
            "taken over from an image of version 1: cue; not in it by name, range and size: act (0..9); only in it: 1 cell of 1 bytes",
        ),
        ("memory:", "storage: {version: 2}\nmemory:", "taken over from an image of version 1: act, cue; there is nothing else in it"),
    ],
)
def test_what_is_taken_over_from_an_older_image_is_told(before: str, after: str, told: str, stage: Design) -> None:
    storage = Storage(load_design_text(STAGE.replace(before, after, 1)), Simulator(stage).storage.image)
    storage.power_on()
    assert storage.notes == [told]


@pytest.mark.parametrize(
    ("declared", "told"),
    [
        ("{version: 1}", "the image is of version 2, newer than the design's version 1"),
        ("{version: 4, oldest: 3}", "the image is of version 2, but this design takes over nothing older than version 3"),
    ],
)
def test_an_image_of_a_version_that_is_not_taken_is_refused_with_both_versions(declared: str, told: str) -> None:
    image = Simulator(load_design_text(f"storage: {{version: 2}}{STAGE}")).storage.image
    with pytest.raises(SimulatorError) as error:
        Simulator(load_design_text(f"storage: {declared}{STAGE}"), image=image)
    assert str(error.value) == told


def test_an_image_of_another_design_is_refused_and_says_what_differs(stage: Design) -> None:
    other = load_design_text("{switches: [a], memory: {light: {range: 0..9, size: 3, keep: yes}}, modes: {m: {}}}")
    with pytest.raises(SimulatorError) as error:
        Simulator(other, image=Simulator(stage).storage.image)
    assert str(error.value) == (
        "the image is of another design: not in it by name, range and size: light (0..9, size 3); only in it: 2 cells of 1, 8 bytes"
    )


def test_damage_is_told_with_the_cells_that_start_anew(stage: Design) -> None:
    image = bytearray(Simulator(stage).storage.image)
    image[11] ^= 1
    storage = Storage(stage, bytes(image))
    assert storage.power_on() == first_kept(stage)
    assert storage.notes == ["row 1 failed the checksum: values in act start anew"]
    image[0:6] = image[0:2] + b"\x40" + image[3:6]
    with pytest.raises(SimulatorError, match="the image is damaged"):
        Storage(stage, bytes(image)).power_on()


def test_wear_counts_the_run_and_foresees_it_over_and_over(stage: Design) -> None:
    simulator = on(stage)
    for _ in range(4):
        simulator.tap("a")
        simulator.wait("8940ms")
    wear = wear_of(stage, simulator.storage, HOUR_US // 100)
    assert (wear.saves, wear.in_parts) == (4, 0)
    assert wear.writes == sum(simulator.storage.saved_writes) == sum(save.written + save.tidied for save in simulator.storage.saves)
    assert wear.writes_per_hour == wear.writes * 100
    assert wear.most_worn_writes == 1, "each save has a place of its own"
    saves_a_round = (simulator.storage.map.size - simulator.storage.map.home_bytes) // 13
    assert wear.most_worn_per_hour == pytest.approx(2 * 100 * 5 / saves_a_round, rel=0.05)
    assert wear.years == pytest.approx(LIFE_WRITES / wear.most_worn_per_hour / 24 / 365.25)
    assert wear.longest_save_us == wear.longest_wait_us == max(save.written for save in simulator.storage.saves) * BYTE_US


def test_a_save_waits_for_the_one_before(stage: Design) -> None:
    simulator = on(stage)
    simulator.tap("a", "20ms")
    simulator.wait("1ms")
    simulator.tap("c", "20ms")
    simulator.wait("1s")
    first, second = simulator.storage.saves
    wait_us = first.written * BYTE_US - (second.time_us - first.time_us) + second.written * BYTE_US
    assert wear_of(stage, simulator.storage, 1_000_000).longest_wait_us == wait_us


def test_a_run_that_saves_nothing_wears_nothing(stage: Design) -> None:
    wear = wear_of(stage, Simulator(stage).storage, 1_000_000)
    assert (wear.saves, wear.writes, wear.years) == (0, 0, None)


def test_a_chip_of_any_declared_size_is_worn_more_slowly_the_larger_it_is(stage: Design) -> None:
    years = []
    for size in (128, 512, 2048):
        design = replace(stage, storage=replace(stage.storage, bytes=size))
        simulator = on(design)
        for _ in range(3):
            simulator.tap("a")
            simulator.wait("1s")
        years.append(wear_of(design, simulator.storage, 3_000_000).years or 0)
    assert years[0] < years[1] / 3 and years[1] < years[2] / 3


@pytest.mark.parametrize("engine", ["fast", "reference"])
def test_what_a_move_changes_is_saved_in_its_own_instant(engine: str) -> None:
    text = STAGE.replace("modes:", "pedals:\n  swell: {reads: 0..1023, heel: 40, toe: 980, gives: 0..127}\nmodes:", 1)
    simulator = on(load_design_text(text.replace("      press a: act += 1", "      press a: act += 1\n      move swell: act = 5")), engine)
    simulator.turn("swell", 900)
    simulator.power_off()
    simulator.power_on()
    simulator.wait("100ms")
    assert simulator.memory["act"] == 5


OLD = (
    "first: {range: 0..9, keep: yes}",
    f"wide: {{range: 0..200, size: 60, start: {list(range(60))}, keep: yes}}",
    "last: {range: 0..99, keep: yes}",
)
NEW = "new: {range: 0..5, size: 9, keep: yes}"


def board(*cells: str, size: int = 160) -> Design:
    lines = "\n".join(f"  {cell}" for cell in cells)
    return load_design_text(f"switches: [a]\nstorage: {{bytes: {size}}}\nmemory:\n{lines}\nmodes: {{m: {{}}}}\n")


@pytest.mark.parametrize(
    ("cells", "message"),
    [
        (
            (NEW, *OLD),
            "the image cannot be taken over where it is: 12 rows of 8 bytes would have to be written as one, and there is room for 3 "
            "(not in it by name, range and size: new (0..5, size 9)); it would fit with first, wide, last in this order, and all others "
            "after them",
        ),
        (
            (OLD[1], OLD[0], OLD[2]),
            "the image cannot be taken over where it is: 10 rows of 8 bytes would have to be written as one, and there is room for 5 "
            "(there is nothing else in it); it would fit with first, wide, last in this order",
        ),
    ],
)
def test_a_conversion_without_room_says_in_which_order_of_cells_it_would_fit(cells: tuple[str, ...], message: str) -> None:
    image = Storage(board(*OLD))
    image.power_on()
    with pytest.raises(SimulatorError) as error:
        Storage(board(*cells), image.image).power_on()
    assert str(error.value) == message


def test_a_conversion_in_the_order_that_was_named_is_made() -> None:
    image = Storage(board(*OLD))
    image.power_on()
    after = Storage(board(*OLD, NEW), image.image)
    after.power_on()
    assert after.notes == [
        "taken over from an image of version 1: first, wide, last; not in it by name, range and size: new (0..5, size 9)"
    ]
