from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller_sim.design import load_design
from controller_sim.design.form import PORT_NAMES, Debounce
from controller_sim.design.outputs import Edge, Ended, Fired, Message, ModeEntered, Responded
from controller_sim.design.storage import keeps
from controller_sim.midi import serial_times, usb_times
from controller_sim.script import Run, Script, parse_script, play
from controller_sim.simulator import Simulator
from controller_sim.testing.designs import designs
from controller_sim.testing.plain import note, plain_design
from controller_sim.view import picture
from controller_sim.view.picture_labels import Block, cascade, text_width
from controller_sim.view.picture_scene import Scene, scene_of
from controller_sim.view.picture_style import GRAPHIC_COLOURS, PAPER, TEXT_COLOURS, TINT, contrast
from controller_sim.view.picture_svg import EDGE_PX, NAMES_PX, PAGE_PX, RIGHT_PX, RowDrawing, draw
from controller_sim.view.picture_time import Ruler, ruler_of, ticks
from controller_sim.view.watched import Window, watch, watch_run

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
SCRIPTS = sorted(CONFIGS.glob("*.press"))
SVG = "{http://www.w3.org/2000/svg}"
LEFT_PX = EDGE_PX + NAMES_PX
ROW_PX = PAGE_PX - 2 * EDGE_PX - NAMES_PX - RIGHT_PX
DEJAVU_SANS_MONO_ADVANCE = 0.602
"""1233 of 2048 units, in the font's own table of widths."""


def finished(simulator: Simulator) -> Run:
    return Run(
        design=simulator.design,
        script=Script((), "feet.press"),
        engine=simulator.engine_name,
        inputs=tuple(simulator.inputs),
        outputs=tuple(simulator.outputs),
        failures=(),
        end_us=simulator.now_us,
        storage=simulator.storage if keeps(simulator.design) else None,
    )


@st.composite
def runs(draw: st.DrawFn) -> Run:
    """A random design under random feet, with pauses, power cuts, pedals and bytes."""
    simulator = Simulator(draw(designs()))
    design = simulator.design
    # Waits are measured by the design's own times, so that about as much happens whatever they are.
    unit_us = max(design.timing.chord_us // 4, 1)
    steps = st.tuples(st.integers(1, 20), st.integers(0, 31), st.integers(0, 9))
    for wait, word, what in draw(st.lists(steps, max_size=16)):
        simulator.wait(wait * unit_us * (20 if what == 9 else 1))
        if what == 8 and simulator.powered:
            simulator.power_off()
        elif what == 7:
            simulator.power_on()
        elif what == 6 and design.pedals:
            simulator.turn(design.pedals[0].name, 33 * word)
        elif what == 5:
            simulator.receive(bytes([0xC1, word]), "usb")
        else:
            simulator.change(word & (1 << len(design.switches)) - 1)
    simulator.wait(unit_us * draw(st.sampled_from((1, 20, 400))))
    return finished(simulator)


@cache
def played(path: Path) -> Run:
    design = load_design(str(CONFIGS / f"{path.name.partition('_')[0]}.yaml"))
    return play(design, parse_script(path.read_text(encoding="utf-8"), design, file=path.name))


def ruler(scene: Scene) -> Ruler:
    return ruler_of(scene, ROW_PX)


@dataclass(frozen=True)
class Mark:
    kind: str
    time_us: int
    x: float
    row: int


def marks(page: str) -> list[Mark]:
    """Every mark that stands for something, and the row it is in."""
    found = []
    rows = ElementTree.fromstring(page).findall(f"{SVG}g")
    for number, row in enumerate(rows):
        for element in row.iter():
            if "data-us" in element.attrib:
                x = float(element.get("data-x") or element.get("x") or "nan")
                found.append(Mark(element.get("class", ""), int(element.attrib["data-us"]), x, number))
    return found


def wanted(run: Run) -> dict[str, Counter[int]]:
    """What has to be in the picture of a run, worked out from its outputs alone."""
    messages: Counter[int] = Counter()
    for port in PORT_NAMES.values():
        sent = [(output.time_us, output.data) for output in run.outputs if isinstance(output, Message) and output.ports & port]
        if port == PORT_NAMES["serial"]:
            messages.update(wire.start_us for wire in serial_times(sent, run.design.running_status))
        else:
            messages.update(wire.packets[0].frame_us for wire in usb_times(sent))
    return {
        "message": messages,
        "gesture": Counter(output.time_us for output in run.outputs if isinstance(output, Fired)),
        "mode": Counter(output.time_us for output in run.outputs if isinstance(output, ModeEntered)),
    }


def check_marks(run: Run) -> None:
    scene = scene_of(run)
    rows = ruler(scene)
    found = marks(draw(scene))
    for kind, times in wanted(run).items():
        assert Counter(mark.time_us for mark in found if mark.kind == kind) == times, kind
    for mark in found:
        row, x = rows.place(mark.time_us)
        assert mark.row == row
        assert mark.x == pytest.approx(LEFT_PX + x, abs=0.01), mark


@settings(max_examples=40)
@given(runs())
def test_every_message_gesture_and_mode_is_there_exactly_once_where_the_axis_says(run: Run) -> None:
    check_marks(run)


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_the_same_for_every_script_of_configs(path: Path) -> None:
    check_marks(played(path))


@settings(max_examples=40)
@given(runs())
def test_what_is_seen_from_inside_is_the_same_run(run: Run) -> None:
    watched = watch_run(run)
    assert tuple(output for output in watched.outputs if not isinstance(output, Edge)) == run.outputs
    assert len(watched.presses) == sum(isinstance(output, Fired) for output in run.outputs)
    for window in watched.windows:
        assert window.since_us < window.until_us <= window.due_us


def test_a_run_that_begins_with_a_written_chip_is_seen_from_there() -> None:
    edited = played(CONFIGS / "booth_edit.press")
    assert edited.storage is not None
    path = CONFIGS / "booth_evening.press"
    design = load_design(str(CONFIGS / "booth.yaml"))
    run = play(design, parse_script(path.read_text(encoding="utf-8"), design, file=path.name), image=edited.storage.image)
    assert run.outputs != played(path).outputs
    check_marks(run)


Box = tuple[float, float, float, float, str]


def text_boxes(page: str) -> Iterator[Box]:
    for text in ElementTree.fromstring(page).iter(f"{SVG}text"):
        words, kind = text.text or "", text.get("class") or ""
        size = 17 if kind == "head" else 10
        width = text_width(words, size)
        x, y = float(text.attrib["x"]), float(text.attrib["y"])
        left = x - width / 2 if text.get("text-anchor") == "middle" else x
        # Ascent and descent of DejaVu Sans Mono are 0.76 and 0.24 of the size for all but accented capitals.
        yield left, y - 0.76 * size, left + width, y + 0.24 * size, words


def texts(page: str) -> set[str]:
    return {words for *_, words in text_boxes(page)}


def torn(page: str) -> Iterator[tuple[float, float, float, float]]:
    """The box of each piece of the torn edges where a silence was cut."""
    for path in ElementTree.fromstring(page).iter(f"{SVG}path"):
        if path.get("class") == "torn":
            for x, y in re.findall(r"M([\d.]+),([\d.]+)l2,3l-4,6l2,3", path.attrib["d"]):
                yield float(x) - 2, float(y), float(x) + 2, float(y) + 12


def check_texts(page: str, page_px: int = PAGE_PX) -> None:
    pieces = list(torn(page))
    boxes = sorted(text_boxes(page), key=lambda box: box[0])
    for number, (left, top, right, bottom, words) in enumerate(boxes):
        assert left >= 0 and right <= page_px, words
        for torn_left, torn_top, torn_right, torn_bottom in pieces:
            crossed = torn_left < right and left < torn_right and torn_top < bottom and top < torn_bottom
            assert not crossed, f"{words!r} is crossed by a torn edge at {torn_left:.0f}"
        for other_left, other_top, other_right, other_bottom, other in boxes[number + 1 :]:
            if other_left >= right:
                break
            assert other_top >= bottom or top >= other_bottom, (
                f"{words!r} and {other!r} at {left:.0f} and {other_left:.0f}..{other_right:.0f}"
            )


@settings(max_examples=40)
@given(runs(), st.sampled_from((PAGE_PX, 600, 900, 6000)))
def test_no_text_covers_another(run: Run, page_px: int) -> None:
    check_texts(picture.svg(run, page_px=page_px), page_px)


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_no_text_covers_another_in_the_scripts_of_configs(path: Path) -> None:
    run = played(path)
    check_texts(picture.svg(run))
    check_texts(picture.svg(run, run.end_us // 3, run.end_us // 2))
    check_texts(picture.svg(run, page_px=600), 600)


def test_the_widths_assumed_are_not_less_than_the_font_s_own() -> None:
    assert text_width("program 39", 10) >= 10 * 10 * DEJAVU_SANS_MONO_ADVANCE
    assert text_width("\u6f14", 10) == 2 * text_width("a", 10)


@settings(max_examples=60)
@given(st.lists(st.tuples(st.floats(0, 1000), st.integers(1, 3), st.integers(1, 30)), max_size=40, unique_by=lambda each: each[0]))
def test_no_line_from_a_mark_to_its_text_crosses_another_text(drawn: list[tuple[float, int, int]]) -> None:
    placed = cascade([Block(x, ("m" * letters,) * lines) for x, lines, letters in sorted(drawn)], 9)
    for one in placed:
        assert one.end <= 9
        for other in placed:
            if other is not one and one.x < other.x < one.right - 8:
                assert one.level >= other.end


@settings(max_examples=40)
@given(runs())
def test_time_never_runs_back_and_runs_evenly_where_nothing_is_cut(run: Run) -> None:
    scene = scene_of(run)
    rows = ruler(scene).rows
    assert rows[0].start_us == scene.start_us and rows[-1].end_us == scene.end_us
    for row, following in pairwise(rows):
        assert row.end_us == following.start_us
    for row in rows:
        assert row.width <= ROW_PX + 1
        for piece, following in pairwise(row.pieces):
            assert piece.end_us == following.start_us
            assert piece.x + piece.width == pytest.approx(following.x)
        for piece in row.pieces:
            if not piece.cut and piece.end_us > piece.start_us:
                px_per_s = 1e6 * piece.width / (piece.end_us - piece.start_us)
                assert piece.width < 2 or px_per_s == pytest.approx(ruler(scene).px_per_s, rel=0.01)


@settings(max_examples=40)
@given(runs())
def test_no_foot_moves_and_nothing_but_clock_ticks_is_sent_in_a_silence_that_is_cut(run: Run) -> None:
    cuts = [piece for row in ruler(scene_of(run)).rows for piece in row.pieces if piece.cut]
    heard = [output for output in run.outputs if isinstance(output, Message) and output.data != b"\xf8"]
    decided = [output for output in run.outputs if isinstance(output, Fired | Ended | Responded | ModeEntered)]
    told = [one.time_us for one in (*heard, *decided, *run.inputs)]
    for piece in cuts:
        assert not [time_us for time_us in told if piece.start_us < time_us < piece.end_us]


def test_a_countdown_on_the_display_does_not_fill_a_page() -> None:
    run = played(CONFIGS / "touring_interval.press")
    entered = [output for output in run.outputs if isinstance(output, ModeEntered)]
    (number,) = (number for number, output in enumerate(entered) if run.design.modes[output.mode].name == "interval")
    start_us, end_us = entered[number].time_us, entered[number + 1].time_us
    assert end_us - start_us == 60_000_000
    counted = [piece for row in ruler(scene_of(run)).rows for piece in row.pieces if start_us <= piece.start_us < end_us]
    assert sum(piece.width for piece in counted) < ROW_PX


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.stem)
def test_numbers_on_the_axis_are_round_and_stand_where_they_say(path: Path) -> None:
    rows = ruler(scene_of(played(path)))
    for row in rows.rows:
        for time_us, text, numbered in ticks(row, rows.px_per_s):
            assert not numbered or round(float(text) * 1e6) == time_us


def test_a_part_of_a_run_shows_what_happens_in_it_and_nothing_else() -> None:
    run = played(CONFIGS / "booth_evening.press")
    found = marks(picture.svg(run, 8_000_000, 9_000_000))
    assert all(8_000_000 <= mark.time_us <= 9_000_000 for mark in found)
    assert Counter(mark.kind for mark in found)["gesture"] == 1
    assert ruler(scene_of(run, 8_000_000, 9_000_000)).px_per_s > ruler(scene_of(run)).px_per_s


AT_ONCE = Debounce("lockout", 0)


def tap_run(bindings: dict[tuple[str, str], tuple[object, ...]], *feet: tuple[int, int], press: Debounce = AT_ONCE) -> Run:
    """Contact words at their milliseconds; the run lasts until 2 s."""
    simulator = Simulator(plain_design(bindings, press=press))  # type: ignore[arg-type]  # statements, built by the callers
    for time_ms, word in feet:
        simulator.advance_to(1000 * time_ms)
        simulator.change(word)
    simulator.advance_to(2_000_000)
    return finished(simulator)


def windows(run: Run) -> list[Window]:
    return [window for window in watch(run.design, run.inputs, run.end_us).windows if window.what != "power_on"]


def test_a_tap_that_waits_for_a_double_shows_the_gap_and_is_tied_to_its_press() -> None:
    run = tap_run({("tap", "a"): (note(1),), ("double", "a"): (note(2),)}, (100, 1), (150, 0))
    assert windows(run) == [Window("double", (0,), 150_000, 450_000, 450_000)]
    assert watch(run.design, run.inputs, run.end_us).presses == (((0, 100_000),),)


def test_a_double_is_tied_to_both_presses_and_cuts_the_gap_short() -> None:
    run = tap_run({("tap", "a"): (note(1),), ("double", "a"): (note(2),)}, (100, 1), (150, 0), (250, 1), (300, 0))
    assert windows(run) == [Window("double", (0,), 150_000, 250_000, 450_000)]
    assert watch(run.design, run.inputs, run.end_us).presses == (((0, 100_000), (0, 250_000)),)


def test_a_chord_is_tied_to_each_of_its_presses_and_its_window_closes_with_the_last() -> None:
    run = tap_run({("press", "ab"): (note(1),), ("tap", "a"): (note(2),)}, (100, 1), (120, 3), (300, 0))
    assert windows(run) == [Window("chord", (0,), 100_000, 120_000, 145_000)]
    assert watch(run.design, run.inputs, run.end_us).presses == (((0, 100_000), (1, 120_000)),)


def test_a_hold_shows_from_the_press_on_and_a_settling_contact_before_it() -> None:
    run = tap_run({("hold", "a"): (note(1),)}, (100, 1), (1000, 0), press=Debounce("settle", 5000))
    assert windows(run) == [Window("settle", (0,), 100_000, 105_000, 105_000), Window("hold", (0,), 105_000, 605_000, 605_000)]


def waiting(run: Run) -> list[tuple[str, str, int, int, int]]:
    """The bars of the lane for the controller's own waits: kind, label, beginning, end, when it was to end."""
    items = (item for lane in scene_of(run).lanes if lane.kind == "waiting" for item in lane.items)
    return [(item.kind, item.label, item.time_us, item.until_us, item.due_us) for item in items]


def test_delayed_messages_wait_in_bars_and_those_that_a_second_double_drops_are_cut_short() -> None:
    bars = waiting(played(CONFIGS / "booth_rehearsal.press"))
    doubles = [event.time_us for event in played(CONFIGS / "booth_rehearsal.press").outputs if isinstance(event, Fired)][-9:]
    beats = [bar for bar in bars if bar[1] == "room beat 64"]
    # language.md: double e sends the beat after 30 ms and the end after 250 ms; cancel_delayed() drops what waits.
    assert [bar[4] - bar[2] for bar in beats] == [30_000, 30_000] and all(bar[2] in doubles for bar in beats)
    ends = [bar for bar in bars if bar[1] == "room wet 0"]
    assert [bar[4] - bar[2] for bar in ends] == [250_000, 250_000]
    assert ends[0][3] == ends[1][2] < ends[0][4] and ends[1][3] == ends[1][4]


def test_timers_of_a_mode_wait_in_bars_that_a_new_field_begins_anew_and_leaving_ends() -> None:
    run = played(CONFIGS / "touring_interval.press")
    counted = [bar for bar in waiting(run) if bar[1] == "every 1s"]
    assert len(counted) == 60 and all(until_us == due_us == since_us + 1_000_000 for _, _, since_us, until_us, due_us in counted)
    assert all(one[3] == other[2] for one, other in pairwise(counted))
    labels = [bar for bar in waiting(played(CONFIGS / "booth_rehearsal.press")) if bar[1] == "after 1s"]
    assert any(until_us < due_us for *_, until_us, due_us in labels) and any(until_us == due_us for *_, until_us, due_us in labels)


@settings(max_examples=40)
@given(runs())
def test_a_bar_that_ran_out_ends_where_its_message_leaves(run: Run) -> None:
    left = Counter((output.time_us, output.data, output.ports) for output in run.outputs if isinstance(output, Message))
    for window in watch_run(run).windows:
        pending = window.pending
        if pending is not None and pending.timer is None and window.until_us == window.due_us < run.end_us:
            assert left[window.until_us, pending.data, pending.ports] > 0
        elif pending is not None and pending.timer is not None:
            timer = run.design.modes[pending.mode].timers[pending.timer]
            assert window.due_us - window.since_us == timer.period_us


def test_an_echo_is_marked_and_what_it_echoes_is_not() -> None:
    run = played(CONFIGS / "touring_guests.press")
    arrived = [(item.kind, item.label) for lane in scene_of(run).lanes if lane.kind == "received" for item in lane.items]
    assert arrived[:2] == [("received", "program change ch 1: 3"), ("echo", "echo: program change ch 1: 3")]
    assert "arrives, an echo: counts for nothing" in texts(picture.svg(run, 0, 1_000_000))
    assert "arrives, an echo: counts for nothing" not in texts(picture.svg(run, 5_000_000))


def test_texts_and_graphics_have_the_contrast_that_wcag_asks_for() -> None:
    # WCAG 2.1, success criteria 1.4.3 (4.5:1 for texts) and 1.4.11 (3:1 for graphics).
    for ground in (PAPER, TINT):
        assert min(contrast(colour, ground) for colour in TEXT_COLOURS.values()) >= 4.5
        assert min(contrast(colour, ground) for colour in GRAPHIC_COLOURS.values()) >= 3
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    # The example of a grey that just fails: W3C, Understanding SC 1.4.3.
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


def test_the_two_colours_are_those_of_the_palette() -> None:
    # Okabe and Ito, Color Universal Design (2008): vermillion (213, 94, 0), blue (0, 114, 178).
    assert GRAPHIC_COLOURS["foot"] == "#" + bytes((213, 94, 0)).hex()
    assert GRAPHIC_COLOURS["wire"] == "#" + bytes((0, 114, 178)).hex()


def test_the_legend_explains_what_occurs_and_nothing_else() -> None:
    quiet = texts(picture.svg(tap_run({("press", "a"): (note(1),)}, (100, 1), (200, 0))))
    assert {"a gesture is decided, tied to its presses", "message on the wire", "counts as down"} <= quiet
    for absent in ("hold", "chord", "second press", "clock tick", "no power", "LED", "not met", "repeat"):
        assert not [words for words in quiet if absent in words]
    assert "may become a hold" in texts(picture.svg(tap_run({("hold", "a"): (note(1),)}, (100, 1), (200, 0))))


def test_an_expectation_that_failed_is_marked_where_it_was_looked_for() -> None:
    design = load_design(str(CONFIGS / "starter.yaml"))
    run = play(design, parse_script('tap go\nexpect display "cue 9"\n', design, file="wrong.press"))
    page = picture.svg(run)
    assert [mark.time_us for mark in marks(page) if mark.kind == "failed"] == [run.failures[0].time_us]
    assert "1 expectation not met" in page


@settings(max_examples=20)
@given(runs())
def test_the_page_is_one_file_that_asks_for_nothing_and_holds_every_event(run: Run) -> None:
    page = picture.html(run)
    assert not re.search(r"https?:|src=|href=|@import|fetch\(|XMLHttp", page)
    data = re.search(r'<script type="application/json" id="scene">(.*?)</script>', page, re.DOTALL)
    assert data is not None
    facts = json.loads(data[1])
    held = Counter((item[0], item[1]) for lane in facts["lanes"] for item in lane["items"])
    for kind, times in wanted(run).items():
        assert Counter({time_us: count for (what, time_us), count in held.items() if what == kind}) == times
    for lane in facts["lanes"]:
        assert [item[1] for item in lane["items"]] == sorted(item[1] for item in lane["items"])


def test_the_page_and_its_script_draw_the_same_lanes() -> None:
    script = files("controller_sim.view").joinpath("picture.js").read_text(encoding="utf-8")
    drawn = script[script.index("const draw = {") : script.index("\n};")]
    by_script = set(re.findall(r"^  (\w+)(?:\(|:)", drawn, re.MULTILINE))
    by_page = {name.removeprefix("_draw_") for name in dir(RowDrawing) if name.startswith("_draw_")}
    assert by_script == by_page
    for path in SCRIPTS:
        assert {lane.kind for lane in scene_of(played(path)).lanes} <= by_page


def test_names_and_texts_of_a_design_cannot_break_a_picture() -> None:
    run = tap_run({("press", "a"): (note(1),)}, (100, 1), (200, 0))
    nasty = _titled(run, "</script><b>&\"' \u6f14\u51fa")
    assert ElementTree.fromstring(picture.svg(nasty)) is not None
    assert picture.html(nasty).count("</script>") == 2
    assert "<b>" not in picture.html(nasty)


def _titled(run: Run, title: str) -> Run:
    from dataclasses import replace

    return replace(run, design=replace(run.design, title=title))


def dense(presses: int) -> Run:
    """Every press fires and sends: four events each, without a pause that could be cut."""
    simulator = Simulator(plain_design({("press", "a"): (note(1),), ("release", "a"): (note(1, 0),)}))
    for _ in range(presses):
        simulator.wait(40_000)
        simulator.press("a")
        simulator.wait(30_000)
        simulator.release("a")
    simulator.wait(100_000)
    return finished(simulator)


def test_ten_thousand_events_stay_a_small_page_of_few_rows() -> None:
    run = dense(1700)
    page = picture.svg(run)
    assert sum(len(times) for times in wanted(run).values()) > 6800
    assert len(ruler(scene_of(run)).rows) <= 24
    assert page.count("<text") < 4000
    assert len(page) < 4_000_000
    check_texts(page)
    assert len(picture.html(run)) < 4_000_000


def test_a_png_is_a_picture_of_the_page_s_shape() -> None:
    data = picture.png(tap_run({("press", "a"): (note(1),)}, (100, 1), (200, 0)))
    # PNG, second edition (ISO/IEC 15948), 5.2 and 11.2.2: signature, then width and height in the header chunk.
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert int.from_bytes(data[16:20], "big") == picture.SHARP * PAGE_PX
