"""Guess what each channel feels from how it moves; offered with the reason, never imposed.

The signs are those a person looks for: air leads and is hottest, a moist core lags and is held near
the boiling point of water, a surface lies between, a reference body follows the air smoothly, a wall
is hot and steady, ambient stays where it began. The bounds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import BoolArray, FloatArray
from ovenwright.domain.run import Role
from ovenwright.errors import OutOfRange

Guess = tuple[Role | None, str]

_POINTS = 1500
_STEADY_K = 8.0
_HOLD_BELOW_K = 7.0
_HOLD_ABOVE_K = 3.0
_BODY_POINTS = 400
_BODY_TAU_S = (20.0, 7200.0)
_BODY_SHARE = 0.06
"""A reference body in a belt oven, whose air differs by zone, leaves about 0.035; a crust 0.2."""


def on_one_axis(
    times_s: Sequence[FloatArray], temps_c: Sequence[FloatArray], *, points: int = _POINTS
) -> tuple[FloatArray, FloatArray]:
    """Lay channels with their own times on one coarse axis, good enough to see how they move.

    Parameters
    ----------
    times_s : (n_i,) each, rising, seconds
    temps_c : (n_i,) each, °C, NaN where missing
    points : rows of the result

    Returns
    -------
    (points,) seconds and (points, channels) °C, NaN outside a channel's readings
    """
    known = [np.isfinite(t) for t in temps_c]
    spans = [(t[k][0], t[k][-1]) for t, k in zip(times_s, known, strict=True) if k.any()]
    if not spans:
        return np.zeros(1), np.full((1, len(temps_c)), np.nan)
    axis = np.linspace(min(s[0] for s in spans), max(s[1] for s in spans), points)
    columns = [
        np.interp(axis, t[k], v[k], left=np.nan, right=np.nan)
        if k.any()
        else np.full(points, np.nan)
        for t, v, k in zip(times_s, temps_c, known, strict=True)
    ]
    return axis, np.stack(columns, axis=1)


@dataclass(frozen=True, slots=True)
class _Signs:
    """What is looked at, one entry a channel; NaN where there are too few readings."""

    start: FloatArray
    top: FloatArray
    reach: FloatArray
    half_s: FloatArray
    hold: FloatArray
    pace: FloatArray
    enough: BoolArray


def guess_roles(
    time_s: FloatArray, temp_c: FloatArray, *, boiling_c: float = 100.0
) -> tuple[Guess, ...]:
    """Guess the role of each channel.

    Parameters
    ----------
    time_s : (n,) rising, seconds
    temp_c : (n, channels) °C, NaN where missing
    boiling_c : local boiling point of water

    Returns
    -------
    for each channel a role, or None where nothing tells, with the reason in plain words

    Raises
    ------
    OutOfRange : if the shapes do not fit
    """
    if temp_c.ndim != 2 or time_s.shape != temp_c.shape[:1]:
        raise OutOfRange("temp_c", got=temp_c.shape, expected=f"({time_s.size}, channels)")
    signs = _signs(time_s, temp_c, boiling_c)
    guesses: list[Guess] = [(None, "too few readings to tell")] * temp_c.shape[1]
    open_: list[int] = []
    for k in (int(i) for i in np.flatnonzero(signs.enough)):
        still = _still(signs, k, temp_c[:, k])
        if still is None:
            open_.append(k)
        else:
            guesses[k] = still
    if open_:
        for k, guess in _moving(time_s, temp_c, signs, open_, boiling_c).items():
            guesses[k] = guess
    return tuple(guesses)


def _signs(time_s: FloatArray, temp_c: FloatArray, boiling_c: float) -> _Signs:
    count = temp_c.shape[1]
    start, top, reach, half, hold, pace = (np.full(count, np.nan) for _ in range(6))
    enough = np.zeros(count, np.bool_)
    for k in range(count):
        known = np.isfinite(temp_c[:, k])
        if known.sum() < 8:
            continue
        t, v = time_s[known], temp_c[known, k]
        enough[k] = True
        start[k] = np.median(v[: max(3, v.size // 100)])
        top[k] = np.quantile(v, 0.97)
        reach[k] = top[k] - min(start[k], float(np.quantile(v, 0.03)))
        if top[k] > start[k]:
            past = np.flatnonzero(v >= start[k] + 0.5 * (top[k] - start[k]))
            half[k] = t[past[0]] - t[0] if past.size else np.nan
        near = (v > boiling_c - _HOLD_BELOW_K) & (v < boiling_c + _HOLD_ABOVE_K)
        hold[k] = near.mean()
        run = np.diff(t)
        step = np.diff(v)[run > 0] / run[run > 0]
        if not step.size:
            enough[k] = False
            continue
        pace[k] = np.quantile(np.abs(step), 0.9) * 60.0
    return _Signs(start, top, reach, half, hold, pace, enough)


def _still(signs: _Signs, k: int, temp_c: FloatArray) -> Guess | None:
    """Tell the channels that hardly move: ambient, or something hot and steady."""
    middle = float(np.nanmedian(temp_c))
    spread = float(np.nanquantile(temp_c, 0.95) - np.nanquantile(temp_c, 0.05))
    largest = float(np.nanmax(signs.reach))
    if middle < 60.0 and spread <= max(_STEADY_K, 0.03 * largest) and largest > 3.0 * spread:
        return Role.AMBIENT, f"it stays near its start at {middle:.0f} °C while others heat up"
    if middle >= 100.0 and signs.start[k] > 0.8 * middle and spread < 0.12 * middle:
        if signs.pace[k] < 1.5:
            return Role.WALL, f"it is hot from the start and steady at {middle:.0f} °C"
        return Role.AIR, f"it is hot from the start and swings about {middle:.0f} °C"
    return None


def _moving(
    time_s: FloatArray, temp_c: FloatArray, signs: _Signs, open_: Sequence[int], boiling_c: float
) -> dict[int, Guess]:
    found: dict[int, Guess] = {}
    half = signs.half_s[open_]
    top = signs.top[open_]
    if np.isnan(half).all():
        return dict.fromkeys(open_, (None, "it does not heat up"))
    hottest = float(np.nanmax(signs.top[signs.enough]))
    first, last = float(np.nanmin(half)), float(np.nanmax(half))
    alike = hottest - float(np.nanmin(top)) < 0.06 * hottest
    if len(open_) > 1 and alike and last - first < 0.15 * max(last, 1.0):
        return _together(open_, hottest, boiling_c)
    lead = _leaders(time_s, temp_c, signs, open_)
    others_hot = [
        int(k) for k in np.flatnonzero(signs.enough) if k not in open_ and signs.top[k] > 100
    ]
    lead_half = float(np.median(signs.half_s[lead])) if lead else 0.0
    air = _mean_of(temp_c[:, lead or others_hot]) if lead or others_hot else None
    for k in open_:
        if k in lead:
            found[k] = (
                Role.AIR,
                f"it leads and is hottest on the way up, to {signs.top[k]:.0f} °C",
            )
            continue
        lag = signs.half_s[k] - lead_half
        behind = f"it lags {lag / 60.0:.1f} min behind the air" if air is not None else "it is slow"
        if _is_held(signs, k, boiling_c):
            found[k] = (
                Role.CORE,
                f"{behind} and is held near {signs.top[k]:.0f} °C, where water boils",
            )
        elif signs.top[k] <= boiling_c + _HOLD_ABOVE_K and air is not None and lag > 0:
            found[k] = (Role.CORE, f"{behind} and stays below boiling, at {signs.top[k]:.0f} °C")
        elif air is not None and lag > 0:
            fit = _follows(time_s, temp_c[:, k], air)
            if fit is not None:
                found[k] = (
                    Role.BODY,
                    f"it follows the air smoothly, as one body with {fit / 60.0:.1f} min lag",
                )
            else:
                found[k] = (
                    Role.SURFACE,
                    f"{behind} and passes boiling, up to {signs.top[k]:.0f} °C: between air and "
                    "core",
                )
        else:
            found[k] = (None, "it moves like none of the known roles")
    return found


def _together(open_: Sequence[int], hottest: float, boiling_c: float) -> dict[int, Guess]:
    if hottest > boiling_c + 20.0:
        why = "all channels move together, as the air of a chamber without product does"
        return dict.fromkeys(open_, (Role.AIR, why))
    return dict.fromkeys(
        open_, (None, "all channels move together: nothing tells air from product")
    )


def _leaders(
    time_s: FloatArray, temp_c: FloatArray, signs: _Signs, open_: Sequence[int]
) -> list[int]:
    """Return the channels that are ahead while half of them are still on their way up."""
    half = signs.half_s[open_]
    early = temp_c[time_s <= time_s[0] + float(np.nanmedian(half))][:, open_]
    if early.shape[0] < 3 or np.isnan(early).all(axis=0).any():
        return []
    heat = np.nanquantile(early, 0.9, axis=0)
    first, last = float(np.nanmin(half)), float(np.nanmax(half))
    ahead = (heat >= 0.8 * np.nanmax(heat)) & (heat > 60.0)
    ahead &= half <= first + max(0.35 * (last - first), 1.0)
    return [k for k, is_ahead in zip(open_, ahead, strict=True) if is_ahead and not ahead.all()]


def _mean_of(temp_c: FloatArray) -> FloatArray:
    """Return the mean over channels, NaN where none has a reading."""
    known = np.isfinite(temp_c)
    count = known.sum(axis=1)
    total = np.where(known, temp_c, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _is_held(signs: _Signs, k: int, boiling_c: float) -> bool:
    at_boiling = abs(signs.top[k] - boiling_c) <= _HOLD_BELOW_K
    return bool(signs.hold[k] > 0.12 and at_boiling and signs.top[k] <= boiling_c + _HOLD_ABOVE_K)


def _follows(time_s: FloatArray, temp_c: FloatArray, air_c: FloatArray) -> float | None:
    """Return the time constant if the channel follows the air as a single body, else None.

    One body of time constant tau obeys dT/dt = (air - T) / tau; the best of many tau has to
    describe the whole run within a small share of its reach. Moist surfaces fail by far: they
    linger at the boiling point.
    """
    thin = max(1, time_s.size // _BODY_POINTS)
    known = np.isfinite(temp_c[::thin]) & np.isfinite(air_c[::thin])
    if known.sum() < 50:
        return None
    t, v, air = (x[::thin][known] for x in (time_s, temp_c, air_c))
    tau = np.geomspace(*_BODY_TAU_S, 80)
    drive = 0.5 * (air[1:] + air[:-1])
    keep = np.exp(-np.diff(t)[:, None] / tau)
    follow = np.full(tau.shape, v[0])
    error = np.zeros(tau.shape)
    for i in range(drive.size):
        follow = drive[i] + (follow - drive[i]) * keep[i]
        error += (follow - v[i + 1]) ** 2
    best = int(np.argmin(error))
    reach = float(v.max() - v.min())
    if reach < _STEADY_K or np.sqrt(error[best] / drive.size) > _BODY_SHARE * reach:
        return None
    return float(tau[best])
