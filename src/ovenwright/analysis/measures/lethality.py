"""Log reduction, equivalent time, pasteurisation units, extent of a reaction, dwell tables."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from ovenwright.analysis.curve import Curve
from ovenwright.analysis.declaration import Finding, Kind, Measure, Parameter, Values, nothing
from ovenwright.analysis.extremes import find_highest
from ovenwright.analysis.holes import could_add_time, stretch_words, time_unseen
from ovenwright.analysis.levels import longest_stretch
from ovenwright.analysis.measures.durations import longest_draws
from ovenwright.analysis.measures.temperatures import UNTIL, curve_of
from ovenwright.analysis.subject import Subject
from ovenwright.analysis.work import Arrhenius, Bigelow, Rate, Work, add_up
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import DwellRow, Kinetics, Model
from ovenwright.domain.results import Unit
from ovenwright.domain.run import Role

_MINUTE = 60.0
_FAR = 0.05  # share of the work beyond the measured range that is worth a word


def law_of(values: Values) -> Rate:
    """Return the rate that a requirement's parameters name."""
    kinetics = values.kinetics
    if kinetics is None:
        return Bigelow(values.number("reference_c"), values.number("z_k"))
    if kinetics.model is Model.ARRHENIUS:
        return Arrhenius(_known(kinetics.k0_per_s), _known(kinetics.activation_j_mol))
    return Bigelow(_known(kinetics.reference_c), _known(kinetics.z_k))


def work_of(subject: Subject, curve: Curve, values: Values) -> Work:
    """Return what the rate adds up to, with the budget and the uncertain ends in its draws."""
    law = law_of(values)
    work = add_up(curve, law, subject.errors)
    edge = subject.edge_effect(
        curve, law.rate_at(float(curve.temp_c[0])), law.rate_at(float(curve.temp_c[-1]))
    )
    return replace(work, draws=np.maximum(work.draws + edge, 0.0))


def _known(number: float | None) -> float:
    return math.nan if number is None else number


def _assemble(
    subject: Subject, values: Values, work: Work, value: float, samples: FloatArray
) -> Finding:
    curve = curve_of(subject, values)
    kinetics = values.kinetics
    higher = ""
    notes: list[str] = []
    if curve.holes and work.hidden_matters:
        worst = max(curve.holes, key=lambda h: h.high_c)
        higher = (
            f"no usable readings for {time_unseen(curve.holes):.0f} s (from "
            f"{stretch_words(worst)}), work that is not counted"
        )
    elif curve.holes:
        notes.append("gaps in the readings could add less than a thousandth of it")
    if kinetics is not None:
        notes.extend(_beyond(work, kinetics))
    lag = subject.errors.lag_s
    if lag > 0 and work.total > 0 and len(curve) > 1 and curve.to_s < subject.scene.end_s:
        law = law_of(values)
        late = law.rate_at(float(curve.temp_c[-1])) * lag / work.total
        if late > 0.01:
            notes.append(
                f"a sensor that lags by {lag:g} s leaves out up to {100 * late:.1f} % earned "
                "just before the end; the value errs low by that"
            )
    return Finding(
        value,
        samples,
        rests_on=(work.rests_on or (curve.from_s, curve.to_s),),
        higher=higher,
        notes=tuple(notes),
        sources=() if kinetics is None else (f"{kinetics.source} ({kinetics.evidence.value})",),
    )


def _beyond(work: Work, kinetics: Kinetics) -> list[str]:
    share = work.share_above(kinetics.valid_c[1])
    if share <= _FAR:
        return []
    return [
        f"{100 * share:.0f} % of it is earned above {kinetics.valid_c[1]:g} °C, beyond the range "
        "the kinetics were measured over: an extrapolation"
    ]


def equivalent(subject: Subject, values: Values) -> Finding:
    """Time at the reference temperature that would do the same work."""
    curve = curve_of(subject, values)
    if len(curve) < 2:
        return nothing("no usable readings between load-in and load-out")
    work = work_of(subject, curve, values)
    return _assemble(subject, values, work, work.total, work.draws)


def units(subject: Subject, values: Values) -> Finding:
    """Pasteurisation units: minutes at the reference temperature."""
    curve = curve_of(subject, values)
    if len(curve) < 2:
        return nothing("no usable readings between load-in and load-out")
    work = work_of(subject, curve, values)
    return _assemble(subject, values, work, work.total / _MINUTE, work.draws / _MINUTE)


def reduction_of(kinetics: Kinetics, equivalent_s: FloatArray) -> FloatArray:
    """Return log10 reductions that equivalent times at the reference temperature bring."""
    if kinetics.model is Model.WEIBULL:
        share = np.maximum(equivalent_s, 0.0) / _known(kinetics.delta_s)
        return np.asarray(np.power(share, _known(kinetics.p)))
    return np.asarray(equivalent_s / _known(kinetics.d_s))


def log_reduction(subject: Subject, values: Values) -> Finding:
    """Decimal reductions of an organism."""
    curve = curve_of(subject, values)
    kinetics = values.kinetics
    if len(curve) < 2 or kinetics is None:
        return nothing("no usable readings between load-in and load-out")
    work = work_of(subject, curve, values)
    value = float(reduction_of(kinetics, np.array([work.total]))[0])
    return _assemble(subject, values, work, value, reduction_of(kinetics, work.draws))


def extent(subject: Subject, values: Values) -> Finding:
    """Share of a first-order reaction that is done."""
    curve = curve_of(subject, values)
    if len(curve) < 2:
        return nothing("no usable readings between load-in and load-out")
    work = work_of(subject, curve, values)
    return _assemble(subject, values, work, -math.expm1(-work.total), -np.expm1(-work.draws))


def dwell_share(subject: Subject, values: Values) -> Finding:
    """Best row of a time-temperature table: time held over time asked."""
    curve = curve_of(subject, values)
    table = values.table
    if len(curve) < 2 or table is None:
        return nothing("no usable readings between load-in and load-out")
    errors = subject.errors
    top = float(curve.temp_c[curve.top])
    reachable = [r for r in table.rows if r.temp_c <= top + 6.0 * errors.standard_k(top) + 1.0]
    held = [_held(curve, r, top) for r in reachable]
    value = max((share for share, _ in held), default=0.0)
    which = next((i for i, (share, _) in enumerate(held) if share == value), 0)
    start = held[which][1] if held else None
    # a reading that noise alone lifts over a row earns nothing, however short the row's time is
    highest = find_highest(curve, errors)
    samples = np.zeros(errors.count)
    for i, (share, _) in enumerate(held):
        # rows far from being met can't decide any draw; a met one can, where the best row fails
        if share < 0.5 * min(value, 1.0) and i != len(held) - 1:
            continue
        row = reachable[i]
        drawn = (highest.draws_c >= row.temp_c).astype(np.float64)
        if row.time_s > 0:
            drawn *= longest_draws(curve, subject, row.temp_c)[2] / row.time_s
        samples = np.maximum(samples, drawn)
    row = table.rows[which]
    asked = f"{row.time_s:g} s at {row.temp_c:g} °C" if row.time_s > 0 else f"{row.temp_c:g} °C"
    notes = (
        (f"the row that counts asks {asked}",)
        if value > 0
        else (f"never as hot as the first row, {table.rows[0].temp_c:g} °C",)
    )
    return Finding(
        value,
        samples,
        at_s=start,
        rests_on=((curve.from_s, curve.to_s),),
        higher=could_add_time(curve, table.rows[0].temp_c),
        notes=notes,
        sources=(f"{table.source} ({table.evidence.value})",),
    )


def _held(curve: Curve, row: DwellRow, top_c: float) -> tuple[float, float | None]:
    """Return time held over time asked, and since when; reaching is enough where none is asked."""
    if row.time_s <= 0:
        return float(top_c >= row.temp_c), None
    best = longest_stretch(curve.focused(row.temp_c, row.temp_c), row.temp_c)
    return best.length_s / row.time_s, None if math.isnan(best.from_s) else best.from_s


def needs_z(values: Values) -> str:
    """Say what is wrong with kinetics that can't follow a changing temperature."""
    kinetics = values.kinetics
    if kinetics is not None and not kinetics.integrable:
        return (
            f"kinetics {kinetics.id!r} have no z value: they hold at {kinetics.reference_c:g} °C "
            "alone and can't follow a changing temperature"
        )
    if kinetics is None and not {"reference_c", "z_k"} <= set(values.numbers):
        return "give kinetics, or both reference_c and z_k"
    return ""


def _kinetics(models: tuple[Model, ...], *, required: bool = True) -> Parameter:
    return Parameter(
        name="kinetics",
        kind=Kind.KINETICS,
        required=required,
        models=models,
        help="id of the kinetics, from the reference data or a file of your own",
    )


_NO_PRODUCT = (Role.AIR, Role.WALL, Role.BODY, Role.AMBIENT)
_LETHAL = (Model.BIGELOW, Model.WEIBULL)
_MISSING = (
    "Gaps add nothing, so the value is a lower bound: an at_least limit that it meets is met. The "
    "most a gap could add is worked out from the steepest change near it; below a thousandth of "
    "the total it is only noted."
)
_CAUTION = "The kinetics must be validated for the product; wet kinetics overstate a dry place."

MEASURES = (
    Measure(
        name="log_reduction",
        title="Log reduction",
        unit=Unit.LOG10,
        help=(
            "Decimal reductions of an organism between load-in and load-out, by its D and z "
            "(Bigelow) or Weibull form in state form. " + _CAUTION
        ),
        inputs="readings of the channel, kinetics",
        missing=_MISSING,
        parameters=(_kinetics(_LETHAL), UNTIL),
        of_channel=log_reduction,
        roles=(Role.CORE,),
        never=_NO_PRODUCT,
        check=needs_z,
        lowest=0.0,
        source="Bigelow's method; Mafart et al. 2002 for the Weibull form (from memory)",
    ),
    Measure(
        name="equivalent_time",
        title="Equivalent time at a reference temperature",
        unit=Unit.SECOND,
        help=(
            "Seconds at the reference temperature that would do the same work: F0, cook value and "
            "the like. The rate is integrated exactly along the straight lines between readings."
        ),
        inputs="readings of the channel, kinetics or reference_c and z_k",
        missing=_MISSING,
        parameters=(
            _kinetics((Model.BIGELOW, Model.WEIBULL, Model.EQUIVALENT_TIME), required=False),
            Parameter(
                name="reference_c",
                unit=Unit.CELSIUS,
                required=False,
                low=-273.15,
                help="reference temperature, when no kinetics are named",
            ),
            Parameter(
                name="z_k",
                unit=Unit.KELVIN,
                required=False,
                low=0.0,
                above_low=True,
                help="the rise that makes the rate ten times faster, when no kinetics are named",
            ),
            UNTIL,
        ),
        of_channel=equivalent,
        roles=(Role.CORE,),
        check=needs_z,
        lowest=0.0,
        source="F = integral of 10^((T - Tref)/z) dt",
    ),
    Measure(
        name="pasteurisation_units",
        title="Pasteurisation units",
        unit=Unit.PASTEURISATION_UNIT,
        help="Minutes at 60 °C that would do the same work, the rate rising 1.393 times a kelvin.",
        inputs="readings of the channel, kinetics",
        missing=_MISSING,
        parameters=(
            Parameter(
                name="kinetics",
                kind=Kind.KINETICS,
                required=False,
                default="pu_beer",
                models=(Model.EQUIVALENT_TIME, Model.BIGELOW),
                help="id of the kinetics, when not those of beer",
            ),
            UNTIL,
        ),
        of_channel=units,
        roles=(Role.CORE,),
        never=_NO_PRODUCT,
        check=needs_z,
        lowest=0.0,
        source="Del Vecchio, Dayharsh & Baselt 1951 (factor 1.393 a kelvin, that is z 6.947 K)",
    ),
    Measure(
        name="extent",
        title="Extent of a reaction",
        unit=Unit.ONE,
        help=(
            "Share of a first-order reaction that is done, such as starch swelling or crust "
            "colour: 1 - exp(-integral of k dt), k by Arrhenius."
        ),
        inputs="readings of the channel, kinetics",
        missing=_MISSING,
        parameters=(_kinetics((Model.ARRHENIUS,)), UNTIL),
        of_channel=extent,
        never=_NO_PRODUCT,
        lowest=0.0,
        highest=1.0,
        source="first-order Arrhenius law, as in Zanoni, Peri & Bruno 1995",
    ),
    Measure(
        name="dwell_share",
        title="Time held over time asked by a table",
        unit=Unit.ONE,
        help=(
            "For each row of a time-temperature table the longest unbroken stretch at or above its "
            "temperature, over the time it asks; the best row counts, nothing is read between rows. "
            "1 or more complies. A row that asks no time counts as 1 once reached."
        ),
        inputs="readings of the channel, table",
        missing=(
            "A gap breaks a stretch and counts nothing, so the value is a lower bound: an at_least "
            "limit that it meets is met."
        ),
        parameters=(
            Parameter(
                name="table",
                kind=Kind.TABLE,
                help="id of the time-temperature table, from the reference data",
            ),
            UNTIL,
        ),
        of_channel=dwell_share,
        roles=(Role.CORE,),
        lowest=0.0,
        source="the table's own",
    ),
)
