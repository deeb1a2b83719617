"""The touch check: which sensor is warmed between finger and thumb, told while it happens."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from ovenwright.conditioning.proof.excursion import LEAST_RISE_K, Excursions, Leg, Phase
from ovenwright.conditioning.proof.falling import time_constant
from ovenwright.conditioning.proof.gathering import CommonAxis
from ovenwright.domain.live import Reading
from ovenwright.domain.proof import TimeConstant
from ovenwright.errors import OutOfRange

FINGER_C = 33.0
"""Skin of a finger (common practice, no source: a finger is warm enough to prove a channel)."""
CARRIED_SHARE = 0.5
"""A channel that moves less than this share of another was carried along by it (our choice)."""
SHOWN_SHARE = 0.1
ASYMPTOTE_K = 0.1
"""How well the rest before a touch foretells where the fall ends, besides its noise: a room and
the warmed leads drift by about as much (our choice)."""
ASYMPTOTE_SHARE = 0.02
AHEAD_K = 3.0
"""A channel that rests this much nearer to a finger than the others may be held already (our
choice: sensors in one room agree within 1 or 2 K)."""
_ALIKE = (0.7, 1.4)  # of the median: a whole module moving as one
_MOST_DONE = 1_000
_FALLEN = 0.04  # of the rise: what is left when the fall counts as seen


class TouchKind(StrEnum):
    """What the watch saw."""

    WARMING = "warming"  # this one leads just now
    TOUCHED = "touched"
    REVERSED = "reversed"  # it cooled where it should warm
    TOGETHER = "together"  # several moved alike: not counted
    MODULE_SHIFT = "module shift"  # a whole module moved as one: not counted
    TIME_CONSTANT = "time constant"
    RESTLESS = "not at rest"  # it moved already when the watch began: its rest is waited for


@dataclass(frozen=True, slots=True)
class Carried:
    """A channel that moved along with the one that was touched."""

    channel: str
    share: float
    delay_s: float
    at_once: bool  # no delay: leads touch, or the instrument lets channels cross over


@dataclass(frozen=True, slots=True)
class TouchEvent:
    """One thing the watch saw. ``at_s`` counts from the first reading fed."""

    kind: TouchKind
    channel: str
    at_s: float
    rise_k: float = math.nan
    turn: int = 0  # which touch this is, from 1; 0 where it does not count
    others: tuple[str, ...] = ()
    carried: tuple[Carried, ...] = ()
    time_constant: TimeConstant | None = None


@dataclass(frozen=True, slots=True)
class Moving:
    """What a live view shows of one channel."""

    channel: str
    value_c: float
    away_k: float
    leading: bool
    touched: bool
    learnt: bool


@dataclass(slots=True)
class _Done:
    """A leg that ended, and what it was taken for."""

    leg: Leg
    counted: bool
    fitted: bool = False


@dataclass(slots=True)
class _Finished:
    touched: list[str] = field(default_factory=list)
    time_constants: dict[str, list[TimeConstant]] = field(default_factory=dict)


class TouchWatch:
    """Tells from readings, as they come, which sensor a person warms.

    Keep hands off for some seconds first, then warm one sensor after another for some seconds
    each. The one that moves most, soonest, while others move less was the one touched; what moves
    along is named with its share. A whole module moving as one is its reference junction, not a
    finger. A channel that goes the wrong way has its leads reversed.

    Parameters
    ----------
    channels : names of the channels, in plan order
    modules : the module of each channel, where known
    finger_c : what touches, degrees Celsius: a sensor warmer than this cools when touched
    least_rise_k : smallest movement that can count
    axis : the axis that is shared with whoever keeps the readings
    """

    def __init__(
        self,
        channels: Sequence[str],
        *,
        modules: Mapping[str, str] | None = None,
        finger_c: float = FINGER_C,
        least_rise_k: float = LEAST_RISE_K,
        axis: CommonAxis | None = None,
    ) -> None:
        if not channels or len(set(channels)) != len(channels):
            raise OutOfRange("channels", got=tuple(channels), expected="names, each once")
        if not least_rise_k > 0:
            raise OutOfRange("least_rise_k", got=least_rise_k, expected="above 0 K")
        self.channels = tuple(channels)
        self.modules = dict(modules or {})
        self.axis = axis or CommonAxis()
        self.finger_c = finger_c
        self._place = {name: i for i, name in enumerate(self.channels)}
        self._lanes = [Excursions(i, least_rise_k=least_rise_k) for i in range(len(self.channels))]
        self._done: list[_Done] = []
        self._open: list[Leg] = []
        self._leading: int | None = None
        self._grouped: set[int] = set()
        self._restless: list[int] = []
        self._found = _Finished()

    # what it knows -------------------------------------------------------------------------

    @property
    def touched(self) -> tuple[str, ...]:
        """Channels that were touched, in that order; a second touch comes again."""
        return tuple(self._found.touched)

    @property
    def missing(self) -> tuple[str, ...]:
        """Channels that have not reacted yet, in plan order."""
        seen = set(self._found.touched)
        return tuple(c for c in self.channels if c not in seen)

    @property
    def restless(self) -> tuple[str, ...]:
        """Channels whose rest is still waited for as they moved already, in plan order."""
        return tuple(
            self.channels[lane.channel]
            for lane in self._lanes
            if lane.restless and lane.phase is Phase.LEARNING
        )

    @property
    def time_constants(self) -> Mapping[str, tuple[TimeConstant, ...]]:
        """Time constants found, by channel, in the order of touching."""
        return {c: tuple(found) for c, found in self._found.time_constants.items()}

    @property
    def learnt(self) -> bool:
        """Whether every channel that delivers has shown its rest."""
        return all(
            lane.phase is not Phase.LEARNING for lane in self._lanes if lane.latest is not None
        ) and any(lane.latest is not None for lane in self._lanes)

    def rest_c(self, channel: str) -> float:
        """Return the temperature a channel rests at; NaN while unknown."""
        return self._lanes[self._place[channel]].rest_c

    def moving(self) -> tuple[Moving, ...]:
        """Return what a live view shows, in plan order."""
        seen = set(self._found.touched)
        return tuple(
            Moving(
                channel=name,
                value_c=lane.latest[1] if lane.latest is not None else math.nan,
                away_k=lane.away_k,
                leading=self._leading == lane.channel,
                touched=name in seen,
                learnt=lane.phase is not Phase.LEARNING,
            )
            for name, lane in zip(self.channels, self._lanes, strict=True)
        )

    # what comes ----------------------------------------------------------------------------

    def feed(self, readings: Iterable[Reading]) -> tuple[TouchEvent, ...]:
        """Take readings in °C and return what they show.

        Readings of other channels, those that are no number and those delivered late from an
        instrument's store are passed over.

        Raises
        ------
        OutOfRange : if a reading of these channels is not in degC
        """
        events: list[TouchEvent] = []
        for reading in sorted(readings, key=lambda r: r.time_ns):
            place = self._place.get(reading.channel)
            if place is None or reading.late or not math.isfinite(reading.value):
                continue
            if reading.unit != "degC":
                raise OutOfRange("unit", got=reading.unit, expected="degC")
            elapsed_s = self._elapsed_s(reading)
            ended = self._lanes[place].take(elapsed_s, reading.value)
            events += self._unrest(place, elapsed_s)
            self._follow(place)
            if ended is not None:
                events += self._judge(ended)
            events += self._falls(place)
        events += self._lead()
        return tuple(events)

    def finish(self) -> tuple[TouchEvent, ...]:
        """Take what is still open as ended: falls are fitted as far as they were seen."""
        events: list[TouchEvent] = []
        for lane in self._lanes:
            if lane.phase is Phase.AWAY and lane.leg is not None and lane.leg.length_s > 1.0:
                lane.leg.over = True
                events += self._judge(lane.leg)
        for done in self._done:
            if done.counted and not done.fitted:
                events += self._fit(done)
        return tuple(events)

    def _elapsed_s(self, reading: Reading) -> float:
        module = reading.module or self.modules.get(reading.channel, "")
        return self.axis.elapsed_s(reading, module)

    def _unrest(self, place: int, elapsed_s: float) -> list[TouchEvent]:
        """Find a channel that was not at rest when its rest was learnt.

        One that a finger held from before the watch rests at the finger's temperature and falls
        when it is let go; one that still crept goes on. Neither is a touch, nor reversed leads.
        """
        lane = self._lanes[place]
        leg = lane.leg
        if lane.first_leg and leg is not None:
            usual = 1 if leg.start_c < self.finger_c else -1
            if leg.sign != usual and (lane.creep == leg.sign or self._lets_go(leg)):
                lane.unsettle()
        if not lane.restless or place in self._restless:
            return []
        self._restless.append(place)
        return [TouchEvent(TouchKind.RESTLESS, self.channels[place], elapsed_s)]

    def _lets_go(self, leg: Leg) -> bool:
        """Whether a leg leads from nearer the finger towards where the others are."""
        others = [
            lane.latest[1]
            for lane in self._lanes
            if lane.channel != leg.channel and lane.latest is not None
        ]
        if not others:
            return False
        room_c = float(np.median(others))
        ahead = abs(room_c - self.finger_c) - abs(leg.start_c - self.finger_c)
        return ahead >= AHEAD_K and leg.sign * (room_c - leg.start_c) > 0

    def _follow(self, place: int) -> None:
        leg = self._lanes[place].leg
        if leg is not None and not leg.over and all(leg is not o for o in self._open):
            self._open.append(leg)
        held = {id(lane.leg) for lane in self._lanes if lane.leg is not None}
        self._open = [o for o in self._open if not o.over and id(o) in held]

    # judging -------------------------------------------------------------------------------

    def _company(self, leg: Leg) -> list[Leg]:
        """Legs of other channels that moved while this one did, for half the shorter of both."""
        others = [*self._open, *(d.leg for d in self._done)]
        return [
            o
            for o in others
            if o.channel != leg.channel
            and o.overlap_s(leg) >= 0.5 * min(o.length_s, leg.length_s)
            and o.overlap_s(leg) > 0
        ]

    def _judge(self, leg: Leg) -> list[TouchEvent]:
        company = self._company(leg)
        counted = not (self._carried_by(leg, company) or id(leg) in self._grouped)
        events: list[TouchEvent] = []
        if counted:
            shift = self._module_shift(leg, company)
            alike = [o for o in company if self._like(leg, o)]
            if shift or alike:
                counted = False
                group = shift or alike
                self._grouped |= {id(o) for o in (leg, *group)}
                events.append(
                    TouchEvent(
                        TouchKind.MODULE_SHIFT if shift else TouchKind.TOGETHER,
                        self.channels[leg.channel],
                        leg.onset_s,
                        leg.sign * leg.size_k,
                        others=tuple(self.channels[o.channel] for o in group),
                    )
                )
                self._withdraw(group)
        self._done.append(_Done(leg, counted))
        if len(self._done) > _MOST_DONE:  # a watch that was left running must not grow
            self._done = self._done[-_MOST_DONE // 2 :]
            self._grouped &= {id(d.leg) for d in self._done} | {id(o) for o in self._open}
        if counted:
            events.append(self._touched(leg))
        return events

    def _carried_by(self, leg: Leg, company: Sequence[Leg]) -> bool:
        """Whether another channel moved so much more, or so much sooner, that it led."""
        for o in company:
            share = leg.size_k / o.size_k if o.size_k > 0 else math.inf
            later = leg.onset_s - o.onset_s
            if share < CARRIED_SHARE:
                return True
            slower = self._pace(leg) < 0.5 * self._pace(o)
            if share < 0.8 and slower and later > 0:
                return True
        return False

    def _pace(self, leg: Leg) -> float:
        return leg.size_k / max(leg.length_s, 1e-3)

    def _like(self, leg: Leg, other: Leg) -> bool:
        return not self._carried_by(other, [leg]) and not self._carried_by(leg, [other])

    def _module_shift(self, leg: Leg, company: Sequence[Leg]) -> list[Leg]:
        """Others of the same module that moved by the same amount: all of them, three at least."""
        name = self.channels[leg.channel]
        module = self.modules.get(name)
        if not module:
            return []
        live = [
            i
            for i, c in enumerate(self.channels)
            if self.modules.get(c) == module and self._lanes[i].latest is not None
        ]
        same = {o.channel: o for o in company if o.channel in live and o.sign == leg.sign}
        if len(live) < 3 or len(same) < len(live) - 1:
            return []
        sizes = np.array([leg.size_k, *(o.size_k for o in same.values())])
        middle = float(np.median(sizes))
        alike = (sizes > _ALIKE[0] * middle) & (sizes < _ALIKE[1] * middle)
        return list(same.values()) if bool(np.all(alike)) else []

    def _withdraw(self, legs: Sequence[Leg]) -> None:
        """Take back touches that were counted before their likeness showed."""
        gone = {id(o) for o in legs}
        for done in self._done:
            if id(done.leg) in gone and done.counted:
                done.counted = False
                name = self.channels[done.leg.channel]
                for k in range(len(self._found.touched) - 1, -1, -1):
                    if self._found.touched[k] == name:
                        del self._found.touched[k]
                        break

    def _touched(self, leg: Leg) -> TouchEvent:
        name = self.channels[leg.channel]
        self._found.touched.append(name)
        usual = 1 if leg.start_c < self.finger_c else -1
        return TouchEvent(
            TouchKind.TOUCHED if leg.sign == usual else TouchKind.REVERSED,
            name,
            leg.onset_s,
            leg.sign * leg.size_k,
            turn=len(self._found.touched),
            carried=self._along(leg),
        )

    def _along(self, leg: Leg) -> tuple[Carried, ...]:
        """Channels that moved along, with their share and delay."""
        out = []
        own = self._half_way(self._lanes[leg.channel], leg)
        for lane in self._lanes:
            if lane.channel == leg.channel or lane.phase is Phase.LEARNING:
                continue
            times, values = lane.held(leg.onset_s - 2.0, leg.peak_s + 2.0)
            before, inside = values[times <= leg.onset_s], values[times > leg.onset_s]
            if before.size < 1 or inside.size < 3:
                continue
            start = float(np.median(before))
            moved = np.abs(inside - start)
            size = float(np.sort(moved)[-2])
            if size < max(0.5 * lane.threshold_k, SHOWN_SHARE * leg.size_k):
                continue
            sign = 1 if float(inside[int(np.argmax(moved))]) > start else -1
            if lane.phase is Phase.BACK and sign != (lane.leg.sign if lane.leg else sign):
                continue  # it is falling back from its own touch
            theirs = self._half_way(
                lane,
                Leg(lane.channel, sign, leg.onset_s, start, leg.peak_s, size),
            )
            delay = theirs - own
            out.append(
                Carried(
                    self.channels[lane.channel],
                    sign * size / (leg.sign * leg.size_k),
                    delay,
                    at_once=abs(delay) <= max(0.6 * lane.interval_s(), 0.04 * leg.length_s),
                )
            )
        return tuple(out)

    @staticmethod
    def _half_way(lane: Excursions, leg: Leg) -> float:
        """Time at which a movement has done half of itself, between readings."""
        times, values = lane.held(leg.onset_s - 1.0, leg.peak_s + 2.0)
        moved = leg.sign * (values - leg.start_c)
        over = np.flatnonzero((moved >= 0.5 * leg.size_k) & (times > leg.onset_s))
        if not over.size:
            return math.nan
        k = int(over[0])
        if k == 0 or moved[k] <= moved[k - 1]:
            return float(times[k])
        part = (0.5 * leg.size_k - moved[k - 1]) / (moved[k] - moved[k - 1])
        return float(times[k - 1] + np.clip(part, 0.0, 1.0) * (times[k] - times[k - 1]))

    # leading and falling -------------------------------------------------------------------

    def _lead(self) -> list[TouchEvent]:
        live = [
            o
            for o in self._open
            if not o.over
            and id(o) not in self._grouped
            and not self._carried_by(o, self._company(o))
        ]
        lead = max(live, key=lambda o: o.size_k, default=None)
        place = lead.channel if lead is not None else None
        if place == self._leading:
            return []
        self._leading = place
        if lead is None:
            return []
        return [
            TouchEvent(
                TouchKind.WARMING,
                self.channels[lead.channel],
                lead.onset_s,
                lead.sign * lead.size_k,
            )
        ]

    def _falls(self, place: int) -> list[TouchEvent]:
        lane = self._lanes[place]
        due = [d for d in self._done if d.leg.channel == place and d.counted and not d.fitted]
        if not due:
            return []
        done = due[-1]
        anew = lane.phase is Phase.AWAY and lane.leg is not done.leg
        left = lane.latest
        gone = (
            left is not None
            and done.leg.sign * (left[1] - done.leg.start_c) <= _FALLEN * done.leg.size_k
        )
        return self._fit(done) if anew or gone or lane.phase is Phase.REST else []

    def _fit(self, done: _Done) -> list[TouchEvent]:
        done.fitted = True
        lane, leg = self._lanes[done.leg.channel], done.leg
        begin = lane.fall_from
        end = lane.leg.onset_s if lane.leg is not None and lane.leg is not leg else math.inf
        times, values = lane.held(begin, end) if math.isfinite(begin) else (np.empty(0),) * 2
        found = time_constant(
            times,
            values,
            asymptote_c=leg.start_c,
            asymptote_standard_k=math.hypot(
                ASYMPTOTE_K, lane.noise_k, ASYMPTOTE_SHARE * leg.size_k
            ),
            noise_k=lane.noise_k,
            resolution_k=lane.resolution_k,
        )
        name = self.channels[leg.channel]
        self._found.time_constants.setdefault(name, []).append(found)
        return [
            TouchEvent(
                TouchKind.TIME_CONSTANT,
                name,
                leg.onset_s,
                leg.sign * leg.size_k,
                time_constant=found,
            )
        ]
