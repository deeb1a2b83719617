"""Tolerance classes of thermocouples and platinum thermometers, as one table.

A tolerance is for new wire or a new thermometer as delivered, reference junction at 0 °C, and
leaves out drift in use. It is a bound: half the width of a rectangular distribution, whose
standard uncertainty is the half-width over √3.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

import numpy as np

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.physics.arrays import FloatArray, N, as_given


class Evidence(StrEnum):
    """How a row of the table was checked."""

    SEEN = "seen in the standard's own table"
    SECONDARY = "seen in a reprint of the standard"


class Stretch(NamedTuple):
    """The rule over one stretch of temperature.

    Half-width in K: the larger of ``constant_k`` and ``slope * |t - from_c|``, or their sum.
    """

    low_c: float
    high_c: float
    constant_k: float
    slope: float
    summed: bool = False
    from_c: float = 0.0


class ToleranceClass(NamedTuple):
    """One class of one standard for some sensors; stretches touch and rise."""

    name: str
    sensors: tuple[str, ...]
    stretches: tuple[Stretch, ...]
    evidence: Evidence
    source: str
    note: str = ""


_IEC_TC = "IEC 60584-1:2013 (values of IEC 60584-2:1982 with Amendment 1:1989)"
_ASTM_TC = "ASTM E230/E230M, Table 1"
_IEC_PT = "IEC 60751:2022"
_ASTM_PT = "ASTM E1137/E1137M"
_PT = ("Pt100", "Pt1000")
_SECOND = Evidence.SECONDARY


def _iec_pt() -> Iterator[ToleranceClass]:
    for letter, constant, slope, wire, film in (
        ("AA", 0.1, 0.0017, (-50, 250), (0, 150)),
        ("A", 0.15, 0.002, (-100, 450), (-30, 300)),
        ("B", 0.3, 0.005, (-196, 600), (-50, 500)),
        ("C", 0.6, 0.01, (-196, 600), (-50, 600)),
    ):
        for suffix, (low, high) in (("", wire), (" film", film)):
            yield ToleranceClass(
                f"IEC 60751 {letter}{suffix}",
                _PT,
                (Stretch(low, high, constant, slope, summed=True),),
                _SECOND,
                _IEC_PT,
                "film elements" if suffix else "wire-wound elements",
            )


TABLE: tuple[ToleranceClass, ...] = (
    ToleranceClass(
        "IEC 60584-1 class 1", ("T",), (Stretch(-40, 350, 0.5, 0.004),), Evidence.SEEN, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 2", ("T",), (Stretch(-40, 350, 1.0, 0.0075),), Evidence.SEEN, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 3", ("T",), (Stretch(-200, 40, 1.0, 0.015),), Evidence.SEEN, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 1", ("E",), (Stretch(-40, 800, 1.5, 0.004),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 1", ("J",), (Stretch(-40, 750, 1.5, 0.004),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 1", ("K", "N"), (Stretch(-40, 1000, 1.5, 0.004),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 1",
        ("R", "S"),
        (Stretch(0, 1100, 1.0, 0.0), Stretch(1100, 1600, 1.0, 0.003, summed=True, from_c=1100)),
        _SECOND,
        _IEC_TC,
    ),
    ToleranceClass(
        "IEC 60584-1 class 2", ("E",), (Stretch(-40, 900, 2.5, 0.0075),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 2", ("J",), (Stretch(-40, 750, 2.5, 0.0075),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 2", ("K", "N"), (Stretch(-40, 1200, 2.5, 0.0075),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 2", ("R", "S"), (Stretch(0, 1600, 1.5, 0.0025),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 2", ("B",), (Stretch(600, 1700, 0.0, 0.0025),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 3", ("E", "K", "N"), (Stretch(-200, 40, 2.5, 0.015),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "IEC 60584-1 class 3", ("B",), (Stretch(600, 1700, 4.0, 0.005),), _SECOND, _IEC_TC
    ),
    ToleranceClass(
        "ASTM E230 standard",
        ("T",),
        (Stretch(-200, 0, 1.0, 0.015), Stretch(0, 370, 1.0, 0.0075)),
        _SECOND,
        _ASTM_TC,
    ),
    ToleranceClass("ASTM E230 special", ("T",), (Stretch(0, 370, 0.5, 0.004),), _SECOND, _ASTM_TC),
    ToleranceClass(
        "ASTM E230 standard", ("J",), (Stretch(0, 760, 2.2, 0.0075),), _SECOND, _ASTM_TC
    ),
    ToleranceClass("ASTM E230 special", ("J",), (Stretch(0, 760, 1.1, 0.004),), _SECOND, _ASTM_TC),
    ToleranceClass(
        "ASTM E230 standard",
        ("E",),
        (Stretch(-200, 0, 1.7, 0.01), Stretch(0, 870, 1.7, 0.005)),
        _SECOND,
        _ASTM_TC,
    ),
    ToleranceClass("ASTM E230 special", ("E",), (Stretch(0, 870, 1.0, 0.004),), _SECOND, _ASTM_TC),
    ToleranceClass(
        "ASTM E230 standard",
        ("K",),
        (Stretch(-200, 0, 2.2, 0.02), Stretch(0, 1260, 2.2, 0.0075)),
        _SECOND,
        _ASTM_TC,
        "below 0 °C the reprints disagree, 2 % or 1 %; the wider is used",
    ),
    ToleranceClass(
        "ASTM E230 standard", ("N",), (Stretch(0, 1260, 2.2, 0.0075),), _SECOND, _ASTM_TC
    ),
    ToleranceClass(
        "ASTM E230 special", ("K", "N"), (Stretch(0, 1260, 1.1, 0.004),), _SECOND, _ASTM_TC
    ),
    ToleranceClass(
        "ASTM E230 standard", ("R", "S"), (Stretch(0, 1480, 1.5, 0.0025),), _SECOND, _ASTM_TC
    ),
    ToleranceClass(
        "ASTM E230 special", ("R", "S"), (Stretch(0, 1480, 0.6, 0.001),), _SECOND, _ASTM_TC
    ),
    ToleranceClass(
        "ASTM E230 standard", ("B",), (Stretch(870, 1700, 0.0, 0.005),), _SECOND, _ASTM_TC
    ),
    ToleranceClass(
        "ASTM E230 special", ("B",), (Stretch(870, 1700, 0.0, 0.0025),), _SECOND, _ASTM_TC
    ),
    *_iec_pt(),
    ToleranceClass(
        "ASTM E1137 A",
        _PT,
        (Stretch(-200, 650, 0.13, 0.0017, summed=True),),
        _SECOND,
        _ASTM_PT,
        "not the IEC class of the same letter",
    ),
    ToleranceClass(
        "ASTM E1137 B",
        _PT,
        (Stretch(-200, 650, 0.25, 0.0042, summed=True),),
        _SECOND,
        _ASTM_PT,
        "not the IEC class of the same letter",
    ),
)

_INDEX = {(sensor, row.name): row for row in TABLE for sensor in row.sensors}


def classes(sensor: str) -> tuple[str, ...]:
    """Names of the tolerance classes that exist for a sensor type; empty where there are none."""
    return tuple(row.name for row in TABLE if sensor in row.sensors)


def find_class(sensor: str, cls: str) -> ToleranceClass:
    """Row of the table: its rule, its evidence and its source.

    Raises
    ------
    UnknownName : if that class does not exist for that sensor type
    """
    try:
        return _INDEX[sensor, cls]
    except KeyError:
        raise UnknownName(
            "tolerance class", str(cls), known=classes(sensor), where=f"sensor type {sensor}"
        ) from None


def class_range_c(sensor: str, cls: str) -> tuple[float, float]:
    """Temperatures a class covers for a sensor type, (low, high), °C.

    Raises
    ------
    UnknownName : if that class does not exist for that sensor type
    """
    stretches = find_class(sensor, cls).stretches
    return float(stretches[0].low_c), float(stretches[-1].high_c)


def half_width_k(temp_c: N, sensor: str, tolerance_class: str, *, extend: bool = False) -> N:
    """Tolerance of a sensor of a class, as the half-width of a rectangular distribution.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN
    sensor : "B" … "T", "Pt100" or "Pt1000"
    tolerance_class : a name from `classes`
    extend : outside the class's range hold the nearest stretch's formula instead of refusing

    Returns
    -------
    same shape, K

    Raises
    ------
    OutOfRange : if a temperature lies outside the class's range and `extend` is False
    UnknownName : if that class does not exist for that sensor type

    Source: IEC60584, ASTME230, IEC60751, ASTME1137. Checked in
    tests/evidence/test_tolerance_classes.py.
    """
    row = find_class(sensor, tolerance_class)
    given = np.asarray(temp_c, dtype=np.float64)
    low, high = float(row.stretches[0].low_c), float(row.stretches[-1].high_c)
    outside = (given < low) | (given > high)
    if not extend and bool(np.any(outside)):
        raise OutOfRange(
            "temperature",
            got=f"{float(given[outside].ravel()[0]):.7g} °C",
            expected=f"{low:g} to {high:g} °C",
            where=f"{tolerance_class} for sensor type {sensor}",
            remedy="name a class that covers it, or give the sensor a certificate",
        )
    out: FloatArray = np.full(given.shape, np.nan)
    for i, s in enumerate(row.stretches):
        here = ~np.isnan(given)
        if i > 0:
            here &= given >= s.low_c
        if i < len(row.stretches) - 1:
            here &= given < s.high_c
        scaled = s.slope * np.abs(given - s.from_c)
        width = s.constant_k + scaled if s.summed else np.maximum(s.constant_k, scaled)
        out = np.where(here, width, out)
    return as_given(temp_c, out)
