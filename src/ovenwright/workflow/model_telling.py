"""What the product model found, as a page: a forecast, a fit, an explanation, an advice."""

from __future__ import annotations

from pathlib import Path

from ovenwright.errors import UsageError
from ovenwright.modelling.requirements_ahead import Meeting
from ovenwright.reporting.document import (
    Bars,
    Block,
    Document,
    Paragraph,
    Points,
    Section,
    TimeChart,
)
from ovenwright.reporting.html import render_html
from ovenwright.reporting.ink import PAPER
from ovenwright.reporting.model_facts import (
    choices_table,
    fit_charts,
    funnel_charts,
    heat_table,
    held_bars,
    model_document,
    passings_table,
    trade_off,
)
from ovenwright.reporting.svg_plan import bars
from ovenwright.reporting.svg_time import time_chart
from ovenwright.reporting.words import Shown, clock
from ovenwright.workflow import advising, explaining
from ovenwright.workflow.fitting import FitTold
from ovenwright.workflow.forecasting import CAUTION, Forecast
from ovenwright.workflow.telling import write_whole

ENDINGS = (".html", ".pdf", ".svg")

_FIT_CAUTION = (
    "Fitted bodies are what the readings and the priors together make likely, not what was measured. "
    "What the readings could not narrow stays at its prior."
)


def forecast_document(told: Forecast, shown: Shown, *, zero_s: float = 0.0) -> Document:
    """Return a forecast as a document; its times count from ``zero_s`` of the run."""
    passings = [(c.name, p) for c in told.channels for p in c.passes]
    charts = funnel_charts(told.funnels, passings, shown, until_s=told.until_s, zero_s=zero_s)
    refused = tuple(f"{c.name}: {c.refused}" for c in told.channels if c.refused)
    meets = tuple(_meeting_words(m, zero_s) for c in told.channels for m in c.meets)
    blocks: list[Block] = [*charts, passings_table(passings, shown, zero_s=zero_s)]
    if meets:
        blocks.append(Points("Requirements of the plan", meets))
    if refused:
        blocks.append(Points("No forecast", refused))
    blocks.append(Points("Rests on", told.rests_on))
    headline = charts[0].alt if charts else "Nothing is left to be foreseen."
    return model_document(
        title="Forecast",
        subtitle=f"{told.run_id}, surroundings {told.surroundings}",
        run_id=told.run_id,
        headline=headline,
        caution=CAUTION,
        shown=shown,
        first_page=blocks,
    )


def _meeting_words(one: Meeting, zero_s: float) -> str:
    """Say when a channel meets a requirement."""
    begins = f"{one.requirement}, {one.channel}: "
    if one.median_s is None or one.interval_90 is None:
        return begins + "it is more likely than not that it is never met as heating goes on"
    if one.met:
        return begins + (
            f"met at {clock(one.median_s - zero_s)} by the readings as they are; "
            "a verdict counts the sensor's doubt as well"
        )
    first, last = (clock(t - zero_s) for t in one.interval_90)
    late = ", or later" if one.open_ended else ""
    return begins + f"likely at {clock(one.median_s - zero_s)}, nine in ten {first} to {last}{late}"


def fit_document(told: FitTold, shown: Shown) -> Document:
    """Return fitted runs as a document, a section each."""
    sections = []
    for i, run in enumerate(told.runs):
        blocks: list[Block] = [*fit_charts(run.curves, shown, ident=f"-{i}")]
        for channel in run.channels:
            narrowed = [p.words for p in channel.parameters if p.told]
            kept = [p.words for p in channel.parameters if not p.told]
            blocks.append(
                Points(
                    channel.name,
                    tuple(
                        words
                        for words in (
                            f"narrowed by the readings: {'; '.join(narrowed) or 'nothing'}",
                            f"as before the readings: {'; '.join(kept) or 'nothing'}",
                            channel.misfit,
                        )
                        if words
                    ),
                )
            )
        if run.refused:
            blocks.append(
                Points("Not fitted", tuple(f"{n}: {why}" for n, why in run.refused.items()))
            )
        blocks.append(Points("Rests on", run.notes))
        sections.append(Section(f"run-{i}", run.run_id, tuple(blocks)))
    names = ", ".join(r.run_id for r in told.runs)
    misfits = [f"{c.name}: {c.misfit}" for r in told.runs for c in r.channels if c.misfit]
    return model_document(
        title="Fit",
        subtitle=names,
        run_id=told.runs[0].run_id,
        headline=" ".join(misfits)
        or "No misfit stands out beyond how far real bodies usually depart from the model.",
        caution=_FIT_CAUTION,
        shown=shown,
        first_page=(),
        sections=sections,
    )


def explained_document(told: explaining.Told, shown: Shown) -> Document:
    """Return an explanation as a document."""
    e = told.explained
    around = tuple(f"surroundings of {name}: {what}" for name, what in told.around.items())
    return model_document(
        title=f"Why {e.slow} was the slowest",
        subtitle=told.run_id,
        run_id=told.run_id,
        headline=told.words[0],
        caution=explaining.CAUTION,
        shown=shown,
        first_page=(
            *(Paragraph(w) for w in told.words[1:]),
            held_bars(e),
            heat_table(e, shown),
            Points("Rests on", (*around, *told.rests_on)),
        ),
    )


def advice_document(told: advising.Advised, shown: Shown) -> Document:
    """Return advice as a document."""
    picture = trade_off(told.advice)
    return model_document(
        title="Advice",
        subtitle=told.run_id,
        run_id=told.run_id,
        headline=told.words[0] if told.words else "",
        caution=advising.CAUTION,
        shown=shown,
        first_page=(
            *(Paragraph(w) for w in told.words[1:]),
            *([] if picture is None else [picture]),
            choices_table(told.advice),
            Points("Rests on", told.rests_on),
            Points("Not told", told.not_told),
        ),
    )


def check_ending(file: Path) -> None:
    """Refuse a file that can't be written, before anything is worked out.

    Raises
    ------
    UsageError : if the ending is none of `ENDINGS`
    """
    if file.suffix.lower() not in ENDINGS:
        raise UsageError(
            f"a page can't be written as {file.suffix or 'a file without an ending'!r}",
            where=str(file),
            remedy=f"end the name with one of {', '.join(ENDINGS)}",
        )


def write_page(document: Document, file: Path) -> None:
    """Write a document: HTML or PDF whole, SVG its first picture alone.

    Raises
    ------
    UsageError : if the ending is unknown, or there is no picture for an SVG
    StorageTrouble : if the file can't be written
    """
    check_ending(file)
    ending = file.suffix.lower()
    if ending == ".html":
        content = render_html(document)
    elif ending == ".pdf":
        from ovenwright.reporting.pdf import render_pdf

        content = render_pdf(document)
    else:
        blocks = (*document.first_page, *(b for s in document.sections for b in s.blocks))
        picture = next((b for b in blocks if isinstance(b, TimeChart | Bars)), None)
        if picture is None:
            raise UsageError(
                "there is nothing to draw",
                where=str(file),
                remedy="write .html or .pdf for the words alone",
            )
        drawn = (
            time_chart(picture, PAPER) if isinstance(picture, TimeChart) else bars(picture, PAPER)
        )
        content = drawn.encode()
    write_whole(file, content)
