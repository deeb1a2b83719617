"""When a recording begins and when it ends, by rule."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS, Role
from ovenwright.errors import UnknownName, UsageError
from ovenwright.recording.latest import Latest

LOAD_IN_RISE_K = 5.0
LOAD_IN_WITHIN_S = 30.0
CORE_RISE_K = 2.0
CORE_WITHIN_S = 300.0
"""How product is seen to enter the heat: common practice, no source."""
_WARMED_K = 10.0  # "above" means so far above before "all below" can end a recording
_AMBIENT_AROUND_K = 3.0


class StartKind(StrEnum):
    """What a recording waits for."""

    NOW = "now"
    AT = "at"
    ABOVE = "above"
    BELOW = "below"
    LOAD_IN = "load-in"


@dataclass(frozen=True, slots=True)
class Start:
    """What a recording waits for, with its moment (UTC ns), or its channel and temperature."""

    kind: StartKind = StartKind.NOW
    at_ns: int = 0
    channel: str = ""
    level_c: float = math.nan

    def words(self) -> str:
        """Say what is being waited for."""
        if self.kind in {StartKind.ABOVE, StartKind.BELOW}:
            return f"{self.channel} to be {self.kind} {self.level_c:g} °C"
        return {
            StartKind.NOW: "the first reading",
            StartKind.AT: "its time",
            StartKind.LOAD_IN: "the product to enter",
        }[self.kind]


class StartRule:
    """Tells when what is waited for has come.

    Raises
    ------
    UnknownName : if the rule's channel is not in the plan
    UsageError : if the plan has no channel that could feel a load-in
    """

    def __init__(self, start: Start, plan: Plan) -> None:
        self.start = start
        if start.channel and plan.channel(start.channel) is None:
            raise UnknownName("channel", start.channel, known=[c.name for c in plan.channels])
        felt = {Role.CORE, Role.SURFACE, Role.BODY}
        chosen = [c for c in plan.channels if c.role in felt]
        self._product = chosen or [c for c in plan.channels if c.role is Role.AIR]
        if start.kind is StartKind.LOAD_IN and not self._product:
            raise UsageError(
                "no channel of this plan can feel the product enter",
                remedy="give another --start, or a channel with role core, surface, body or air",
            )
        self._lowest = {c.name: _Lowest(_span_s(c.role)) for c in self._product}

    def met(self, latest: Latest, now_ns: int) -> str:
        """Return why the recording begins now, "" to wait on."""
        start = self.start
        if start.kind is StartKind.NOW:
            return "at once"
        if start.kind is StartKind.AT:
            return "its time has come" if now_ns >= start.at_ns else ""
        if start.kind is StartKind.LOAD_IN:
            return self._load_in(latest)
        value = latest.value_c(start.channel)
        above = start.kind is StartKind.ABOVE
        there = value >= start.level_c if above else value <= start.level_c
        return f"{start.channel} is at {value:.1f} °C" if there else ""

    def _load_in(self, latest: Latest) -> str:
        for channel in self._product:
            value, time_ns = latest.value_c(channel.name), latest.time_ns(channel.name)
            if math.isnan(value):
                continue
            rise = value - self._lowest[channel.name].take(time_ns, value)
            enough = CORE_RISE_K if channel.role is Role.CORE else LOAD_IN_RISE_K
            if rise >= enough:
                return f"{channel.name} rose by {rise:.1f} K"
        return ""


def _span_s(role: Role) -> float:
    return CORE_WITHIN_S if role is Role.CORE else LOAD_IN_WITHIN_S


class _Lowest:
    """The lowest value of a sliding span of time."""

    def __init__(self, span_s: float) -> None:
        self._span_ns = round(span_s * NS)
        self._kept: deque[tuple[int, float]] = deque()

    def take(self, time_ns: int, value: float) -> float:
        kept = self._kept
        while kept and kept[-1][1] >= value:
            kept.pop()
        kept.append((time_ns, value))
        while kept[0][0] < time_ns - self._span_ns:
            kept.popleft()
        return kept[0][1]


class StopRule:
    """Tells when a recording has reached its planned end.

    Parameters
    ----------
    plan : whose ``recording.stop`` holds the rules
    for_s : an end given beside the plan's, in seconds of recording
    """

    def __init__(self, plan: Plan, *, for_s: float | None = None) -> None:
        stop = plan.recording.stop
        if stop.channel and plan.channel(stop.channel) is None:
            raise UnknownName("channel", stop.channel, known=[c.name for c in plan.channels])
        if for_s is not None and not for_s > 0:
            raise UsageError(f"a recording can't last {for_s:g} s", remedy="give more than 0")
        self._stop = stop
        self._for_s = for_s
        self._hot = False
        self._side = 0
        self._names = [c.name for c in plan.channels]
        self._rules: tuple[Callable[[Latest, float], str], ...] = (
            self._time,
            self._crossing,
            self._ambient,
        )

    def met(self, latest: Latest, elapsed_s: float) -> str:
        """Return why the recording ends now, "" to go on."""
        for rule in self._rules:
            why = rule(latest, elapsed_s)
            if why:
                return why
        return ""

    @property
    def planned_s(self) -> float | None:
        """The time after which it ends at the latest, where one is set."""
        ends = [e for e in (self._for_s, self._stop.after_s) if e is not None]
        return min(ends) if ends else None

    def _time(self, _: Latest, elapsed_s: float) -> str:
        planned = self.planned_s
        return f"{planned:g} s are over" if planned is not None and elapsed_s >= planned else ""

    def _crossing(self, latest: Latest, _: float) -> str:
        stop = self._stop
        if not stop.channel or stop.reaches_c is None:
            return ""
        value = latest.value_c(stop.channel)
        if math.isnan(value):
            return ""
        side = 1 if value >= stop.reaches_c else -1
        before, self._side = self._side, side
        # reached from either side: the first value only tells from which one it comes
        if before in {0, side}:
            return ""
        return f"{stop.channel} reached {stop.reaches_c:g} °C"

    def _ambient(self, latest: Latest, _: float) -> str:
        limit = self._stop.all_below_c
        if limit is None:  # asked at every turn: hundreds of values are not gathered for nothing
            return ""
        values = latest.values_c()
        if not values:
            return ""
        if not self._hot:
            self._hot = max(values.values()) > limit
            return ""
        below = all(v < limit for v in values.values())
        return f"every channel is below {limit:g} °C" if below else ""
