"""What the product model says, as pictures and blocks any format can draw."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ovenwright import __version__
from ovenwright.analysis.registry import declared_measures
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.results import Unit
from ovenwright.modelling.advising import Advice
from ovenwright.modelling.curves import FittedCurve, Funnel
from ovenwright.modelling.explaining import Explained
from ovenwright.modelling.forecasting import Passing
from ovenwright.modelling.knobs import Knob, Turns
from ovenwright.modelling.weighing import Choice, Foreseen
from ovenwright.reporting.charts import thin
from ovenwright.reporting.document import (
    Area,
    Bars,
    Block,
    Callout,
    Cell,
    Column,
    Document,
    Limit,
    Line,
    Section,
    Spot,
    Table,
    TimeChart,
    Tone,
)
from ovenwright.reporting.words import MOST_LOG, Shown, clock, limit_decimals, plain

_TOGETHER = 4
"""So many funnels are drawn in one picture; more get one each, for bands hide each other."""


def funnel_chart(
    funnels: Sequence[Funnel],
    passings: Sequence[tuple[str, Passing]],
    shown: Shown,
    *,
    until_s: float,
    zero_s: float = 0.0,
    ident: str = "forecast",
    title: str = "What is foreseen",
) -> TimeChart:
    """Return channels as seen so far and the bands they are foreseen in.

    Parameters
    ----------
    funnels : one a channel
    passings : (channel, passing) pairs; each foreseen one gets a ring at its likely moment
    until_s : the moment up to which readings were used, the run's elapsed seconds
    zero_s : where the axis of time begins, likewise
    """
    look = {f.name: i for i, f in enumerate(funnels)}
    lines, areas, words = [], [], []
    for f in funnels:
        x = (f.ahead_s - zero_s) / 60.0
        band = _scale(f.band_c, shown)
        here = f.seen_s >= min(zero_s, until_s)
        px, py = thin((f.seen_s[here] - zero_s) / 60.0, _scale(f.seen_c[here], shown))
        # seen and likely are one line, so that a channel has one name and one marker
        lines.append(Line(f.name, "core", look[f.name], np.append(px, x), np.append(py, band[2])))
        areas += [
            Area(x, band[0], band[4], look[f.name], 0.9),
            Area(x, band[1], band[3], look[f.name], 0.5),
        ]
    levels = sorted({p.temp_c for _, p in passings})
    spots = []
    for name, p in passings:
        if p.passed or name not in look:
            continue
        spots.append(
            Spot(
                (p.median_s - zero_s) / 60.0,
                shown.temperature(p.temp_c),
                f"{name} likely passes {_stated(p.temp_c, shown)} at {clock(p.median_s - zero_s)}",
                look[name],
            )
        )
        words.append(
            f"{name} likely passes {_stated(p.temp_c, shown)} at {clock(p.median_s - zero_s)}, nine in "
            f"ten {clock(p.interval_90[0] - zero_s)} to {clock(p.interval_90[1] - zero_s)}"
        )
    return TimeChart(
        id=ident,
        title=title,
        alt="; ".join(words) + "." if words else "Nothing is left to be passed.",
        x_label="minutes since load-in" if zero_s else "minutes since the first reading",
        y_label=f"temperature, {shown.temperature_unit}",
        lines=tuple(lines),
        limits=tuple(Limit(shown.temperature(v), _stated(v, shown)) for v in levels),
        spots=tuple(spots),
        events=(((until_s - zero_s) / 60.0, "known up to here"),),
        areas=tuple(areas),
        note="Left of the dotted line: readings. Right of it: the likely course, the dark band that "
        "holds half of the cases, the pale one that holds nine in ten.",
    )


def funnel_charts(
    funnels: Sequence[Funnel],
    passings: Sequence[tuple[str, Passing]],
    shown: Shown,
    *,
    until_s: float,
    zero_s: float = 0.0,
) -> tuple[TimeChart, ...]:
    """Return the funnels in one picture, or one picture each where there are many."""
    if not funnels:
        return ()
    if len(funnels) <= _TOGETHER:
        return (funnel_chart(funnels, passings, shown, until_s=until_s, zero_s=zero_s),)
    return tuple(
        funnel_chart(
            [f],
            [p for p in passings if p[0] == f.name],
            shown,
            until_s=until_s,
            zero_s=zero_s,
            ident=f"forecast-{i}",
            title=f.name,
        )
        for i, f in enumerate(funnels)
    )


def fit_charts(curves: Sequence[FittedCurve], shown: Shown, *, ident: str = "") -> list[TimeChart]:
    """Return what fitted bodies make of each channel, and what they miss of all of them."""
    charts = []
    for i, c in enumerate(curves):
        x = c.grid_s / 60.0
        band = _scale(c.band_c, shown)
        px, py = thin(c.seen_s / 60.0, _scale(c.seen_c, shown))
        far = float(np.nanmax(np.abs(c.miss_k))) if np.isfinite(c.miss_k).any() else math.nan
        charts.append(
            TimeChart(
                id=f"fit{ident}-{i}",
                title=f"{c.name}: readings and fitted bodies",
                alt=f"{c.name}: the middle of the fitted bodies is at most "
                f"{plain(shown.difference(far), 1)} {shown.degree} off its readings.",
                x_label="minutes since the first reading",
                y_label=f"temperature, {shown.temperature_unit}",
                lines=(
                    Line("readings", "core", 0, px, py),
                    Line("fitted bodies", "core", 1, x, band[2]),
                ),
                areas=(
                    Area(x, band[0], band[4], 1, 0.9),
                    Area(x, band[1], band[3], 1, 0.5),
                ),
                note="Dark band: half of the fitted bodies; pale band: nine in ten.",
            )
        )
    worst = max(
        (c for c in curves if np.isfinite(c.miss_k).any()),
        key=lambda c: float(np.nanmax(np.abs(c.miss_k))),
        default=None,
    )
    if worst is not None:
        at = int(np.nanargmax(np.abs(worst.miss_k)))
        charts.append(
            TimeChart(
                id=f"residuals{ident}",
                title="What the fitted bodies miss",
                alt=f"Readings minus the middle of the fitted bodies; largest "
                f"{plain(shown.difference(float(worst.miss_k[at])), 1)} {shown.degree} on {worst.name} "
                f"at {clock(float(worst.grid_s[at]))}.",
                x_label="minutes since the first reading",
                y_label=f"reading minus fitted, {shown.degree}",
                lines=tuple(
                    Line(
                        c.name,
                        "core",
                        i,
                        c.grid_s / 60.0,
                        c.miss_k * (1.8 if shown.fahrenheit else 1),
                    )
                    for i, c in enumerate(curves)
                ),
                limits=(Limit(0.0, "no difference"),),
                note="A curve that leaves zero and does not come back is no noise: the body, its "
                "surroundings or its sensor are not as the model has them.",
            )
        )
    return charts


def held_bars(explained: Explained) -> Bars:
    """Return how many minutes each factor cost the slowest place."""
    held = (*explained.held, explained.rest)
    said = "; ".join(
        f"{h.factor} {plain(h.median_s / 60, 1)} min "
        f"({plain(h.interval_90[0] / 60, 1)} to {plain(h.interval_90[1] / 60, 1)})"
        for h in held
    )
    return Bars(
        id="held-back",
        title=f"What held {explained.slow} back against {explained.other}",
        alt=f"Minutes that each cost, nine in ten in brackets: {said}.",
        unit="min",
        groups=(("later", tuple((h.factor, h.median_s / 60.0) for h in held)),),
        note="Right of zero: it held the place back. Left: it sped it up. Nine cases in ten: "
        f"{said}. Factors taken one at a time need not add up.",
    )


def heat_table(explained: Explained, shown: Shown) -> Table:
    """Return heat taken up, zone by zone, at both places."""
    return Table(
        id="heat-taken-up",
        title="Heat taken up, zone by zone",
        columns=(
            Column("where", width=1.5),
            Column(f"surroundings cooler, {shown.degree}", number=True),
            Column(f"core behind, {shown.degree}", number=True),
            Column(f"{explained.slow}, kJ/m²", number=True, width=1.6),
            Column(f"{explained.other}, kJ/m²", number=True, width=1.6),
        ),
        rows=tuple(
            (
                Cell(s.name),
                shown.kelvin(s.around_k, 1),
                shown.kelvin(s.gap_k, 1),
                Cell(_three(s.slow_kj_m2, 0)),
                Cell(_three(s.other_kj_m2, 0)),
            )
            for s in explained.stretches
        ),
        note="Nine cases in ten in brackets. Heat is per square metre of the piece's face.",
    )


def trade_off(advice: Advice) -> Bars | None:
    """Return what each choice costs against the bake as it is now, None without a choice."""
    if not advice.choices:
        return None
    now = advice.now
    groups = tuple((c.aim, _costs(c, now)) for c in advice.choices)
    said = "; ".join(
        f"{aim}: " + ", ".join(f"{name} {plain(v, 0)} %" for name, v in costs)
        for aim, costs in groups
    )
    return Bars(
        id="trade-off",
        title="What each choice costs against the bake as it is now",
        alt=f"Change in per cent: {said}.",
        unit="%",
        groups=groups,
        note="Likely values; their intervals stand in the table.",
    )


def _costs(choice: Choice, now: Choice) -> tuple[tuple[str, float], ...]:
    pairs = (
        ("bake time", choice.bake_s, now.bake_s),
        ("heat taken up", choice.heat_kj_m2[1], now.heat_kj_m2[1]),
        ("vapour given off", choice.vapour_kg_m2[1], now.vapour_kg_m2[1]),
    )
    return tuple((name, 100.0 * (a / b - 1.0)) for name, a, b in pairs if b > 0)


def choices_table(advice: Advice) -> Table:
    """Return settings, what they are foretold to bring, and how surely."""
    shown = [advice.now, *advice.choices, *([] if advice.best_try is None else [advice.best_try])]
    rows = [
        (
            Cell(k.name),
            *(Cell(setting_words(k, c.values[i])) for c in shown),
        )
        for i, k in enumerate(advice.knobs)
    ]
    for i, f in enumerate(advice.now.foreseen):
        name = f.requirement.name + (" (food safety)" if f.requirement.safety else "")
        rows.append(
            (
                Cell(name),
                *(Cell(foreseen_words(c.foreseen[i])) for c in shown),
            )
        )
    rows.append((Cell("all met"), *(Cell(f"{100 * c.together:.0f} % of cases") for c in shown)))
    if not any(k.turns is Turns.BAKE_TIME for k in advice.knobs):
        rows.append((Cell("bake time"), *(Cell(f"{plain(c.bake_s / 60, 1)} min") for c in shown)))
    rows.append((Cell("pieces an hour, % of now"), *(Cell(f"{100 * c.output:.0f}") for c in shown)))
    rows.append((Cell("heat taken up, kJ/m²"), *(Cell(_three(c.heat_kj_m2, 0)) for c in shown)))
    rows.append(
        (Cell("vapour given off, kg/m²"), *(Cell(_three(c.vapour_kg_m2, 2)) for c in shown))
    )
    if advice.now.colour is not None:
        rows.append(
            (
                Cell("crust colour difference"),
                *(Cell("not known" if c.colour is None else _three(c.colour, 0)) for c in shown),
            )
        )
    return Table(
        id="choices",
        title="Settings and what they are foretold to do",
        columns=(Column("", width=1.6), *(Column(c.aim, width=1.6) for c in shown)),
        rows=tuple(rows),
        note="Nine cases in ten in brackets.",
    )


def foreseen_words(foreseen: Foreseen) -> str:
    """Return what a requirement is foretold to find: likely, nine cases in ten, and how often met.

    Every number stands with its unit, so that the text can be said in °F.
    """
    said, unit = Shown(), declared_measures()[foreseen.requirement.measure].unit
    low, middle, high = (said.number(v, unit) for v in foreseen.value)
    met = f"met in {100 * foreseen.share_met:.0f} %"
    if unit is Unit.LOG10 and low > MOST_LOG:
        return f"> {MOST_LOG}, {met}"
    sign = said.unit(unit)
    tail = f" {sign}" if sign else ""
    if unit is Unit.ONE or not sign:
        return f"{middle:.3g} ({low:.3g} to {high:.3g}), {met}"
    places = said.decimals(math.nan, unit)
    ends = " to ".join(plain(v, places) for v in (low, high))
    return f"{plain(middle, places)}{tail} ({ends}{tail}), {met}"


def setting_words(knob: Knob, value: float) -> str:
    """Return a setting with its unit, such as 214 °C."""
    return f"{value:.4g} {knob.unit}"


def passings_table(
    passings: Sequence[tuple[str, Passing]], shown: Shown, *, zero_s: float = 0.0
) -> Table:
    """Return when each channel passes each temperature, counted from ``zero_s``."""
    return Table(
        id="passings",
        title="When each passes",
        columns=(
            Column("channel", width=1.5),
            Column(shown.temperature_unit, number=True),
            Column("likely", number=True),
            Column("half of cases", number=True, width=1.6),
            Column("nine in ten", number=True, width=1.6),
        ),
        rows=tuple(
            (
                Cell(name),
                Cell(
                    plain(shown.temperature(p.temp_c), limit_decimals(shown.temperature(p.temp_c)))
                ),
                Cell(
                    "passed at " + clock(p.median_s - zero_s)
                    if p.passed
                    else clock(p.median_s - zero_s)
                ),
                Cell(
                    ""
                    if p.passed
                    else f"{clock(p.interval_50[0] - zero_s)} to {clock(p.interval_50[1] - zero_s)}"
                ),
                Cell(
                    ""
                    if p.passed
                    else f"{clock(p.interval_90[0] - zero_s)} to {'> ' if p.open_ended else ''}"
                    f"{clock(p.interval_90[1] - zero_s)}"
                ),
            )
            for name, p in passings
        ),
        note="Times since load-in." if zero_s else "Times since the run's first reading.",
        empty="nothing is foreseen",
    )


def model_document(
    *,
    title: str,
    subtitle: str,
    run_id: str,
    headline: str,
    caution: str,
    shown: Shown,
    first_page: Sequence[Block],
    sections: Sequence[Section] = (),
) -> Document:
    """Return blocks as a document that opens with what was found and what to beware of."""
    return Document(
        title=title,
        subtitle=subtitle,
        run_id=run_id,
        digest="",
        unit=shown.temperature_unit,
        outcome="",
        headline=headline,
        first_page=(
            Callout(Tone.OPEN, title, headline),
            *first_page,
            Callout(Tone.PLAIN, "Beware", caution),
        ),
        sections=tuple(sections),
        footer=f"{run_id} · Ovenwright {__version__}",
        facts=(("run", run_id), ("made by", "the product model, not by readings")),
    )


def _scale(y: FloatArray, shown: Shown) -> FloatArray:
    return y * 1.8 + 32.0 if shown.fahrenheit else y


def _stated(value_c: float, shown: Shown) -> str:
    value = shown.temperature(value_c)
    return f"{plain(value, limit_decimals(value))} {shown.temperature_unit}"


def _three(values: tuple[float, float, float], places: int) -> str:
    low, middle, high = (plain(v, places) for v in values)
    return f"{middle} ({low} to {high})"
