"""A chart as Markdown, and as HTML to read or print."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import escape

from controller_sim.view.chart_pdf import page_of
from controller_sim.view.chart_svg import FONT, svg
from controller_sim.view.fitting import A4, MARGIN, fit
from controller_sim.view.sheet import Cell, Line, Sheet, Table

_SPECIAL = re.compile(r"([\\`*_\[\]<>|#~])")
_SMALL = 10
"""Points: type to be read at a desk."""
_STYLE = f"""\
@page {{ size: A4 landscape; margin: 12mm; }}
@page upright {{ size: A4 portrait; margin: 12mm; }}
body {{ font-family: {FONT}; font-size: {_SMALL}pt; line-height: 1.2; color: #000; background: #fff; margin: 12mm; }}
section {{ page: upright; margin-bottom: 2em; }}
section.small {{ break-inside: avoid; }}
section.wide {{ page: auto; break-after: page; }}
h1 {{ font-size: 16pt; margin: 0 0 0.5em; }}
table {{ border-collapse: collapse; width: 100%; }}
th, td {{ text-align: left; vertical-align: top; padding: 0.2em 0.45em; border-left: 0.3pt solid #000; }}
th:first-child, td:first-child, thead th {{ border-left: none; }}
thead {{ border-bottom: 1.6pt solid #000; }}
tbody tr.group {{ border-top: 0.3pt solid #000; }}
tbody tr:first-child {{ border-top: none; }}
tbody {{ border-bottom: 0.9pt solid #000; }}
tr {{ break-inside: avoid; }}
section.large td, section.large th {{ padding: 0.45em; }}
section.large tbody tr {{ border-top: 0.9pt solid #000; }}
td div + div {{ margin-top: 0.25em; }}
p {{ margin: 0.4em 0 0; }}
svg {{ width: 100%; height: auto; max-height: 165mm; }}
@media print {{ body {{ margin: 0; }} }}
"""


def markdown(sheet: Sheet) -> str:
    """The chart as Markdown with tables; the map of modes is a Mermaid diagram."""
    blocks = [f"# {_marked(sheet.title)}"]
    for part in sheet.parts:
        blocks.append(f"## {_marked(part.title)}")
        blocks.append("\n".join(_markdown_table(part)) if isinstance(part, Table) else f"```mermaid\n{part.source}\n```")
        blocks += [_marked(note) for note in part.notes]
    return "\n\n".join(blocks) + "\n"


def _marked(text: str) -> str:
    return _SPECIAL.sub(r"\\\1", text)


def _markdown_table(table: Table) -> Iterator[str]:
    yield f"| {' | '.join(map(_marked, table.header))} |"
    yield "|" + " --- |" * len(table.header)
    for row in table.rows:
        cells: list[str] = []
        for cell in row:
            # Markdown has no wide cells: each column says the same.
            cells += ["<br>".join(_markdown_line(line, len(cells) < table.heads) for line in cell.lines)] * cell.span
        yield f"| {' | '.join(cells)} |"


def _markdown_line(line: Line, head: bool) -> str:
    label, text = _marked(line.label), _marked(line.text)
    if label and text:
        return f"**{label}:** {text}"
    return f"**{label or text}**" if label or (head and text) else text


def html(sheet: Sheet) -> str:
    """The chart as one HTML file that needs nothing else; printed, every large part is an A4 page."""
    lines = ["<!DOCTYPE html>", '<html lang="en">', '<meta charset="utf-8">', f"<title>{escape(sheet.title)}</title>"]
    lines.append(f"<style>\n{_STYLE}</style>")
    for part in sheet.parts:
        if isinstance(part, Table):
            lines += _html_table(part)
        elif part.table is not None and page_of(part)[1] is None:
            lines += _html_table(part.table)
        else:
            lines += ['<section class="wide">', f"<h1>{escape(part.title)}</h1>", svg([part]).strip()]
        lines += [f"<p>{escape(note)}</p>" for note in part.notes]
        lines.append("</section>")
    return "\n".join([*lines, "</html>"]) + "\n"


def _html_table(table: Table) -> Iterator[str]:
    """Columns as wide and type as large as they are on paper."""
    fitted = fit(table, A4[1] - 2 * MARGIN, A4[0] - 4 * MARGIN) if table.large else None
    size = f' style="font-size: {fitted.size}pt"' if fitted else ""
    yield f'<section class="{"large wide" if table.large else "small"}">'
    yield f"<h1>{escape(table.title)}</h1>"
    yield f"<table{size}>"
    widths = fitted.widths if fitted else fit(table, A4[0] - 2 * MARGIN, A4[1]).widths
    yield "<colgroup>" + "".join(f'<col style="width: {100 * width / sum(widths):.1f}%">' for width in widths) + "</colgroup>"
    yield "<thead><tr>" + "".join(f"<th>{escape(name)}</th>" for name in table.header) + "</tr></thead>"
    yield "<tbody>"
    for row in table.rows:
        cells = "".join(_html_cell(cell, "th" if number < table.heads else "td") for number, cell in enumerate(row))
        yield f'<tr class="group">{cells}</tr>' if row[0].lines else f"<tr>{cells}</tr>"
    yield "</tbody></table>"


def _html_cell(cell: Cell, tag: str) -> str:
    span = f' colspan="{cell.span}"' if cell.span > 1 else ""
    return f"<{tag}{span}>{''.join(f'<div>{_html_line(line)}</div>' for line in cell.lines)}</{tag}>"


def _html_line(line: Line) -> str:
    if not line.label:
        return escape(line.text)
    return f"<b>{escape(line.label)}:</b> {escape(line.text)}" if line.text else f"<b>{escape(line.label)}</b>"
