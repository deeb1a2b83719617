"""Draws the report as a tagged PDF through Typst, with the fonts that Typst carries."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from typing import Any

import typst

from ovenwright.reporting.document import (
    Bars,
    Block,
    Callout,
    Document,
    OvenPlan,
    Paragraph,
    Points,
    Table,
    TimeChart,
)
from ovenwright.reporting.ink import PAPER
from ovenwright.reporting.svg_plan import bars, oven_plan
from ovenwright.reporting.svg_time import time_chart

_INK = replace(PAPER, font="Libertinus Serif, DejaVu Sans Mono")


def render_pdf(document: Document) -> bytes:
    """Return the report as a PDF; the same document gives the same bytes."""
    template = (files("ovenwright.reporting") / "templates" / "report.typ").read_bytes()
    data = {
        "title": document.title,
        "subtitle": document.subtitle,
        "footer": document.footer,
        "facts": [list(f) for f in document.facts],
        "first_page": [_block(b) for b in document.first_page],
        "sections": [
            {"title": s.title, "blocks": [_block(b) for b in s.blocks]} for s in document.sections
        ],
    }
    return bytes(
        typst.compile(
            template,
            format="pdf",
            sys_inputs={"document": json.dumps(data, ensure_ascii=False, allow_nan=False)},
            ignore_system_fonts=True,
            pdf_standards=["ua-1"],
            timestamp=0,
        )
    )


def _block(block: Block) -> dict[str, Any]:
    kind = type(block).__name__
    if isinstance(block, Table):
        return {
            "kind": kind,
            "title": block.title,
            "columns": [
                {"name": c.name, "number": c.number, "width": c.width} for c in block.columns
            ],
            "rows": [[{"text": c.text, "tone": c.tone.value} for c in row] for row in block.rows],
            "note": block.note,
            "empty": block.empty,
        }
    if isinstance(block, Callout):
        return {"kind": kind, "tone": block.tone.value, "title": block.title, "text": block.text}
    if isinstance(block, Paragraph):
        return {"kind": kind, "text": block.text}
    if isinstance(block, Points):
        return {"kind": kind, "title": block.title, "items": list(block.items)}
    return {
        "kind": kind,
        "title": block.title,
        "alt": block.alt,
        "note": block.note,
        "svg": _drawn(block),
    }


def _drawn(block: TimeChart | OvenPlan | Bars) -> str:
    if isinstance(block, TimeChart):
        return time_chart(block, _INK, width=800, height=370)
    if isinstance(block, OvenPlan):
        return oven_plan(block, _INK, width=840)
    return bars(block, _INK, width=840)
