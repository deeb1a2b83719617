"""What the health checks look at: each channel's own readings with their noise and swings."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.arrays import BoolArray, FloatArray, IntArray
from ovenwright.domain.plan import Channel, Plan, SensorType
from ovenwright.domain.run import NS, Quality, Role, Run, Series

THERMOCOUPLES = frozenset({"B", "E", "J", "K", "N", "R", "S", "T"})

REACH_S = 5.0
"""Longest time to each side over which a there-and-back counts as a swing, not as heating."""

_UNIT_BESIDE = re.compile(r"\s*(?:\([^()]*\)|\[[^\[\]]*\])$")
_BLOCK = 32
# mean of |third difference| of white noise is sigma sqrt(20) sqrt(2 / pi)
_THIRD = float(np.sqrt(20.0) * np.sqrt(2.0 / np.pi))


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel as the checks see it: the readings that are numbers, and what is missing.

    ``time_s``, ``value_c`` (n,) hold the readings that are numbers; ``place`` (n,) their index in
    the channel's own series. ``stamp_s`` (m,) has every time stamp and ``overflow`` (m,) tells
    where the instrument gave its mark for an open sensor. ``swing_k`` (n,) is how far a reading
    stands out on one side of both its surroundings (see `swings`). ``noise_k`` is the typical
    noise, ``quiet_k`` that of the quietest tenth, ``busy_k`` that which three quarters of the
    blocks stay below.
    """

    name: str
    channel: Channel | None
    stamp_s: FloatArray
    overflow: BoolArray | None
    place: IntArray | None
    time_s: FloatArray
    value_c: FloatArray
    interval_s: float
    resolution_k: float
    noise_k: float
    quiet_k: float
    busy_k: float
    swing_k: FloatArray

    @property
    def role(self) -> Role | None:
        """Role the plan gives, None where there is no plan."""
        return self.channel.role if self.channel is not None else None

    @property
    def kind(self) -> str | None:
        """Thermocouple type the values stand for, None if unknown or no thermocouple."""
        if self.channel is None or self.channel.sensor.value not in THERMOCOUPLES:
            return None
        return self.channel.sensor.value

    @property
    def gap_s(self) -> float:
        """Time between two readings from which on something is missing between them."""
        return 2.5 * self.interval_s

    def native(self, readings: IntArray) -> IntArray:
        """Turn indices among the numbers into indices of the channel's own series."""
        return readings if self.place is None else self.place[readings]


@dataclass(frozen=True, slots=True)
class Bench:
    """All channels of one run, ready to be checked, and what is known of where they stand."""

    traces: tuple[Trace, ...]
    plan: Plan | None
    end_s: float
    boiling_c: float
    boiling_known: bool
    reference_c: float
    reference_known: bool

    def typical_noise_k(self, without: int) -> float:
        """Median noise of the other channels; NaN if there are none."""
        others = [t.busy_k for i, t in enumerate(self.traces) if i != without and t.time_s.size]
        return float(np.median(others)) if others else float("nan")


def typical_interval_s(stamp_s: FloatArray) -> float:
    """Median time between readings; 0 if there are fewer than two."""
    if stamp_s.size < 2:
        return 0.0
    steps = np.diff(stamp_s)
    stride = max(1, steps.size // 8192)
    return float(np.median(steps[::stride]))


def find_resolution_k(value_c: FloatArray) -> float:
    """Smallest step of the readings, 0 if they lie on no grid.

    Parameters
    ----------
    value_c : (n,) readings that are numbers, °C

    Returns
    -------
    step, K; readings given in °F to a tenth show a step of 0.0556 K
    """
    if value_c.size < 8:
        return 0.0
    # stretches of neighbours in time, for those are neighbours on the grid too
    parts = np.array_split(value_c, 8) if value_c.size > 8192 else [value_c]
    steps = np.concatenate([np.abs(np.diff(part[:1024])) for part in parts])
    steps = steps[steps > 1e-6]
    if steps.size < 4:
        return 0.0
    for share in (0.0, 2.0, 10.0, 30.0):  # a few readings off the grid must not hide it
        small = float(np.percentile(steps, share, method="lower"))
        if small < 1e-4:
            continue
        counts = steps / small
        near = counts < 50  # far apart, the rounding of the smallest step itself adds up
        on_grid = np.abs(counts[near] - np.round(counts[near])) < 0.1
        if float(np.mean(on_grid)) >= 0.97:
            return float(np.round(np.mean(steps[near & (counts > 0.9) & (counts < 1.1)]), 6))
    return 0.0


def noise_levels_k(value_c: FloatArray) -> tuple[float, float, float]:
    """Noise of single readings from third differences: typical, quiet and busy.

    A third difference of a smooth curve is next to nothing, so what is left is noise (and the
    rounding to the resolution). It is averaged in blocks; the median, the lower tenth and the
    upper quarter of the blocks are returned, each as a standard deviation, K.
    """
    if value_c.size < 12:
        return 0.0, 0.0, 0.0
    block = _BLOCK if value_c.size >= 8 * _BLOCK else 8
    third = np.diff(value_c, 3)
    np.abs(third, out=third)
    whole = third.size // block * block
    level = third[:whole].reshape(-1, block).mean(axis=1) / _THIRD
    typical, quiet, busy = np.percentile(level, (50.0, 10.0, 75.0))
    return float(typical), float(quiet), float(busy)


def swings(value_c: FloatArray, reach: Sequence[int]) -> FloatArray:
    """How far each reading stands out on one side of its surroundings.

    For a reach of k readings it is the smaller of the rise from k readings before and the fall to
    k readings after (or the other way round), 0 if the readings go on in one direction. However
    fast, heating and cooling have next to none; noise, spikes of up to k readings and failing
    junctions have plenty.

    Parameters
    ----------
    value_c : (n,) readings, °C
    reach : numbers of readings to look to each side; the largest of the answers is kept

    Returns
    -------
    (n,) K, 0 or above
    """
    height = np.zeros(value_c.shape)
    for k in reach:
        if value_c.size <= 2 * k:
            continue
        step = value_c[k:] - value_c[:-k]
        before, after = step[:-k], step[k:]
        inner = height[k:-k]
        np.maximum(inner, np.minimum(before, -after), out=inner)
        np.maximum(inner, -np.maximum(before, -after), out=inner)
    return height


def make_trace(
    series: Series,
    *,
    name: str,
    channel: Channel | None,
    start_ns: int,
    lost: BoolArray | None = None,
) -> Trace:
    """Prepare one channel for the checks; ``lost`` readings count as beyond range."""
    stamp_s = (series.time_ns - start_ns) / NS
    number = np.isfinite(series.value_c)
    overflow = (series.quality & np.uint8(Quality.OVERFLOW)) != 0
    if lost is not None:
        overflow |= lost
    if bool(number.all()):
        place, time_s, value_c = None, stamp_s, series.value_c
    else:
        place = np.flatnonzero(number)
        time_s, value_c = stamp_s[place], series.value_c[place]
    interval_s = typical_interval_s(stamp_s)
    typical, quiet, busy = noise_levels_k(value_c)
    stated = channel.resolution_k if channel is not None else None
    reach = [k for k in (1, 2, 4) if k == 1 or k * interval_s <= REACH_S]
    return Trace(
        name=name,
        channel=channel,
        stamp_s=stamp_s,
        overflow=overflow if bool(overflow.any()) else None,
        place=place,
        time_s=time_s,
        value_c=value_c,
        interval_s=interval_s,
        resolution_k=stated if stated is not None else find_resolution_k(value_c),
        noise_k=typical,
        quiet_k=quiet,
        busy_k=busy,
        swing_k=swings(value_c, reach),
    )


def as_recorded(channel: Channel) -> Channel:
    """Return the channel as the instrument took it: with the type it was set to."""
    if channel.recorded_as is None:
        return channel
    return channel.model_copy(
        update={"sensor": SensorType(channel.recorded_as), "recorded_as": None}
    )


def match_columns(run: Run, plan: Plan) -> Mapping[str, str]:
    """Return, by channel name of the plan, the run's series it stands for.

    A channel's own column comes first, then its name; capitals and outer blanks do not matter
    where the exact spelling is not found, nor does a unit in brackets, which a heading has and a
    series has not. Channels without readings are left out.
    """
    loose = {key.strip().casefold(): key for key in reversed(list(run.series))}
    found: dict[str, str] = {}
    for channel in plan.channels:
        for wanted in (channel.column, channel.name):
            if not wanted:
                continue
            folded = wanted.strip().casefold()
            bare = _UNIT_BESIDE.sub("", folded)
            key = wanted if wanted in run.series else loose.get(folded, loose.get(bare))
            if key is not None:
                found[channel.name] = key
                break
    return found
