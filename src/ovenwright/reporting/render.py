"""The door of the room: results to bytes, in each format."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

from ovenwright.domain.verdict import Verdict
from ovenwright.reporting.degrees import all_in_fahrenheit
from ovenwright.reporting.document import Document
from ovenwright.reporting.words import Shown


class Form(StrEnum):
    """The formats a report can take; the value is the file's ending."""

    XLSX = "xlsx"
    PDF = "pdf"
    HTML = "html"


def render(form: Form, document: Document, verdict: Verdict, shown: Shown) -> bytes:
    """Return the report in one format.

    Parameters
    ----------
    form : the format
    document : the facts, said once for all formats
    verdict : for the spreadsheet's readings and live formulas
    shown : the unit and time zone people see
    """
    if document.unit == "°F":  # whatever was worded in °C on its way here
        document = all_in_fahrenheit(document)
    drawers: dict[Form, Callable[[], bytes]] = {
        Form.XLSX: lambda: _xlsx(document, verdict, shown),
        Form.PDF: lambda: _pdf(document),
        Form.HTML: lambda: _html(document),
    }
    return drawers[form]()


def _xlsx(document: Document, verdict: Verdict, shown: Shown) -> bytes:
    from ovenwright.reporting.xlsx import render_xlsx

    return render_xlsx(document, verdict, shown)


def _pdf(document: Document) -> bytes:
    from ovenwright.reporting.pdf import render_pdf

    return render_pdf(document)


def _html(document: Document) -> bytes:
    from ovenwright.reporting.html import render_html

    return render_html(document)
