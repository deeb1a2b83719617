"""All three formats say the same facts with the same digits."""

import io
import re
import zipfile
from datetime import datetime
from html import unescape

import openpyxl
import pytest
from pypdf import PdfReader

from ovenwright.domain.plan import Plan
from ovenwright.domain.run import Run
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.document import Document, Table
from ovenwright.reporting.facts import Occasion, tell
from ovenwright.reporting.render import Form, render
from ovenwright.reporting.words import Shown

MADE = Occasion(made_ns=1_772_600_000 * 10**9)


@pytest.fixture(params=[False, True], ids=["celsius", "fahrenheit"])
def shown(request: pytest.FixtureRequest) -> Shown:
    return Shown(fahrenheit=request.param, time_zone="Europe/Riga")


@pytest.fixture
def document(verdict: Verdict, run: Run, plan: Plan, shown: Shown) -> Document:
    return tell(verdict, run, plan, shown, MADE)


def tables(document: Document) -> list[Table]:
    blocks = [*document.first_page, *(b for s in document.sections for b in s.blocks)]
    return [b for b in blocks if isinstance(b, Table)]


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


def test_html_says_every_cell(document: Document, verdict: Verdict, shown: Shown) -> None:
    page = render(Form.HTML, document, verdict, shown).decode()
    text = unescape(re.sub(r"<[^>]+>", " ", page))
    for table in tables(document):
        for row in table.rows:
            for cell in row:
                assert squeezed(cell.text) in squeezed(text)


def test_html_fetches_nothing_and_escapes_words(
    document: Document, verdict: Verdict, shown: Shown
) -> None:
    page = render(Form.HTML, document, verdict, shown).decode()
    assert "Rye &lt;tin&gt; loaf &amp; oven 3" in page
    links = re.findall(r"(?:src|href)\s*=\s*[\"']([^\"']+)", page)
    assert all(link.startswith("#") for link in links)
    assert "@import" not in page
    assert "url(http" not in page


def test_pdf_says_the_first_page_and_is_tagged(
    document: Document, verdict: Verdict, shown: Shown
) -> None:
    raw = render(Form.PDF, document, verdict, shown)
    reader = PdfReader(io.BytesIO(raw))
    first = squeezed(reader.pages[0].extract_text())
    assert squeezed(document.title) in first
    assert squeezed(document.headline) in first
    everything = squeezed("".join(p.extract_text() for p in reader.pages))
    for cell in (
        c for t in tables(document) for row in t.rows for c in row if c.number is not None
    ):
        assert squeezed(cell.text) in everything
    assert "/StructTreeRoot" in reader.root_object
    assert render(Form.PDF, document, verdict, shown) == raw


def test_xlsx_has_the_same_numbers_to_the_digits_shown(
    document: Document, verdict: Verdict, shown: Shown
) -> None:
    raw = render(Form.XLSX, document, verdict, shown)
    book = openpyxl.load_workbook(io.BytesIO(raw))
    numbers = {
        (sheet.title, float(c.value))
        for sheet in (book["Summary"], book["Results"], book["Method"])
        for row in sheet.iter_rows()
        for c in row
        if isinstance(c.value, (int, float))
    }
    shown_numbers = {round(v, 9) for _, v in numbers}
    for table in tables(document):
        for row in table.rows:
            for cell in row:
                if cell.number is not None:
                    assert round(cell.number, 9) in shown_numbers, (table.id, cell)


def test_xlsx_readings_are_complete_in_the_users_unit(
    document: Document, verdict: Verdict, shown: Shown
) -> None:
    book = openpyxl.load_workbook(io.BytesIO(render(Form.XLSX, document, verdict, shown)))
    sheet = book["Readings"]
    rows = list(sheet.iter_rows(min_row=3, values_only=True))
    profile = verdict.results.profile
    assert len(rows) == profile.time_s.size
    # Riga is two hours ahead of UTC in winter; the first reading is at 05:40 UTC
    first = rows[0][0]
    assert isinstance(first, datetime)
    assert first.isoformat() == "2026-03-03T07:40:00"
    assert rows[10][1] == 20.0
    expected = shown.temperature(float(profile.raw_c[10, 0]))
    assert rows[10][2] == pytest.approx(expected, abs=1e-12)
    assert rows[505][3] is None


def test_xlsx_has_a_native_chart_fed_from_a_thinned_sheet(
    document: Document, verdict: Verdict, shown: Shown
) -> None:
    raw = render(Form.XLSX, document, verdict, shown)
    with zipfile.ZipFile(io.BytesIO(raw)) as book:
        charts = [n for n in book.namelist() if n.startswith("xl/charts/chart")]
        drawn = book.read(charts[0]).decode()
    assert drawn.count("<c:ser>") == 3
    assert "Chart data" in drawn
    assert "Readings" not in drawn


def test_a_document_without_build_up_has_no_lethality_sheet(
    verdict: Verdict, run: Run, plan: Plan
) -> None:
    from dataclasses import replace

    bare = replace(verdict, results=replace(verdict.results, build_up=()))
    document = tell(bare, run, plan, Shown(), MADE)
    book = openpyxl.load_workbook(io.BytesIO(render(Form.XLSX, document, bare, Shown())))
    assert "Lethality" not in book.sheetnames
