"""A channel before and after it was read as the thermocouple type it really is, as blocks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.reporting.charts import thin
from ovenwright.reporting.document import Cell, Column, Line, Table, TimeChart
from ovenwright.reporting.words import Shown, clock, plain, sentence


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """One channel read as two types: ``time_s`` (n,) elapsed, ``before_c`` and ``after_c`` (n,).

    ``standard_k`` is the largest standard uncertainty that the reference junction leaves.
    """

    channel: str
    recorded_as: str
    actual: str
    time_s: FloatArray
    before_c: FloatArray
    after_c: FloatArray
    standard_k: float = float("nan")
    reference_words: str = ""
    reference_c: float = float("nan")
    lost: int = 0


def restated_words(found: BeforeAfter, shown: Shown) -> str:
    """Return in words what reading a channel as another type changes."""
    change = found.after_c - found.before_c
    there = np.flatnonzero(np.isfinite(change))
    if not there.size:
        return f"{found.channel}: no reading can be read both ways."
    i = int(there[np.argmax(np.abs(change[there]))])
    last = int(there[-1])
    degree, unit = shown.degree, shown.temperature_unit
    parts = [
        f"{found.channel}, recorded as type {found.recorded_as}, is type {found.actual} wire: "
        f"its last reading becomes {_temp(found.after_c[last], shown)} instead of "
        f"{_temp(found.before_c[last], shown)} {unit}",
        f"the largest change is {plain(shown.difference(float(change[i])), 1)} {degree} "
        f"at {clock(float(found.time_s[i]))}",
    ]
    if found.reference_words:
        parts.append(
            f"reference junction at {_temp(found.reference_c, shown)} {unit} "
            f"({found.reference_words}), which leaves up to "
            f"{plain(shown.difference(found.standard_k), 2)} {degree} of standard uncertainty"
        )
    if found.lost:
        parts.append(f"{found.lost} readings beyond the types' range are taken as missing")
    return sentence("; ".join(parts))


def before_after_chart(found: BeforeAfter, shown: Shown, zero_s: float) -> TimeChart:
    """Return one channel before and after."""
    x = (found.time_s - zero_s) / 60.0
    scale, offset = (1.8, 32.0) if shown.fahrenheit else (1.0, 0.0)
    lines = []
    for look, name, values in (
        (0, f"as recorded, type {found.recorded_as}", found.before_c),
        (1, f"restated, type {found.actual}", found.after_c),
    ):
        px, py = thin(x, values)
        lines.append(Line(name, "", look, px, py * scale + offset))
    return TimeChart(
        id=f"before-after-{''.join(c if c.isalnum() else '-' for c in found.channel)}",
        title=f"{found.channel} before and after",
        alt=restated_words(found, shown),
        x_label="minutes since load-in" if zero_s else "minutes since the first reading",
        y_label=f"temperature, {shown.temperature_unit}",
        lines=tuple(lines),
    )


def before_after_table(rows: tuple[BeforeAfter, ...], shown: Shown) -> Table:
    """Return lowest, highest and last of each channel, before and after."""
    cells = []
    for r in rows:
        ok = np.isfinite(r.before_c) & np.isfinite(r.after_c)
        if not ok.any():
            continue
        before, after = r.before_c[ok], r.after_c[ok]
        for words, pick in (
            ("lowest", np.min),
            ("highest", np.max),
            ("last", _last),
        ):
            a, b = float(pick(before)), float(pick(after))
            cells.append(
                (
                    Cell(r.channel),
                    Cell(words),
                    shown.celsius(a),
                    shown.celsius(b),
                    shown.kelvin(b - a, 1),
                )
            )
    return Table(
        id="before-after",
        title="Before and after",
        columns=(
            Column("channel", width=1.6),
            Column("reading"),
            Column(f"as recorded, {shown.temperature_unit}", number=True),
            Column(f"restated, {shown.temperature_unit}", number=True),
            Column(f"change, {shown.degree}", number=True),
        ),
        rows=tuple(cells),
        empty="no channel was restated",
    )


def _last(values: FloatArray) -> float:
    return float(values[-1])


def _temp(value_c: float, shown: Shown) -> str:
    return plain(shown.temperature(float(value_c)), 1)
