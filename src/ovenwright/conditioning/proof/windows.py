"""What one channel delivered while it was watched, and what its readings alone tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.traces import find_resolution_k, noise_levels_k, typical_interval_s
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import Channel
from ovenwright.domain.proof import Grade, Remark
from ovenwright.errors import OutOfRange

NOISY_K = 0.5
"""Noise of single readings that wants a look whatever the others do (common practice, no source)."""
_NOISIER = 5.0
_FROZEN_READINGS = 12
_MISSING_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Window:
    """One channel's readings while it was watched.

    ``time_s`` (n,) rising, seconds by the instrument where it gives times; ``value_c`` (n,) °C, NaN
    where no number came; ``reference_c`` (n,) reference-junction temperature, NaN where not given;
    ``overflow`` counts marks of an open sensor.
    """

    channel: Channel
    time_s: FloatArray
    value_c: FloatArray
    reference_c: FloatArray
    overflow: int = 0
    module: str = ""

    def __post_init__(self) -> None:
        if not self.time_s.shape == self.value_c.shape == self.reference_c.shape:
            raise OutOfRange("window", got=self.value_c.shape, expected="arrays of one length")

    @property
    def known_c(self) -> FloatArray:
        """The readings that are numbers."""
        out: FloatArray = self.value_c[np.isfinite(self.value_c)]
        return out

    @property
    def middle_c(self) -> float:
        """Median of the numbers; NaN without one."""
        known = self.known_c
        return float(np.median(known)) if known.size else float("nan")

    @property
    def noise_k(self) -> float:
        """Noise of single readings; NaN with too few."""
        known = self.known_c
        if known.size < 5:
            return float("nan")
        if known.size < 16:  # too few for third differences to be averaged
            return float(np.std(np.diff(known)) / np.sqrt(2.0))
        return noise_levels_k(known)[0]

    @property
    def resolution_k(self) -> float:
        """Smallest step; 0 where the readings lie on no grid."""
        return find_resolution_k(self.known_c)

    @property
    def interval_s(self) -> float:
        """Median time between readings; NaN with fewer than two."""
        return typical_interval_s(self.time_s) or float("nan")

    @property
    def junction_c(self) -> float:
        """Median reference-junction temperature; NaN where none is given."""
        given = self.reference_c[np.isfinite(self.reference_c)]
        return float(np.median(given)) if given.size else float("nan")

    def tail(self, seconds: float) -> Window:
        """Return the last seconds of it."""
        if not self.time_s.size:
            return self
        keep = self.time_s >= self.time_s[-1] - seconds
        return Window(
            self.channel,
            self.time_s[keep],
            self.value_c[keep],
            self.reference_c[keep],
            self.overflow,
            self.module,
        )

    def slope_k_min(self) -> tuple[float, float]:
        """Drift over the window and its standard uncertainty from the scatter, K/min."""
        ok = np.isfinite(self.value_c)
        t, v = self.time_s[ok], self.value_c[ok]
        if t.size < 5 or t[-1] <= t[0]:
            return float("nan"), float("nan")
        t = t - t.mean()
        spread = float(t @ t)
        slope = float(t @ (v - v.mean())) / spread
        left = v - v.mean() - slope * t
        return slope * 60.0, float(np.sqrt(left @ left / (t.size - 2) / spread)) * 60.0


def check_readings(windows: Sequence[Window], *, interval_s: float) -> list[Remark]:
    """Tell what the readings alone show: nothing delivered, open, noisy, frozen, copied, too slow.

    Parameters
    ----------
    windows : one for each channel of the plan
    interval_s : the plan's
    """
    out: list[Remark] = []
    noises = [w.noise_k for w in windows if np.isfinite(w.noise_k)]
    typical = float(np.median(noises)) if noises else float("nan")
    for w in windows:
        out += _delivered(w)
        if w.known_c.size < 5:
            continue
        out += _noisy(w, typical)
        out += _paced(w, interval_s)
    out += _copied(windows)
    return out


def _delivered(w: Window) -> list[Remark]:
    name, count, good = w.channel.name, int(w.value_c.size), int(w.known_c.size)
    if count == 0:
        return [
            Remark(
                Grade.FAULT,
                "readings",
                "nothing came from it",
                "check plug, power and radio, and the plan's mapping: ovenwright find lists what "
                "the instrument sends",
                name,
            )
        ]
    if w.overflow > 0.5 * count:
        return [
            Remark(
                Grade.FAULT,
                "readings",
                f"open circuit in {w.overflow} of {count} readings",
                "check junction, lead and plug; replace the sensor if it stays open",
                name,
            )
        ]
    if good == 0:
        return [
            Remark(
                Grade.FAULT,
                "readings",
                f"none of {count} readings is a number",
                "check the sensor, and unit and place of the value in the plan's mapping",
                name,
            )
        ]
    lost = count - good
    if lost > _MISSING_SHARE * count:
        return [
            Remark(
                Grade.REMARK,
                "readings",
                f"{lost} of {count} readings are no number",
                "look for a loose plug or a lead that breaks when it is moved",
                name,
            )
        ]
    return []


def _noisy(w: Window, typical_k: float) -> list[Remark]:
    noise = w.noise_k
    name = w.channel.name
    if noise > NOISY_K or (noise > 0.2 and noise > _NOISIER * typical_k):
        return [
            Remark(
                Grade.REMARK,
                "readings",
                f"noise {noise:.2g} K (the channels' median is {typical_k:.2g} K)",
                "lead it away from power cables, check its plug and shield",
                name,
            )
        ]
    known = w.known_c
    if known.size >= _FROZEN_READINGS and float(np.ptp(known)) == 0.0:
        return [
            Remark(
                Grade.REMARK,
                "readings",
                f"{known.size} readings in a row are exactly {known[0]:g} °C",
                "warm it between finger and thumb (--touch): a coarse instrument moves then, a "
                "frozen value does not",
                name,
            )
        ]
    return []


def _paced(w: Window, planned_s: float) -> list[Remark]:
    got = w.interval_s
    if not np.isfinite(got) or 0.8 * planned_s <= got <= 1.25 * planned_s:
        return []
    slower = got > planned_s
    return [
        Remark(
            Grade.REMARK if slower else Grade.NOTE,
            "interval",
            f"a reading every {got:.3g} s, the plan asks for {planned_s:g} s",
            "set the instrument, or change recording.interval_s and see: ovenwright plan advise",
            w.channel.name,
        )
    ]


def _copied(windows: Sequence[Window]) -> list[Remark]:
    out = []
    for i, a in enumerate(windows):
        for b in windows[i + 1 :]:
            if a.known_c.size < _FROZEN_READINGS or a.value_c.size != b.value_c.size:
                continue
            if float(np.ptp(a.known_c)) > 0 and np.array_equal(
                a.value_c, b.value_c, equal_nan=True
            ):
                out.append(
                    Remark(
                        Grade.FAULT,
                        "readings",
                        f"carries exactly the readings of {a.channel.name}",
                        "two names are mapped to one input: mend the plan's mapping",
                        b.channel.name,
                    )
                )
    return out
