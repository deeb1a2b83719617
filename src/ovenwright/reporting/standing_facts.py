"""The facts of a run held against several others, as blocks any format can draw."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from ovenwright import __version__
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.standing import ChannelStanding, MeasureStanding, RoleStanding, Standing
from ovenwright.reporting.charts import thin
from ovenwright.reporting.document import (
    Area,
    Block,
    Callout,
    Cell,
    Column,
    Document,
    Line,
    Points,
    Section,
    Table,
    TimeChart,
    Tone,
)
from ovenwright.reporting.words import DASH, MOST_LOG, Shown, clock, plain

_MUCH = 0.1  # a channel that much of the time outside the band is named at the top
_NEUTRAL = -1  # the look of the others: no channel's colour


def tell_standing(
    standing: Standing, shown: Shown, *, named: Mapping[str, str] | None = None
) -> Document:
    """Return where a run stands among others as a document.

    ``named`` gives runs the words people know them by; a run that it lacks keeps its id.
    """
    names = named or {}
    title = f"{names.get(standing.run_id, standing.run_id)} among {_runs(standing)}"
    callout = _verdict(standing)
    first: list[Block] = [
        callout,
        *(role_chart(r, standing, shown) for r in standing.roles),
        standing_table(standing, shown),
        outside_table(standing, shown),
        Points("Notes", notes_of(standing, names)),
    ]
    return Document(
        title=title,
        subtitle=f"aligned at load-in; in the oven {clock(standing.process_s)}, "
        f"the others {_range_of(standing.others_process_s)}",
        run_id=standing.run_id,
        digest="",
        unit=shown.temperature_unit,
        outcome=callout.title[2:],
        headline=callout.text,
        first_page=tuple(first),
        sections=(Section("others", "The other runs", (others_table(standing, names),)),),
        footer=f"{title} · Ovenwright {__version__}",
        facts=(("this run", standing.run_id), ("held against", _runs(standing))),
    )


def _runs(standing: Standing) -> str:
    return f"{len(standing.other_ids)} other runs"


def _range_of(process_s: tuple[float, ...]) -> str:
    low, high = clock(min(process_s)), clock(max(process_s))
    return low if low == high else f"{low} to {high}"


def _verdict(standing: Standing) -> Callout:
    outside = [m for m in standing.measures if m.outside]
    sure = [m for m in outside if m.beyond_doubt]
    drifted = [c for r in standing.roles for c in r.channels if c.share_beyond_doubt > _MUCH]
    parts = []
    if outside:
        parts.append(
            f"{len(outside)} of {len(standing.measures)} measures "
            f"{'lies' if len(outside) == 1 else 'lie'} outside all the others, "
            f"{_how_many(len(sure), len(outside))} beyond doubt"
        )
    if drifted:
        parts.append(
            "outside the band beyond doubt for more than a tenth of the time: "
            + ", ".join(c.channel for c in drifted)
        )
    text = ". ".join(p[0].upper() + p[1:] for p in parts) + "." if parts else ""
    if sure or drifted:
        return Callout(Tone.OPEN, "≠ outside the others", text)
    if outside:
        return Callout(Tone.PLAIN, "≈ at the edge of the others", text)
    if not standing.measures:
        told = "The plan asks for nothing that the others answer too; see the pictures."
        return Callout(Tone.PLAIN, "≈ among the others", told)
    return Callout(
        Tone.GOOD,
        "≈ among the others",
        "Every measure lies within the range of the others.",
    )


def _how_many(some: int, all_: int) -> str:
    return "none of them" if not some else "all of them" if some == all_ else f"{some} of them"


def notes_of(standing: Standing, names: Mapping[str, str]) -> tuple[str, ...]:
    """Return what a reader must know to weigh the answer."""
    count = len(standing.other_ids)
    out = [
        f"A range is no limit: a run like these {count} lies outside it by chance in "
        f"{plain(100 * standing.by_chance, 0)} % of cases, in each measure (2 / ({count} + 1), "
        "Wilks 1941). The more runs, the more it means.",
        "A band reaches from the lowest to the highest channel of its role in any of the other "
        "runs; the dash-dotted line is their median.",
    ]
    shorter = [r for r in standing.roles if np.any(r.runs < r.runs.max())]
    for role in shorter:
        fewer = np.flatnonzero(role.runs < role.runs.max())
        out.append(
            f"{role.role}: from {clock(float(role.since_load_s[fewer[0]]))} on, some moments rest "
            f"on fewer than {int(role.runs.max())} runs."
        )
    if standing.lonely:
        out.append("No other run has the role of: " + ", ".join(standing.lonely) + ".")
    out += [f"Left out: {run}: {why}." for run, why in standing.left_out]
    return tuple(_in_names(words, names) for words in out)


def _in_names(words: str, names: Mapping[str, str]) -> str:
    for run, name in names.items():
        words = words.replace(run, name)
    return words


def role_chart(role: RoleStanding, standing: Standing, shown: Shown) -> TimeChart:
    """Return the others' band of a role with this run's channels over it."""
    minutes = role.since_load_s / 60.0

    def scale(temp_c: FloatArray) -> FloatArray:
        return temp_c * 1.8 + 32.0 if shown.fahrenheit else temp_c

    worst = max(role.channels, key=lambda c: abs(c.outside_k) if _told(c) else -1.0)
    lines = [Line("median", role.role, _NEUTRAL, *thin(minutes, scale(role.median_c)))]
    lines += [
        Line(c.channel, role.role, i, *thin(minutes, scale(c.temp_c)))
        for i, c in enumerate(role.channels)
    ]
    return TimeChart(
        id=f"band-{role.role}",
        title=f"{role.role}: this run over {_runs(standing)}",
        alt=f"The band of {_runs(standing)} and this run's {role.role} channels. "
        + (_where_outside(worst, shown) if _told(worst) else "No readings at the same moments."),
        x_label="minutes since load-in",
        y_label=f"temperature, {shown.temperature_unit}",
        lines=tuple(lines),
        areas=(Area(minutes, scale(role.low_c), scale(role.high_c), _NEUTRAL, 1.0),),
        note="Shaded: lowest to highest of the others. Dash-dotted: their median.",
    )


def _told(c: ChannelStanding) -> bool:
    return math.isfinite(c.outside_k)


def _where_outside(c: ChannelStanding, shown: Shown) -> str:
    if c.outside_k == 0.0:
        return "All within the band."
    side = "above" if c.outside_k > 0 else "below"
    gap = plain(abs(shown.difference(c.outside_k)), 1)
    return (
        f"Furthest outside: {c.channel}, {gap} {shown.degree} {side} it at {clock(c.outside_at_s)}."
    )


def place_words(m: MeasureStanding) -> str:
    """Return where this run stands among the others in one measure."""
    count = len(m.others)
    if not math.isfinite(m.value):
        return "not evaluated"
    if m.uncountable:
        return f"all > {MOST_LOG}"
    if m.lower == count:
        said = f"above all {count}"
    elif m.higher == count:
        said = f"below all {count}"
    else:
        parts = [
            (m.lower, f"{m.lower} lower"),
            (m.alike, f"{m.alike} alike"),
            (m.higher, f"{m.higher} higher"),
        ]
        return ", ".join(words for number, words in parts if number)
    return f"{said}, {'beyond' if m.beyond_doubt else 'within'} doubt"


def standing_table(standing: Standing, shown: Shown) -> Table:
    """Return each measure of the plan: this run, the others' range, where this one stands."""
    rows = []
    for m in standing.measures:
        decimals = shown.decimals(m.standard, m.unit)
        rows.append(
            (
                Cell(m.name),
                Cell(m.channel or "whole oven"),
                shown.measure(m.value, m.unit, decimals),
                shown.uncertainty(2 * m.standard, m.unit, decimals),
                shown.measure(m.lowest, m.unit, decimals),
                shown.measure(m.median, m.unit, decimals),
                shown.measure(m.highest, m.unit, decimals),
                Cell(
                    place_words(m),
                    tone=Tone.OPEN if m.outside and m.beyond_doubt else Tone.PLAIN,
                ),
            )
        )
    return Table(
        id="standing",
        title="What the plan asks for: this run and the others",
        columns=(
            Column("requirement", width=2.0),
            Column("channel", width=1.4),
            Column("this run", number=True),
            Column("± U", number=True),
            Column("lowest", number=True),
            Column("median", number=True),
            Column("highest", number=True),
            Column("where this run stands", width=1.8),
        ),
        rows=tuple(rows),
        note="U is two standard uncertainties of this run's value. "
        "Outside is beyond doubt where the gap to the nearest of the others is more than the two "
        "runs' uncertainties can make.",
        empty="the plan asks for nothing that the others answer",
    )


def outside_table(standing: Standing, shown: Shown) -> Table:
    """Return how long and how far each channel lies outside the band of its role."""
    rows = []
    for role in standing.roles:
        for c in role.channels:
            if not _told(c):
                blank = Cell(DASH, tone=Tone.QUIET)
                rows.append((Cell(c.channel), Cell(role.role), *[blank] * 5))
                continue
            much = c.share_beyond_doubt > _MUCH
            outside = c.outside_k != 0.0
            quiet = Cell(DASH, tone=Tone.QUIET)
            rows.append(
                (
                    Cell(c.channel),
                    Cell(role.role),
                    Cell(f"{plain(100 * c.share_outside, 0)} %"),
                    Cell(
                        f"{plain(100 * c.share_beyond_doubt, 0)} %",
                        tone=Tone.OPEN if much else Tone.PLAIN,
                    ),
                    shown.kelvin(c.outside_k) if outside else quiet,
                    shown.kelvin(2 * c.outside_standard_k) if outside else quiet,
                    Cell(clock(c.outside_at_s)) if outside else quiet,
                )
            )
    return Table(
        id="outside-band",
        title="This run's channels against the band",
        columns=(
            Column("channel", width=1.6),
            Column("role"),
            Column("time outside", number=True),
            Column("beyond doubt", number=True),
            Column(f"furthest, {shown.degree}", number=True),
            Column(f"± U, {shown.degree}", number=True),
            Column("at", number=True),
        ),
        rows=tuple(rows),
        note="Times in m:ss since load-in; U is two standard uncertainties of the difference.",
    )


def others_table(standing: Standing, names: Mapping[str, str]) -> Table:
    """Return the runs that this one is held against."""
    return Table(
        id="others",
        title="The other runs",
        columns=(Column("run", width=3.0), Column("in the oven", number=True)),
        rows=tuple(
            (Cell(names.get(run, run)), Cell(clock(seconds)))
            for run, seconds in zip(standing.other_ids, standing.others_process_s, strict=True)
        ),
    )


def standing_answer(standing: Standing) -> dict[str, object]:
    """Return where a run stands among others as plain data for machines: °C, K and seconds."""
    return {
        "reference": standing.run_id,
        "others": list(standing.other_ids),
        "by_chance": standing.by_chance,
        "process_s": standing.process_s,
        "others_process_s": list(standing.others_process_s),
        "measures": [
            {
                "name": m.name,
                "channel": m.channel,
                "unit": m.unit.value,
                "value": m.value,
                "standard_uncertainty": m.standard,
                "lowest": m.lowest,
                "median": m.median,
                "highest": m.highest,
                "lower": m.lower,
                "alike": m.alike,
                "higher": m.higher,
                "outside": m.outside,
                "beyond_doubt": m.beyond_doubt,
                "stands": place_words(m),
                "others": dict(m.others),
            }
            for m in standing.measures
        ],
        "roles": [
            {
                "role": r.role,
                "channels": [
                    {
                        "channel": c.channel,
                        "share_outside": c.share_outside,
                        "share_beyond_doubt": c.share_beyond_doubt,
                        "furthest_outside_k": c.outside_k,
                        "standard_uncertainty_k": c.outside_standard_k,
                        "at_s": c.outside_at_s,
                    }
                    for c in r.channels
                ],
            }
            for r in standing.roles
        ],
        "lonely": list(standing.lonely),
        "left_out": [{"run": run, "why": why} for run, why in standing.left_out],
    }
