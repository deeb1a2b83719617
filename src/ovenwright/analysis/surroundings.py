"""What a reference body felt: surface coefficient and heat flux, as a lumped body."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.extremes import slopes
from ovenwright.analysis.subject import Scene, Subject
from ovenwright.analysis.zones import zone_edges
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Body
from ovenwright.domain.results import Surroundings
from ovenwright.domain.run import Role
from ovenwright.physics.half_space import LUMPED_BELOW_BI

_LEAST_DIFFERENCE_K = 5.0
_LEAST_POINTS = 8


@dataclass(frozen=True, slots=True)
class BodyHistory:
    """A body's temperature, its slope and the air about it, instant by instant.

    ``time_s``, ``temp_c``, ``slope_k_s``, ``air_c`` all (n,); ``per_slope`` turns K/s into W/m².
    """

    time_s: FloatArray
    temp_c: FloatArray
    slope_k_s: FloatArray
    air_c: FloatArray
    per_slope: float
    air: str
    half_s: float


def nearest_air(scene: Scene, subject: Subject) -> Subject | None:
    """Return the air channel nearest to a body: same lane, same zone, closest in space."""
    place = subject.channel.place
    best: tuple[tuple[bool, bool, float], str] | None = None
    for channel in scene.profile.channels:
        if channel.role is not Role.AIR or len(scene.subject(channel.name).process) < 2:
            continue
        other = channel.place
        away = [
            abs(a - b)
            for a, b in ((place.x_m, other.x_m), (place.y_m, other.y_m), (place.z_m, other.z_m))
            if a is not None and b is not None
        ]
        rank = (
            bool(place.lane) and other.lane != place.lane,
            bool(place.zone) and other.zone != place.zone,
            math.hypot(*away) if away else math.inf,
        )
        if best is None or rank < best[0]:
            best = (rank, channel.name)
    return None if best is None else scene.subject(best[1])


def history_of(scene: Scene, subject: Subject) -> BodyHistory | str:
    """Return a body's history between load-in and load-out, or why there is none."""
    body = subject.channel.body
    if body is None:
        return f"channel {subject.name!r} has no reference body"
    air = nearest_air(scene, subject)
    if air is None:
        return "no air channel with readings is near the body"
    curve = subject.process
    half = _half_window(curve, subject)
    if len(curve) < 2 * half + 1:
        return "too few usable readings between load-in and load-out"
    slope = slopes(curve, half)
    around = _like(air.process, curve.time_s)
    return BodyHistory(
        curve.time_s,
        curve.temp_c,
        slope,
        around,
        body.mass_kg * body.heat_capacity_j_kg_k / body.area_m2,
        air.name,
        half * subject.interval_s,
    )


def _half_window(curve: Curve, subject: Subject) -> int:
    """Return readings to either side of a slope, so many that noise leaves a hundredth of the rise."""
    if len(curve) < 5:
        return 2
    rise = float(np.ptp(curve.temp_c))
    total = max(curve.to_s - curve.from_s, 1.0)
    mean_slope = rise / total
    half = 2
    widest = max(len(curve) // 40, 2)
    while half < widest and subject.errors.roughness_k * math.sqrt(2.0 / half) > (
        0.01 * mean_slope * (half + 1) * subject.interval_s
    ):
        half += 1
    return half


def _like(curve: Curve, at_s: FloatArray) -> FloatArray:
    """Return a curve's temperatures at other times, NaN outside it and in its holes."""
    found = np.interp(at_s, curve.time_s, curve.temp_c, left=math.nan, right=math.nan)
    for hole in curve.holes:
        found[(at_s > hole.from_s) & (at_s < hole.to_s)] = math.nan
    return found


def biot_number(body: Body, coefficient_w_m2_k: float) -> float:
    """Return h (V/A) / k; NaN when conductivity or volume are not given.

    Source: lumped-capacitance criterion, Bi below 0.1 on the length V/A (Holman; Incropera &
    DeWitt).
    """
    if body.conductivity_w_m_k is None or body.volume_m3 is None:
        return math.nan
    return coefficient_w_m2_k * body.volume_m3 / body.area_m2 / body.conductivity_w_m_k


def coefficient_within(
    history: BodyHistory, from_s: float, to_s: float
) -> tuple[float, float, float, str]:
    """Return surface coefficient, its scatter and the mean flux over a stretch, and why not.

    Least squares of ``m c dT/dt / A = h (T_air - T)`` through the origin, over the instants where
    air and body differ enough; this is the lumped body's own law, so a constant h gives the exact
    exponential back. The scatter is the standard deviation of the fit.
    """
    nan = math.nan
    part = (history.time_s >= from_s) & (history.time_s <= to_s)
    flux = history.per_slope * history.slope_k_s
    seen = part & np.isfinite(flux)
    mean_flux = float(flux[seen].mean()) if seen.any() else nan
    difference = history.air_c - history.temp_c
    use = seen & (np.abs(difference) > _LEAST_DIFFERENCE_K)
    if int(use.sum()) < _LEAST_POINTS:
        return nan, nan, mean_flux, "air and body differ by less than 5 K"
    d, q = difference[use], flux[use]
    square = float(np.dot(d, d))
    h = float(np.dot(d, q)) / square
    left = q - h * d
    # neighbouring slopes share readings: only one in a window's worth is a value of its own
    step = max((history.time_s[-1] - history.time_s[0]) / max(len(history.time_s) - 1, 1), 1e-9)
    own = max(int(use.sum()) * step / max(2.0 * history.half_s, step), 2.0)
    spread = math.sqrt(float(np.dot(left, left)) / use.sum() / (square / use.sum()) / own)
    if h <= 0:
        return nan, nan, mean_flux, "the body does not follow the air: heat flows the other way"
    return h, spread, mean_flux, ""


def find_surroundings(scene: Scene) -> tuple[Surroundings, ...]:
    """Find what each reference body felt, over the process and in each zone."""
    found = []
    for channel in scene.profile.channels:
        if channel.role is not Role.BODY or channel.body is None:
            continue
        history = history_of(scene, scene.subject(channel.name))
        stretches = [("", scene.load_in.at_s, scene.load_out.at_s)]
        stretches += [(name, a, b) for name, a, b, _ in zone_edges(scene)]
        for zone, a, b in stretches:
            found.append(_one(channel.name, channel.body, zone, history, from_s=a, to_s=b))
    return tuple(found)


def _one(
    name: str, body: Body, zone: str, history: BodyHistory | str, *, from_s: float, to_s: float
) -> Surroundings:
    nan = math.nan
    if isinstance(history, str):
        return Surroundings(name, zone, nan, nan, nan, nan, valid=False, reason=history)
    h, spread, flux, reason = coefficient_within(history, from_s, to_s)
    biot = biot_number(body, h)
    if not reason and math.isnan(biot):
        reason = "conductivity and volume of the body are not given: the Biot number is not checked"
    valid = math.isfinite(h) and not biot >= LUMPED_BELOW_BI
    if biot >= LUMPED_BELOW_BI:
        reason = (
            f"Biot number {biot:.2f} is not below {LUMPED_BELOW_BI}: not one temperature inside"
        )
    return Surroundings(name, zone, h, flux, biot, spread, valid=valid, reason=reason)
