"""What a fit looks at: the surroundings and the channels in the body, up to one moment."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.errors import TooLittleData

LEAST_RISE_K = 10.0  # of the surroundings, to see when heating began
_QUIET_SHARE = 0.25
_MOUTH_S = 60.0  # a body is through the mouth of an oven by then; common practice, no source


@dataclass(frozen=True, slots=True)
class Line:
    """One channel: ``time_s`` (n,) seconds of the run, ``temp_c`` (n,) °C, both without holes.

    ``lag_s`` is the sensor's time constant (0 where unknown), ``noise_k`` the noise of a reading,
    ``gain`` the standard uncertainty of a rise as a share of it, ``position`` 0 centre to 1
    surface where it was measured.
    """

    name: str
    time_s: FloatArray
    temp_c: FloatArray
    lag_s: float = 0.0
    noise_k: float = 0.1
    gain: float = 0.005
    position: float | None = None

    def until(self, end_s: float) -> Line:
        """Return the line without what came later."""
        keep = self.time_s <= end_s
        return replace(self, time_s=self.time_s[keep], temp_c=self.temp_c[keep])

    def prompt(self) -> Line:
        """Return the line as a sensor without lag would show it: moved back by its time constant.

        A first-order sensor shows what was a lag ago wherever its surroundings ramp, and after any
        move the area between what is and what it shows is the move times its lag, as between two
        lines a lag apart.
        """
        return (
            self if self.lag_s == 0.0 else replace(self, time_s=self.time_s - self.lag_s, lag_s=0.0)
        )


@dataclass(frozen=True, slots=True)
class Heating:
    """A body being heated, as far as it is known at ``until_s``; nothing later is in here.

    ``start_s`` is when heating began, ``start_c`` how warm the body was then.
    """

    run_id: str
    around: Line
    cores: tuple[Line, ...]
    start_s: float
    start_c: float
    until_s: float
    boiling_c: float = 99.97
    notes: tuple[str, ...] = field(default=())

    @property
    def elapsed_s(self) -> float:
        """Seconds since heating began."""
        return self.until_s - self.start_s


def mean_line(lines: tuple[Line, ...]) -> Line:
    """Return the mean of several surroundings channels, on the times of the first.

    Channels of unlike lag are set level first: as the first one would show them.
    """
    first = lines[0]
    if len(lines) == 1:
        return first
    rows = [
        np.interp(first.time_s, one.time_s - one.lag_s + first.lag_s, one.temp_c) for one in lines
    ]
    return replace(first, name=" + ".join(one.name for one in lines), temp_c=np.mean(rows, axis=0))


def begin(
    run_id: str,
    around: Line,
    cores: tuple[Line, ...],
    *,
    until_s: float,
    load_in_s: float | None = None,
    boiling_c: float = 99.97,
) -> Heating:
    """Find when heating began and lay out what is known at a moment.

    Load-in counts where it is known, or the foot of the rise it falls into: what travels with the
    body feels the mouth of an oven before the body is in. Else heating began where the straight line
    through the first rise of the surroundings meets their start; where they were hot all along,
    where the first core leaves its start. The lag of the surroundings' sensor is taken out.

    Parameters
    ----------
    run_id : for the answer
    around : surroundings
    cores : channels in the body
    until_s : nothing later is used
    load_in_s : where it is known
    boiling_c : of water on the spot

    Raises
    ------
    TooLittleData : without readings before `until_s`
    """
    around = around.until(until_s).prompt()
    cores = tuple(core.until(until_s) for core in cores)
    if around.time_s.size < 5:
        raise TooLittleData(
            f"{around.name} has {around.time_s.size} readings before {until_s:g} s",
            where=run_id,
            remedy="wait for more readings or give a later --until",
        )
    notes: list[str] = []
    seen_s = load_in_s
    if seen_s is not None and seen_s < until_s:
        seen_s = _foot(around, seen_s)
    else:
        seen_s = _first_rise(around.time_s, around.temp_c)
        if seen_s is not None:
            notes.append(f"heating counts from {seen_s:.0f} s, when {around.name} began to rise")
    if seen_s is None:
        onsets = [_onset(c) for c in cores if c.time_s.size >= 5]
        known = [o for o in onsets if o is not None]
        seen_s = min(known) if known else float(around.time_s[0])
        notes.append(
            f"{around.name} was hot from the start: heating counts from {seen_s:.0f} s, when the "
            "first core left its start"
            if known
            else "heating counts from the first reading"
        )
    starts = [_start_c(c, seen_s) for c in cores if c.time_s.size]
    start_c = float(np.median(starts)) if starts else float(around.temp_c[0])
    return Heating(
        run_id=run_id,
        around=around,
        cores=cores,
        start_s=float(seen_s),
        start_c=start_c,
        until_s=until_s,
        boiling_c=boiling_c,
        notes=tuple(notes),
    )


def _start_c(core: Line, start_s: float) -> float:
    before = core.temp_c[core.time_s <= start_s + 1e-9]
    return float(np.median(before[-30:])) if before.size else float(core.temp_c[0])


def start_of(core: Line, heating: Heating) -> float:
    """Return how warm one channel was when heating began."""
    return _start_c(core, heating.start_s)


def _first_rise(time_s: FloatArray, temp_c: FloatArray) -> float | None:
    """Return where the first rise leads back to, None where there is none to see."""
    first = float(np.median(temp_c[: min(5, temp_c.size)]))
    top = float(np.max(temp_c))
    if top - first < LEAST_RISE_K:
        return None
    low = first + max(3.0, 0.03 * (top - first))
    high = first + max(LEAST_RISE_K, _QUIET_SHARE * (top - first))
    j = int(np.argmax(temp_c >= high))
    below = np.flatnonzero(temp_c[:j] < low)
    i = int(below[-1]) + 1 if below.size else 0
    if i == 0:
        return float(time_s[0])
    if j <= i:
        return float(time_s[i - 1])
    base = float(np.median(temp_c[:i][-60:]))
    slope = (temp_c[j] - temp_c[i]) / (time_s[j] - time_s[i])
    back = time_s[i] - (temp_c[i] - base) / slope
    return float(np.clip(back, time_s[0], time_s[i]))


def _foot(around: Line, load_in_s: float) -> float:
    """Return where the rise that load-in falls into began; load-in itself where it falls into none."""
    time_s, temp_c = around.time_s, around.temp_c
    outside = time_s <= load_in_s - _MOUTH_S
    mouth = (time_s > load_in_s - _MOUTH_S) & (time_s <= load_in_s)
    inside = (time_s > load_in_s) & (time_s <= load_in_s + _MOUTH_S)
    if int(outside.sum()) < 5 or not inside.any():
        return load_in_s
    cold = float(np.median(temp_c[outside][-30:]))
    top = float(np.max(temp_c[inside]))
    if top - cold < LEAST_RISE_K:
        return load_in_s
    still = mouth & (temp_c <= cold + max(1.0, 0.02 * (top - cold)))
    return float(time_s[still][-1]) if still.any() else load_in_s


def _onset(core: Line) -> float | None:
    first = float(np.median(core.temp_c[:5]))
    rise = core.temp_c - first
    if rise.max() < 3.0:
        return None
    j = int(np.argmax(rise >= 1.0))
    return float(core.time_s[j])
