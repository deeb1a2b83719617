"""What a channel shows of the body: its rise in windows of time, with what it may be off by."""

from __future__ import annotations

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.errors import TooLittleData
from ovenwright.modelling.departures import Windows
from ovenwright.modelling.heating import Heating, Line, start_of

_RISE_SHARES = np.array([0.03, 0.07, 0.13, 0.21, 0.31, 0.42, 0.55, 0.69, 0.84])
_TIME_SHARES = np.array([0.12, 0.25, 0.45, 0.7, 1.0])
_APART = 0.03  # of the elapsed time: windows are no narrower
_FLOOR_K = 0.3  # a rise this small is no rise: draughts, creeping junctions
_GAIN_FLOOR = 0.005


class NotHeated(TooLittleData):
    """A channel that can't carry a forecast; says why."""


def refusal(core: Line, heating: Heating, *, still_heated: bool = True) -> str:
    """Return why a channel can't be looked ahead on; "" where it can.

    Checked are: readings at all, readings up to now, long enough against interval and lag, a rise
    beyond its noise, and, with `still_heated`, that it is still going on.
    """
    if core.time_s.size < 8:
        return "it has too few readings so far; wait for more"
    inside = core.time_s >= heating.start_s
    if int(inside.sum()) < 6:
        return "it has too few readings since heating began; wait for more"
    rise = core.temp_c[inside] - start_of(core, heating)
    interval = float(np.median(np.diff(core.time_s)))
    if not still_heated:
        enough = float(rise.max()) >= max(10.0, 6.0 * core.noise_k)
        return "" if enough else "it did not warm by 10 K: too little to fit"
    stale = heating.until_s - float(core.time_s[-1])
    if stale > max(5.0 * interval, 0.1 * heating.elapsed_s):
        return f"its last sound reading is {stale:.0f} s old; mend the sensor or look at another"
    least_s = max(5.0 * interval, 3.0 * core.lag_s, 10.0)
    if heating.elapsed_s < least_s:
        return (
            f"only {heating.elapsed_s:.0f} s of heating are known, shorter than what the sensor's "
            f"lag and pace need; wait until {heating.start_s + least_s:.0f} s"
        )
    recent = core.time_s[inside] >= heating.until_s - 0.2 * heating.elapsed_s
    t, y = core.time_s[inside][recent], rise[recent]
    top = float(np.median(y[-3:]))
    if np.ptp(core.temp_c[inside]) == 0.0:
        return "it stands perfectly still while heating goes on; see whether the sensor is alive"
    if top < max(2.0, 6.0 * core.noise_k):
        return "it has not begun to warm; wait until it rises or see whether it is being heated"
    if t.size >= 3:
        slope = float(np.polyfit(t - t[0], y, 1)[0])
        if slope * heating.elapsed_s < 0.02 * top:
            return "it is not being heated: it does not rise any more"
    if float(heating.around.temp_c[-1]) < float(core.temp_c[-1]) - 2.0:
        return (
            f"{heating.around.name} is colder than it: it is heated by something that channel does "
            "not feel"
        )
    return ""


def observe(core: Line, heating: Heating) -> tuple[FloatArray, Windows]:
    """Cut a channel's rise into windows of about equal rise, none of them long.

    Readings are moved back by the sensor's lag, for on a ramp it shows what was a lag ago.

    Returns
    -------
    (k,) times since heating began, s, at which the windows end, and the windows
    """
    elapsed = min(heating.elapsed_s, float(core.time_s[-1]) - heating.start_s)
    start = start_of(core, heating)
    half = max(1.5, 0.015 * elapsed)
    time_s = core.time_s - heating.start_s
    at_s = _ends(time_s, core.temp_c - start, elapsed)
    rise = np.empty(at_s.size)
    for k, t in enumerate(at_s):
        first, last = np.searchsorted(time_s, (t - half, np.nextafter(t + half, np.inf)))
        if last - first >= 3:
            # a line through the window, read at the moment itself
            since_s, temp_c = time_s[first:last] - t, core.temp_c[first:last]
            middle_s = since_s.mean()
            away_s = since_s - middle_s
            slope = float(away_s @ temp_c) / float(away_s @ away_s)
            rise[k] = temp_c.mean() - slope * middle_s - start
        else:
            rise[k] = np.interp(t, time_s, core.temp_c) - start
    rise = np.maximum.accumulate(rise)
    at_s = np.maximum(at_s - core.lag_s, 0.02 * elapsed)
    at_s = np.maximum.accumulate(at_s)
    log_s = np.log(at_s)
    mid = np.concatenate(([log_s[0] - 0.3], 0.5 * (log_s[:-1] + log_s[1:])))
    noise = _FLOOR_K**2 + core.noise_k**2 + (max(core.gain, _GAIN_FLOOR) * rise) ** 2
    return at_s, Windows(mid=mid, rise_k=rise, noise_k2=noise)


def _ends(time_s: FloatArray, rise_k: FloatArray, elapsed: float) -> FloatArray:
    """Return when windows end: at shares of the rise and at shares of the time."""
    inside = (time_s > 0.0) & (time_s <= elapsed)
    t, y = time_s[inside], np.maximum.accumulate(rise_k[inside])
    top = float(y[-1])
    passed = [float(t[np.argmax(y >= share * top)]) for share in _RISE_SHARES] if top > 0 else []
    wanted = np.sort(np.concatenate([passed, elapsed * _TIME_SHARES]))
    kept: list[float] = []
    for at in wanted[::-1]:
        if at >= _APART * elapsed and (not kept or kept[-1] - at >= _APART * elapsed):
            kept.append(float(at))
    return np.array(kept[::-1])
