"""The parts of the report about the oven: zones, lanes, evenness, what a reference body felt."""

from __future__ import annotations

import math

from ovenwright.domain.verdict import Verdict
from ovenwright.reporting import charts
from ovenwright.reporting.document import Block, Cell, Column, Section, Table, Tone
from ovenwright.reporting.words import Shown, clock, plain, sentence


def zones(verdict: Verdict, shown: Shown) -> Section | None:
    """Return zone-by-zone statistics and the balance of the lanes."""
    results = verdict.results
    if not results.zones:
        return None
    rows = tuple(
        (
            Cell(z.zone),
            Cell(z.channel),
            Cell(clock(z.from_s - results.load_in.at_s)),
            Cell(clock(z.to_s - results.load_in.at_s)),
            shown.celsius(z.mean_c),
            shown.celsius(z.minimum_c),
            shown.celsius(z.maximum_c),
            shown.celsius(z.end_c),
            shown.kelvin(z.rise_k, 1),
            shown.celsius(z.setpoint_c if z.setpoint_c is not None else math.nan),
        )
        for z in results.zones
    )
    blocks: list[Block] = [
        Table(
            id="zones",
            title="Zone by zone, in belt position",
            columns=(
                Column("zone"),
                Column("channel", width=1.5),
                Column("from", number=True),
                Column("to", number=True),
                Column("mean", number=True),
                Column("lowest", number=True),
                Column("highest", number=True),
                Column("at its end", number=True),
                Column("rise", number=True),
                Column("setpoint", number=True),
            ),
            rows=rows,
            note=f"Temperatures in {shown.temperature_unit}; times in m:ss since load-in. "
            "A setpoint is what the control sensor is held at, not what the product meets.",
        )
    ]
    bars = charts.lanes(results, shown)
    if bars is not None:
        blocks.append(bars)
        blocks.append(
            Table(
                id="balance",
                title="Lanes compared at the same place",
                columns=(
                    Column("zone"),
                    Column("role"),
                    Column("spread", number=True),
                    Column("hottest"),
                    Column("coldest"),
                    Column("each about the mean", width=3.0),
                ),
                rows=tuple(
                    (
                        Cell(b.zone),
                        Cell(b.role),
                        shown.kelvin(b.spread_k, 1),
                        Cell(b.hottest),
                        Cell(b.coldest),
                        Cell(
                            ", ".join(
                                f"{lane} {'+' if d > 0 else ''}{plain(shown.difference(d), 1)}"
                                for lane, d in b.difference_k.items()
                            )
                        ),
                    )
                    for b in results.balance
                ),
                note="Within about 5 K for air near the band is a usual aim "
                "(common practice, no source).",
            )
        )
    return Section("zones", "Zones and balance", tuple(blocks))


def evenness(verdict: Verdict, shown: Shown) -> Section | None:
    """Return the uniformity of a chamber and the cycling of its control."""
    results = verdict.results
    blocks: list[Block] = []
    u = results.uniformity
    if u is not None:
        zero = results.profile.time_s[0]
        pairs = (
            ("evaluated from", Cell(clock(u.from_s - zero))),
            ("to", Cell(clock(u.to_s - zero))),
            ("mean over channels and time", shown.celsius(u.mean_c, 2)),
            ("setpoint", shown.celsius(u.setpoint_c if u.setpoint_c is not None else math.nan, 1)),
            ("spread", shown.kelvin(u.spread_k)),
            ("gradient", shown.kelvin(u.gradient_k)),
            ("fluctuation", shown.kelvin(u.fluctuation_k)),
            (
                f"worst deviation from setpoint ({u.worst_channel})",
                shown.kelvin(u.worst_deviation_k),
            ),
            ("stabilised after", Cell(clock(u.stabilised_s))),
            ("soak inside the tolerance", Cell(clock(u.soak_s))),
            ("overshoot", shown.kelvin(u.overshoot_k)),
            ("recovery after the door", Cell(clock(u.recovery_s))),
        )
        blocks.append(
            Table(
                id="uniformity",
                title="Uniformity of the working space",
                columns=(Column("quantity", width=3.0), Column("found", number=True)),
                rows=tuple((Cell(name), cell) for name, cell in pairs),
                note=" ".join(
                    (
                        f"Temperatures in {shown.temperature_unit}, differences in "
                        f"{shown.degree}, times in m:ss.",
                        *(sentence(note) for note in u.notes),
                    )
                ),
            )
        )
        blocks.append(
            Table(
                id="uniformity-places",
                title="Each place",
                columns=(
                    Column("channel", width=2.0),
                    Column("mean", number=True),
                    Column("fluctuation", number=True),
                    Column("from setpoint", number=True),
                ),
                rows=tuple(
                    (Cell(n), shown.celsius(m, 2), shown.kelvin(f), shown.kelvin(d))
                    for n, m, f, d in u.per_channel
                ),
            )
        )
    if results.cycling:
        blocks.append(
            Table(
                id="cycling",
                title="On-off cycling",
                columns=(
                    Column("channel", width=2.0),
                    Column("period", number=True),
                    Column("peak to peak", number=True),
                    Column("cycles seen", number=True),
                ),
                rows=tuple(
                    (
                        Cell(c.channel),
                        Cell(clock(c.period_s)),
                        shown.kelvin(2 * c.amplitude_k, 1),
                        Cell(str(c.cycles), float(c.cycles), 0),
                    )
                    for c in results.cycling
                ),
            )
        )
    return Section("evenness", "Evenness and control", tuple(blocks)) if blocks else None


def surroundings(verdict: Verdict, shown: Shown) -> Section | None:
    """Return what the reference body felt."""
    found = verdict.results.surroundings
    if not found:
        return None
    rows = tuple(
        (
            Cell(s.channel),
            Cell(s.zone or "whole oven"),
            Cell(plain(s.coefficient_w_m2_k, 1), s.coefficient_w_m2_k, 1),
            Cell(plain(s.standard_w_m2_k, 1), s.standard_w_m2_k, 1),
            Cell(plain(s.flux_w_m2, 0), s.flux_w_m2, 0),
            Cell(plain(s.biot, 4), s.biot, 4),
            Cell("yes" if s.valid else "no", tone=Tone.GOOD if s.valid else Tone.OPEN),
            Cell(s.reason),
        )
        for s in found
    )
    del shown
    table = Table(
        id="surroundings",
        title="Surface coefficient and heat flux that the reference body felt",
        columns=(
            Column("body", width=1.4),
            Column("zone"),
            Column("h, W/(m²·K)", number=True, width=1.2),
            Column("std. unc.", number=True),
            Column("flux, W/m²", number=True, width=1.1),
            Column("Bi", number=True),
            Column("lumped?"),
            Column("remark", width=2.4),
        ),
        rows=rows,
        note="Lumped body; valid while Bi = h(V/A)/k is below 0.1. "
        "The coefficient holds convection and radiation together, about the air channel's reading.",
    ).filled()
    return Section("surroundings", "What the oven gave", (table,))
