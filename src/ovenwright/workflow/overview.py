"""A recording at a glance while it grows: bounded memory, and no minimum or maximum lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ovenwright.domain.arrays import FloatArray, IntArray

Float32Array = npt.NDArray[np.float32]
Numbers = npt.NDArray[np.uint16]

_FAR_NS = 12 * 3600 * 1_000_000_000


@dataclass(frozen=True, slots=True)
class Bins:
    """Equal bins in time, of every channel.

    ``start_ns`` and ``width_ns`` place them. ``low`` and ``high`` (bins, channels) float32 °C, NaN
    where a channel gave no number; ``low_first`` (bins, channels) bool: which of the two came first.
    """

    start_ns: int
    width_ns: int
    low: Float32Array
    high: Float32Array
    low_first: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Lately:
    """The last value of each bin, of every channel: ``value_c`` (bins, channels) float32."""

    start_ns: int
    width_ns: int
    value_c: Float32Array


class Overview:
    """The whole recording in at most ``most`` bins: when they are full, two become one.

    Parameters
    ----------
    channels : how many there are
    width_ns : of a bin at first, such as the interval between readings
    most : bins; an even number
    """

    def __init__(self, channels: int, *, width_ns: int, most: int = 512) -> None:
        self.width_ns = max(1, width_ns)
        self._most = most
        self._channels = channels
        self._start_ns: int | None = None
        self._used = 0
        self._low = np.full((most, channels), np.nan, dtype=np.float32)
        self._high = np.full((most, channels), np.nan, dtype=np.float32)
        self._low_at = np.zeros((most, channels), dtype=np.int64)
        self._high_at = np.zeros((most, channels), dtype=np.int64)

    def take(self, channel: Numbers, time_ns: IntArray, value_c: FloatArray) -> None:
        """Take in readings, (n,) each; those from before the first of all are passed over."""
        known = ~np.isnan(value_c)
        if not known.any():
            return
        channel, time_ns, value_c = channel[known], time_ns[known], value_c[known]
        if self._start_ns is None:
            self._start_ns = int(time_ns.min()) // self.width_ns * self.width_ns
        since = time_ns - self._start_ns
        while since.max() // self.width_ns >= self._most:
            self._halve()
        within = since >= 0
        place = since[within] // self.width_ns
        flat = place * self._channels + channel[within]
        value = value_c[within].astype(np.float32)
        time_ns = time_ns[within]
        for best, at, pick in (
            (self._low, self._low_at, np.fmin),
            (self._high, self._high_at, np.fmax),
        ):
            line, when = best.reshape(-1), at.reshape(-1)
            before = line[flat]
            pick.at(line, flat, value)
            new = (line[flat] == value) & (before != value)
            when[flat[new]] = time_ns[new]
        if len(place):
            self._used = max(self._used, int(place.max()) + 1)

    def _halve(self) -> None:
        half = self._most // 2
        for best, at, pick in (
            (self._low, self._low_at, np.fmin),
            (self._high, self._high_at, np.fmax),
        ):
            merged = pick(best[0::2], best[1::2])
            second = merged != best[0::2]
            at[:half] = np.where(second, at[1::2], at[0::2])
            best[:half] = merged
            best[half:] = np.nan
        self._used = (self._used + 1) // 2
        self.width_ns *= 2

    @property
    def start_ns(self) -> int:
        """Where the first bin begins; 0 before the first reading."""
        return self._start_ns or 0

    def bins(self) -> Bins:
        """Return what there is."""
        n = self._used
        return Bins(
            self.start_ns,
            self.width_ns,
            self._low[:n].copy(),
            self._high[:n].copy(),
            self._low_at[:n] <= self._high_at[:n],
        )


class Recent:
    """The last stretch of a recording, one value a bin and channel; older bins fall out."""

    def __init__(self, channels: int, *, width_ns: int, most: int = 2400) -> None:
        self.width_ns = max(1, width_ns)
        self._most = most
        self._first: int | None = None
        self._last = 0
        self._value = np.full((most + most // 4, channels), np.nan, dtype=np.float32)

    def take(self, channel: Numbers, time_ns: IntArray, value_c: FloatArray) -> None:
        """Take in readings, (n,) each; of several in one bin the last counts."""
        if not len(time_ns):
            return
        place = time_ns // self.width_ns
        last = int(place.max())
        if self._first is None:
            self._first = max(int(place.min()), last - self._most + 1)
            self._last = last
        self._last = max(self._last, last)
        room = len(self._value)
        if self._last - self._first >= room:
            shift = self._last - self._first - self._most + 1
            if shift < room:
                self._value[:-shift] = self._value[shift:].copy()
                self._value[-shift:] = np.nan
            else:
                self._value[:] = np.nan
            self._first += shift
        within = place >= self._first
        self._value[place[within] - self._first, channel[within]] = value_c[within]

    def lately(self) -> Lately:
        """Return the last bins."""
        if self._first is None:
            return Lately(0, self.width_ns, self._value[:0].copy())
        n = self._last - self._first + 1
        return Lately(self._first * self.width_ns, self.width_ns, self._value[:n].copy())


def not_far_ahead(time_ns: IntArray, newest_ns: int) -> npt.NDArray[np.bool_]:
    """Return which times are believable after a newest one: a clock gone astray is not shown."""
    near: npt.NDArray[np.bool_] = (time_ns - newest_ns) < _FAR_NS
    return near
