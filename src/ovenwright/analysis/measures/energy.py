"""Heat: taken up by the product, and what a reference body felt."""

from __future__ import annotations

import math

import numpy as np

from ovenwright.analysis.declaration import Finding, Measure, Parameter, Values, nothing
from ovenwright.analysis.measures.temperatures import at_end
from ovenwright.analysis.subject import Group, Subject
from ovenwright.analysis.surroundings import (
    BodyHistory,
    biot_number,
    coefficient_within,
    history_of,
)
from ovenwright.analysis.zones import zone_edges
from ovenwright.domain.plan import Product
from ovenwright.domain.results import Unit
from ovenwright.domain.run import Role
from ovenwright.physics.food import Composition, composition_heat_capacity
from ovenwright.physics.water import latent_heat_j_kg

_KILO = 1000.0
_HOTTEST_FOOD_C = 150.0  # where the composition polynomials end


def composition_of(product: Product) -> tuple[Composition, str] | None:
    """Return the mass shares of the product as loaded, and what was assumed; None if unknown.

    What the plan does not name of the dry part is taken as carbohydrate.
    """
    if product.moisture is None:
        return None
    fat, protein, ash = product.fat or 0.0, product.protein or 0.0, product.ash or 0.0
    named = product.moisture + fat + protein + ash
    rest = 1.0 - named if product.carbohydrate is None else product.carbohydrate
    total = named + rest
    if not (total > 0 and rest >= -1e-9):
        return None
    shares = Composition(
        water=product.moisture / total,
        protein=protein / total,
        fat=fat / total,
        carbohydrate=max(rest, 0.0) / total,
        ash=ash / total,
    )
    if product.carbohydrate is None and rest > 0:
        return shares, "the dry part that the plan does not name is taken as carbohydrate"
    if abs(total - 1.0) > 1e-6:
        return shares, f"the shares in the plan add up to {total:.3f} and were scaled to 1"
    return shares, ""


def heat_taken_up(
    *,
    heat_capacity_j_kg_k: float,
    rise_k: float,
    water_lost_share: float = 0.0,
    latent_heat_j_kg: float = 0.0,
    mass_kg: float = 1.0,
) -> float:
    """Return heat in joule: warming the mass as loaded, and evaporating what it lost.

    Source: Q = m c (T_end - T_0) + m_water h_fg, the usual balance of baking. Checked in
    tests/evidence/test_analysis_against_published.py.
    """
    warming = mass_kg * heat_capacity_j_kg_k * rise_k
    return warming + mass_kg * water_lost_share * latent_heat_j_kg


def water_lost(product: Product) -> float | None:
    """Return water evaporated per mass as loaded, the dry mass staying; None when not given."""
    if product.moisture is None or product.end_moisture is None:
        return None
    if not product.end_moisture < 1.0:
        return None
    return max(1.0 - (1.0 - product.moisture) / (1.0 - product.end_moisture), 0.0)


def heat_per_kg(group: Group, values: Values) -> Finding:
    """Heat taken up per kilogram of product as loaded."""
    product = group.plan.product
    found = composition_of(product)
    if found is None:
        return nothing("the plan's product gives no moisture that fits, so no heat capacity")
    shares, assumed = found
    ends = [at_end(s, values) for s in group.with_readings]
    ends = [e for e in ends if math.isfinite(e.value)]
    if not ends:
        return nothing("no channel has a temperature at load-out")
    starts = [float(s.process.temp_c[0]) for s in group.with_readings]
    start = product.start_c if product.start_c is not None else float(np.mean(starts))
    end = float(np.mean([e.value for e in ends]))
    middle = 0.5 * (start + end)
    if not -40.0 <= middle <= _HOTTEST_FOOD_C:
        return nothing(f"no heat capacity is known at {middle:.0f} °C")
    capacity = float(composition_heat_capacity(middle, **shares))
    lost = water_lost(product)
    boiling = group.scene.profile.boiling_c
    latent = float(latent_heat_j_kg(boiling)) if lost else 0.0
    value = heat_taken_up(
        heat_capacity_j_kg_k=capacity,
        rise_k=end - start,
        water_lost_share=lost or 0.0,
        latent_heat_j_kg=latent,
    )
    drawn_end = np.mean(np.stack([e.samples for e in ends]), axis=0)
    samples = value + capacity * (drawn_end - end)
    notes = [n for n in (assumed,) if n]
    if lost is None:
        notes.append("no end_moisture in the plan: evaporation is not counted")
    notes.append("heat capacity by composition; pan, tin and oven are not counted")
    return Finding(
        value / _KILO,
        samples / _KILO,
        rests_on=tuple(r for e in ends for r in e.rests_on),
        notes=tuple(notes),
        sources=("Choi & Okos 1986, heat capacity by composition",),
    )


def _stretch(subject: Subject, values: Values) -> tuple[float, float] | str:
    scene = subject.scene
    number = values.numbers.get("zone")
    if number is None:
        return scene.load_in.at_s, scene.load_out.at_s
    edges = zone_edges(scene)
    if not 1 <= number <= len(edges):
        return f"the oven has {len(edges)} zones, there is no zone {number:g}"
    return edges[int(number) - 1][1], edges[int(number) - 1][2]


def _body(subject: Subject, values: Values) -> tuple[BodyHistory, float, float] | str:
    stretch = _stretch(subject, values)
    if isinstance(stretch, str):
        return stretch
    history = history_of(subject.scene, subject)
    return history if isinstance(history, str) else (history, *stretch)


def surface_coefficient(subject: Subject, values: Values) -> Finding:
    """Surface coefficient that a reference body felt, as a lumped body."""
    felt = _body(subject, values)
    body = subject.channel.body
    if isinstance(felt, str) or body is None:
        return nothing(felt if isinstance(felt, str) else "the channel has no reference body")
    history, from_s, to_s = felt
    h, spread, _, reason = coefficient_within(history, from_s, to_s)
    if math.isnan(h):
        return nothing(reason)
    biot = biot_number(body, h)
    if biot >= 0.1:
        return nothing(
            f"Biot number {biot:.2f} is not below 0.1: the body has not one temperature inside"
        )
    notes = [f"against the air of {history.air}, radiation included"]
    if math.isnan(biot):
        notes.append("conductivity_w_m_k and volume_m3 are not given: Biot number not checked")
    errors, air = subject.errors, subject.scene.subject(history.air).errors
    part = (history.time_s >= from_s) & (history.time_s <= to_s) & np.isfinite(history.air_c)
    at_body, at_air = float(history.temp_c[part].mean()), float(history.air_c[part].mean())
    apart = at_air - at_body
    shift = air.shift_k(np.array([at_air]))[:, 0] - errors.shift_k(np.array([at_body]))[:, 0]
    samples = h / np.maximum(1.0 + shift / apart, 0.05) + errors.noise("coefficient") * spread
    return Finding(h, samples, rests_on=((from_s, to_s),), notes=tuple(notes))


def heat_flux(subject: Subject, values: Values) -> Finding:
    """Mean heat flux into a reference body."""
    felt = _body(subject, values)
    if isinstance(felt, str):
        return nothing(felt)
    history, from_s, to_s = felt
    part = (history.time_s >= from_s) & (history.time_s <= to_s)
    seen = np.flatnonzero(part & np.isfinite(history.slope_k_s))
    if seen.size < 2:
        return nothing("no usable readings in that stretch")
    first, last = seen[0], seen[-1]
    run = float(history.time_s[last] - history.time_s[first])
    ends = history.temp_c[[first, last]]
    value = history.per_slope * float(ends[1] - ends[0]) / run
    shift = subject.errors.shift_k(ends)
    samples = value + history.per_slope * (shift[:, 1] - shift[:, 0]) / run
    if subject.errors.noise_k > 0:
        left = subject.errors.noise_k * math.sqrt(2.0)
        samples = samples + subject.errors.noise("flux") * history.per_slope * left / run
    return Finding(
        value,
        samples,
        rests_on=((from_s, to_s),),
        notes=("net of what the body gives back; not corrected for losses through its mount",),
    )


_ZONE = Parameter(
    name="zone",
    required=False,
    low=1.0,
    help="number of the zone, from 1 at the entry; the whole process when left out",
)

MEASURES = (
    Measure(
        name="heat_per_kg",
        title="Heat taken up per kilogram",
        unit=Unit.KILOJOULE_PER_KG,
        help=(
            "Heat to warm the product as loaded to its mean end temperature, and to evaporate the "
            "water it lost, per kilogram as loaded. Not the fuel of the oven: that is several "
            "times as much."
        ),
        inputs="end temperatures of core channels; moisture, end_moisture, start_c of the product",
        missing="Channels without a temperature at load-out are left out of the mean.",
        of_group=heat_per_kg,
        roles=(Role.CORE,),
        source="Choi & Okos 1986 (ASHRAE Refrigeration Handbook 2006, ch. 9); IAPWS-IF97",
    ),
    Measure(
        name="surface_coefficient",
        title="Surface coefficient",
        unit=Unit.WATT_PER_M2_K,
        help=(
            "Heat transfer coefficient on a reference body, radiation included, from how fast the "
            "air warms it: m c dT/dt = h A (T_air - T). Not evaluated when the body's Biot number "
            "is 0.1 or more."
        ),
        inputs="readings of a channel with a body, and of an air channel near it",
        missing="Instants at which body or air have no reading are left out.",
        parameters=(_ZONE,),
        of_channel=surface_coefficient,
        roles=(Role.BODY,),
        source="lumped-capacitance method (Holman; Incropera & DeWitt)",
        lowest=0.0,
    ),
    Measure(
        name="heat_flux",
        title="Mean heat flux into a reference body",
        unit=Unit.WATT_PER_M2,
        help="Heat capacity of the body times its rise over time and area: m c dT/dt / A.",
        inputs="readings of a channel with a body",
        missing="Taken between the first and last usable reading of the stretch.",
        parameters=(_ZONE,),
        of_channel=heat_flux,
        roles=(Role.BODY,),
        source="slug method, ASTM E457",
    ),
)
