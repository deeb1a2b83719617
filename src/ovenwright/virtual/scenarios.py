"""Ready scenarios. Every name, number and plant in them is invented."""

from __future__ import annotations

import math
from dataclasses import replace

from ovenwright.virtual.body import BodySpec
from ovenwright.virtual.chamber import ChamberSpec, DoorOpening, nine_points
from ovenwright.virtual.face import Tin
from ovenwright.virtual.faults import Dropout, FailingJunction, Fault
from ovenwright.virtual.grid import Section
from ovenwright.virtual.instrument import stream
from ovenwright.virtual.lumps import PlateSpec
from ovenwright.virtual.material import crumb
from ovenwright.virtual.scenario import ModuleSpec, Scenario, SensorSpec
from ovenwright.virtual.touching import BenchSpec, Touch
from ovenwright.virtual.tunnel import TunnelSpec, WeakBurner, ZoneSpec

LOAF_KG = 0.8
_LOAF_HALF_M, _LOAF_HEIGHT_M, _LOAF_LENGTH_M = 0.046, 0.078, 0.18


def rye_tin_loaf(*, start_c: float = 29.0, fine: bool = True) -> BodySpec:
    """Return an 800 g rye loaf in its tin; ``fine`` False is the quick grid."""
    volume = 2.0 * _LOAF_HALF_M * _LOAF_HEIGHT_M * _LOAF_LENGTH_M
    cells = (20, 16) if fine else (12, 10)
    section = Section(
        "long", _LOAF_HALF_M, _LOAF_HEIGHT_M, _LOAF_LENGTH_M, cells[0], cells[1],
        finest_m=1e-3 if fine else 1.5e-3,
    )  # fmt: skip
    return BodySpec(
        section,
        crumb(density=LOAF_KG / volume, moisture=0.45, k_vapour=1.7),
        start_c,
        side="tin",
        bottom="tin",
        tin=Tin(mass_kg=0.42, side_exposure=0.85),
    )


def ostrel_tunnel(
    *,
    bake_min: float = 34.0,
    weak_share: float = 0.2,
    shift_k: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
) -> TunnelSpec:
    """Return oven 3 of Ostrel Bakehouse: four zones, 24 m; zone 3's right burner is weak.

    ``weak_share`` 1 gives it its full power. ``shift_k`` moves the setpoints.
    """
    settings = ((205.0, 16.0), (230.0, 14.0), (240.0, 9.0), (225.0, 7.0))
    zones = tuple(
        ZoneSpec(
            name=f"zone {i + 1}",
            length_m=6.0,
            setpoint_c=setpoint + shift,
            burner_w=26_000.0,
            convection_w_m2_k=18.0,
            vapour_kpa=vapour,
        )
        for i, ((setpoint, vapour), shift) in enumerate(zip(settings, shift_k, strict=True))
    )
    weak = () if weak_share >= 1.0 else (WeakBurner("zone 3", "right", weak_share),)
    return TunnelSpec("oven 3", zones, belt_speed_m_min=24.0 / bake_min, weak=weak)


def ostrel_sensors() -> tuple[SensorSpec, ...]:
    """Return the eight channels of the tin bread test, all sound."""

    def core(lane: str) -> SensorSpec:
        return SensorSpec(f"core {lane}", "core", lane=lane, time_constant_s=4.0)

    def surface(lane: str) -> SensorSpec:
        return SensorSpec(f"surface {lane}", "surface", lane=lane, r_m=0.015, time_constant_s=2.0)

    def air(lane: str) -> SensorSpec:
        return SensorSpec(f"air {lane}", "air", lane=lane, time_constant_s=8.0)

    return (
        core("left"),
        core("centre"),
        core("right"),
        surface("left"),
        surface("right"),
        air("left"),
        air("right"),
        SensorSpec("reference body", "body", time_constant_s=2.0),
    )


def ostrel_tin_bread(
    *,
    weak_share: float = 0.2,
    wrong_type: str | None = "core left",
    dropout: str | None = "surface right",
    dropout_from_s: float = 1500.0,
    dropout_for_s: float = 40.0,
    faults: tuple[Fault, ...] = (),
    interval_s: float = 2.0,
    fine: bool = True,
) -> Scenario:
    """Return the demo: rye tin loaves through oven 3 of Ostrel Bakehouse.

    Three things are wrong unless switched off: zone 3's right burner is weak (``weak_share`` 1 to
    mend it), one probe is type K wire set up as T (``wrong_type`` None), one channel falls silent
    for 40 s (``dropout`` None). ``faults`` adds others; ``fine`` False is the quick grid.
    """
    sensors = tuple(
        replace(s, wire="K", set_as="T") if s.name == wrong_type else s for s in ostrel_sensors()
    )
    if dropout is not None:
        faults = (Dropout(dropout, dropout_from_s, dropout_for_s), *faults)
    return Scenario(
        title="Rye tin bread, oven 3",
        oven=ostrel_tunnel(weak_share=weak_share),
        sensors=sensors,
        product=rye_tin_loaf(fine=fine),
        modules=(ModuleSpec("gateway", start_c=25.0, rise_k=3.0),),
        faults=faults,
        pressure_kpa=100.4,
        interval_s=interval_s,
        step_s=min(2.0, interval_s),
        product_step_s=2.0 if fine else 4.0,
        start="2026-03-03T04:42:00+00:00",
        time_zone="Europe/Riga",
        site="Ostrel Bakehouse",
        product_name="rye tin loaf 800 g",
    )


def ostrel_chamber(
    setpoint_c: float = 200.0, *, preheated: bool = True, doors: tuple[DoorOpening, ...] = ()
) -> ChamberSpec:
    """Return the batch oven of the Ostrel coatings room, with corners and centre as its points."""
    return ChamberSpec(
        "coatings batch oven", setpoint_c, points=nine_points(), preheated=preheated, doors=doors
    )


def ostrel_coatings_survey(
    *,
    door: bool = True,
    failing: str | None = None,
    failing_from_s: float = 4200.0,
    setpoint_c: float = 200.0,
    interval_s: float = 5.0,
    faults: tuple[Fault, ...] = (),
) -> Scenario:
    """Return the empty survey of the Ostrel coatings room's batch oven, nine type K sensors.

    It heats from cold, soaks, has its door opened for a minute (``door``) and recovers;
    ``failing`` names a channel whose junction lets go.
    """
    points = nine_points()
    sensors = tuple(
        SensorSpec(
            f"P{i + 1} {p.name}", "air", point=p.name, wire="K", time_constant_s=6.0,
            tolerance="IEC 60584-1 class 1", module="block A",
        )
        for i, p in enumerate(points)
    )  # fmt: skip
    if failing is not None:
        faults = (FailingJunction(failing, failing_from_s), *faults)
    return Scenario(
        title="Chamber uniformity survey, batch oven",
        oven=ostrel_chamber(
            setpoint_c, preheated=False, doors=(DoorOpening(5400.0, 60.0),) if door else ()
        ),
        sensors=sensors,
        modules=(ModuleSpec("block A", start_c=24.5, rise_k=2.0),),
        faults=faults,
        lead_s=120.0,
        stay_s=7080.0,
        tail_s=300.0,
        interval_s=interval_s,
        step_s=interval_s / math.ceil(interval_s / 2.5),
        product_step_s=interval_s,
        start="2026-03-10T12:15:00+00:00",
        time_zone="Europe/Riga",
        site="Ostrel coatings room",
    )


def ostrel_bracket_cure(
    *,
    setpoint_c: float = 205.0,
    cure_min: float = 25.0,
    interval_s: float = 2.0,
    faults: tuple[Fault, ...] = (),
) -> Scenario:
    """Return coated steel brackets cured in the Ostrel coatings room's batch oven.

    Each bracket has a thick flange and a thin web; sensors sit on both, beside two in the air.
    """
    thick, thin = 0, 4

    def on(point: str, piece: int, what: str) -> SensorSpec:
        return SensorSpec(
            f"{what} {point}", "surface", point=point, piece=piece, wire="K", time_constant_s=2.0,
            module="block A",
        )  # fmt: skip

    sensors = (
        on("centre", thick, "flange"),
        on("centre", thin, "web"),
        on("front left low", thick, "flange"),
        on("front left low", thin, "web"),
        on("back right high", thick, "flange"),
        on("back right high", thin, "web"),
        SensorSpec("air centre", "air", wire="K", time_constant_s=6.0, module="block A"),
        SensorSpec(
            "air front left low", "air", point="front left low", wire="K", time_constant_s=6.0,
            module="block A",
        ),
    )  # fmt: skip
    lead_s = 180.0
    return Scenario(
        title="Cure of steel brackets, batch oven",
        oven=ostrel_chamber(setpoint_c, doors=(DoorOpening(lead_s - 10.0, 40.0),)),
        sensors=sensors,
        product=PlateSpec((0.006, 0.006, 0.003, 0.003, 0.003)),
        modules=(ModuleSpec("block A", start_c=24.5, rise_k=2.0),),
        faults=faults,
        lead_s=lead_s,
        stay_s=cure_min * 60.0,
        tail_s=420.0,
        interval_s=interval_s,
        step_s=min(2.0, interval_s),
        product_step_s=min(2.0, interval_s),
        start="2026-03-11T07:05:00+00:00",
        time_zone="Europe/Riga",
        site="Ostrel coatings room",
        product_name="steel bracket",
    )


def touch_bench(
    *, faults: tuple[Fault, ...] = (), interval_s: float = 0.25, pause_s: float = 12.0
) -> Scenario:
    """Return four sensors side by side on a bench, warmed one after another.

    They rest for 20 s, then each is held for 6 s in the order of the channels and left alone for
    ``pause_s``. No two are equally fast.
    """
    rest_s, held_s = 20.0, 6.0
    slow = {"left": 1.6, "middle": 2.4, "right": 3.2, "spare": 2.0}
    sensors = tuple(
        SensorSpec(
            name, "ambient", wire="K", time_constant_s=tau, noise_k=0.04, resolution_k=0.01,
            module="bench",
        )
        for name, tau in slow.items()
    )  # fmt: skip
    each_s = held_s + pause_s
    touches = tuple(
        Touch(name, rest_s + each_s * k, rest_s + each_s * k + held_s)
        for k, name in enumerate(slow)
    )
    return Scenario(
        title="Touch check on a bench",
        oven=BenchSpec(touches),
        sensors=sensors,
        modules=(ModuleSpec("bench", start_c=22.4, rise_k=0.3),),
        faults=faults,
        lead_s=rest_s,
        stay_s=touches[-1].to_s - rest_s,
        tail_s=40.0,
        interval_s=interval_s,
        step_s=interval_s,
        product_step_s=interval_s,
        start="2026-03-02T12:30:00+00:00",
        time_zone="Europe/Riga",
        site="Ostrel Bakehouse",
    )


def bath_bench(bath: str, *, interval_s: float = 0.25, hangs_s: float = 300.0) -> Scenario:
    """Return four sensors that hang in a bath: melting ice ("ice") or boiling water ("boiling").

    Their class errors are fixed, no two alike, so that each wants a correction of its own; air
    pressure is that of a day of low pressure, at which water boils well below 100 °C.
    """
    errors = {"left": (0.8, 0.1), "middle": (-0.7, 0.2), "right": (0.1, -0.6), "spare": (0.4, 0.5)}
    sensors = tuple(
        SensorSpec(
            name, "ambient", wire="K", time_constant_s=2.0, noise_k=0.04, resolution_k=0.01,
            module="bench", class_error=error,
        )
        for name, error in errors.items()
    )  # fmt: skip
    return Scenario(
        title=f"Four sensors in {'melting ice' if bath == 'ice' else 'boiling water'}",
        oven=BenchSpec((), bath=bath, draught_k=0.02),
        sensors=sensors,
        modules=(ModuleSpec("bench", start_c=22.4, rise_k=0.3),),
        pressure_kpa=98.2,
        lead_s=0.0,
        stay_s=hangs_s,
        tail_s=0.0,
        interval_s=interval_s,
        step_s=interval_s,
        product_step_s=interval_s,
        start="2026-03-02T13:10:00+00:00",
        time_zone="Europe/Riga",
        site="Ostrel Bakehouse",
    )


def random_scenario(seed: int, *, sound: bool = True) -> Scenario:
    """Return a tin-bread test with everything a little different, for studies of coverage.

    Belt speed, setpoints, start temperature, weather, time constants, noise, resolution and
    reference-junction error are drawn; class errors are drawn within tolerance when it is run.
    The quick grid is used. With ``sound`` False a wrong type, a weak burner and a dropout are
    drawn too.
    """
    rng = stream(seed, "scenario")
    shift = float(rng.uniform(-10.0, 10.0))
    shifts = tuple(shift + float(rng.uniform(-5.0, 5.0)) for _ in range(4))
    base = ostrel_tin_bread(
        weak_share=float(rng.uniform(0.25, 0.6)) if not sound else 1.0,
        wrong_type=str(rng.choice(["core left", "core centre"])) if not sound else None,
        dropout=str(rng.choice(["surface left", "surface right"])) if not sound else None,
        dropout_from_s=float(rng.uniform(600.0, 2000.0)),
        fine=False,
    )
    weak = 1.0 if sound else float(rng.uniform(0.25, 0.6))
    noise = float(rng.uniform(0.02, 0.15))
    resolution = float(rng.choice([0.01, 0.1, 0.1, 0.5]))
    sensors = tuple(
        replace(
            s,
            time_constant_s=s.time_constant_s * float(rng.uniform(0.5, 1.5)),
            noise_k=noise,
            resolution_k=resolution,
        )
        for s in base.sensors
    )
    return replace(
        base,
        title=f"Tin bread, draw {seed}",
        oven=ostrel_tunnel(
            bake_min=float(rng.uniform(32.0, 38.0)),
            weak_share=weak,
            shift_k=(shifts[0], shifts[1], shifts[2], shifts[3]),
        ),
        product=rye_tin_loaf(start_c=float(rng.uniform(27.0, 31.0)), fine=False),
        sensors=sensors,
        modules=(
            ModuleSpec(
                "gateway",
                start_c=float(rng.uniform(22.0, 28.0)),
                rise_k=float(rng.uniform(0.0, 6.0)),
                accuracy_k=0.3,
            ),
        ),
        pressure_kpa=float(rng.uniform(96.0, 103.0)),
    )


def random_survey(seed: int) -> Scenario:
    """Return an empty chamber survey with oven and sensors a little different each time."""
    rng = stream(seed, "survey")
    setpoint_c = float(rng.uniform(150.0, 230.0))
    doors = (DoorOpening(5400.0, float(rng.uniform(20.0, 90.0))),) if rng.integers(2) else ()
    base = ostrel_coatings_survey(setpoint_c=setpoint_c)
    oven = replace(
        ostrel_chamber(setpoint_c, preheated=False, doors=doors),
        fan=float(rng.uniform(0.3, 1.0)),
        stratification_k=float(rng.uniform(2.0, 10.0)),
        dead_band_k=float(rng.uniform(0.8, 3.0)),
        ambient_c=float(rng.uniform(18.0, 28.0)),
    )
    slow, noise = float(rng.uniform(2.0, 12.0)), float(rng.uniform(0.02, 0.15))
    return replace(
        base,
        title=f"Chamber survey, draw {seed}",
        oven=oven,
        sensors=tuple(replace(s, time_constant_s=slow, noise_k=noise) for s in base.sensors),
        modules=(ModuleSpec("block A", start_c=oven.ambient_c + 0.5, rise_k=2.0),),
    )
