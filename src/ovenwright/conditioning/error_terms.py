"""The lines of each channel's uncertainty budget that do not depend on the product."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ovenwright.conditioning.correct import certificate_at
from ovenwright.conditioning.traces import THERMOCOUPLES
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Channel, SensorType
from ovenwright.domain.profile import Distribution, ErrorTerm, Scope
from ovenwright.errors import OutOfRange
from ovenwright.physics import thermocouple, tolerance

ROOT_3 = float(np.sqrt(3.0))
ROOT_12 = float(np.sqrt(12.0))

DEFAULT_REFERENCE_HALF_K = 1.0
"""Half-width for a reference junction nobody stated (common practice, no source)."""
REFERENCE_SPREAD_K = 5.0
"""Half-width of the reference-junction temperature itself where the instrument gave none."""
DEFAULT_ACCURACY_K = 1.0
"""Half-width for a thermistor or transmitter nobody stated (common practice, no source)."""
DEFAULT_CLASS = {
    **dict.fromkeys("EJKNTRS", "IEC 60584-1 class 2"),
    "B": "IEC 60584-1 class 3",
    "Pt100": "IEC 60751 B",
    "Pt1000": "IEC 60751 B",
}
COMMON_MODULE = "the instrument"


def error_terms(
    channel: Channel,
    knots_c: FloatArray,
    *,
    resolution_k: float,
    reference_c: float,
    reference_known: bool,
    note: Callable[[str], None],
) -> tuple[ErrorTerm, ...]:
    """Say how far a channel's corrected readings may be off, source by source.

    Parameters
    ----------
    channel : its plan
    knots_c : (k,) temperatures at which the terms are stated
    resolution_k : step of the readings, 0 where there is none
    reference_c : reference-junction temperature
    reference_known : False where `reference_c` is a default
    note : told what was assumed

    Returns
    -------
    terms; rectangular half-widths are divided by the root of three, steps by the root of twelve
    (JCGM100, 4.3.7)
    """
    terms: list[ErrorTerm] = []
    kind = channel.sensor.value if channel.sensor.value in THERMOCOUPLES else None

    def add(
        source: str,
        standard_k: FloatArray | float,
        distribution: Distribution,
        *,
        scope: Scope = Scope.CHANNEL,
        group: str = channel.name,
        words: str = "",
    ) -> None:
        terms.append(
            ErrorTerm(
                source=source,
                scope=scope,
                group=group,
                at_c=knots_c,
                standard_k=np.broadcast_to(
                    np.asarray(standard_k, dtype=np.float64), knots_c.shape
                ).copy(),
                distribution=distribution,
                note=words,
            )
        )

    if channel.certificate is not None:
        _, standard_k = certificate_at(knots_c, channel.certificate)
        number = channel.certificate.number
        add(
            "calibration certificate",
            standard_k,
            Distribution.NORMAL,
            words=f"certificate {number}" if number else "",
        )
        if channel.certificate.drift_k is not None:
            half = channel.certificate.drift_k
            add(
                "drift since calibration",
                half / ROOT_3,
                Distribution.RECTANGULAR,
                words=f"within ± {half:g} K",
            )
    else:
        half_k, words = _class_half_k(channel, knots_c, note)
        add("sensor class", half_k / ROOT_3, Distribution.RECTANGULAR, words=words)

    if kind is not None:
        share = _reference_share(kind, knots_c, reference_c)
        stated = channel.reference_uncertainty_k
        if stated is None:
            note(
                "reference junction: no uncertainty given, "
                f"± {DEFAULT_REFERENCE_HALF_K:g} K taken (common practice, no source)"
            )
        standard = DEFAULT_REFERENCE_HALF_K / ROOT_3 if stated is None else stated
        add(
            "reference junction",
            standard * share,
            Distribution.RECTANGULAR if stated is None else Distribution.NORMAL,
            scope=Scope.MODULE,
            group=channel.module or COMMON_MODULE,
            words=f"{standard:.2g} K at the junction, {reference_c:g} °C",
        )
        if channel.recorded_as is not None and not reference_known:
            spread = _restatement_k(channel, knots_c, reference_c)
            add(
                "restatement",
                spread,
                Distribution.RECTANGULAR,
                scope=Scope.MODULE,
                group=f"{channel.module or COMMON_MODULE}: restatement",
                words=f"the instrument gave no reference junction: {reference_c:g} "
                f"± {REFERENCE_SPREAD_K:g} °C taken",
            )

    if resolution_k > 0:
        add(
            "resolution",
            resolution_k / ROOT_12,
            Distribution.RECTANGULAR,
            scope=Scope.READING,
            group="",
            words=f"step {resolution_k:.3g} K",
        )
    if channel.place.uncertainty_k is not None:
        add("place", channel.place.uncertainty_k, Distribution.NORMAL, words=channel.place.note)
    return tuple(terms)


def _class_half_k(
    channel: Channel, knots_c: FloatArray, note: Callable[[str], None]
) -> tuple[FloatArray, str]:
    """Half-width of the sensor's class over the knots, and words for it."""
    sensor = channel.sensor.value
    if channel.sensor in (SensorType.THERMISTOR, SensorType.TRANSMITTER):
        half = channel.transmitter.accuracy_k if channel.transmitter is not None else None
        if half is None:
            note(
                f"{channel.name}: no accuracy or certificate given, ± {DEFAULT_ACCURACY_K:g} K "
                "taken (common practice, no source)"
            )
            half = DEFAULT_ACCURACY_K
        return np.full(knots_c.shape, half), f"within ± {half:g} K"
    cls = channel.tolerance
    if not cls:
        cls = DEFAULT_CLASS[sensor]
        note(f"{channel.name}: no tolerance class or certificate given, {cls} taken")
    low, high = tolerance.class_range_c(sensor, cls)
    if float(knots_c[0]) < low - 10.0 or float(knots_c[-1]) > high + 10.0:
        note(
            f"{channel.name}: {cls} covers {low:g} to {high:g} °C only; its formula is held outside"
        )
    half_k = np.asarray(tolerance.half_width_k(knots_c, sensor, cls, extend=True), dtype=np.float64)
    return half_k, cls


def _reference_share(kind: str, knots_c: FloatArray, reference_c: float) -> FloatArray:
    """Kelvin of reading per kelvin of reference junction: S(reference) over S(T).

    Source: NIST-M175 reference functions; first-order propagation, JCGM100 eq. 10.
    """
    low, high = thermocouple.temperature_range_c(kind)
    if kind == "B":
        low = 250.0  # below, type B hardly gives a voltage
    at = np.clip(knots_c, low, high)
    there = float(thermocouple.sensitivity(float(np.clip(reference_c, -50.0, 100.0)), kind))
    here = np.asarray(thermocouple.sensitivity(at, kind), dtype=np.float64)
    share: FloatArray = abs(there) / np.maximum(np.abs(here), 1e-3)
    return share


def _restatement_k(channel: Channel, knots_c: FloatArray, reference_c: float) -> FloatArray:
    """Return what an assumed reference junction leaves in restated readings, standard, K."""
    assert channel.recorded_as is not None  # noqa: S101 - the caller's promise
    recorded, actual = channel.recorded_as.value, channel.sensor.value
    try:
        shown = thermocouple.restate(
            knots_c, recorded_as=actual, actual=recorded, reference_c=reference_c
        )
        return np.asarray(
            thermocouple.restate_uncertainty(
                shown,
                recorded_as=recorded,
                actual=actual,
                reference_c=reference_c,
                reference_standard_k=REFERENCE_SPREAD_K / ROOT_3,
            ),
            dtype=np.float64,
        )
    except OutOfRange:
        return np.full(knots_c.shape, REFERENCE_SPREAD_K / ROOT_3)
