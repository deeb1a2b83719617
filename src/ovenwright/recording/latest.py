"""What each channel shows at this moment: value, rate, health, the next crossing."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from ovenwright.domain.live import Notice, NoticeKind, Reading
from ovenwright.domain.plan import Channel, Plan
from ovenwright.domain.run import NS, Quality
from ovenwright.wire.celsius import celsius_of

_RATE_WINDOW_S = 30.0
_RATE_POINTS = 40  # enough for a slope; with faster readings some are passed over
_LEAST_POINTS = 3
_SILENT_INTERVALS = 4.0
_SILENT_LEAST_S = 3.0


class Health(StrEnum):
    """How a channel is doing right now."""

    WAITING = "waiting"  # nothing has come yet
    OK = "ok"
    OPEN = "open"  # the instrument says: open sensor, or beyond range
    NO_NUMBER = "no number"
    DOUBTFUL = "doubtful"  # the instrument itself doubts it
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class Shown:
    """One channel as it is shown; temperatures in °C, NaN where there is none."""

    channel: str
    value_c: float
    rate_k_min: float
    health: Health
    age_s: float
    count: int


@dataclass(frozen=True, slots=True)
class Coming:
    """A crossing that lies ahead: level, channel and in how many seconds at the present rate."""

    name: str
    channel: str
    level_c: float
    in_s: float


class _Track:
    """The last half minute of one channel."""

    __slots__ = ("channel", "count", "first_heard_ns", "heard_ns", "number_ns", "points", "quality")

    def __init__(self, channel: Channel) -> None:
        self.channel = channel
        self.points: deque[tuple[int, float]] = deque(maxlen=_RATE_POINTS)
        self.quality = Quality.GOOD
        self.count = 0
        self.heard_ns = 0
        self.number_ns = 0
        self.first_heard_ns = 0

    def take(self, reading: Reading) -> None:
        self.count += 1
        if self.points and reading.time_ns <= self.points[-1][0]:
            return  # late or repeated: kept, but no news
        value_c, self.quality = celsius_of(reading, self.channel)
        self.heard_ns = reading.received_ns
        self.first_heard_ns = self.first_heard_ns or reading.received_ns
        if math.isnan(value_c):
            return
        self.number_ns = reading.received_ns
        apart_ns = _RATE_WINDOW_S / _RATE_POINTS * NS
        if len(self.points) > 1 and reading.time_ns - self.points[-2][0] < apart_ns:
            self.points[-1] = (reading.time_ns, value_c)
        else:
            self.points.append((reading.time_ns, value_c))

    @property
    def value_c(self) -> float:
        if not self.points or self.quality & (Quality.MISSING | Quality.OVERFLOW):
            return math.nan
        return self.points[-1][1]

    def rate_k_min(self) -> float:
        if len(self.points) < _LEAST_POINTS:
            return math.nan
        end_ns = self.points[-1][0]
        near = [p for p in self.points if end_ns - p[0] <= _RATE_WINDOW_S * NS]
        if len(near) < _LEAST_POINTS:
            return math.nan
        t = [(p[0] - end_ns) / NS for p in near]
        mean_t, mean_v = sum(t) / len(t), sum(p[1] for p in near) / len(near)
        spread = sum((x - mean_t) ** 2 for x in t)
        if spread <= 0:
            return math.nan
        slope = sum((x - mean_t) * (p[1] - mean_v) for x, p in zip(t, near, strict=True)) / spread
        return slope * 60.0


class Latest:
    """What the channels of a plan show. Fed with every batch; asked a few times a second."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._tracks = {c.name: _Track(c) for c in plan.channels}
        self._interval_s = plan.recording.interval_s
        self.strangers: dict[str, Reading] = {}
        self.notices: deque[Notice] = deque(maxlen=50)
        self.states: dict[tuple[str, NoticeKind], Notice] = {}

    def take(self, readings: Iterable[Reading], notices: Sequence[Notice] = ()) -> None:
        """Take in what came."""
        for reading in readings:
            track = self._tracks.get(reading.channel) if reading.known else None
            if track is not None:
                track.take(reading)
            elif len(self.strangers) < 1000:
                self.strangers[reading.channel] = reading
        for notice in notices:
            self.notices.append(notice)
            if len(self.states) < 1000:
                self.states[(notice.module, notice.kind)] = notice

    def value_c(self, channel: str) -> float:
        """Return the channel's present value, NaN where it gives none."""
        return self._tracks[channel].value_c

    def values_c(self) -> Mapping[str, float]:
        """Return the present value of every channel that gives one."""
        found = {name: t.value_c for name, t in self._tracks.items()}
        return {name: v for name, v in found.items() if not math.isnan(v)}

    def time_ns(self, channel: str) -> int:
        """Return the instrument's time of the present value, 0 before the first."""
        points = self._tracks[channel].points
        return points[-1][0] if points else 0

    def number_ns(self, channel: str) -> int:
        """Return when the channel last gave a number, by our clock; 0 before the first."""
        return self._tracks[channel].number_ns

    def rate_k_min(self, channel: str) -> float:
        """Return how fast the channel changes, NaN where that can't be said yet."""
        return self._tracks[channel].rate_k_min()

    def links(self) -> tuple[str, ...]:
        """Return what each module last said of its battery, signal and link, in words."""
        said: dict[str, list[str]] = {}
        for (module, kind), notice in self.states.items():
            if kind is NoticeKind.BATTERY:
                word = f"battery {notice.value:.0%}"
            elif kind is NoticeKind.SIGNAL:
                word = f"signal {notice.value:g}"
            else:
                continue
            said.setdefault(module, []).append(word)
        return tuple(
            f"{module or 'instrument'}: {', '.join(words)}" for module, words in said.items()
        )

    def shown(self, now_ns: int) -> tuple[Shown, ...]:
        """Return every channel of the plan as it is at this moment, in plan order."""
        return tuple(
            Shown(
                name,
                t.value_c,
                t.rate_k_min(),
                self._health(t, now_ns),
                (now_ns - t.heard_ns) / NS if t.heard_ns else math.nan,
                t.count,
            )
            for name, t in self._tracks.items()
        )

    def _health(self, track: _Track, now_ns: int) -> Health:
        if not track.heard_ns:
            return Health.WAITING
        patience_s = max(_SILENT_LEAST_S, _SILENT_INTERVALS * self._interval_s)
        if (now_ns - track.heard_ns) / NS > patience_s:
            return Health.SILENT
        if track.quality & Quality.OVERFLOW:
            return Health.OPEN
        if track.quality & Quality.MISSING:
            return Health.NO_NUMBER
        if track.quality & Quality.INSTRUMENT_DOUBT:
            return Health.DOUBTFUL
        return Health.OK

    def coming(self, *, within_s: float = 3600.0) -> tuple[Coming, ...]:
        """Return the crossings ahead at the present rates, the nearest first."""
        found = []
        for wish in self._plan.crossings:
            for name in self._plan.names(wish.on):
                track = self._tracks.get(name)
                if track is None:
                    continue
                rate, gap = track.rate_k_min(), wish.level_c - track.value_c
                if math.isnan(rate) or math.isnan(gap) or rate * gap <= 0:
                    continue
                in_s = gap / rate * 60.0
                if in_s <= within_s:
                    title = wish.name or f"{name} {wish.level_c:g} °C"
                    found.append(Coming(title, name, wish.level_c, in_s))
        return tuple(sorted(found, key=lambda c: c.in_s))
