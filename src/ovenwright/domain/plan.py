"""The plan: the saved, repeatable description of a test.

Every model is strict and refuses unknown keys. Units are in the names. The TOML keys are the field
names here. Reading a file, and finding the line of a fault, is the business of ``storage``.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from ovenwright.domain.run import Role

PositiveFloat = Annotated[float, Field(gt=0, allow_inf_nan=False)]
FiniteFloat = Annotated[float, Field(allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]


class Strict(BaseModel):
    """Refuses unknown keys, never changes after it was made."""

    # TOML has one number kind an author thinks of: 34 for 34.0 is no fault
    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=False, use_attribute_docstrings=True
    )


class SensorType(StrEnum):
    """The sensor types the physics can read."""

    B = "B"
    E = "E"
    J = "J"
    K = "K"
    N = "N"
    R = "R"
    S = "S"
    T = "T"
    PT100 = "Pt100"
    PT1000 = "Pt1000"
    THERMISTOR = "thermistor"
    TRANSMITTER = "transmitter"


class Shape(StrEnum):
    """Shape of the product, as heat sees it."""

    SLAB = "slab"
    CYLINDER = "cylinder"
    SPHERE = "sphere"
    BRICK = "brick"


class Zone(Strict):
    """One zone of a tunnel oven, in the order the product meets them."""

    name: str
    length_m: PositiveFloat
    setpoint_c: FiniteFloat | None = None


class TunnelOven(Strict):
    """A tunnel oven: product travels on a belt through zones."""

    kind: Literal["tunnel"]
    name: str
    zones: tuple[Zone, ...] = Field(min_length=1)
    belt_speed_m_min: PositiveFloat
    belt_width_m: PositiveFloat | None = None

    @property
    def length_m(self) -> float:
        """Length over all zones."""
        return sum(z.length_m for z in self.zones)

    @property
    def bake_time_s(self) -> float:
        """Time from entry to exit at the planned belt speed."""
        return self.length_m / self.belt_speed_m_min * 60.0


class ChamberOven(Strict):
    """A batch oven or chamber."""

    kind: Literal["chamber"]
    name: str
    width_m: PositiveFloat
    depth_m: PositiveFloat
    height_m: PositiveFloat
    setpoint_c: FiniteFloat | None = None
    tolerance_k: PositiveFloat | None = None
    """Allowed departure from the setpoint in the working space."""


Oven = Annotated[TunnelOven | ChamberOven, Field(discriminator="kind")]


class Product(Strict):
    """What is heated."""

    name: str
    mass_kg: PositiveFloat | None = None
    shape: Shape | None = None
    half_size_m: PositiveFloat | None = None
    """Half thickness of a slab or brick, radius of a cylinder or sphere."""
    start_c: FiniteFloat | None = None
    moisture: Share | None = None
    """Mass of water per mass of product as loaded, wet basis."""
    end_moisture: Share | None = None
    fat: Share | None = None
    protein: Share | None = None
    carbohydrate: Share | None = None
    ash: Share | None = None


class Site(Strict):
    """Where the oven stands."""

    name: str = ""
    time_zone: str = "UTC"
    pressure_kpa: Annotated[float, Field(ge=30, le=120)] | None = None
    """Station pressure, as a barometer on the spot shows it, not a forecast's sea-level value."""
    altitude_m: Annotated[float, Field(ge=-500, le=6000)] | None = None

    @model_validator(mode="after")
    def _one_of(self) -> Site:
        if self.pressure_kpa is not None and self.altitude_m is not None:
            raise ValueError("give pressure_kpa or altitude_m, not both")
        return self


class Place(Strict):
    """Where a sensor sits. Lane and zone for a belt, x y z in the oven's own frame."""

    lane: str = ""
    """Across the belt, looking along travel: left, centre, right, or a name of your own."""
    zone: str = ""
    x_m: FiniteFloat | None = None
    """Along travel, or width of a chamber."""
    y_m: FiniteFloat | None = None
    """Across, or depth of a chamber."""
    z_m: FiniteFloat | None = None
    """Height."""
    depth_m: FiniteFloat | None = None
    """Depth of a core sensor below the product's surface."""
    uncertainty_k: PositiveFloat | None = None
    """Standard uncertainty because the sensor may not sit exactly there."""
    note: str = ""


class CorrectionPoint(Strict):
    """One line of a calibration certificate: true minus indicated, at an indicated temperature."""

    at_c: FiniteFloat
    correction_k: FiniteFloat
    expanded_uncertainty_k: PositiveFloat
    coverage_factor: PositiveFloat = 2.0


class Certificate(Strict):
    """A calibration certificate for one channel."""

    number: str = ""
    date: str = ""
    laboratory: str = ""
    points: tuple[CorrectionPoint, ...] = Field(min_length=1)
    drift_k: PositiveFloat | None = None
    """Half-width allowed for drift since calibration."""


class Body(Strict):
    """A reference body of known heat capacity with a sensor in it."""

    material: str = ""
    mass_kg: PositiveFloat
    heat_capacity_j_kg_k: PositiveFloat
    area_m2: PositiveFloat
    conductivity_w_m_k: PositiveFloat | None = None
    volume_m3: PositiveFloat | None = None
    emissivity: Share | None = None


class Thermistor(Strict):
    """Steinhart–Hart coefficients, resistance in ohm."""

    a: FiniteFloat
    b: FiniteFloat
    c: FiniteFloat


class Transmitter(Strict):
    """A linear transmitter: two points of signal and temperature."""

    low_signal: FiniteFloat
    low_c: FiniteFloat
    high_signal: FiniteFloat
    high_c: FiniteFloat
    accuracy_k: PositiveFloat | None = None


class Channel(Strict):
    """One sensor at one place."""

    name: str = Field(min_length=1)
    sensor: SensorType
    tolerance: str = ""
    """Tolerance class, for example "IEC 60584-1 class 1" or "ASTM E230 special"."""
    role: Role
    column: str = ""
    """Heading of this channel in the readings, when it differs from the name."""
    place: Place = Place()
    module: str = ""
    """The gateway or logger input block: channels that share a reference junction."""
    reference_uncertainty_k: PositiveFloat | None = None
    """Standard uncertainty of the module's reference-junction temperature."""
    time_constant_s: PositiveFloat | None = None
    resolution_k: PositiveFloat | None = None
    certificate: Certificate | None = None
    body: Body | None = None
    thermistor: Thermistor | None = None
    transmitter: Transmitter | None = None
    recorded_as: SensorType | None = None
    """The type the instrument was set to, when it was the wrong one: readings are restated."""
    note: str = ""


class Stop(Strict):
    """When a recording ends."""

    after_s: PositiveFloat | None = None
    channel: str = ""
    reaches_c: FiniteFloat | None = None
    all_below_c: FiniteFloat | None = None


class Battery(Strict):
    """What the battery holds and what the instrument draws, to see whether it lasts."""

    capacity_mah: PositiveFloat
    draw_ma: PositiveFloat
    usable_share: Share = 0.8


class Recording(Strict):
    """How readings are taken."""

    interval_s: PositiveFloat
    duration_s: PositiveFloat | None = None
    stop: Stop = Stop()
    battery: Battery | None = None
    load_in_s: FiniteFloat | None = None
    """Elapsed time at which the product entered, when it is known and not to be found."""
    load_out_s: FiniteFloat | None = None


class Combine(StrEnum):
    """How the channels of one requirement are taken together."""

    WORST = "worst"
    EACH = "each"
    BEST = "best"
    MEAN = "mean"


class Decision(Strict):
    """How sure one has to be (JCGM 106)."""

    confidence: Annotated[float, Field(ge=0.5, lt=1)] = 0.95
    """Pass at or above this probability of conformity, fail at or below one minus it."""
    guard_factor: Annotated[float, Field(ge=0, le=5)] = 0.0
    """Guard band as a multiple of the expanded uncertainty (k = 2), taken off the limits."""
    draws: Annotated[int, Field(ge=200, le=2_000_000)] = 10_000
    seed: int = 20_260_101


class Requirement(Strict):
    """A measure, its limits and how it is decided."""

    name: str
    measure: str
    """Name of a declared measure, see the reference."""
    on: Role | tuple[str, ...] | None = None
    """A role, or channel names; left out where a measure is about the whole oven."""
    parameters: dict[str, float | str] = Field(default_factory=dict)
    at_least: FiniteFloat | None = None
    at_most: FiniteFloat | None = None
    combine: Combine = Combine.WORST
    decision: Decision | None = None
    safety: bool = False
    """True where a wrong answer can hurt someone who eats the product."""
    source: str = ""
    caution: str = ""

    @model_validator(mode="after")
    def _limits(self) -> Requirement:
        if self.at_least is None and self.at_most is None:
            raise ValueError("give at_least, at_most or both")
        if self.at_least is not None and self.at_most is not None and self.at_least > self.at_most:
            raise ValueError(f"at_least {self.at_least} is above at_most {self.at_most}")
        return self


class CrossingWish(Strict):
    """A temperature whose passing is to be reported, by plain name."""

    level_c: FiniteFloat
    on: Role | tuple[str, ...]
    name: str = ""


class Plan(Strict):
    """The saved, repeatable description of a test."""

    format: Literal[1] = 1
    title: str
    purpose: str = ""
    preset: str = ""
    site: Site = Site()
    oven: Oven
    product: Product
    recording: Recording
    channels: tuple[Channel, ...] = Field(min_length=1)
    crossings: tuple[CrossingWish, ...] = ()
    requirements: tuple[Requirement, ...] = ()
    decision: Decision = Decision()
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    def channel(self, name: str) -> Channel | None:
        """Return the channel of that name, or None."""
        return next((c for c in self.channels if c.name == name), None)

    def names(self, on: Role | tuple[str, ...] | None) -> tuple[str, ...]:
        """Return the channel names that ``on`` stands for, in plan order."""
        if on is None:
            return tuple(c.name for c in self.channels)
        if isinstance(on, Role):
            return tuple(c.name for c in self.channels if c.role is on)
        return tuple(on)
