"""Charts as Markdown, HTML, PDF and SVG: readable by others, whole, and the same at every run."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from pypdf import PdfReader

from controller_sim.design import load_design
from controller_sim.design.form import Design
from controller_sim.testing.designs import designs
from controller_sim.view.chart import switch_tables
from controller_sim.view.chart_pdf import pdf, unprintable
from controller_sim.view.chart_svg import svg
from controller_sim.view.chart_text import html, markdown
from controller_sim.view.fitting import A4
from controller_sim.view.implementation import implementation_chart
from controller_sim.view.modes import mode_map
from controller_sim.view.sheet import Cell, Drawing, Label, Line, Sheet, Table

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
VOID = {"meta", "col"}
SPECIAL = Sheet(
    "<Stage> & | *more*",
    (Table("a|b", ("<x>", "`y`"), ((Cell((Line("tap", "<script> | _z_ & \\"),)), Cell()),), ("a note & <more>",)),),
)


def sheet_of(design: Design) -> Sheet:
    return Sheet(design.title, (*switch_tables(design), mode_map(design), implementation_chart(design)))


def booth() -> Sheet:
    return sheet_of(load_design(str(CONFIGS / "booth.yaml")))


class Reader(HTMLParser):
    """Collects the text of cells, row by row, and fails where tags do not match."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.rows: list[list[str]] = []
        self.spans = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.rows and {"td", "th"} & set(self.open):
            self.rows[-1][-1] += data


def read_html(text: str) -> Reader:
    reader = Reader()
    reader.feed(text)
    reader.close()
    assert reader.open == []
    return reader


def pages_of(data: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(data)).pages]


def plain(text: str) -> str:
    return "".join(text.split())


@settings(max_examples=20)
@given(designs())
def test_every_design_has_its_charts_in_every_form(design: Design) -> None:
    sheet = sheet_of(design)
    tables = [part for part in sheet.parts if isinstance(part, Table)]
    rows = [row for table in tables for row in ([Cell((Line(text=name),)) for name in table.header], *table.rows)]
    assert read_html(html(sheet)).rows == [["".join(line.plain for line in cell.lines) for cell in row] for row in rows]
    told = plain(" ".join(pages_of(pdf(sheet))))
    for row in rows:
        for cell in row:
            assert all(plain(line.label) in told for line in cell.lines)
    lines = markdown(sheet).splitlines()
    for table in tables:
        assert sum(line.startswith("|") for line in lines) >= len(table.rows) + 2


@pytest.mark.parametrize("name", [path.stem for path in sorted(CONFIGS.glob("*.yaml"))])
def test_the_paper_says_every_word_in_order(name: str) -> None:
    sheet = sheet_of(load_design(str(CONFIGS / f"{name}.yaml")))
    told = plain(" ".join(pages_of(pdf(sheet))))
    for part in sheet.parts:
        if isinstance(part, Table):
            for cell in (cell for row in part.rows for cell in row):
                assert plain("".join(line.plain for line in cell.lines)) in told
        else:
            assert all(plain(mark.text) in told for mark in part.marks if isinstance(mark, Label))


def test_the_same_sheet_gives_the_same_bytes() -> None:
    assert pdf(booth()) == pdf(booth()) and html(booth()) == html(booth()) and markdown(booth()) == markdown(booth())


def test_pages_are_a4_the_floor_lies_across_and_the_reference_stands() -> None:
    pages = PdfReader(io.BytesIO(pdf(booth()))).pages
    sizes = [(round(float(page.mediabox.width), 1), round(float(page.mediabox.height), 1)) for page in pages]
    upright = (round(A4[0], 1), round(A4[1], 1))
    assert sizes[0] == upright[::-1] and sizes[-1] == upright and set(sizes) == {upright, upright[::-1]}


def test_small_tables_share_a_page_while_they_fit() -> None:
    small = Table("small", ("a", "b"), ((Cell((Line(text="x"),)), Cell()),) * 4, ("a note",))
    assert len(pages_of(pdf(Sheet("sheet", (small,) * 3)))) == 1
    assert len(pages_of(pdf(Sheet("sheet", (small,) * 9)))) == 2
    long = Table("long", ("a",), ((Cell((Line(text="x"),)),),) * 120)
    texts = pages_of(pdf(Sheet("sheet", (long,))))
    assert [f"long ({number} of {len(texts)})" in text for number, text in enumerate(texts, 1)] == [True] * len(texts)


def test_letters_that_the_paper_lacks_are_named_and_marked() -> None:
    sheet = Sheet("B\u00fchne \u0416", (Table("\u821e", ("a\u0153",), ((Cell((Line("\u2260"),)),),)),))
    assert unprintable(sheet) == {"\u0416", "\u821e", "\u2260"}
    assert "?" in pages_of(pdf(sheet))[0]


def test_a_drawing_too_large_for_its_page_is_told_in_words() -> None:
    drawing = next(part for part in booth().parts if isinstance(part, Drawing))
    large = Sheet("large", (replace(drawing, height=4000.0),))
    assert plain("From By To power on show show hold a..c edit cue") in plain(" ".join(pages_of(pdf(large))))
    assert ["show", "hold a..c", "edit cue"] in read_html(html(large)).rows
    assert len(pages_of(pdf(Sheet("large", (replace(drawing, height=4000.0, table=None),))))) == 1


def test_special_letters_stay_text() -> None:
    reader = read_html(html(SPECIAL))
    assert reader.rows == [["<x>", "`y`"], ["tap: <script> | _z_ & \\", ""]]
    text = markdown(SPECIAL)
    assert "| **tap:** \\<script\\> \\| \\_z\\_ & \\\\ |  |" in text and text.startswith("# \\<Stage\\> & \\| \\*more\\*\n")


def test_wide_cells_are_wide_in_html_and_repeated_in_markdown() -> None:
    wide = Table("t", ("m", "a", "b"), ((Cell((Line("play"),)), Cell((Line("tap", "x"),), 2)),))
    assert '<td colspan="2"><div><b>tap:</b> x</div></td>' in html(Sheet("s", (wide,)))
    assert "| **play** | **tap:** x | **tap:** x |" in markdown(Sheet("s", (wide,)))


def elements(picture: str, tag: str) -> list[ElementTree.Element]:
    return list(ElementTree.fromstring(picture).iter(f"{{http://www.w3.org/2000/svg}}{tag}"))


def test_the_map_is_an_svg_with_every_word_and_a_mermaid_diagram_in_markdown() -> None:
    drawing = next(part for part in booth().parts if isinstance(part, Drawing))
    texts = [element.text for element in elements(svg([drawing]), "text")]
    assert texts == [mark.text for mark in drawing.marks if isinstance(mark, Label) and mark.text]
    assert f"```mermaid\n{drawing.source}\n```" in markdown(booth())
    assert svg([drawing]).strip() in html(booth())


@pytest.mark.parametrize("name", [path.stem for path in sorted(CONFIGS.glob("*.yaml"))])
def test_an_svg_has_every_word_of_its_parts_inside_its_frame_and_none_over_another(name: str) -> None:
    parts = sheet_of(load_design(str(CONFIGS / f"{name}.yaml"))).parts
    picture = svg(parts)
    root = ElementTree.fromstring(picture)
    assert root.attrib["viewBox"] == f"0 0 {root.attrib['width']} {root.attrib['height']}"
    boxes = []
    for text in elements(picture, "text"):
        # The width that a text is given holds in every font: SVG 2, 11.5, textLength with lengthAdjust.
        x, y, size, wide = (float(text.attrib[name]) for name in ("x", "y", "font-size", "textLength"))
        assert x >= 0 and x + wide <= float(root.attrib["width"]) and size <= y <= float(root.attrib["height"])
        boxes.append((x, y - 0.7 * size, x + wide, y))
    for number, (left, top, right, bottom) in enumerate(boxes):
        for other_left, other_top, other_right, other_bottom in boxes[number + 1 :]:
            assert other_left >= right or left >= other_right or other_top >= bottom or top >= other_bottom
    told = plain("".join(text.text or "" for text in elements(picture, "text")))
    for part in parts:
        assert plain(part.title) in told and all(plain(note) in told for note in part.notes)
        for cell in (cell for row in part.rows for cell in row) if isinstance(part, Table) else ():
            assert plain("".join(line.plain for line in cell.lines)) in told
