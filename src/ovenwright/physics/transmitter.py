"""Linear transmitters: a current or voltage that stands for a temperature."""

from __future__ import annotations

import numpy as np

from ovenwright.errors import OutOfRange
from ovenwright.physics.arrays import N, as_given

# shares of the span a live signal may leave it by, 3.8 and 20.5 mA of 4 to 20 mA: what is further
# out is the transmitter saying that something is wrong (NAMUR NE 43, from memory)
BELOW_SHARE = 0.2 / 16.0
ABOVE_SHARE = 0.5 / 16.0


def signal_range(*, low_signal: float, high_signal: float) -> tuple[float, float]:
    """Lowest and highest signal that still stands for a temperature.

    Raises
    ------
    OutOfRange : if the two signals are alike or not finite
    """
    span = high_signal - low_signal
    if not (np.isfinite(span) and span != 0.0):
        raise OutOfRange(
            "transmitter signals",
            got=f"{low_signal:g} and {high_signal:g}",
            expected="two different finite signals",
        )
    ends = (low_signal - BELOW_SHARE * span, high_signal + ABOVE_SHARE * span)
    return min(ends), max(ends)


def temperature(
    signal: N, *, low_signal: float, low_c: float, high_signal: float, high_c: float
) -> N:
    """Temperature from the signal of a linear transmitter.

    Parameters
    ----------
    signal : any shape, in the unit of `low_signal`; NaN stays NaN
    low_signal, high_signal : signal at the two ends of the span, such as 4 and 20 mA
    low_c, high_c : temperature at the two ends, °C

    Returns
    -------
    same shape, °C

    Raises
    ------
    OutOfRange : if a signal lies outside `signal_range`, or the two ends are alike
    """
    low, high = signal_range(low_signal=low_signal, high_signal=high_signal)
    given = np.asarray(signal, dtype=np.float64)
    slack = 1e-12 * max(abs(low), abs(high))
    outside = (given < low - slack) | (given > high + slack)
    if bool(np.any(outside)):
        raise OutOfRange(
            "signal",
            got=f"{float(given[outside].ravel()[0]):.7g}",
            expected=f"{low:g} to {high:g}",
            where=f"transmitter of {low_signal:g} to {high_signal:g}",
            remedy="a signal out here reports a fault; mark such readings as missing",
        )
    share = (given - low_signal) / (high_signal - low_signal)
    return as_given(signal, np.asarray(low_c + share * (high_c - low_c)))


def signal(temp_c: N, *, low_signal: float, low_c: float, high_signal: float, high_c: float) -> N:
    """Signal of a linear transmitter at a temperature, the inverse of `temperature`.

    Parameters
    ----------
    temp_c : any shape, °C; NaN stays NaN
    low_signal, low_c, high_signal, high_c : as for `temperature`

    Returns
    -------
    same shape, in the unit of `low_signal`

    Raises
    ------
    OutOfRange : if the two ends are alike
    """
    signal_range(low_signal=low_signal, high_signal=high_signal)
    if not (np.isfinite(high_c - low_c) and high_c != low_c):
        raise OutOfRange(
            "transmitter temperatures",
            got=f"{low_c:g} and {high_c:g} °C",
            expected="two different finite temperatures",
        )
    given = np.asarray(temp_c, dtype=np.float64)
    share = (given - low_c) / (high_c - low_c)
    return as_given(temp_c, np.asarray(low_signal + share * (high_signal - low_signal)))
