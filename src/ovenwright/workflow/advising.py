"""Advise on a run: lay it out, fit its cores, look for settings, and say what is not known."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.domain.profile import Profile
from ovenwright.domain.results import Results
from ovenwright.domain.run import Role
from ovenwright.errors import OutOfRange, TooLittleData, UsageError
from ovenwright.modelling.advising import Advice, Adviser, Choice, advise
from ovenwright.modelling.foretelling import POINTS, Bake, CorePlace, Foreteller
from ovenwright.modelling.knobs import draw_response, knobs_of
from ovenwright.modelling.product_record import whole_fit
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.explaining import places
from ovenwright.workflow.judging import plan_for, results_of
from ovenwright.workflow.laying_out import Wanted, kind_of, prior_of

CAUTION = (
    "Advice is a forecast of a bake nobody has seen. A changed process must be validated: run it, "
    "record it and judge it before any of it is sold. Requirements of food safety were never traded "
    "for time or energy; they rest on the kinetics named in the plan, which must hold for the product. "
    "Change settings within what the oven's maker and your gas and fire rules allow; this tool "
    "touches no oven."
)
_MEMBERS = 50
_PRIOR = 3000


@dataclass(frozen=True, slots=True)
class Limits:
    """How far knobs may be turned either way; 0 keeps one as it is."""

    setpoint_k: float = 20.0
    bake_share: float = 0.2
    start_k: float = 0.0
    confidence: float | None = None

    def __post_init__(self) -> None:
        for name, value, most in (
            ("--setpoint-by", self.setpoint_k, 100.0),
            ("--time-by", self.bake_share, 0.6),
            ("--start-by", self.start_k, 40.0),
        ):
            if not 0.0 <= value <= most:
                raise OutOfRange(name, got=value, expected=f"0 to {most:g}")
        if self.confidence is not None and not 0.5 <= self.confidence <= 0.99:
            raise OutOfRange("--sure", got=self.confidence, expected="0.5 to 0.99")


@dataclass(frozen=True, slots=True)
class Advised:
    """Advice on a run, and on what it rests."""

    run_id: str
    advice: Advice
    rests_on: tuple[str, ...]
    not_told: tuple[str, ...]
    words: tuple[str, ...]

    def facts(self) -> dict[str, Any]:
        """Return plain data for machines."""
        a = self.advice
        return {
            "run": self.run_id,
            "knobs": [
                {"name": k.name, "unit": k.unit, "now": k.now, "low": k.low, "high": k.high}
                for k in a.knobs
            ],
            "now": _choice_facts(a.now, a),
            "choices": [_choice_facts(c, a) for c in a.choices],
            "nearest": None if a.best_try is None else _choice_facts(a.best_try, a),
            "beyond_the_limits": list(a.beyond),
            "not_foretold": list(a.not_foretold),
            "words": list(self.words),
            "rests_on": list(self.rests_on),
            "not_told": list(self.not_told),
            "caution": CAUTION,
        }


def _choice_facts(c: Choice, a: Advice) -> dict[str, Any]:
    return {
        "aim": c.aim,
        "settings": {k.name: round(v, 3) for k, v in zip(a.knobs, c.values, strict=True)},
        "bake_s": round(c.bake_s, 1),
        "requirements": [
            {
                "name": f.requirement.name,
                "safety": f.requirement.safety,
                "median": f.value[1],
                "interval_90": [f.value[0], f.value[2]],
                "share_met": round(f.share_met, 3),
            }
            for f in c.foreseen
        ],
        "share_all_met": round(c.together, 3),
        "heat_kj_m2": list(c.heat_kj_m2),
        "vapour_kg_m2": list(c.vapour_kg_m2),
        "colour_difference": None if c.colour is None else list(c.colour),
    }


def advise_run(
    logbook: Logbook,
    library: ReferenceLibrary,
    run_ref: str,
    wanted: Wanted,
    limits: Limits,
) -> Advised:
    """Look for settings with which a bake like this run would meet every requirement.

    Raises
    ------
    UsageError : without plan, requirements, or anything to turn
    TooLittleData : if no core can be fitted, or load-in and load-out are not known
    """
    run = logbook.open(run_ref)
    plan, _ = plan_for(run, None, library)
    if not plan.requirements:
        raise UsageError(
            "the plan asks for nothing, so nothing can be met",
            where=run.id,
            remedy="add requirements to the plan",
        )
    bake = _bake(run.id, results_of(run, plan, library), plan)
    found, out = places(run, library, wanted)
    cores, rests = [], []
    kind = kind_of(plan, wanted.kind)
    prior = prior_of(kind, replace(wanted, members=_PRIOR), dry_only=False)
    in_profile = set(bake.profile.names)
    start_s = bake.profile.time_s[0]
    for place in found:
        name = place.heating.cores[0].name
        if name not in in_profile:
            continue
        fitted = whole_fit(place.heating, prior, seed=wanted.seed)
        if name not in fitted.channels:
            out[name] = fitted.refused[name]
            continue
        around = place.heating.around
        felt = np.interp(start_s + bake.share * bake.bake_s, around.time_s, around.temp_c)
        first = float(bake.profile.temp_c[0, bake.profile.names.index(name)])
        cores.append(CorePlace(name, fitted.channels[name].ensemble, felt, first))
    if not cores:
        reasons = "; ".join(f"{n}: {w}" for n, w in out.items()) or "none is sound"
        raise TooLittleData(f"no core can be fitted ({reasons})", where=run.id)
    boiling = found[0].heating.boiling_c
    bake = replace(bake, cores=tuple(cores), boiling_c=boiling)
    knobs = knobs_of(
        plan,
        bake_s=bake.bake_s,
        start_c=float(np.mean([c.start_c for c in cores])),
        setpoint_k=limits.setpoint_k,
        bake_share=limits.bake_share,
        start_k=limits.start_k,
    )
    response = draw_response(_MEMBERS, rng=np.random.default_rng(wanted.seed))
    adviser = Adviser(
        Foreteller(bake, response, seed=wanted.seed),
        knobs,
        library,
        confidence=limits.confidence or plan.decision.confidence,
    )
    if not adviser.requirements:
        raise UsageError(
            "no requirement of the plan can be foretold: " + "; ".join(adviser.not_foretold),
            where=run.id,
        )
    advice = advise(adviser, seed=wanted.seed)
    rests += [
        "surroundings follow a setpoint one to one, give or take 15 % (one standard deviation), and "
        "15 to 25 % of a change goes to each neighbouring zone instead (common practice, no source)",
        "from run to run the surroundings differ by 1.5 K anyway (common practice, no source)",
        "cores by the half of the fitted bodies that come nearest to the readings by themselves",
        "surfaces keep their share of the way from start to surroundings",
        "requirements are worked out by the same measures as a judged run, on foretold readings",
        f"kind of body: {kind}" if kind != "any" else "kind of body not known",
        *(f"{n} is not foretold: {w}" for n, w in out.items()),
    ]
    not_told = (
        "what a burner, fan or damper can do: limits of the oven's own",
        "how the load on the belt, moisture of the air and proof of the dough change with it",
        "taste, crumb and everything no requirement asks for",
        "what happens after load-out",
    )
    return Advised(run.id, advice, tuple(rests), not_told, in_words(advice))


def _bake(run_id: str, results: Results, plan: Plan) -> Bake:
    """Lay the run out along its way through the oven."""
    profile = results.profile
    bake_s = results.load_out.at_s - results.load_in.at_s
    if not bake_s > 60.0:
        raise TooLittleData(
            "load-in and load-out are not known, so there is no bake to change",
            where=run_id,
            remedy="give recording.load_in_s and load_out_s in the plan, or set marks",
        )
    share = np.linspace(0.0, 1.0, POINTS)
    at = results.load_in.at_s + share * bake_s
    kept, rows = [], []
    for c in range(len(profile.channels)):
        sound = np.isfinite(profile.temp_c[:, c])
        inside = (profile.time_s >= at[0]) & (profile.time_s <= at[-1])
        # a channel with holes over more than a fifth of the bake is not foretold
        if sound[inside].sum() > 0.8 * inside.sum() and inside.sum() > 10:
            kept.append(c)
            rows.append(np.interp(at, profile.time_s[sound], profile.temp_c[sound, c]))
    if not kept:
        raise TooLittleData("no channel is sound over the bake", where=run_id)
    short = _some(profile, kept, np.stack(rows, axis=1), at)
    if isinstance(plan.oven, TunnelOven):
        edges = np.cumsum([0.0, *(z.length_m for z in plan.oven.zones)]) / plan.oven.length_m
    else:
        edges = np.array([0.0, 1.0])
    return Bake(
        plan=plan,
        profile=short,
        share=share,
        bake_s=bake_s,
        edges=edges,
        cores=(),
        surface_felt_c=_felt_by_surfaces(short),
        boiling_c=profile.boiling_c,
    )


def _some(profile: Profile, kept: list[int], temp_c: Any, at: Any) -> Profile:
    return replace(
        profile,
        time_s=at,
        channels=tuple(profile.channels[c] for c in kept),
        temp_c=temp_c,
        raw_c=temp_c,
        flags=np.zeros(temp_c.shape, dtype=profile.flags.dtype),
        spans=(),
        errors=tuple(profile.errors[c] for c in kept),
        noise_k=profile.noise_k[kept],
        resolution_k=profile.resolution_k[kept],
        lag_s=profile.lag_s[kept],
    )


def _felt_by_surfaces(profile: Profile) -> dict[str, Any]:
    around = [i for i, c in enumerate(profile.channels) if c.role in (Role.AIR, Role.WALL)]
    out = {}
    for c in profile.channels:
        if c.role is not Role.SURFACE:
            continue
        lane = [i for i in around if profile.channels[i].place.lane == c.place.lane]
        if not around:
            # nothing tells what it feels: it is taken to follow its own highest reading
            i = profile.index(c.name)
            out[c.name] = np.full(profile.time_s.size, float(profile.temp_c[:, i].max()))
        else:
            out[c.name] = profile.temp_c[:, lane or around].mean(axis=1)
    return out


def in_words(a: Advice) -> tuple[str, ...]:
    """Return the answer as sentences."""
    words = []
    missed = [f for f in a.now.foreseen if f.share_met < 0.5]
    if missed:
        words.append(
            "As it is now, more likely missed than met: "
            + ", ".join(f.requirement.name for f in missed)
            + "."
        )
    words += [
        f"{c.aim[0].upper()}{c.aim[1:]}: {_settings(c, a)}; "
        f"all requirements met in {100 * c.together:.0f} % of cases."
        for c in a.choices
    ]
    if not a.choices:
        words.append("No setting within the limits meets every requirement as surely as asked.")
        if a.beyond:
            words.append(
                "Not met by any setting that was tried: "
                + ", ".join(a.beyond)
                + ". Look for another cause than the settings."
            )
        else:
            words.append("Each can be met, but not all at once: what mends one breaks another.")
        if a.best_try is not None:
            words.append(f"Nearest to it: {_settings(a.best_try, a)}.")
    words += [f"Left out: {one}." for one in a.not_foretold]
    return tuple(words)


def _settings(c: Choice, a: Advice) -> str:
    changed = [
        f"{k.name} {v:g} {k.unit} (now {k.now:.4g})"
        for k, v in zip(a.knobs, c.values, strict=True)
        if abs(v - k.now) > 1e-9
    ]
    return ", ".join(changed) or "as now"
