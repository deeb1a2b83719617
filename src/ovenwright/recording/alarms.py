"""Alarms of the plan, held against what the channels show."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from ovenwright.domain.alarm import Alarm
from ovenwright.domain.plan import Plan
from ovenwright.domain.run import NS
from ovenwright.errors import UnknownName
from ovenwright.recording.latest import Latest


@dataclass(frozen=True, slots=True)
class AlarmNews:
    """An alarm that was raised, or that ended; ``value`` in the alarm's own unit."""

    alarm: Alarm
    channel: str
    raised: bool
    at_ns: int
    value: float
    words: str


class _Watch:
    __slots__ = ("alarm", "began_ns", "channel", "raised")

    def __init__(self, alarm: Alarm, channel: str) -> None:
        self.alarm = alarm
        self.channel = channel
        self.raised = False
        self.began_ns: int | None = None


class Alarms:
    """Watches every alarm of a plan on every channel it is for.

    Raises
    ------
    UnknownName : if an alarm names a channel that the plan does not have
    """

    def __init__(self, plan: Plan, began_ns: int) -> None:
        self._began_ns = began_ns
        self._watches: list[_Watch] = []
        known = {c.name for c in plan.channels}
        for alarm in plan.alarms:
            for name in plan.names(alarm.on):
                if name not in known:
                    raise UnknownName("channel", name, known=sorted(known), where=alarm.name)
                self._watches.append(_Watch(alarm, name))

    @property
    def standing(self) -> tuple[tuple[str, str], ...]:
        """The alarms that are raised now: (name, channel)."""
        return tuple((w.alarm.name, w.channel) for w in self._watches if w.raised)

    def look(self, latest: Latest, now_ns: int) -> tuple[AlarmNews, ...]:
        """Return what has changed since the last look."""
        news = []
        for watch in self._watches:
            value, over, words = self._state(watch, latest, now_ns)
            if over is None:
                continue  # no number, nothing to say
            if watch.raised:
                if not over:
                    watch.raised, watch.began_ns = False, None
                    news.append(self._news(watch, now_ns, value, f"over: {words}"))
                continue
            if not over:
                watch.began_ns = None
                continue
            watch.began_ns = now_ns if watch.began_ns is None else watch.began_ns
            if (now_ns - watch.began_ns) / NS >= (watch.alarm.lasting_s or 0.0):
                watch.raised = True
                news.append(self._news(watch, now_ns, value, words))
        return tuple(news)

    @staticmethod
    def _news(watch: _Watch, now_ns: int, value: float, words: str) -> AlarmNews:
        return AlarmNews(watch.alarm, watch.channel, watch.raised, now_ns, value, words)

    def _state(self, watch: _Watch, latest: Latest, now_ns: int) -> tuple[float, bool | None, str]:
        alarm, name = watch.alarm, watch.channel
        if alarm.silent_s is not None:
            since_ns = latest.number_ns(name) or self._began_ns
            silent_s = (now_ns - since_ns) / NS
            words = f"{name} has given no number for {silent_s:.0f} s"
            return silent_s, silent_s >= alarm.silent_s, words
        slack = alarm.back_k if watch.raised else 0.0
        value = latest.value_c(name)
        if alarm.above_c is not None:
            over = _over(value, alarm.above_c - slack, above=True)
            return value, over, f"{name} is at {value:.1f} °C, above {alarm.above_c:g} °C"
        if alarm.below_c is not None:
            over = _over(value, alarm.below_c + slack, above=False)
            return value, over, f"{name} is at {value:.1f} °C, below {alarm.below_c:g} °C"
        rate = latest.rate_k_min(name)
        limit = alarm.rises_k_min if alarm.rises_k_min is not None else alarm.falls_k_min
        assert limit is not None  # noqa: S101  # the model takes no alarm without a condition
        rising = alarm.rises_k_min is not None
        held = rate if rising else -rate
        verb = "rises" if rising else "falls"
        return held, _over(held, limit, above=True), f"{name} {verb} by {held:.1f} K/min"


def _over(value: float, limit: float, *, above: bool) -> bool | None:
    if math.isnan(value):
        return None
    return value > limit if above else value < limit


PassOn = Callable[[AlarmNews], None]
"""Takes an alarm somewhere else, such as to a program or an MQTT topic; must not block."""
