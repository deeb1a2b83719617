"""Advice on a plan: how often to read, how much that makes, whether the battery lasts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Channel, Plan, Product, Requirement, TunnelOven
from ovenwright.domain.run import Role
from ovenwright.errors import OutOfRange
from ovenwright.physics import sampling
from ovenwright.storage.plan_checks import MOIST_SHARE, boiling_of

AMBIENT_C = 25.0
AMBIENT_STEP_K = 10.0
UNKNOWN_TIME_CONSTANT_S = 3.0
UNKNOWN_STEP_K = 200.0
WET_HEAT_C = 105.0
"""At or below this setpoint heat may come from water or steam, which no surface resists."""

# bytes a reading, measured: sealed file on a decimal grid and at full precision; text; spreadsheet
SEALED_BYTES = (1.24, 5.98)
CSV_BYTES = (7.0, 18.0)
XLSX_BYTES = (5.3, 5.3)
XLSX_ROWS = 1_048_576

BATTERY_MARGIN = 1.5
"""A battery that lasts this many times the test is called enough (our choice)."""


@dataclass(frozen=True, slots=True)
class Aims:
    """What may be missed between two readings (our choices; each can be given)."""

    error_k: float = 0.5
    time_share: float = 0.0025
    lethality_share: float = 0.01
    coefficient_w_m2_k: float | None = None


@dataclass(frozen=True, slots=True)
class ChannelAdvice:
    """What the rules say of one channel; ``rules`` maps a rule to its longest interval in s."""

    channel: str
    role: str
    step_k: float
    time_constants_s: tuple[float, ...]
    rules: Mapping[str, float]
    floor_s: float
    rule: str
    interval_s: float
    z_k: float | None = None


@dataclass(frozen=True, slots=True)
class BatteryAdvice:
    """Whether the battery outlasts the test."""

    life_s: float
    test_s: float
    ratio: float
    answer: str  # enough, tight, too little


@dataclass(frozen=True, slots=True)
class SizeAdvice:
    """How much a recording makes; bytes as (least, most)."""

    duration_s: float
    duration_from: str
    interval_s: float
    scans: int
    readings: int
    sealed_bytes: tuple[int, int]
    csv_bytes: tuple[int, int]
    xlsx_bytes: tuple[int, int]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Advice:
    """Advice on a plan. ``worked_out_s`` is the rules' answer, ``interval_s`` one to set."""

    title: str
    worked_out_s: float
    interval_s: float
    rule: str
    channel: str
    reason: str
    planned_s: float
    planned_missed_k: float
    planned_lethality_excess: float | None
    planned_ok: bool
    channels: tuple[ChannelAdvice, ...]
    aims: Aims
    size: SizeAdvice | None
    battery: BatteryAdvice | None
    assumptions: tuple[str, ...] = field(default=())


def advise(plan: Plan, library: ReferenceLibrary, *, aims: Aims | None = None) -> Advice:
    """Propose a sampling interval and say what a recording will take.

    The smallest interval over all channels wins; no channel asks for less than a tenth of its
    own time constant.

    Parameters
    ----------
    plan : a plan that was read without faults
    library : kinetics at hand, for their z
    aims : what may be missed

    Raises
    ------
    OutOfRange : if an aim is not above 0
    """
    aims = aims or Aims()
    for name in ("error_k", "time_share", "lethality_share"):
        if not getattr(aims, name) > 0:  # written so that NaN is refused too
            raise OutOfRange(name, got=getattr(aims, name), expected="above 0")
    told: list[str] = []
    duration = _duration_s(plan)
    sight = _Sight(plan, library, aims, duration, told)
    channels = tuple(sight.channel(c) for c in plan.channels)
    decider = min(channels, key=lambda c: c.interval_s)
    planned = plan.recording.interval_s
    return Advice(
        title=plan.title,
        worked_out_s=decider.interval_s,
        interval_s=sampling.practical_interval_s(decider.interval_s),
        rule=decider.rule,
        channel=decider.channel,
        reason=_reason(decider, aims),
        planned_s=planned,
        planned_missed_k=max(
            sampling.change_error_k(
                interval_s=planned, step_k=c.step_k, time_constants_s=c.time_constants_s
            )
            for c in channels
        ),
        planned_lethality_excess=max(
            (_excess(c, planned) for c in channels if c.z_k), default=None
        ),
        planned_ok=planned <= decider.interval_s * (1.0 + 1e-9),
        channels=channels,
        aims=aims,
        size=_size(plan, duration),
        battery=_battery(plan, duration),
        assumptions=tuple(dict.fromkeys(told)),
    )


def _excess(channel: ChannelAdvice, interval_s: float) -> float:
    return sampling.trapezoid_excess(
        interval_s=interval_s,
        rate_k_s=sampling.change_rate_k_s(
            step_k=channel.step_k, time_constants_s=channel.time_constants_s
        ),
        z_k=channel.z_k or math.inf,
    )


def _duration_s(plan: Plan) -> tuple[float, str] | None:
    recording = plan.recording
    if recording.duration_s is not None:
        return recording.duration_s, "recording.duration_s"
    if recording.stop.after_s is not None:
        return recording.stop.after_s, "recording.stop.after_s"
    if isinstance(plan.oven, TunnelOven):
        return plan.oven.bake_time_s, "belt speed and zone lengths"
    return None


class _Sight:
    """What each channel of a plan will see."""

    def __init__(
        self,
        plan: Plan,
        library: ReferenceLibrary,
        aims: Aims,
        duration: tuple[float, str] | None,
        told: list[str],
    ) -> None:
        self.plan = plan
        self.library = library
        self.aims = aims
        self.told = told
        self.setpoints = _setpoints(plan)
        if not self.setpoints:
            told.append(f"no setpoint is given: a change of {UNKNOWN_STEP_K:g} K is taken")
        self.process_s = duration[0] if duration else None
        if isinstance(plan.oven, TunnelOven):
            self.process_s = plan.oven.bake_time_s
        if self.process_s is None:
            told.append("the plan gives no duration: rule time was left out")
        self.coefficient = self._coefficient()

    def _coefficient(self) -> float:
        if self.aims.coefficient_w_m2_k is not None:
            return self.aims.coefficient_w_m2_k
        wet = getattr(self.plan.oven, "pressure_kpa", None) is not None or (
            self.setpoints and max(self.setpoints) <= WET_HEAT_C
        )
        if wet:
            self.told.append("water or steam may heat the product: no resistance at its surface")
            return 1e6
        self.told.append(
            f"heat reaches the product with {sampling.MAX_COEFFICIENT_W_M2_K:g} W/(m² K), the "
            "upper end of a published tunnel oven"
        )
        return sampling.MAX_COEFFICIENT_W_M2_K

    def channel(self, channel: Channel) -> ChannelAdvice:
        step = max(self._step_k(channel), 1.0)
        constants = self._time_constants_s(channel)
        rules = {
            "change": sampling.change_interval_s(
                step_k=step, time_constants_s=constants, error_k=self.aims.error_k
            )
        }
        if self.process_s is not None:
            rules["time"] = sampling.lateness_interval_s(
                process_s=self.process_s, share=self.aims.time_share
            )
        z = self._z_k(channel)
        if z is not None:
            rules["lethality"] = sampling.lethality_interval_s(
                rate_k_s=sampling.change_rate_k_s(step_k=step, time_constants_s=constants),
                z_k=z,
                share=self.aims.lethality_share,
            )
        floor = sampling.sensor_floor_s(self._sensor_s(channel))
        rule = min(rules, key=lambda r: rules[r])
        interval = rules[rule]
        if interval < floor:
            rule, interval = "sensor", floor
        return ChannelAdvice(
            channel=channel.name,
            role=channel.role.value,
            step_k=step,
            time_constants_s=constants,
            rules=rules,
            floor_s=floor,
            rule=rule,
            interval_s=interval,
            z_k=z,
        )

    def _sensor_s(self, channel: Channel) -> float:
        if channel.time_constant_s is not None:
            return channel.time_constant_s
        self.told.append(
            f"{channel.name}: no time_constant_s, taken as {UNKNOWN_TIME_CONSTANT_S:g} s"
        )
        return UNKNOWN_TIME_CONSTANT_S

    def _step_k(self, channel: Channel) -> float:
        if channel.role is Role.AMBIENT:
            return AMBIENT_STEP_K
        if not self.setpoints:
            return UNKNOWN_STEP_K
        hottest = max(self.setpoints)
        product = self.plan.product
        start = product.start_c if product.start_c is not None else AMBIENT_C
        if channel.role is Role.CORE:
            moist = product.moisture is not None and product.moisture >= MOIST_SHARE
            boiling, _, _ = boiling_of(self.plan.oven, self.plan.site)
            return (min(hottest, boiling) if moist else hottest) - start
        if channel.role is Role.SURFACE:
            return hottest - start
        return _largest_change_k(self.setpoints)

    def _time_constants_s(self, channel: Channel) -> tuple[float, ...]:
        sensor = self._sensor_s(channel)
        if channel.role is Role.BODY and channel.body is not None:
            return (
                sampling.body_time_constant_s(
                    mass_kg=channel.body.mass_kg,
                    heat_capacity_j_kg_k=channel.body.heat_capacity_j_kg_k,
                    area_m2=channel.body.area_m2,
                    coefficient_w_m2_k=self.coefficient,
                ),
                sensor,
            )
        if channel.role not in {Role.CORE, Role.SURFACE}:
            return (sensor,)
        product = self.plan.product
        diffusivity, conductivity = self._product_properties(product)
        inside = (
            None
            if product.half_size_m is None
            else sampling.product_time_constant_s(
                shape=(product.shape or "slab"),
                half_size_m=product.half_size_m,
                diffusivity_m2_s=diffusivity,
                conductivity_w_m_k=conductivity,
                coefficient_w_m2_k=self.coefficient,
            )
        )
        if channel.role is Role.CORE:
            if inside is None:
                self.told.append("no product.half_size_m: cores are taken to follow the oven")
                return (sensor,)
            return inside, sensor
        surface = sampling.surface_time_constant_s(
            diffusivity_m2_s=diffusivity,
            conductivity_w_m_k=conductivity,
            coefficient_w_m2_k=self.coefficient,
        )
        surface = surface if inside is None else min(surface, inside)
        # a surface that follows at once leaves the sensor alone to slow the change
        return (surface, sensor) if surface > sensor / 10.0 else (sensor,)

    def _product_properties(self, product: Product) -> tuple[float, float]:
        diffusivity = product.diffusivity_m2_s
        if diffusivity is None:
            diffusivity = sampling.assumed_diffusivity_m2_s(product.moisture)
            self.told.append(
                f"no product.diffusivity_m2_s: {diffusivity:.3g} m²/s, the fastest a food of that "
                "moisture can be"
            )
        conductivity = product.conductivity_w_m_k
        if conductivity is None:
            conductivity = sampling.CRUMB_CONDUCTIVITY_W_M_K
            self.told.append(f"no product.conductivity_w_m_k: {conductivity:g} W/(m K)")
        return diffusivity, conductivity

    def _z_k(self, channel: Channel) -> float | None:
        """Return the smallest z of the lethality that is asked of a channel."""
        found = [
            z
            for wish in self.plan.requirements
            if channel.name in self.plan.names(wish.on)
            for z in [self._z_of(wish)]
            if z is not None
        ]
        return min(found, default=None)

    def _z_of(self, wish: Requirement) -> float | None:
        given = wish.parameters.get("z_k")
        if isinstance(given, (int, float)):
            return float(given)
        name = wish.parameters.get("kinetics")
        if name is None and wish.measure == "pasteurisation_units":
            name = "pu_beer"
        kinetics = self.library.kinetics.get(str(name)) if name is not None else None
        return kinetics.z_k if kinetics is not None else None


def _setpoints(plan: Plan) -> tuple[float, ...]:
    if isinstance(plan.oven, TunnelOven):
        return tuple(z.setpoint_c for z in plan.oven.zones if z.setpoint_c is not None)
    return () if plan.oven.setpoint_c is None else (plan.oven.setpoint_c,)


def _largest_change_k(setpoints: tuple[float, ...]) -> float:
    """Return the largest sudden change on the way in, from zone to zone, and out."""
    met = (AMBIENT_C, *setpoints, AMBIENT_C)
    return max(abs(b - a) for a, b in pairwise(met))


def _reason(decider: ChannelAdvice, aims: Aims) -> str:
    lags = " and ".join(f"{t:.3g} s" for t in decider.time_constants_s)
    if decider.rule == "change":
        return (
            f"a change of {decider.step_k:.0f} K felt through {lags} would bend by more than "
            f"{aims.error_k:g} K between readings further apart"
        )
    if decider.rule == "time":
        return f"a moment may be late by {aims.time_share:.2%} of the process and no more"
    if decider.rule == "lethality":
        return (
            f"heating at up to {decider.step_k / max(decider.time_constants_s) * 60:.3g} K/min "
            f"with z {decider.z_k:.3g} K, the trapezoid rule would read more than "
            f"{aims.lethality_share:.2g} of the lethality too high"
        )
    return f"a sensor with a time constant of {decider.floor_s * 10:.3g} s tells nothing faster"


def _span(readings: int, each: tuple[float, float]) -> tuple[int, int]:
    return math.ceil(readings * each[0]), math.ceil(readings * each[1])


def _size(plan: Plan, duration: tuple[float, str] | None) -> SizeAdvice | None:
    if duration is None:
        return None
    scans = sampling.scan_count(duration_s=duration[0], interval_s=plan.recording.interval_s)
    readings = scans * len(plan.channels)
    notes: tuple[str, ...] = ()
    if scans >= XLSX_ROWS:
        notes = (f"{scans:,} rows are more than one spreadsheet sheet holds ({XLSX_ROWS:,})",)
    return SizeAdvice(
        duration_s=duration[0],
        duration_from=duration[1],
        interval_s=plan.recording.interval_s,
        scans=scans,
        readings=readings,
        sealed_bytes=_span(readings, SEALED_BYTES),
        csv_bytes=_span(readings, CSV_BYTES),
        xlsx_bytes=_span(readings, XLSX_BYTES),
        notes=notes,
    )


def _battery(plan: Plan, duration: tuple[float, str] | None) -> BatteryAdvice | None:
    battery = plan.recording.battery
    if battery is None or duration is None:
        return None
    life = sampling.battery_life_s(
        capacity_mah=battery.capacity_mah,
        draw_ma=battery.draw_ma,
        usable_share=battery.usable_share,
    )
    ratio = life / duration[0]
    answer = "enough" if ratio >= BATTERY_MARGIN else "tight" if ratio >= 1.0 else "too little"
    return BatteryAdvice(life_s=life, test_s=duration[0], ratio=ratio, answer=answer)
