"""The facts of a comparison of two runs, as blocks any format can draw."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ovenwright import __version__
from ovenwright.domain.comparison import ChannelDifference, Comparison, MeasureDifference
from ovenwright.domain.results import Unit
from ovenwright.reporting.charts import thin
from ovenwright.reporting.document import (
    Block,
    Callout,
    Cell,
    Column,
    Document,
    Limit,
    Line,
    Points,
    Section,
    Table,
    TimeChart,
    Tone,
)
from ovenwright.reporting.words import DASH, MOST_LOG, Shown, clock, plain


def tell_comparison(comparison: Comparison, shown: Shown) -> Document:
    """Return a comparison as a document."""
    apart = [m for m in comparison.measures if _apart(m)]
    drifted = [c for c in comparison.channels if c.outside_share > 0.1]
    if comparison.same_run:
        tone, title = Tone.OPEN, "= the same run"
        a, b = comparison.reference_id, comparison.other_id
        both = f"Both are {a}" if a == b else f"{a} and {b} hold the same sealed readings"
        text = f"{both}: nothing can differ. Name another run to hold against it."
    elif apart or drifted:
        parts = []
        if apart:
            parts.append(f"{_of(apart, comparison.measures, 'measures')} beyond doubt")
        if drifted:
            parts.append(
                f"{_of(drifted, comparison.channels, 'channels')} beyond doubt for more than a tenth "
                "of the time: " + ", ".join(c.channel for c in drifted)
            )
        tone, title, text = Tone.OPEN, "≠ different", ". ".join(parts) + "."
    else:
        tone, title = Tone.GOOD, "≈ no difference beyond doubt"
        text = "What differs lies within the uncertainty of the two runs."
    first: list[Block] = [
        Callout(tone, title, text),
        differences_chart(comparison, shown),
        channel_table(comparison, shown),
        measure_table(comparison, shown),
        Points("Notes", comparison.notes),
    ]
    pictures = tuple(pair_chart(c, shown) for c in comparison.channels)
    first_s, second_s = comparison.process_s
    return Document(
        title=f"{comparison.other_id} against {comparison.reference_id}",
        subtitle=f"aligned at load-in; in the oven {clock(first_s)} and {clock(second_s)}",
        run_id=comparison.other_id,
        digest="",
        unit=shown.temperature_unit,
        outcome=title[2:],
        headline=text,
        first_page=tuple(first),
        sections=(Section("channels", "Channel by channel", pictures),),
        footer=f"{comparison.other_id} against {comparison.reference_id} · Ovenwright {__version__}",
        facts=(
            ("reference run", comparison.reference_id),
            ("other run", comparison.other_id),
            ("only in the reference", ", ".join(comparison.only_reference) or "–"),
            ("only in the other", ", ".join(comparison.only_other) or "–"),
        ),
    )


def _of(some: Sequence[object], all_: Sequence[object], what: str) -> str:
    return f"{len(some)} of {len(all_)} {what} {'differs' if len(some) == 1 else 'differ'}"


def _past_counting(m: MeasureDifference) -> bool:
    """Tell whether both kills are past counting: how far apart they are then means nothing."""
    return m.unit is Unit.LOG10 and min(m.reference, m.other) > MOST_LOG


def _apart(m: MeasureDifference) -> bool:
    return m.beyond_doubt and not _past_counting(m)


def channel_table(comparison: Comparison, shown: Shown) -> Table:
    """Return the differences channel by channel."""
    degree = shown.degree
    return Table(
        id="channel-differences",
        title="Other run minus reference run",
        columns=(
            Column("channel", width=1.6),
            Column("role"),
            Column(f"mean, {degree}", number=True),
            Column(f"± U, {degree}", number=True),
            Column(f"largest, {degree}", number=True),
            Column("at", number=True),
            Column("time beyond doubt", number=True, width=1.4),
        ),
        rows=tuple(
            (
                Cell(c.channel),
                Cell(c.role),
                shown.kelvin(c.mean_k),
                shown.kelvin(2 * c.mean_standard_k),
                shown.kelvin(c.largest_k),
                Cell(clock(c.largest_at_s)),
                Cell(
                    f"{plain(100 * c.outside_share, 0)} %",
                    tone=Tone.OPEN if c.outside_share > 0.1 else Tone.PLAIN,
                ),
            )
            for c in comparison.channels
        ),
        note="U is two standard uncertainties of the difference; times in m:ss since load-in.",
    )


def measure_table(comparison: Comparison, shown: Shown) -> Table:
    """Return the differences of what the plan asks for."""
    rows = []
    for m in comparison.measures:
        decimals = shown.decimals(m.standard_uncertainty, m.unit)
        gap = shown.spread(m.difference, m.unit)
        beyond = _past_counting(m)
        rows.append(
            (
                Cell(m.name),
                Cell(m.channel or "whole oven"),
                shown.measure(m.reference, m.unit, decimals),
                shown.measure(m.other, m.unit, decimals),
                Cell(DASH, tone=Tone.QUIET)
                if beyond or not math.isfinite(gap)
                else Cell(plain(gap, decimals), gap, decimals),
                shown.uncertainty(2 * m.standard_uncertainty, m.unit, decimals),
                Cell(f"both > {MOST_LOG}", tone=Tone.QUIET)
                if beyond
                else Cell(
                    "beyond doubt" if m.beyond_doubt else "within doubt",
                    tone=Tone.OPEN if m.beyond_doubt else Tone.QUIET,
                ),
            )
        )
    return Table(
        id="measure-differences",
        title="What the plan asks for, in both runs",
        columns=(
            Column("requirement", width=2.0),
            Column("channel", width=1.4),
            Column("reference", number=True),
            Column("other", number=True),
            Column("difference", number=True),
            Column("± U", number=True),
            Column("apart", width=1.2),
        ),
        rows=tuple(rows),
        empty="the plan asks for nothing that both runs answer",
    )


def differences_chart(comparison: Comparison, shown: Shown) -> TimeChart:
    """Return the differences of all channels over time."""
    scale = 1.8 if shown.fahrenheit else 1.0
    lines = tuple(
        Line(
            c.channel,
            c.role,
            i,
            *thin(c.since_load_s / 60.0, (c.other_c - c.reference_c) * scale),
        )
        for i, c in enumerate(comparison.channels)
    )
    degree = shown.degree
    worst = max(
        comparison.channels, key=lambda c: abs(c.largest_k) if math.isfinite(c.largest_k) else -1.0
    )
    return TimeChart(
        id="differences",
        title="Difference over time",
        alt=f"Other run minus reference run, largest {plain(shown.difference(worst.largest_k), 1)} "
        f"{degree} on {worst.channel} at {clock(worst.largest_at_s)}.",
        x_label="minutes since load-in",
        y_label=f"other minus reference, {degree}",
        lines=lines,
        limits=(Limit(0.0, "no difference"),),
    )


def pair_chart(c: ChannelDifference, shown: Shown) -> TimeChart:
    """Return one channel of both runs, the reference with its band."""
    step = max(1, c.since_load_s.size // 600)
    x = c.since_load_s[::step] / 60.0
    scale = 1.8 if shown.fahrenheit else 1.0
    offset = 32.0 if shown.fahrenheit else 0.0
    reference = c.reference_c[::step] * scale + offset
    other = c.other_c[::step] * scale + offset
    return TimeChart(
        id=f"pair-{c.channel.replace(' ', '-')}",
        title=c.channel,
        alt=f"{c.channel} in both runs; mean difference {plain(shown.difference(c.mean_k), 2)}, "
        f"largest {plain(shown.difference(c.largest_k), 2)} at {clock(c.largest_at_s)}.",
        x_label="minutes since load-in",
        y_label=f"temperature, {shown.temperature_unit}",
        lines=(
            Line("reference", c.role, 0, x, reference, 2.0 * scale * c.standard_k[::step]),
            Line("other", c.role, 1, x, other),
        ),
        note="The band is two standard uncertainties of the difference, about the reference run.",
    )


def comparison_answer(comparison: Comparison) -> dict[str, object]:
    """Return a comparison as plain data for machines."""
    return {
        "reference": comparison.reference_id,
        "other": comparison.other_id,
        "same_run": comparison.same_run,
        "channels": [
            {
                "channel": c.channel,
                "role": c.role,
                "mean_k": c.mean_k,
                "mean_standard_uncertainty_k": c.mean_standard_k,
                "largest_k": c.largest_k,
                "largest_at_s": c.largest_at_s,
                "share_beyond_doubt": c.outside_share,
            }
            for c in comparison.channels
        ],
        "measures": [
            {
                "name": m.name,
                "channel": m.channel,
                "unit": m.unit.value,
                "reference": m.reference,
                "other": m.other,
                "difference": m.difference,
                "standard_uncertainty": m.standard_uncertainty,
                "beyond_doubt": m.beyond_doubt,
            }
            for m in comparison.measures
        ],
        "only_reference": list(comparison.only_reference),
        "only_other": list(comparison.only_other),
        "notes": list(comparison.notes),
    }
