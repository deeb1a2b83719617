"""Readings and notices as they come, kept until they are weighed."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from itertools import pairwise

import numpy as np

from ovenwright.conditioning.proof.modules import ModuleTale
from ovenwright.conditioning.proof.windows import Window
from ovenwright.domain.live import Notice, Reading
from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS, Quality

MOST_READINGS = 50_000
"""A channel keeps its last ones: a check that was left running must not fill the memory."""
MOST_NOTICES = 1_000
MOST_STRANGERS = 1_000


class CommonAxis:
    """Seconds on one axis for modules whose clocks differ.

    The first reading of each module ties its clock to ours; after that the instrument's own times
    count, so that delays on the way do not blur them.
    """

    def __init__(self) -> None:
        self._start_ns: int | None = None
        self._shift_ns: dict[str, int] = {}

    def elapsed_s(self, reading: Reading, module: str) -> float:
        """Return seconds since the first reading of all."""
        shift = self._shift_ns.setdefault(module, reading.received_ns - reading.time_ns)
        now = reading.time_ns + shift
        if self._start_ns is None:
            self._start_ns = now
        return (now - self._start_ns) / NS


class Gathering:
    """What came during a check, by channel and by module.

    Parameters
    ----------
    plan : whose channels count; others are strangers
    axis : the axis that is shared with a touch watch
    """

    def __init__(self, plan: Plan, axis: CommonAxis | None = None) -> None:
        self.plan = plan
        self.axis = axis or CommonAxis()
        self._lanes: dict[str, deque[tuple[float, float, float, bool]]] = {
            c.name: deque(maxlen=MOST_READINGS) for c in plan.channels
        }
        self._module_of = {c.name: c.module for c in plan.channels}
        self._modules: dict[str, ModuleTale] = {}
        self._strangers: dict[str, None] = {}
        self.readings = 0

    def take(self, reading: Reading, value_c: float, quality: Quality) -> float | None:
        """Keep one reading, already turned into °C; return its time on the axis.

        None is returned where it does not count: a stranger, or one delivered late from an
        instrument's store, which tells nothing about now.
        """
        lane = self._lanes.get(reading.channel)
        if not reading.known or lane is None:
            if len(self._strangers) < MOST_STRANGERS:
                self._strangers.setdefault(reading.channel, None)
            return None
        if reading.late:
            return None
        module = reading.module or self._module_of[reading.channel]
        self._module_of[reading.channel] = module
        tale = self._tale(module)
        tale.readings += 1
        if reading.time_ns != reading.received_ns and len(tale.offsets_s) < MOST_READINGS:
            tale.offsets_s.append((reading.time_ns - reading.received_ns) / NS)
        if math.isfinite(reading.reference_c) and len(tale.junctions_c) < MOST_READINGS:
            tale.junctions_c.append(reading.reference_c)
        at = self.axis.elapsed_s(reading, module)
        lane.append((at, value_c, reading.reference_c, bool(quality & Quality.OVERFLOW)))
        self.readings += 1
        return at

    def note(self, notices: Iterable[Notice]) -> None:
        """Keep what modules and links say."""
        for notice in notices:
            tale = self._tale(notice.module)
            tale.notices.append(notice)
            if len(tale.notices) > MOST_NOTICES:
                del tale.notices[: MOST_NOTICES // 2]

    def _tale(self, module: str) -> ModuleTale:
        return self._modules.setdefault(module, ModuleTale(module))

    def latest_c(self, channel: str) -> float:
        """Return a channel's latest reading; NaN without one."""
        lane = self._lanes[channel]
        return lane[-1][1] if lane else math.nan

    @property
    def strangers(self) -> tuple[str, ...]:
        """Keys that were heard and that the plan does not know."""
        return tuple(self._strangers)

    def modules(self) -> tuple[ModuleTale, ...]:
        """Return what each module told."""
        for name, tale in self._modules.items():
            tale.intervals_s = [
                step
                for channel, lane in self._lanes.items()
                if self._module_of[channel] == name
                for step in (b[0] - a[0] for a, b in pairwise(lane))
                if step > 0
            ]
        return tuple(self._modules.values())

    def windows(self, *, until_s: float = math.inf) -> tuple[Window, ...]:
        """Return each channel's readings before a time, in plan order, sorted and each once."""
        out = []
        for channel in self.plan.channels:
            rows = np.array(
                [row for row in self._lanes[channel.name] if row[0] < until_s], dtype=np.float64
            ).reshape(-1, 4)
            times, first = np.unique(rows[:, 0], return_index=True)
            rows = rows[first]
            out.append(
                Window(
                    channel,
                    times,
                    rows[:, 1],
                    rows[:, 2],
                    overflow=int(rows[:, 3].sum()),
                    module=self._module_of[channel.name],
                )
            )
        return tuple(out)
