"""A scenario: an oven, a product, sensors, an instrument, and what is wrong with them."""

from __future__ import annotations

from dataclasses import dataclass, field

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.virtual.body import BodySpec
from ovenwright.virtual.chamber import ChamberSpec
from ovenwright.virtual.emf import WIRES
from ovenwright.virtual.faults import Fault
from ovenwright.virtual.lumps import BlockSpec, PlateSpec
from ovenwright.virtual.touching import BenchSpec
from ovenwright.virtual.tunnel import LANES, TunnelSpec

ROLES = ("air", "surface", "core", "wall", "body", "ambient")
RESISTANCE = "Pt100"


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """One sensor and the channel it is on.

    ``lane`` places it on a belt, ``point`` in a chamber. A tunnel's air or wall sensor with a
    ``zone`` stays in that zone; without, it travels with the product. A core sensor is meant to
    sit at ``r_m`` from the axis (or middle plane) and ``height_share`` of the height, a surface
    sensor on ``face`` at ``r_m``; ``off_r_m``, ``off_z_m`` and ``off_lane`` say how far from that
    it really sits. On a bracket ``piece`` is the piece it is fixed to.

    ``wire`` is what the wire is, ``set_as`` what the instrument takes it for (the same when empty).
    ``class_error`` fixes the error as two shares of the tolerance, level and tilt, whose sizes add
    up to 1 at most; None has it drawn.
    """

    name: str
    role: str
    lane: str = "centre"
    zone: str = ""
    point: str = "centre"
    wire: str = "T"
    set_as: str = ""
    tolerance: str = "IEC 60584-1 class 1"
    class_error: tuple[float, float] | None = None
    time_constant_s: float = 3.0
    noise_k: float = 0.05
    resolution_k: float = 0.1
    module: str = "gateway"
    r_m: float = 0.0
    height_share: float = 0.5
    face: str = "top"
    piece: int = 0
    off_r_m: float = 0.0
    off_z_m: float = 0.0
    off_lane: float = 0.0
    wall_share: float = 0.0
    """Share of what the junction feels that is the walls' radiation, for an air sensor."""

    def __post_init__(self) -> None:
        if self.role not in ROLES:
            raise UnknownName("role", self.role, known=ROLES)
        if self.lane not in LANES:
            raise UnknownName("lane", self.lane, known=tuple(LANES))
        for name in (self.wire, self.set_as or self.wire):
            if name not in (*WIRES, RESISTANCE):
                raise UnknownName("sensor type", name, known=(*WIRES, RESISTANCE))
        if (self.wire == RESISTANCE) != ((self.set_as or self.wire) == RESISTANCE):
            raise OutOfRange(
                f"{self.name}: set_as", got=self.set_as, expected="a type the wire could pass for"
            )
        if self.class_error is not None and sum(map(abs, self.class_error)) > 1.0 + 1e-12:
            raise OutOfRange(
                f"{self.name}: class_error", got=self.class_error, expected="sizes adding up to 1"
            )
        if not self.time_constant_s >= 0 or not self.noise_k >= 0 or not self.resolution_k >= 0:
            raise OutOfRange(f"{self.name}: time constant, noise, resolution", got="negative",
                             expected="0 or above")  # fmt: skip


@dataclass(frozen=True, slots=True)
class ModuleSpec:
    """An input block: its terminals are the reference junction of its channels.

    The terminals start at ``start_c`` and warm by ``rise_k`` with time constant ``warm_s``. The
    block measures them ``lag_s`` late and with an error drawn within ``accuracy_k``, unless
    ``offset_k`` fixes it.
    """

    name: str = "gateway"
    start_c: float = 25.0
    rise_k: float = 4.0
    warm_s: float = 1200.0
    lag_s: float = 20.0
    accuracy_k: float = 0.3
    offset_k: float | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is simulated.

    ``product`` is a body for a tunnel, brackets for a chamber, or None for an empty survey. On a
    bench nothing is baked: sensors lie in room air, and the product's stay is the time of touching. In a
    chamber the product is in from ``lead_s`` to ``lead_s + stay_s``; without product ``stay_s`` is
    how long the survey lasts. Oven and sensors run at ``step_s``, a body in a tunnel at the longer
    ``product_step_s``; readings are taken every ``interval_s``.
    """

    title: str
    oven: TunnelSpec | ChamberSpec | BenchSpec
    sensors: tuple[SensorSpec, ...]
    product: BodySpec | PlateSpec | None = None
    block: BlockSpec = field(default_factory=BlockSpec)
    modules: tuple[ModuleSpec, ...] = (ModuleSpec(),)
    faults: tuple[Fault, ...] = ()
    pressure_kpa: float = 101.325
    lead_s: float = 240.0
    stay_s: float = 0.0
    tail_s: float = 360.0
    interval_s: float = 2.0
    step_s: float = 2.0
    product_step_s: float = 2.0
    start: str = "2026-03-03T05:40:00+00:00"
    time_zone: str = "UTC"
    site: str = ""
    product_name: str = ""
    notes: tuple[str, ...] = field(default_factory=tuple)

    def __post_init__(self) -> None:
        names = [s.name for s in self.sensors]
        if not names or len(set(names)) != len(names):
            raise OutOfRange("scenario.sensors", got=names, expected="unlike names, at least one")
        ratio = self.interval_s / self.step_s if self.step_s > 0 else 0.0
        if ratio < 1 or abs(ratio - round(ratio)) > 1e-9:
            raise OutOfRange(
                "scenario.interval_s",
                got=self.interval_s,
                expected=f"a multiple of {self.step_s} s",
            )
        parts = self.product_step_s / self.step_s
        if parts < 1 or abs(parts - round(parts)) > 1e-9:
            raise OutOfRange(
                "scenario.product_step_s",
                got=self.product_step_s,
                expected=f"a multiple of {self.step_s} s",
            )
        modules = [m.name for m in self.modules]
        for sensor in self.sensors:
            if sensor.module not in modules:
                raise UnknownName("module", sensor.module, known=modules, where=sensor.name)
        for fault in self.faults:
            for channel in (fault.channel, getattr(fault, "other", fault.channel)):
                if channel not in names:
                    raise UnknownName("channel", channel, known=names, where=type(fault).__name__)
        if isinstance(self.oven, ChamberSpec) and isinstance(self.product, BodySpec):
            raise OutOfRange("scenario.product", got="a body", expected="brackets in a chamber")
        if isinstance(self.oven, BenchSpec) and self.product is not None:
            raise OutOfRange("scenario.product", got="a product", expected="none on a bench")
        if isinstance(self.oven, TunnelSpec) and isinstance(self.product, PlateSpec):
            raise OutOfRange("scenario.product", got="brackets", expected="a body in a tunnel")

    @property
    def load_out_s(self) -> float:
        """Record time at which the product leaves, or the survey ends."""
        stay = self.oven.bake_s if isinstance(self.oven, TunnelSpec) else self.stay_s
        return self.lead_s + stay

    @property
    def scans(self) -> int:
        """How many scans the record holds."""
        return int((self.load_out_s + self.tail_s) / self.interval_s + 1e-9) + 1
