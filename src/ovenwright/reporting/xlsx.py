"""Draws the report as a spreadsheet: facts, a native chart, every reading, and live formulas."""

from __future__ import annotations

import io
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xlsxwriter

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.document import (
    Bars,
    Callout,
    Cell,
    Document,
    Line,
    Paragraph,
    Points,
    Section,
    Table,
    TimeChart,
    Tone,
)
from ovenwright.reporting.ink import COLOURS
from ovenwright.reporting.words import Shown
from ovenwright.reporting.xlsx_lethality import OwnFormulas, Pens, write_lethality
from ovenwright.reporting.xlsx_readings import ReadingPens, readings_of, write_readings

CHART_ROWS = 500
SUMMARY_WIDTHS = (34, 24, 16, 16, 16, 16, 16)
PARTS_WIDTHS = (32, 18, 15, 15, 15, 26, 26, 34, 13, 13)
"""Characters a column; the sixth to eighth hold what a check found, remedies, reasons and notes."""
LAST_COLUMN = 6  # running text spans the columns up to here
PAGE_CHARACTERS = 132  # of running text in a line of that width
A4 = 9
_DASHES = ("solid", "dash", "round_dot", "dash_dot")


@dataclass(frozen=True, slots=True)
class Formats:
    """The cell formats of the workbook, made once."""

    book: Any
    plain: Any
    head: Any
    head_right: Any
    title: Any
    part: Any
    note: Any
    note_wrap: Any
    wrap: Any
    right: Any
    tones: dict[Tone, Any]
    stamp: Any
    numbers: dict[int, Any]

    def number(self, decimals: int) -> Any:
        """Return the format that shows so many decimals."""
        if decimals not in self.numbers:
            code = "0" + ("." + "0" * decimals if decimals else "")
            self.numbers[decimals] = self.book.add_format(
                {"num_format": code, "align": "right", "indent": 1, "valign": "top"}
            )
        return self.numbers[decimals]


def render_xlsx(document: Document, verdict: Verdict, shown: Shown) -> bytes:
    """Return the report as a spreadsheet.

    Readings are written in order with constant memory; the chart is fed from a thinned sheet of at
    most about 500 rows, which says so.
    """
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(
        buffer, {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    )
    book.set_properties(
        {"title": document.title, "subject": document.headline, "comments": document.footer}
    )
    f = _formats(book)
    summary = book.add_worksheet("Summary")
    results = book.add_worksheet("Results")
    lethality = (
        book.add_worksheet("Lethality", worksheet_class=OwnFormulas)
        if verdict.results.build_up
        else None
    )
    method = book.add_worksheet("Method")
    chart_data = book.add_worksheet("Chart data")
    chart = next(b for b in document.first_page if isinstance(b, TimeChart))
    end_row = _chart_data(chart_data, chart, f)
    _summary(summary, document, f)
    _place_chart(book, summary, chart, end_row, row=_summary_rows(document) + 1)
    behind = ("method", "cautions", "origin")
    _sections(results, [s for s in document.sections if s.id not in behind], f)
    if lethality is not None:
        write_lethality(lethality, verdict, shown, Pens(f.number, f.head, f.part, f.title, f.note))
    _sections(method, [s for s in document.sections if s.id in behind], f)
    write_readings(
        book,
        readings_of(verdict, shown),
        ReadingPens(f.number, f.stamp, f.head, f.head_right, f.note),
    )
    summary.activate()
    book.close()
    return buffer.getvalue()


def _formats(book: Any) -> Formats:
    def make(**kind: Any) -> Any:
        return book.add_format({"valign": "top", **kind})

    return Formats(
        book=book,
        plain=make(),
        head=make(bold=True, bottom=1, text_wrap=True),
        head_right=make(bold=True, bottom=1, align="right", indent=1, text_wrap=True),
        title=make(bold=True, font_size=16),
        part=make(bold=True, font_size=12),
        note=make(italic=True, font_color="#5f5a52"),
        note_wrap=make(italic=True, font_color="#5f5a52", text_wrap=True),
        wrap=make(text_wrap=True),
        right=make(align="right", indent=1),
        tones={
            Tone.GOOD: make(bold=True, font_color="#17613a", text_wrap=True),
            Tone.POOR: make(bold=True, font_color="#a8320b", text_wrap=True),
            Tone.OPEN: make(bold=True, font_color="#7a5c00", text_wrap=True),
            Tone.QUIET: make(font_color="#5f5a52", text_wrap=True),
            Tone.PLAIN: make(),
        },
        stamp=make(num_format="yyyy-mm-dd hh:mm:ss.000"),
        numbers={},
    )


def _cell(sheet: Any, place: tuple[int, int], cell: Cell, f: Formats, *, right: bool) -> None:
    row, column = place
    if cell.number is not None and math.isfinite(cell.number) and not _has_words(cell):
        sheet.write_number(row, column, cell.number, f.number(cell.decimals))
    elif cell.number is not None and math.isfinite(cell.number):
        # the unit stays with the number as part of its format, so that the cell can be computed on
        code = "0" + ("." + "0" * cell.decimals if cell.decimals else "")
        unit = cell.text.split(" ", 1)[1].replace('"', "")
        key = f"{code}|{unit}"
        store: dict[Any, Any] = f.numbers  # formats with a unit live beside the plain ones
        if key not in store:
            store[key] = f.book.add_format(
                {"num_format": f'{code}" {unit}"', "align": "right", "indent": 1, "valign": "top"}
            )
        sheet.write_number(row, column, cell.number, store[key])
    else:
        plain = f.right if right else f.wrap
        pen = plain if right or cell.tone is Tone.PLAIN else f.tones[cell.tone]
        sheet.write_string(row, column, cell.text, pen)


def _words(sheet: Any, row: int, text: str, pen: Any, width: int = PAGE_CHARACTERS) -> None:
    """Write running text over the width of the page, in a row as high as its lines."""
    _room(sheet, row, [_lines(text, width)])
    sheet.merge_range(row, 0, row, LAST_COLUMN, text, pen)


def _lines(text: str, width: int) -> int:
    return len(textwrap.wrap(text, width))


def _room(sheet: Any, row: int, lines: Sequence[int]) -> None:
    """Make a row as high as its wrapped words: not every office program does so by itself."""
    if max(lines, default=1) > 1:
        sheet.set_row(row, 15 * max(lines) + 1)


def _has_words(cell: Cell) -> bool:
    return " " in cell.text


def _table(sheet: Any, row: int, table: Table, f: Formats, widths: Sequence[int]) -> int:
    sheet.write_string(row, 0, table.title, f.part)
    row += 1
    if not table.rows:
        sheet.write_string(row, 0, table.empty, f.note)
        return row + 2
    for j, column in enumerate(table.columns):
        sheet.write_string(row, j, column.name, f.head_right if column.number else f.head)
    for cells in table.rows:
        row += 1
        _room(sheet, row, [_lines(c.text, w) for c, w in zip(cells, widths, strict=False)])
        for j, cell in enumerate(cells):
            _cell(sheet, (row, j), cell, f, right=table.columns[j].number)
    row += 1
    if table.note:
        _words(sheet, row, table.note, f.note_wrap)
        row += 1
    return row + 1


def _summary_rows(document: Document) -> int:
    """Return the row below the first page's words, so that the chart can be placed there."""
    table = next(b for b in document.first_page if isinstance(b, Table))
    looks = next((b for b in document.first_page if isinstance(b, Points)), None)
    return 5 + len(table.rows) + 5 + (len(looks.items) + 2 if looks else 0) + len(document.facts)


def _summary(sheet: Any, document: Document, f: Formats) -> None:
    for j, width in enumerate(SUMMARY_WIDTHS):
        sheet.set_column(j, j, width)
    sheet.set_paper(A4)
    sheet.hide_gridlines(2)
    sheet.fit_to_pages(1, 1)
    verdict = next(b for b in document.first_page if isinstance(b, Callout))
    sheet.write_string(0, 0, document.title, f.title)
    sheet.write_string(1, 0, document.subtitle, f.note)
    sheet.write_string(2, 0, verdict.title, f.tones[verdict.tone])
    _words(sheet, 3, verdict.text, f.wrap)
    table = next(b for b in document.first_page if isinstance(b, Table))
    row = _table(sheet, 5, table, f, SUMMARY_WIDTHS)
    looks = next((b for b in document.first_page if isinstance(b, Points)), None)
    if looks:
        sheet.write_string(row, 0, looks.title, f.part)
        for item in looks.items:
            row += 1
            _words(sheet, row, item, f.wrap)
        row += 2
    for name, value in document.facts:
        sheet.write_string(row, 0, name, f.note)
        sheet.write_string(row, 1, value, f.plain)
        row += 1


def _sections(sheet: Any, parts: list[Section], f: Formats) -> None:
    for j, width in enumerate(PARTS_WIDTHS):
        sheet.set_column(j, j, width)
    sheet.set_paper(A4)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    row = 0
    for part in parts:
        sheet.write_string(row, 0, part.title, f.title)
        row += 2
        for block in part.blocks:
            if isinstance(block, Table):
                row = _table(sheet, row, block, f, PARTS_WIDTHS)
            elif isinstance(block, Points):
                sheet.write_string(row, 0, block.title, f.part)
                for item in block.items:
                    row += 1
                    _words(sheet, row, item, f.wrap)
                row += 2
            elif isinstance(block, Paragraph):
                _words(sheet, row, block.text, f.wrap)
                row += 2
            elif isinstance(block, Callout):
                _words(sheet, row, f"{block.title}: {block.text}", f.tones[block.tone])
                row += 2
            elif isinstance(block, Bars):
                row = _bars(sheet, row, block, f)
        row += 1


def _bars(sheet: Any, row: int, block: Bars, f: Formats) -> int:
    sheet.write_string(row, 0, f"{block.title}, {block.unit}", f.part)
    for name, parts in block.groups:
        for label, value in parts:
            row += 1
            sheet.write_string(row, 0, name, f.plain)
            sheet.write_string(row, 1, label, f.plain)
            if math.isfinite(value):
                sheet.write_number(row, 2, value, f.number(2))
    return row + 2


def _chart_data(sheet: Any, chart: TimeChart, f: Formats) -> int:
    """Write the thinned data that the native chart draws; return the last row."""
    sheet.write_string(
        0, 0, f"Thinned for the chart, at most about {CHART_ROWS} rows; every reading is on the "
        "Readings sheet.", f.note,
    )  # fmt: skip
    sheet.set_column(0, len(chart.lines), 13)
    sheet.freeze_panes(2, 1)
    sheet.write_string(1, 0, chart.x_label, f.head)
    for j, line in enumerate(chart.lines):
        sheet.write_string(1, j + 1, line.name, f.head_right)
    grid, columns = _on_one_grid(chart.lines)
    x_format, y_format = f.number(3), f.number(2)
    for i, x in enumerate(grid.tolist()):
        sheet.write_number(i + 2, 0, x, x_format)
        for j, column in enumerate(columns):
            value = float(column[i])
            if math.isfinite(value):
                sheet.write_number(i + 2, j + 1, value, y_format)
    return int(grid.size) + 1


def _on_one_grid(lines: tuple[Line, ...]) -> tuple[FloatArray, list[FloatArray]]:
    """Return the lines on one even grid; a gap in a line stays a gap."""
    there = [ln for ln in lines if ln.x.size]
    if not there:
        return np.zeros(0), [np.zeros(0) for _ in lines]
    grid = np.linspace(
        min(float(ln.x[0]) for ln in there), max(float(ln.x[-1]) for ln in there), CHART_ROWS
    )
    columns = []
    for line in lines:
        if line.x.size < 2:
            columns.append(np.full(grid.size, np.nan))
            continue
        # interpolating through a NaN gives NaN: that is the gap
        columns.append(np.interp(grid, line.x, line.y, left=np.nan, right=np.nan))
    return grid, columns


def _place_chart(book: Any, sheet: Any, chart: TimeChart, end_row: int, *, row: int) -> None:
    drawn = book.add_chart({"type": "scatter", "subtype": "straight"})
    for j, line in enumerate(chart.lines):
        colour = COLOURS[line.look % len(COLOURS)]
        drawn.add_series(
            {
                "name": ["Chart data", 1, j + 1],
                "categories": ["Chart data", 2, 0, end_row, 0],
                "values": ["Chart data", 2, j + 1, end_row, j + 1],
                "line": {
                    "color": colour,
                    "width": 1.75,
                    # a dash of its own beside the colour, also once the colours are used up
                    "dash_type": _DASHES[(line.look + line.look // len(COLOURS)) % len(_DASHES)],
                },
                "marker": {"type": "none"},
            }
        )
    drawn.set_title({"name": chart.title, "name_font": {"size": 12}})
    drawn.set_x_axis(
        {
            "name": chart.x_label,
            "major_gridlines": {"visible": False},
            "num_format": "0",
            "label_position": "low",
        }
    )
    drawn.set_y_axis(
        {
            "name": chart.y_label,
            "num_format": "0",
            "major_gridlines": {"visible": True, "line": {"color": "#d9d9d9"}},
        }
    )
    drawn.set_legend({"position": "right"})
    drawn.show_blanks_as("gap")
    drawn.set_size({"width": 1040, "height": 460})
    sheet.insert_chart(row, 0, drawn, {"description": chart.alt})
