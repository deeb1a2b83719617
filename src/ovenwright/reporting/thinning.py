"""Fewer points for a picture of a long series, with no extreme lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from tsdownsample import MinMaxDownsampler

from ovenwright.domain.arrays import FloatArray

_DOWNSAMPLER = MinMaxDownsampler()  # type: ignore[no-untyped-call]  # the library has no types
_INTERVALS = 3.0
_LEAST_S = 1.0


@dataclass(frozen=True, slots=True)
class Thinned:
    """A series for drawing: ``x`` (m,) rising, ``y`` (m,) in which NaN breaks the line.

    ``whole`` is True where nothing was left out: then the points are the readings as they are,
    and a step longer than ``gap`` is a hole. Otherwise holes have been given a NaN of their own.
    """

    x: FloatArray
    y: FloatArray
    whole: bool
    gap: float


def gap_of(x: FloatArray) -> float:
    """Return the longest step between readings that is no hole, as the recorder marks holes."""
    if x.size < 2:
        return _LEAST_S
    return max(_INTERVALS * float(np.median(np.diff(x))), _LEAST_S)


def thin_extremes(
    x: FloatArray, y: FloatArray, points: int, *, gap: float, steps: FloatArray | None = None
) -> Thinned:
    """Return about ``points`` of a series, the lowest and the highest of each bucket kept.

    Parameters
    ----------
    x : (n,) seconds, rising
    y : (n,) values, NaN where there is no reading
    points : how many points are wanted; two a bucket, so that no short excursion is lost, and
        three more for each hole wider than a bucket
    gap : no shorter step is a hole
    steps : (n - 1,) the differences of ``x``, where they are known already

    Returns
    -------
    the readings themselves where there are no more than ``points`` of them
    """
    if x.size <= max(points, 4):
        return Thinned(x, y, whole=True, gap=gap)
    there = np.isfinite(y)
    if there.all():  # then nothing has to be copied
        xs, ys = x, np.ascontiguousarray(y)
        steps = np.diff(x) if steps is None else steps
    elif there.any():
        xs, ys = x[there], y[there]
        steps = np.diff(xs)
    else:
        return Thinned(x[:0], y[:0], whole=False, gap=gap)
    if xs.size <= points:
        keep = np.arange(xs.size)
    else:
        chosen = _DOWNSAMPLER.downsample(ys, n_out=max(points // 2 * 2, 4)).astype(np.intp)
        keep = np.union1d(chosen, [0, xs.size - 1])
    # a hole narrower than a bucket can't be seen; one that can keeps the readings on both sides
    bucket = (xs[-1] - xs[0]) / max(points // 2, 2)
    holes = np.flatnonzero(steps > max(gap, bucket))
    if holes.size:
        keep = np.union1d(keep, np.concatenate([holes, holes + 1]))
    edges = np.searchsorted(keep, holes) + 1
    kx, ky = xs[keep], ys[keep]
    # the break stands where the readings end, not where they begin again
    return Thinned(
        np.insert(kx, edges, kx[edges - 1]), np.insert(ky, edges, np.nan), whole=False, gap=gap
    )
