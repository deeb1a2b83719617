"""The plan: the saved, repeatable description of a test.

Every model is strict and refuses unknown keys. Units are in the names. The TOML keys are the field
names here. Reading a file, and finding the line of a fault, is the business of ``storage``.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, model_validator

from ovenwright.domain.alarm import Alarm
from ovenwright.domain.run import Role
from ovenwright.domain.sources import SourcePlan
from ovenwright.domain.strict import FiniteFloat, PositiveFloat, Share, Strict


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
    """Name of the zone; places refer to it."""
    length_m: PositiveFloat
    """Length of the zone along travel."""
    setpoint_c: FiniteFloat | None = None
    """What the zone's controller is set to."""


class TunnelOven(Strict):
    """A tunnel oven: product travels on a belt through zones."""

    kind: Literal["tunnel"]
    """"tunnel": product travels on a belt through zones."""
    name: str
    """What people call this oven."""
    zones: tuple[Zone, ...] = Field(min_length=1)
    """The zones in the order the product meets them."""
    belt_speed_m_min: PositiveFloat
    """Speed of the belt in metres per minute."""
    belt_width_m: PositiveFloat | None = None
    """Usable width of the belt."""

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
    """"chamber": product stands still in a closed space."""
    name: str
    """What people call this oven."""
    width_m: PositiveFloat
    """Inner width, the x direction."""
    depth_m: PositiveFloat
    """Inner depth, the y direction."""
    height_m: PositiveFloat
    """Inner height, the z direction."""
    setpoint_c: FiniteFloat | None = None
    """What the controller is set to."""
    tolerance_k: PositiveFloat | None = None
    """Allowed departure from the setpoint in the working space."""
    pressure_kpa: Annotated[float, Field(ge=1, le=2000)] | None = None
    """Absolute pressure inside, where it differs from the site's: retort, autoclave, vacuum."""


Oven = Annotated[TunnelOven | ChamberOven, Field(discriminator="kind")]


class Product(Strict):
    """What is heated."""

    name: str
    """What is heated."""
    mass_kg: PositiveFloat | None = None
    """Mass of one piece as loaded."""
    shape: Shape | None = None
    """Shape as heat sees it: slab, cylinder, sphere or brick."""
    half_size_m: PositiveFloat | None = None
    """Half thickness of a slab or brick, radius of a cylinder or sphere."""
    start_c: FiniteFloat | None = None
    """Temperature as loaded."""
    moisture: Share | None = None
    """Mass of water per mass of product as loaded, wet basis."""
    end_moisture: Share | None = None
    """Mass of water per mass of product as it leaves, wet basis."""
    fat: Share | None = None
    """Mass share of fat as loaded."""
    protein: Share | None = None
    """Mass share of protein as loaded."""
    carbohydrate: Share | None = None
    """Mass share of carbohydrate as loaded."""
    ash: Share | None = None
    """Mass share of ash as loaded."""
    diffusivity_m2_s: PositiveFloat | None = None
    """Thermal diffusivity, where known; it sets how fast the inside can change."""
    conductivity_w_m_k: PositiveFloat | None = None
    """Thermal conductivity, where known."""


class Site(Strict):
    """Where the oven stands."""

    name: str = ""
    """Where the oven stands."""
    time_zone: str = "UTC"
    """Time zone of the people there, such as "Europe/Riga"."""
    pressure_kpa: Annotated[float, Field(ge=30, le=120)] | None = None
    """Station pressure, as a barometer on the spot shows it, not a forecast's sea-level value."""
    altitude_m: Annotated[float, Field(ge=-500, le=6000)] | None = None
    """Height above sea level; the standard atmosphere gives the pressure from it."""

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
    """Name of a zone of the oven, for a sensor that stays in it."""
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
    """Anything a person needs to find the place again."""


class CorrectionPoint(Strict):
    """One line of a calibration certificate: true minus indicated, at an indicated temperature."""

    at_c: FiniteFloat
    """Indicated temperature of the point."""
    correction_k: FiniteFloat
    """True minus indicated temperature."""
    expanded_uncertainty_k: PositiveFloat
    """Expanded uncertainty of the correction, as the certificate prints it."""
    coverage_factor: PositiveFloat = 2.0
    """The k that belongs to the expanded uncertainty."""


class Certificate(Strict):
    """A calibration certificate for one channel."""

    number: str = ""
    """Number on the certificate."""
    date: str = ""
    """Date of calibration, such as 2026-01-15."""
    laboratory: str = ""
    """Who calibrated."""
    points: tuple[CorrectionPoint, ...] = Field(min_length=1)
    """The lines of the certificate, rising in temperature."""
    drift_k: PositiveFloat | None = None
    """Half-width allowed for drift since calibration."""


class Body(Strict):
    """A reference body of known heat capacity with a sensor in it."""

    material: str = ""
    """What the body is made of."""
    mass_kg: PositiveFloat
    """Mass of the body."""
    heat_capacity_j_kg_k: PositiveFloat
    """Specific heat capacity of the material."""
    area_m2: PositiveFloat
    """Surface that takes up heat."""
    conductivity_w_m_k: PositiveFloat | None = None
    """Thermal conductivity, to check that the body heats evenly."""
    volume_m3: PositiveFloat | None = None
    """Volume, to check that the body heats evenly."""
    emissivity: Share | None = None
    """Emissivity of the surface."""


class Thermistor(Strict):
    """Steinhart–Hart coefficients, resistance in ohm."""

    a: FiniteFloat
    """Constant term of 1/T = a + b ln R + c (ln R)^3."""
    b: FiniteFloat
    """Factor of ln R."""
    c: FiniteFloat
    """Factor of (ln R)^3."""


class Transmitter(Strict):
    """A linear transmitter: two points of signal and temperature."""

    low_signal: FiniteFloat
    """Signal at the low end, in the readings' own unit."""
    low_c: FiniteFloat
    """Temperature at the low end."""
    high_signal: FiniteFloat
    """Signal at the high end."""
    high_c: FiniteFloat
    """Temperature at the high end."""
    accuracy_k: PositiveFloat | None = None
    """Half-width of the transmitter's own error."""


class Channel(Strict):
    """One sensor at one place."""

    name: str = Field(min_length=1)
    """Name of the channel; requirements refer to it."""
    sensor: SensorType
    """Sensor type, such as "T", "K" or "Pt100"."""
    tolerance: str = ""
    """Tolerance class, for example "IEC 60584-1 class 1" or "ASTM E230 special"."""
    role: Role
    """What the sensor feels: air, surface, core, wall, body or ambient."""
    column: str = ""
    """Heading of this channel in the readings, when it differs from the name."""
    place: Place = Place()
    """Where the sensor sits."""
    module: str = ""
    """The gateway or logger input block: channels that share a reference junction."""
    reference_uncertainty_k: PositiveFloat | None = None
    """Standard uncertainty of the module's reference-junction temperature."""
    time_constant_s: PositiveFloat | None = None
    """Time to follow 63 % of a sudden change, in the place where it is used."""
    resolution_k: PositiveFloat | None = None
    """Smallest step the readings show."""
    certificate: Certificate | None = None
    """Calibration certificate of this channel."""
    body: Body | None = None
    """The reference body the sensor sits in; needed where the role is body."""
    thermistor: Thermistor | None = None
    """Coefficients; needed where the sensor is a thermistor."""
    transmitter: Transmitter | None = None
    """The two points; needed where the sensor is a transmitter."""
    recorded_as: SensorType | None = None
    """The type the instrument was set to, when it was the wrong one: readings are restated."""
    note: str = ""
    """Anything a person should know about this channel."""


class Stop(Strict):
    """When a recording ends."""

    after_s: PositiveFloat | None = None
    """Stop after this time."""
    channel: str = ""
    """Stop when this channel reaches ``reaches_c``."""
    reaches_c: FiniteFloat | None = None
    """Temperature at which to stop."""
    all_below_c: FiniteFloat | None = None
    """Stop once every channel is below this, after having been above."""


class Battery(Strict):
    """What the battery holds and what the instrument draws, to see whether it lasts."""

    capacity_mah: PositiveFloat
    """Capacity when full, in milliampere-hours."""
    draw_ma: PositiveFloat
    """Current the instrument draws while recording, in milliampere."""
    usable_share: Share = 0.8
    """Share of the capacity to count on: heat, cold and age take the rest."""


class Recording(Strict):
    """How readings are taken."""

    interval_s: PositiveFloat
    """Time between readings."""
    duration_s: PositiveFloat | None = None
    """How long the recording is meant to last."""
    stop: Stop = Stop()
    """When the recording ends by itself."""
    battery: Battery | None = None
    """Battery facts, to see whether it outlasts the test."""
    load_in_s: FiniteFloat | None = None
    """Elapsed time at which the product entered, when it is known and not to be found."""
    load_out_s: FiniteFloat | None = None
    """Elapsed time at which the product left, when it is known."""


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
    """Monte Carlo draws."""
    seed: int = 20_260_101
    """Seed of the draws, so that a verdict can be repeated."""


class Requirement(Strict):
    """A measure, its limits and how it is decided."""

    name: str
    """What is asked, in words a reader of the report knows."""
    measure: str
    """Name of a declared measure, see the reference."""
    on: Role | tuple[str, ...] | None = None
    """A role, or channel names; left out where a measure is about the whole oven."""
    parameters: dict[str, float | str] = Field(default_factory=dict)
    """Numbers or names the measure needs, such as level_c or kinetics."""
    at_least: FiniteFloat | None = None
    """Lower limit, in the measure's unit."""
    at_most: FiniteFloat | None = None
    """Upper limit, in the measure's unit."""
    combine: Combine = Combine.WORST
    """How several channels are taken together: worst, each, best or mean."""
    decision: Decision | None = None
    """Decision rule of this requirement, where it differs from the plan's."""
    safety: bool = False
    """True where a wrong answer can hurt someone who eats the product."""
    source: str = ""
    """Where the limit comes from."""
    caution: str = ""
    """What a reader must know before acting on it."""

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
    """The temperature."""
    on: Role | tuple[str, ...]
    """A role, or channel names."""
    name: str = ""
    """Plain name for the report; made from role and temperature when left out."""


class Plan(Strict):
    """The saved, repeatable description of a test."""

    format: Literal[1] = 1
    """Version of this format."""
    title: str
    """Title of the test, shown on the report."""
    purpose: str = ""
    """Why the test is made and who acts on it."""
    preset: str = ""
    """The preset this plan started from."""
    site: Site = Site()
    """Where the oven stands."""
    oven: Oven
    """The oven: a tunnel or a chamber."""
    product: Product
    """What is heated."""
    recording: Recording
    """How readings are taken."""
    channels: tuple[Channel, ...] = Field(min_length=1)
    """One table for each sensor."""
    crossings: tuple[CrossingWish, ...] = ()
    """Temperatures whose passing is to be reported."""
    requirements: tuple[Requirement, ...] = ()
    """What counts as good."""
    decision: Decision = Decision()
    """How sure one has to be."""
    cautions: tuple[str, ...] = ()
    """What a reader must know before acting on the verdict."""
    sources: tuple[str, ...] = ()
    """Where the numbers of this plan come from."""
    instruments: tuple[SourcePlan, ...] = ()
    """The instruments that are read while recording, and which channel each of their keys feeds."""
    alarms: tuple[Alarm, ...] = ()
    """What a person wants to be told while the test is being recorded."""

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
