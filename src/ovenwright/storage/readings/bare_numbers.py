"""Times that are plain numbers: elapsed in some unit, serial dates, seconds since 1970."""

from __future__ import annotations

import numpy as np

from ovenwright.domain.arrays import FloatArray, IntArray
from ovenwright.domain.run import NS
from ovenwright.storage.readings.conclusions import Concluded
from ovenwright.storage.readings.time_nouns import (
    DAY_NS,
    SECONDS_IN,
    TimeHints,
    TimeRefused,
    Times,
    coarse_step,
)

_SERIAL_ZERO_D = -25_569  # 1899-12-30, day 0 of spreadsheet serial dates: from memory


def read_bare(values: FloatArray, hints: TimeHints) -> Times:
    """Read times that are plain numbers.

    Raises
    ------
    TimeRefused : if they may as well be seconds as minutes
    """
    bad = ~np.isfinite(values)
    good = values[~bad]
    if not good.size:
        raise TimeRefused("the time column holds no number", "--time-column")
    unit, why, sure = _numeric_unit(good, hints)
    zero = np.where(bad, 0.0, values)
    concluded = [Concluded("time", _SAID.get(unit, unit), why, "--time-unit", certain=sure)]
    if unit == "serial":
        days = np.floor(zero)
        # a serial date carries about a microsecond; instruments write milliseconds
        rest = np.rint((zero - days) * 86_400_000.0).astype(np.int64) * (NS // 1000)
        ns = (days.astype(np.int64) + _SERIAL_ZERO_D) * DAY_NS + rest
        return Times(ns, bad, absolute=True, coarse_ns=coarse_step(ns[~bad]), concluded=concluded)
    if unit == "epoch":
        scale = _epoch_scale(float(np.median(np.abs(good))))
        ns = _scaled(zero, NS // scale)
        return Times(ns, bad, True, utc=True, coarse_ns=coarse_step(ns[~bad]), concluded=concluded)
    seconds = SECONDS_IN[unit]
    ns = np.rint(zero * (seconds * NS)).astype(np.int64)
    return Times(ns, bad, absolute=False, coarse_ns=coarse_step(ns[~bad]), concluded=concluded)


_SAID = {"serial": "spreadsheet serial date", "epoch": "seconds since 1970", "s": "seconds",
         "min": "minutes", "h": "hours", "ms": "milliseconds"}  # fmt: skip


def _epoch_scale(size: float) -> int:
    return next(
        s for s, top in ((1, 1e11), (1000, 1e14), (10**6, 1e17), (NS, np.inf)) if size < top
    )


def _scaled(values: FloatArray, factor: int) -> IntArray:
    whole = np.floor(values)
    part = np.rint((values - whole) * factor).astype(np.int64)
    return np.asarray(whole.astype(np.int64) * factor + part, np.int64)


def _numeric_unit(values: FloatArray, hints: TimeHints) -> tuple[str, str, bool]:
    given = hints.given_unit
    if given in SECONDS_IN or given in {"serial", "epoch"}:
        return given, "it was given", True
    if given:
        raise TimeRefused(
            f"the times are plain numbers, not {given}", "--time-unit s, min, h, ms or serial", 0
        )
    middle = float(np.median(values))
    if hints.unit in SECONDS_IN and not (hints.unit == "s" and middle > 9e8):
        return hints.unit, "the heading says so", True
    if 9.0e8 < abs(middle) < 5e9 or 9e11 < abs(middle) < 5e12 or abs(middle) > 9e14:
        return "epoch", f"numbers near {middle:.0f} are moments of our time when counted so", False
    steps = np.diff(np.sort(values))
    steps = steps[steps > 0]
    step = float(np.median(steps)) if steps.size else 1.0
    span = float(values.max() - values.min())
    if float(values.min()) > 25_000 and float(values.max()) < 75_000 and step < 0.5 and span < 400:
        return "serial", f"numbers near {middle:.3f} are dates of our time when counted so", False
    said = f"the steps are about {step:.4g}"
    if step < 0.005:
        if step < 0.0008 and span < 48:
            return "h", f"{said}, which suits hours", False
        return "min", f"{said}, which suits minutes", False
    mean = span / max(1, values.size - 1)
    sixtieths = abs(mean * 60 - round(mean * 60)) < 0.005 * mean * 60
    if values.size >= 10 and step < 0.4 and sixtieths and abs(mean * 100 % 1 - 0.5) < 0.48:
        return "min", f"{said}, whole seconds only when counted in minutes", False
    if step >= 50 and span > 200_000 and not (values % 10).any():
        return "ms", f"{said} and the whole {span:.0f}, too long for an oven in seconds", False
    if values.size >= 10 and span < 180 and hints.rise_k > 0.5 * span:
        raise TimeRefused(
            f"the times have no unit, {said} and the whole {span:.4g}: this can be seconds or "
            "minutes",
            "--time-unit s or --time-unit min",
            0,
        )
    return "s", f"the column has no unit, {said} and the whole {span:.5g}", False
