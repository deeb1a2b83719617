"""Draws the report as one HTML file: nothing is fetched, it prints well, and it can be zoomed."""

from __future__ import annotations

from importlib.resources import files

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from ovenwright.reporting.document import Bars, Block, Document, OvenPlan, TimeChart
from ovenwright.reporting.ink import COLOURS, DARK_COLOURS, PAGE
from ovenwright.reporting.svg_plan import bars, oven_plan
from ovenwright.reporting.svg_time import time_chart


def _template(name: str) -> str:
    return (files("ovenwright.reporting") / "templates" / name).read_text(encoding="utf-8")


def _picture(block: Block) -> Markup:
    if isinstance(block, TimeChart):
        drawn = time_chart(block, PAGE)
    elif isinstance(block, OvenPlan):
        drawn = oven_plan(block, PAGE)
    elif isinstance(block, Bars):
        drawn = bars(block, PAGE)
    else:
        raise TypeError(type(block).__name__)
    return Markup(drawn)  # noqa: S704  # our own drawing, its words escaped where it is made


def _kind(block: Block) -> str:
    return type(block).__name__


def render_html(document: Document) -> bytes:
    """Return the report as one self-contained HTML file in UTF-8."""
    env = Environment(
        loader=FunctionLoader(_template),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=False,
    )
    css = _template("report.css")
    for place, colours in (("/*LIGHT*/", COLOURS), ("/*DARK*/", DARK_COLOURS)):
        css = css.replace(place, " ".join(f"--line-{i}: {c};" for i, c in enumerate(colours)))
    page = env.get_template("report.html.j2").render(
        doc=document,
        css=Markup(css),  # noqa: S704  # our own file
        script=Markup(_template("report.js")),  # noqa: S704  # our own file
        picture=_picture,
        kind_of=_kind,
    )
    return page.encode("utf-8")
