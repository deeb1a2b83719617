"""Channels whose wire is another type than the instrument was set to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.case import Case, row_median
from ovenwright.conditioning.finding import Finding, groups, seconds
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.profile import Severity
from ovenwright.domain.run import Role
from ovenwright.errors import OutOfRange
from ovenwright.physics import thermocouple

BASE_METAL = ("T", "K", "J", "N", "E")
"""Types that food and coating ovens use and that are taken for one another."""

HELD_S = 90.0
LONG_HELD_S = 180.0
HELD_SLOPE_K_S = 0.012
HOTTER_K = 20.0
NEAR_BOILING_K = 1.2
OFF_BOILING_K = 2.0
OFF_BOILING_UNKNOWN_K = 3.0
SEA_LEVEL_C = 99.97
ALIKE_SHARE = 0.35
ALIKE_SPAN_K = 25.0
ALIKE_APART_K = 2.0
HOT_K = 30.0


@dataclass(frozen=True, slots=True)
class Held:
    """A stretch in which a channel is held at one temperature while others are hotter."""

    from_s: float
    to_s: float
    at_c: float


def _held(case: Case, i: int) -> Held | None:
    """Return the longest stretch above 60 °C held flat, with hotter company, after a rise."""
    own, grid_s, step = case.grid_c[:, i], case.grid_s, case.step_s
    if step <= 0 or not bool(np.isfinite(own).any()):
        return None
    wide = max(1, round(30.0 / step))
    slope = np.full(own.size, np.nan)
    if own.size <= 2 * wide:
        return None
    slope[wide:-wide] = (own[2 * wide :] - own[: -2 * wide]) / (2 * wide * step)
    hottest = np.nanmax(np.where(np.isfinite(case.grid_c), case.grid_c, -np.inf), axis=1)
    start = float(own[np.flatnonzero(np.isfinite(own))[0]])
    flat = (
        (np.abs(slope) <= HELD_SLOPE_K_S)
        & (own > 60.0)
        & (own - start > 25.0)
        & (hottest - own >= HOTTER_K)
    )
    best: Held | None = None
    for a, b in groups(np.flatnonzero(flat), 2):
        begin, stop = float(grid_s[a]), float(grid_s[b])
        inside = own[a : b + 1]
        if stop - begin < HELD_S or float(np.nanmax(inside) - np.nanmin(inside)) > 2.5:
            continue
        if best is None or stop - begin > best.to_s - best.from_s:
            best = Held(begin, stop, float(np.nanmedian(inside)))
    return best


def _restated(values_c: FloatArray, recorded: str, actual: str, reference_c: float) -> FloatArray:
    """Restate, with NaN for what neither type can show."""
    low, high = thermocouple.temperature_range_c(recorded)
    inside = np.where((values_c >= low) & (values_c <= high), values_c, np.nan)
    try:
        return thermocouple.restate(
            inside, recorded_as=recorded, actual=actual, reference_c=reference_c
        )
    except OutOfRange:
        return np.full(values_c.shape, np.nan)


def _pairs(recorded: str | None) -> list[tuple[str, str]]:
    """Return (recorded as, wire) pairs that are worth a thought."""
    if recorded is not None:
        return [(recorded, wire) for wire in BASE_METAL if wire != recorded]
    return [(a, b) for a in ("K", "T", "J") for b in BASE_METAL if a != b]


def check_wrong_type(case: Case) -> Iterator[Finding]:
    """Find wires of another type than the instrument was set to.

    Two signs: a moist core held at a temperature that is not the local boiling point but would
    be under another type; and a channel that agrees with its company near the reference-junction
    temperature only, and everywhere once restated.
    """
    held = [_held(case, i) for i in range(len(case.bench.traces))]
    for i, trace in enumerate(case.bench.traces):
        if trace.channel is not None and trace.kind is None:
            continue
        found = _off_boiling(case, i, held)
        if found is None:
            found = _off_company(case, i)
        if found is not None:
            yield found


def _boiling(case: Case, i: int, held: list[Held | None]) -> tuple[float, float, str]:
    """Boiling point to hold a channel against, how far off counts, and where it comes from."""
    bench = case.bench
    others = []
    for j, trace in enumerate(bench.traces):
        if j == i or trace.role not in (None, Role.CORE):
            continue
        here = held[j]
        if here is not None:
            others.append(here.at_c)
        elif trace.role is Role.CORE and bool(np.isfinite(case.grid_c[:, j]).any()):
            # a core the plan names may come near boiling without being held for long
            others.append(float(np.nanpercentile(case.grid_c[:, j], 99)))
    others = [x for x in others if 85.0 < x < 101.5]
    enough = 2 if bench.traces[i].role is None else 1
    if len(others) >= enough and float(np.ptp(others)) <= 1.5:
        return float(np.max(others)), OFF_BOILING_K, "the other cores come to"
    if bench.boiling_known:
        return bench.boiling_c, OFF_BOILING_K, "the boiling point here is"
    return SEA_LEVEL_C, OFF_BOILING_UNKNOWN_K, "the boiling point at sea level is"


def _off_boiling(case: Case, i: int, held: list[Held | None]) -> Finding | None:
    trace, here = case.bench.traces[i], held[i]
    if here is None or trace.role not in (None, Role.CORE):
        return None
    boiling, off, whence = _boiling(case, i, held)
    away = here.at_c - boiling
    from_company = whence.startswith("the other")
    if abs(away) <= off:
        return None
    if away < 0 and not (from_company or case.bench.boiling_known):
        return None  # a place high up boils lower; only too hot is odd everywhere
    if trace.role is None and (abs(away) > 7.0 or here.to_s - here.from_s < LONG_HELD_S):
        return None  # without a plan a steady place may be no moist core at all
    near = NEAR_BOILING_K if trace.role is not None else 0.5 * NEAR_BOILING_K
    # cores of company that stay a little below boiling leave room up to it
    highest = max(boiling, case.bench.boiling_c) if case.bench.boiling_known else boiling
    fits = []
    for recorded, wire in _pairs(trace.kind):
        would = float(_restated(np.array([here.at_c]), recorded, wire, case.bench.reference_c)[0])
        beyond = max(boiling - would, would - highest, 0.0)
        if beyond <= near:
            fits.append((abs(would - boiling), recorded, wire, would))
    if not fits:
        return None
    named = "; ".join(
        f"as type {wire} wire recorded as {recorded} it would be {would:.1f} °C"
        for _, recorded, wire, would in sorted(fits)[:3]
    )
    return Finding(
        i,
        float(trace.time_s[0]),
        float(trace.time_s[-1]),
        f"held at {here.at_c:.1f} °C for {seconds(here.to_s - here.from_s)}, {whence} "
        f"{boiling:.1f} °C; {named}",
        None if trace.channel is not None else Severity.REMARK,
    )


def _off_company(case: Case, i: int) -> Finding | None:
    """Agreement at the reference junction only: needs company of the same role and a known type."""
    traces = case.bench.traces
    trace = traces[i]
    if trace.kind is None or trace.role is None:
        return None
    like = [j for j, t in enumerate(traces) if j != i and t.role is trace.role]
    if len(like) < 2:
        return None
    own, company = case.grid_c[:, i], case.grid_c[:, like]
    middle = row_median(company)
    hot = np.isfinite(own) & np.isfinite(middle) & (middle >= case.bench.reference_c + HOT_K)
    if np.count_nonzero(hot) < 20 or float(np.ptp(middle[hot])) < ALIKE_SPAN_K:
        return None
    own, middle, company = own[hot], middle[hot], company[hot]
    scatter = float(np.sqrt(np.nanmean((company - middle[:, None]) ** 2)))
    as_is = float(np.sqrt(np.mean((own - middle) ** 2)))
    if as_is < max(ALIKE_APART_K, 3.0 * scatter):
        return None
    best: tuple[float, str] | None = None
    for recorded, wire in _pairs(trace.kind):
        left = _restated(own, recorded, wire, case.bench.reference_c) - middle
        if not bool(np.isfinite(left).all()):
            continue
        rest = float(np.sqrt(np.mean(left**2)))
        if best is None or rest < best[0]:
            best = (rest, wire)
    if best is None or best[0] > ALIKE_SHARE * as_is:
        return None
    return Finding(
        i,
        float(trace.time_s[0]),
        float(trace.time_s[-1]),
        f"agrees with the others of its role near {case.bench.reference_c:.0f} °C but is "
        f"{as_is:.1f} K off when hot; as type {best[1]} wire recorded as {trace.kind} it would be "
        f"{best[0]:.1f} K off",
    )
