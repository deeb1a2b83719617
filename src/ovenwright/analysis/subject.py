"""What a measure is asked of: one channel, or several, between load-in and load-out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ovenwright.analysis.curve import Curve, cut
from ovenwright.analysis.draws import ChannelErrors, Draws
from ovenwright.domain.arrays import BoolArray, FloatArray
from ovenwright.domain.plan import Channel, Plan
from ovenwright.domain.profile import Profile
from ovenwright.domain.results import Event

_BLOCK = 1024


class Readings:
    """The profile's temperatures one channel after the other, and where they can be used."""

    def __init__(self, profile: Profile) -> None:
        self.profile = profile
        self.rows: FloatArray = _turned(profile.temp_c)
        self.usable: BoolArray = np.isfinite(self.rows)
        self.time_s = profile.time_s
        self._like: dict[tuple[float, float], Curve] = {}
        self._cut: dict[tuple[int, float, float], Curve] = {}

    def cut(self, channel: int, from_s: float, to_s: float) -> Curve:
        """Return one channel's curve between two times, made once."""
        known = self._cut.get((channel, from_s, to_s))
        if known is not None:
            return known
        key = (from_s, to_s)
        curve = cut(
            self.time_s,
            self.rows[channel],
            from_s=from_s,
            to_s=to_s,
            interval_s=self.profile.interval_s,
            usable=self.usable[channel],
            like=self._like.get(key),
        )
        if key not in self._like and bool(self.usable[channel].all()):
            self._like[key] = curve
        self._cut[channel, from_s, to_s] = curve
        return curve


def _turned(temp_c: FloatArray) -> FloatArray:
    """Return (c, n) rows from (n, c), in blocks that stay in the processor's cache."""
    if temp_c.flags.f_contiguous:
        return temp_c.T
    rows = np.empty(temp_c.shape[::-1])
    for i in range(0, temp_c.shape[0], _BLOCK):
        rows[:, i : i + _BLOCK] = temp_c[i : i + _BLOCK].T
    return rows


class Scene:
    """A profile between its load-in and load-out, with the draws of its errors."""

    def __init__(
        self, readings: Readings, plan: Plan, draws: Draws, *, load_in: Event, load_out: Event
    ) -> None:
        self.readings = readings
        self.profile = readings.profile
        self.plan = plan
        self.draws = draws
        self.load_in = load_in
        self.load_out = load_out
        self.end_s = float(self.profile.time_s[-1]) if self.profile.time_s.size else 0.0
        self._subjects: dict[str, Subject] = {}

    @property
    def process_s(self) -> float:
        """Time from load-in to load-out."""
        return self.load_out.at_s - self.load_in.at_s

    @cached_property
    def load_in_draws_s(self) -> FloatArray:
        """(m,) when the product may have entered, one draw for every channel."""
        spread = self.draws.xi("load-in") * self.load_in.standard_s
        return np.asarray(self.load_in.at_s + spread, dtype=np.float64)

    @cached_property
    def load_out_draws_s(self) -> FloatArray:
        """(m,) when the product may have left, one draw for every channel."""
        spread = self.draws.xi("load-out") * self.load_out.standard_s
        return np.asarray(self.load_out.at_s + spread, dtype=np.float64)

    def subject(self, name: str) -> Subject:
        """Return one channel as something to measure."""
        known = self._subjects.get(name)
        if known is None:
            index = self.profile.index(name)
            known = self._subjects[name] = Subject(self, index)
        return known

    def group(self, names: tuple[str, ...]) -> Group:
        """Return several channels as something to measure together."""
        return Group(self, tuple(self.subject(n) for n in names))


class Subject:
    """One channel in a scene. Curves are cut when they are first asked for."""

    def __init__(self, scene: Scene, index: int) -> None:
        profile = scene.profile
        self.scene = scene
        self.index = index
        self.channel: Channel = profile.channels[index]
        self.name = self.channel.name
        self.interval_s = profile.interval_s
        self.errors = ChannelErrors(
            self.name,
            profile.errors[index],
            scene.draws,
            noise_k=float(profile.noise_k[index]),
            resolution_k=float(profile.resolution_k[index]),
            lag_s=float(profile.lag_s[index]),
        )

    def edge_effect(self, curve: Curve, at_start: float, at_end: float) -> FloatArray | float:
        """Return (m,): what the uncertain ends of the process do to a sum over it.

        ``at_start`` and ``at_end`` are what the sum gains a second there. The end of the record
        is no event and certain.
        """
        scene = self.scene
        effect: FloatArray | float = 0.0
        if scene.load_in.standard_s > 0 and curve.from_s == scene.load_in.at_s:
            effect = effect - at_start * (scene.load_in_draws_s - scene.load_in.at_s)
        if scene.load_out.standard_s > 0 and curve.to_s == scene.load_out.at_s:
            effect = effect + at_end * (scene.load_out_draws_s - scene.load_out.at_s)
        return effect

    @cached_property
    def process(self) -> Curve:
        """Readings from load-in to load-out."""
        scene = self.scene
        return scene.readings.cut(self.index, scene.load_in.at_s, scene.load_out.at_s)

    @cached_property
    def onward(self) -> Curve:
        """Readings from load-in to the end of the record."""
        scene = self.scene
        return scene.readings.cut(self.index, scene.load_in.at_s, scene.end_s)

    @cached_property
    def record(self) -> Curve:
        """All readings of the record."""
        scene = self.scene
        start = float(scene.profile.time_s[0]) if scene.profile.time_s.size else 0.0
        return scene.readings.cut(self.index, start, scene.end_s)


@dataclass(frozen=True, slots=True)
class Group:
    """Several channels in a scene, in the order they were asked for."""

    scene: Scene
    subjects: tuple[Subject, ...]

    @property
    def plan(self) -> Plan:
        """The plan."""
        return self.scene.plan

    @property
    def draws(self) -> Draws:
        """The draws."""
        return self.scene.draws

    @property
    def with_readings(self) -> tuple[Subject, ...]:
        """Those that have readings between load-in and load-out."""
        return tuple(s for s in self.subjects if len(s.process) > 1)
