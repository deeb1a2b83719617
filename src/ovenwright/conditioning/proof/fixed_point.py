"""Ice bath and boiling water: two temperatures that nature gives, and what sensors show there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ovenwright.conditioning.error_terms import DEFAULT_CLASS
from ovenwright.conditioning.proof.ambient import standard_k
from ovenwright.conditioning.proof.windows import Window
from ovenwright.conditioning.traces import THERMOCOUPLES
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.proof import FixedPoint, Grade, Remark
from ovenwright.errors import OutOfRange
from ovenwright.physics import thermocouple, tolerance, water

ICE_HALF_K = 0.05
"""Half-width for a bath of crushed ice and clean water, stirred (common practice, no source; a
gram of salt in a kilogram lowers it by 0.064 K, from memory: 1.86 K kg/mol)."""
MEASURED_PRESSURE_HALF_KPA = 0.3
"""Half-width of a barometer reading on the spot (common practice, no source)."""
ALTITUDE_PRESSURE_HALF_KPA = 3.0
"""Half-width where only the altitude is known: the weather moves air pressure by as much."""
DEPTH_HALF_M = 0.05
"""Half-width of how deep in boiling water a sensor hangs; pressure rises by 9.8 kPa a metre."""
BOIL_HALF_K = 0.1
"""Half-width for impure or uneven boiling water (common practice, no source; ten grams of salt in
a kilogram raise it by 0.17 K, from memory: 0.512 K kg/mol)."""
COVERAGE = 2.0
HOLD_S = 20.0
"""How long at the end must be steady."""
_NEAR_K = 15.0
_STEADY_K_MIN = 0.5
_ROOT_3 = math.sqrt(3.0)


class Point(StrEnum):
    """The points."""

    ICE = "ice"
    BOILING = "boiling"


@dataclass(frozen=True, slots=True)
class TruePoint:
    """What a bath's temperature is, with its standard uncertainty."""

    point: Point
    true_c: float
    standard_k: float
    words: str


def ice_point() -> TruePoint:
    """Return the temperature of an ice bath."""
    return TruePoint(Point.ICE, 0.0, ICE_HALF_K / _ROOT_3, "melting ice at 0.00 °C")


def boiling_point(
    *, pressure_kpa: float, measured: bool, half_kpa: float | None = None
) -> TruePoint:
    """Return the temperature of boiling water on the spot.

    Parameters
    ----------
    pressure_kpa : air pressure on the spot
    measured : whether a barometer gave it; else it comes from the altitude alone
    half_kpa : half-width of the pressure, where it is known better

    Raises
    ------
    OutOfRange : if the pressure is no air pressure

    Source: IAPWS-IF97 region 4; slope from its own difference quotient.
    """
    half = half_kpa
    if half is None:
        half = MEASURED_PRESSURE_HALF_KPA if measured else ALTITUDE_PRESSURE_HALF_KPA
    true = float(water.boiling_point_c(pressure_kpa))
    slope = float(water.boiling_point_c(pressure_kpa + 0.5)) - float(
        water.boiling_point_c(pressure_kpa - 0.5)
    )
    parts = [slope * half, slope * 9.81 * DEPTH_HALF_M, BOIL_HALF_K]
    whence = "measured" if measured else "from the altitude; the weather may move it"
    return TruePoint(
        Point.BOILING,
        true,
        math.hypot(*parts) / _ROOT_3,
        f"water boils at {true:.2f} °C at {pressure_kpa:.4g} kPa ({whence})",
    )


def check_fixed_point(
    windows: Sequence[Window], point: TruePoint, *, only: Sequence[str] = ()
) -> tuple[tuple[FixedPoint, ...], list[Remark]]:
    """Hold sensors in a bath against its temperature.

    Parameters
    ----------
    windows : what was recorded; the last ``HOLD_S`` seconds must be steady
    point : the bath
    only : names of the sensors in the bath; left out, those that come near its temperature

    Returns
    -------
    one result for each sensor in the bath, and the remarks
    """
    results: list[FixedPoint] = []
    remarks: list[Remark] = []
    chosen = [w for w in windows if (w.channel.name in only if only else _near(w, point))]
    if not chosen:
        remarks.append(
            Remark(
                Grade.FAULT,
                "fixed point",
                f"no channel came within {_NEAR_K:g} K of {point.true_c:.1f} °C",
                "hang the sensors into the bath and wait until they rest, or name them with "
                "--channels",
            )
        )
    for w in chosen:
        result, found = _held(w, point)
        results.append(result)
        remarks += found
    return tuple(results), remarks


def _near(w: Window, point: TruePoint) -> bool:
    last = w.tail(HOLD_S).middle_c
    return math.isfinite(last) and abs(last - point.true_c) <= _NEAR_K


def _held(w: Window, point: TruePoint) -> tuple[FixedPoint, list[Remark]]:
    name = w.channel.name
    end = w.tail(HOLD_S)
    values = end.known_c
    slope, doubt = end.slope_k_min()
    if values.size < 5 or not math.isfinite(slope):
        return _no(name, point, "too few readings"), [_wait(name, "too few readings came", point)]
    if abs(slope) > _STEADY_K_MIN + 2.0 * doubt:
        words = f"it still moves by {slope:+.1f} K/min"
        return _no(name, point, words), [_wait(name, words, point)]
    shown = float(np.mean(values))
    correction = point.true_c - shown
    steady = math.hypot(_of_mean_k(values), end.resolution_k / math.sqrt(12.0))
    expanded = COVERAGE * math.hypot(point.standard_k, steady)
    allowed = _allowed_k(w, point.true_c) + expanded
    within = abs(correction) <= allowed
    guess = "" if within else _wire_guess(w, shown, point, expanded)
    if not within and not guess and abs(correction) > _NEAR_K:
        # a correction this large is no calibration: nobody may paste it into a plan
        words = f"shows {shown:.2f} °C where {point.words}, {abs(correction):.1f} K off"
        remark = Remark(
            Grade.FAULT,
            "fixed point",
            words,
            "hang it into the bath if it is not there; else look at plug, lead and the "
            "instrument's setting",
            name,
        )
        return _no(name, point, words), [remark]
    result = FixedPoint(
        name=point.point.value,
        channel=name,
        true_c=point.true_c,
        indicated_c=shown,
        correction_k=correction,
        expanded_uncertainty_k=expanded,
        coverage_factor=COVERAGE,
        allowed_k=allowed,
        within=within,
        wire_guess=guess,
    )
    return result, _told(result, point, w)


def _no(name: str, point: TruePoint, reason: str) -> FixedPoint:
    nan = math.nan
    return FixedPoint(
        point.point.value, name, point.true_c, nan, nan, nan, COVERAGE, nan, False, reason=reason
    )


def _wait(name: str, what: str, point: TruePoint) -> Remark:
    return Remark(
        Grade.FAULT,
        "fixed point",
        what,
        f"keep it in the bath ({point.point.value}) for some minutes and check again",
        name,
    )


def _of_mean_k(values: FloatArray) -> float:
    """Return the standard uncertainty of a mean of readings that may hang together (by blocks)."""
    blocks = min(5, values.size // 2)
    if blocks < 3:
        return float(np.std(values, ddof=1) / math.sqrt(values.size))
    means = [float(b.mean()) for b in np.array_split(values, blocks)]
    plain = float(np.std(values, ddof=1) / math.sqrt(values.size))
    return max(plain, float(np.std(means, ddof=1)) / math.sqrt(blocks))


def _allowed_k(w: Window, true_c: float) -> float:
    """Half-width of the class, and twice what the reference junction leaves open."""
    own, junction = standard_k(w.channel, true_c, w.junction_c)
    kind, cls = w.channel.sensor.value, w.channel.tolerance
    cls = cls or DEFAULT_CLASS.get(kind, "")
    if w.channel.certificate is None and cls in tolerance.classes(kind):
        half = float(tolerance.half_width_k(true_c, kind, cls, extend=True))
    else:
        half = COVERAGE * own
    return math.hypot(half, COVERAGE * junction)


def shown_by_wire_c(true_c: float, *, wire: str, setting: str, reference_c: float) -> float:
    """Return what an instrument set to one type shows of a wire of another; NaN beyond its range.

    Source: NIST-M175. Checked in tests/evidence/test_fixed_points.py.
    """
    try:
        return float(
            thermocouple.restate(true_c, recorded_as=wire, actual=setting, reference_c=reference_c)
        )
    except OutOfRange:
        return math.nan


def _wire_guess(w: Window, shown: float, point: TruePoint, expanded: float) -> str:
    """Name the type whose wire would show just that, if one fits and is no mere hair off."""
    kind = w.channel.sensor.value
    if kind not in THERMOCOUPLES:
        return ""
    reference = w.junction_c if math.isfinite(w.junction_c) else 25.0
    loose = 0.0 if math.isfinite(w.junction_c) else 5.0
    best, name = math.inf, ""
    for wire in sorted(THERMOCOUPLES - {kind, "B"}):
        would = shown_by_wire_c(point.true_c, wire=wire, setting=kind, reference_c=reference)
        other = shown_by_wire_c(point.true_c, wire=wire, setting=kind, reference_c=reference + 1.0)
        if not math.isfinite(would) or abs(would - point.true_c) < 2.0:
            continue
        of_class = float(
            tolerance.half_width_k(point.true_c, wire, DEFAULT_CLASS[wire], extend=True)
        )
        room = math.hypot(of_class, expanded, loose * abs(other - would))
        room = min(room, 0.6 * abs(would - point.true_c))
        away = abs(shown - would)
        if away <= room and away < best:
            best, name = away, wire
    return name


def _told(result: FixedPoint, point: TruePoint, w: Window) -> list[Remark]:
    words = (
        f"shows {result.indicated_c:.2f} °C where {point.words}: correction "
        f"{result.correction_k:+.2f} ± {result.expanded_uncertainty_k:.2f} K (k = 2)"
    )
    if result.within:
        return [Remark(Grade.NOTE, "fixed point", words, "", result.channel)]
    if result.wire_guess:
        kind = w.channel.sensor.value
        return [
            Remark(
                Grade.FAULT,
                "fixed point",
                f"{words}. A type {result.wire_guess} wire read as type {kind} shows just that",
                f"look at the wire's colours: if it is type {result.wire_guess}, set the "
                "instrument and the plan's sensor to it",
                result.channel,
            )
        ]
    gross = abs(result.correction_k) > 3.0 * result.allowed_k
    return [
        Remark(
            Grade.FAULT if gross else Grade.REMARK,
            "fixed point",
            f"{words}; {result.allowed_k:.2f} K would be within its class",
            "check the bath (enough ice, a rolling boil, pressure on the spot), then plug and "
            "lead; else take the correction over as a calibration record",
            result.channel,
        )
    ]


def certificate_toml(
    points: Sequence[FixedPoint], *, date: str, number: str = "", laboratory: str = ""
) -> str:
    """Return one channel's fixed points as the plan's calibration record, ready to paste.

    Parameters
    ----------
    points : of one channel; those without a value are left out
    date : day of the check, such as 2026-01-15
    number, laboratory : what the record is to carry

    Returns
    -------
    TOML for the channel's own table, or "" without points
    """
    known = sorted((p for p in points if not p.reason), key=lambda p: p.indicated_c)
    if not known:
        return ""
    lines = [
        f"# {', '.join(p.name for p in known)}: own check of {known[0].channel}; it carries over to "
        "other temperatures no further than these points reach",
        "[channels.certificate]",
        f'number = "{number or "own check " + date}"',
        f'date = "{date}"',
        f'laboratory = "{laboratory or "own fixed points"}"',
        "points = [",
        *(
            f"  {{ at_c = {p.indicated_c:.3f}, correction_k = {p.correction_k:.3f}, "
            f"expanded_uncertainty_k = {max(p.expanded_uncertainty_k, 0.001):.3f} }},"
            for p in known
        ),
        "]",
    ]
    return "\n".join(lines) + "\n"
