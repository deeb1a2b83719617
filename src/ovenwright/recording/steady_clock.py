"""A time of day that never steps while a recording lasts."""

from __future__ import annotations

import time

from ovenwright.domain.live import Clock
from ovenwright.domain.run import NS

STEP_S = 1.0
"""A smaller change of the clock within one look is the slow steering of time servers."""


class SteadyClock:
    """Time of day at the moment it was made, carried on by the clock that never steps.

    Receipt times come from here, so that a computer whose clock is put right in the middle of a
    test records no reading at a wrong or repeated time. How far the computer's own clock has
    stepped away meanwhile is told by :meth:`stepped_s`.

    Parameters
    ----------
    clock : the computer's
    not_before_ns : a time that must be past already, such as the last reading of a journal
    """

    def __init__(self, clock: Clock, *, not_before_ns: int = 0) -> None:
        self._clock = clock
        self._anchor_ns = max(clock.now_ns(), not_before_ns)
        self._anchor_monotonic_ns = clock.monotonic_ns()
        self._away_ns = clock.now_ns() - self._anchor_ns

    def now_ns(self) -> int:
        """Return UTC nanoseconds as they would be had the computer's clock not been touched."""
        return self._anchor_ns + self._clock.monotonic_ns() - self._anchor_monotonic_ns

    def monotonic_ns(self) -> int:
        """Return nanoseconds that never step."""
        return self._clock.monotonic_ns()

    def wall_ns(self) -> int:
        """Return what the computer's own clock says."""
        return self._clock.now_ns()

    def stepped_s(self) -> float:
        """Return by how much the computer's clock has stepped since the last call, 0 if not."""
        away_ns = self._clock.now_ns() - self.now_ns()
        step_s = (away_ns - self._away_ns) / NS
        self._away_ns = away_ns
        return step_s if abs(step_s) >= STEP_S else 0.0


class SystemClock:
    """The computer's clock. What never steps counts on while the computer sleeps, where it can."""

    def now_ns(self) -> int:
        """Return UTC nanoseconds."""
        return time.time_ns()

    def monotonic_ns(self) -> int:
        """Return nanoseconds that never step."""
        if _BOOT_CLOCK is None:
            return time.monotonic_ns()
        return time.clock_gettime_ns(_BOOT_CLOCK)


_BOOT_CLOCK: int | None = getattr(time, "CLOCK_BOOTTIME", None)
