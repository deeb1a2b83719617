"""What settings are foretold to do: every requirement asked of foretold readings, as of a recorded run.

The same measures are asked, one profile for each member of the ensemble, and a requirement is met
where a verdict on it would pass, the sensors' errors included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from ovenwright.analysis.declaration import Finding
from ovenwright.analysis.draws import Draws
from ovenwright.analysis.registry import declared_measures
from ovenwright.analysis.requirements import chosen_channels, look_up
from ovenwright.analysis.subject import Readings, Scene
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Combine, Requirement
from ovenwright.domain.results import Event, Found
from ovenwright.modelling.foretelling import FORETOLD, Foreteller, Told
from ovenwright.modelling.knobs import Knob, Turned, Turns, turned

FEW = 20  # members that tell what a knob does
_DRAWS = 100
_LOG = ("log_reduction", "equivalent_time", "pasteurisation_units")
BROWNING = "browning_zanoni"
_COLOUR = 52.0  # colour difference at full extent (Zanoni, Peri & Bruno 1995)


@dataclass(frozen=True, slots=True)
class Foreseen:
    """One requirement under some settings: ``value`` (low, median, high) of 90 % of the worst channel."""

    requirement: Requirement
    value: tuple[float, float, float]
    share_met: float


@dataclass(frozen=True, slots=True)
class Choice:
    """Settings and what they are foretold to do."""

    aim: str
    values: tuple[float, ...]
    foreseen: tuple[Foreseen, ...]
    together: float
    """Share of members in which every requirement is met."""
    bake_s: float
    heat_kj_m2: tuple[float, float, float]
    vapour_kg_m2: tuple[float, float, float]
    colour: tuple[float, float, float] | None
    """Colour difference of the surface by crust browning; None without a surface channel."""
    output: float
    """Pieces in an hour, as a ratio to now: faster through, and nearer together, is more."""


@dataclass(frozen=True, slots=True)
class Asked:
    """Settings (0 to 1 of each knob's range) and what came of them: margins (requirements, members)."""

    x: FloatArray
    told: Told
    margin: FloatArray
    value: FloatArray

    def hard(self, confidence: FloatArray) -> FloatArray:
        """Return the margin that is kept with the confidence asked for, (requirements,)."""
        rows = [np.quantile(m, 1.0 - c) for m, c in zip(self.margin, confidence, strict=True)]
        return np.array(rows)


class Adviser:
    """Asks a foreteller for settings and the measures for what they bring."""

    def __init__(
        self,
        foreteller: Foreteller,
        knobs: tuple[Knob, ...],
        library: ReferenceLibrary,
        *,
        confidence: float,
    ) -> None:
        self._foreteller, self.knobs, self._library = foreteller, knobs, library
        plan = foreteller.bake.plan
        role = {c.name: c.role for c in plan.channels}
        known = set(foreteller.bake.profile.names)
        cores = {p.channel for p in foreteller.bake.cores}
        self.requirements: list[Requirement] = []
        self.not_foretold: list[str] = []
        for one in plan.requirements:
            measure = declared_measures()[one.measure]
            names = chosen_channels(measure, one, plan)
            lost = [n for n in names if n not in known or role[n] not in FORETOLD]
            lost += [
                n for n in names if role[n].value == "core" and n not in cores and n not in lost
            ]
            if lost or not names:
                why = ", ".join(lost) if lost else "it is on no channel"
                self.not_foretold.append(f"{one.name}: not foretold ({why})")
            else:
                self.requirements.append(one)
        self.confidence = np.array(
            [max(confidence, 0.95) if r.safety else confidence for r in self.requirements]
        )
        self._low = np.array([k.low for k in knobs])
        self._high = np.array([k.high for k in knobs])
        self._draws = Draws(_DRAWS, seed=7)
        span = self._high - self._low
        now = np.array([k.now for k in knobs])
        self.x_now = np.where(span > 0, (now - self._low) / np.where(span > 0, span, 1.0), 0.0)

    def values(self, x: FloatArray) -> FloatArray:
        """Return settings from 0 to 1 in their units, to the step that a person would set."""
        raw = self._low + x * (self._high - self._low)
        step = np.array([0.25 if k.turns is Turns.BAKE_TIME else 1.0 for k in self.knobs])
        near = np.round(raw / step) * step
        same = np.isclose(x, self.x_now, atol=1e-9)
        now = np.array([k.now for k in self.knobs])
        return np.where(same, now, np.clip(near, self._low, self._high))

    def turned(self, x: FloatArray) -> Turned:
        """Return settings as the model takes them."""
        return turned(self.knobs, self.values(x), self._foreteller.bake.edges.size - 1)

    def ask(self, x: FloatArray, *, members: int | None = FEW) -> Asked:
        """Foretell settings and measure them."""
        told = self._foreteller.tell(self.turned(x), members=members)
        count = told.temp_c.shape[0]
        margin = np.empty((len(self.requirements), count))
        value = np.empty_like(margin)
        for m in range(count):
            scene = self._scene(told, m)
            for r, requirement in enumerate(self.requirements):
                margin[r, m], value[r, m] = self._hold(scene, requirement)
        return Asked(x, told, margin, value)

    def _scene(self, told: Told, member: int) -> Scene:
        bake = self._foreteller.bake
        time_s = bake.share * told.bake_s
        temp_c = told.temp_c[member]
        profile = replace(
            bake.profile,
            time_s=time_s,
            temp_c=temp_c,
            raw_c=temp_c,
            interval_s=float(time_s[1] - time_s[0]),
        )
        first = Event(0.0, Found.GIVEN, "foretold")
        last = Event(float(time_s[-1]), Found.GIVEN, "foretold")
        return Scene(Readings(profile), told.plan, self._draws, load_in=first, load_out=last)

    def _hold(self, scene: Scene, requirement: Requirement) -> tuple[float, float]:
        measure = declared_measures()[requirement.measure]
        values, _ = look_up(measure, requirement, self._library)
        names = chosen_channels(measure, requirement, scene.plan)
        if measure.of_channel is not None:
            found = [measure.of_channel(scene.subject(n), values) for n in names]
        else:
            assert measure.of_group is not None  # noqa: S101  # by declaration
            found = [measure.of_group(scene.group(names), values)]
        rule = (requirement.decision or scene.plan.decision).confidence
        ends = [_ends(f, rule) for f in found]
        if requirement.combine is Combine.MEAN:
            ends = [tuple(float(v) for v in np.mean(ends, axis=0))]
        held = [_margin(requirement, low, high) for low, _, high in ends]
        i = int(np.argmax(held) if requirement.combine is Combine.BEST else np.argmin(held))
        return held[i], ends[i][1]

    def choice(self, aim: str, asked: Asked) -> Choice:
        """Return settings of which all members were asked."""
        foreseen = tuple(
            Foreseen(r, _three(v), float(np.mean(m >= 0.0)))
            for r, v, m in zip(self.requirements, asked.value, asked.margin, strict=True)
        )
        met = np.all(asked.margin >= 0.0, axis=0)
        return Choice(
            aim,
            tuple(float(v) for v in self.values(asked.x)),
            foreseen,
            float(np.mean(met)),
            asked.told.bake_s,
            _three(asked.told.heat_kj_m2),
            _three(asked.told.vapour_kg_m2),
            self._colour(asked.told),
            self._foreteller.bake.bake_s / asked.told.bake_s / self.turned(asked.x).spacing,
        )

    def _colour(self, told: Told) -> tuple[float, float, float] | None:
        names = [c.name for c in told.plan.channels if c.role.value == "surface"]
        names = [n for n in names if n in self._foreteller.bake.profile.names]
        if not names or BROWNING not in self._library.kinetics:
            return None
        measure = declared_measures()["extent"]
        assert measure.of_channel is not None  # noqa: S101  # by declaration
        ask = Requirement(
            name="colour", measure="extent", parameters={"kinetics": BROWNING}, at_least=0.0
        )
        values, _ = look_up(measure, ask, self._library)
        shades = []
        for m in range(min(told.temp_c.shape[0], FEW)):
            scene = self._scene(told, m)
            shades.append(
                _COLOUR
                * float(
                    np.mean([measure.of_channel(scene.subject(n), values).value for n in names])
                )
            )
        return _three(np.array(shades))


def _ends(found: Finding, confidence: float) -> tuple[float, ...]:
    """Return what a verdict would hold against a lower limit, the value, and against an upper one.

    A verdict passes when the sensors' errors leave the value inside its limits with the confidence
    of the plan; so does a foretold one.
    """
    if not found.samples.size or not math.isfinite(found.value):
        return found.value, found.value, found.value
    low, high = np.quantile(found.samples, [1.0 - confidence, confidence])
    return min(float(low), found.value), found.value, max(float(high), found.value)


def _margin(requirement: Requirement, low: float, high: float) -> float:
    """Return how far a value is inside its limits, below 0 outside, never beyond ±1e3."""
    if math.isnan(low) or math.isnan(high):
        return -1e3
    ends = []
    for limit, sign, value in ((requirement.at_least, 1.0, low), (requirement.at_most, -1.0, high)):
        if limit is None:
            continue
        if requirement.measure in _LOG and limit > 0:
            # what grows by decades is held as a logarithm, so that straight lines go further
            ends.append(sign * math.log(max(value, 1e-6 * limit) / limit))
        else:
            ends.append(sign * (value - limit))
    return float(np.clip(min(ends), -1e3, 1e3))


def _three(values: FloatArray) -> tuple[float, float, float]:
    finite = np.where(np.isfinite(values), values, np.nan)
    if np.isnan(finite).all():
        return (math.inf, math.inf, math.inf)
    low, middle, high = np.nanquantile(finite, [0.05, 0.5, 0.95])
    return float(low), float(middle), float(high)
