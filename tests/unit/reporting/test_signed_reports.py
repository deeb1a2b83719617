"""Signatures in reports: 21 CFR 11.50 asks for name, time and meaning in every readable form."""

import io
import re
from html import unescape

import openpyxl
import pytest
from pypdf import PdfReader

from ovenwright.domain.people import Signature
from ovenwright.domain.plan import Plan
from ovenwright.domain.run import Run
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.document import Document, Table
from ovenwright.reporting.facts import Occasion, tell
from ovenwright.reporting.render import Form, render
from ovenwright.reporting.signed_facts import SignedLine, with_signatures
from ovenwright.reporting.words import Shown

SHOWN = Shown(fahrenheit=False, time_zone="Europe/Riga")
BROKEN = "the judgement was changed after it was signed"


def given(number: int, meaning: str, **more: str) -> Signature:
    facts = {
        "number": number,
        "at_ns": 1_772_600_000 * 10**9 + number,
        "name": "mira",
        "full_name": "Mira Ostrel",
        "role": "engineer",
        "meaning": meaning,
        "why": "",
        "run_id": "2026-03-03-0442-rye-ab12",
        "run_digest": "0" * 64,
        "judgement": "1",
        "judgement_sha256": "0" * 64,
        "verdict": "fail",
    }
    return Signature(**(facts | more))  # type: ignore[arg-type]


@pytest.fixture
def bare(verdict: Verdict, run: Run, plan: Plan) -> Document:
    return tell(verdict, run, plan, SHOWN, Occasion(made_ns=0))


@pytest.fixture
def signed(bare: Document) -> Document:
    lines = (
        SignedLine(given(2, "declined", full_name="Juris Kalns", why="burner"), here=False),
        SignedLine(given(1, "reviewed"), BROKEN),
        SignedLine(given(3, "approved", full_name="Ilze Ozola")),
    )
    return with_signatures(bare, lines, SHOWN)


def test_without_signatures_nothing_is_said(bare: Document) -> None:
    assert with_signatures(bare, (), SHOWN) is bare


def test_the_oldest_comes_first_and_each_says_whether_it_holds(signed: Document) -> None:
    (table,) = signed.sections[0].blocks
    assert isinstance(table, Table)
    rows = [[c.text for c in row] for row in table.rows]
    assert [r[0] for r in rows] == ["Mira Ostrel", "Juris Kalns", "Ilze Ozola"]
    assert [r[2] for r in rows] == ["reviewed", "declined", "approved"]
    assert rows[0][-1] == f"✗ broken: {BROKEN}"
    assert rows[2][-1] == "✓ holds"
    assert "another judgement" in rows[1][-2]
    # 1,772,600,000 s after 1970 is 2026-03-04 04:53:20 UTC (date -u -d @1772600000)
    assert {r[4] for r in rows} == {"2026-03-04 06:53:20 EET"}
    shorts = [value for name, value in signed.facts if name == "signed"]
    assert shorts[0] == "reviewed, Mira Ostrel, 2026-03-04 06:53:20 EET: broken"
    assert shorts[1].startswith("declined (another judgement), Juris Kalns")


@pytest.mark.parametrize("form", list(Form))
def test_every_format_shows_them(form: Form, signed: Document, verdict: Verdict) -> None:
    content = render(form, signed, verdict, SHOWN)
    if form is Form.HTML:
        text = unescape(re.sub(r"<[^>]+>", " ", content.decode()))
    elif form is Form.PDF:
        text = " ".join(p.extract_text() for p in PdfReader(io.BytesIO(content)).pages)
    else:
        book = openpyxl.load_workbook(io.BytesIO(content), read_only=True)
        text = " ".join(
            str(cell)
            for name in ("Summary", "Results")
            for row in book[name].iter_rows(values_only=True)
            for cell in row
            if cell is not None
        )
        book.close()
    squeezed = re.sub(r"\s+", "", text)
    for word in ("Mira Ostrel", "Ilze Ozola", "declined", "2026-03-04 06:53:20 EET", "holds"):
        assert word.replace(" ", "") in squeezed
    assert BROKEN.replace(" ", "") in squeezed
