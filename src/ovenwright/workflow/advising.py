"""Advise on a run: lay it out, fit its cores, look for settings, and say what is not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.run import Run
from ovenwright.errors import OutOfRange, TooLittleData, UsageError
from ovenwright.modelling.advising import Advice, advise
from ovenwright.modelling.answering import learn_answer
from ovenwright.modelling.foretelling import NEXT_PIECE, PLACE_K, Bake, CorePlace, Foreteller
from ovenwright.modelling.knobs import knobs_of
from ovenwright.modelling.product_record import ProductRecord, whole_fit
from ovenwright.modelling.requirements_ahead import goals_of
from ovenwright.modelling.responding import draw_response
from ovenwright.modelling.weighing import Adviser, Choice
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.bakes import felt_along, lay_bake
from ovenwright.workflow.explaining import flagged, places
from ovenwright.workflow.judging import plan_for, results_of
from ovenwright.workflow.laying_out import Wanted, kind_of, prior_of, record_for, record_words
from ovenwright.workflow.lessons import answer_words, gather

CAUTION = (
    "Advice is a forecast of a bake nobody has seen. A changed process must be validated: run it, "
    "record it and judge it before any of it is sold. Requirements of food safety were never traded "
    "for time or energy; they rest on the kinetics named in the plan, which must hold for the product. "
    "Change settings within what the oven's maker and your gas and fire rules allow; this tool "
    "touches no oven."
)
_MEMBERS = 80
_PRIOR = 2000


@dataclass(frozen=True, slots=True)
class Limits:
    """How far knobs may be turned either way; 0 keeps one as it is."""

    setpoint_k: float = 20.0
    bake_share: float = 0.2
    start_k: float = 0.0
    spacing_share: float = 0.0
    spacing_gain_k: float | None = None
    """Warmer surroundings that a piece feels with a tenth more room, K; None where nobody knows."""
    confidence: float | None = None

    def __post_init__(self) -> None:
        for name, value, most in (
            ("--setpoint-by", self.setpoint_k, 100.0),
            ("--time-by", self.bake_share, 0.6),
            ("--start-by", self.start_k, 40.0),
            ("--spacing-by", self.spacing_share, 0.5),
        ):
            if not 0.0 <= value <= most:
                raise OutOfRange(name, got=value, expected=f"0 to {most:g}")
        gain = self.spacing_gain_k
        if gain is not None and not 0.0 < gain <= 30.0:
            raise OutOfRange("--spacing-gain", got=gain, expected="above 0, up to 30 K")
        if (gain is None) is not (self.spacing_share == 0.0):
            raise UsageError(
                "the load's spacing is turned only where its limits and its gain are both given",
                where="--spacing-by and --spacing-gain",
                remedy="for example --spacing-by 20 --spacing-gain 2: at most a fifth more or less "
                "room, and 2 K warmer surroundings with every tenth more",
            )
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
        "pieces_an_hour_ratio": round(c.output, 4),
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
    *,
    product: str = "",
    learn_from: Sequence[str] = (),
) -> Advised:
    """Look for settings with which a bake like this run would meet every requirement.

    ``product`` is the file or the name of a product record, empty for none; ``learn_from`` are runs of
    the same oven, or `SAME_OVEN` for all of them in the logbook.

    Raises
    ------
    UsageError : without plan, requirements, or anything to turn; for runs that tell nothing of the oven
    TooLittleData : if no core can be fitted, or load-in and load-out are not known
    StorageTrouble : if the product record can't be read
    """
    run = logbook.open(run_ref)
    plan, _ = plan_for(run, None, library)
    if not plan.requirements:
        raise UsageError(
            "the plan asks for nothing, so nothing can be met",
            where=run.id,
            remedy="add requirements to the plan",
        )
    record = record_for(logbook, product, run)
    bake = lay_bake(run.id, results_of(run, plan, library), plan)
    lessons = gather(logbook, library, run, bake, refs=learn_from, wanted=wanted)
    bake, out, kind, doubts = with_cores(run, library, wanted, bake, record)
    rng = np.random.default_rng(wanted.seed)
    response = draw_response(
        _MEMBERS,
        bake.edges.size - 1,
        rng=rng,
        learnt=lessons.zones,
        spacing_gain_k=limits.spacing_gain_k or 0.0,
    )
    foreteller = Foreteller(bake, response, seed=wanted.seed)
    answered = learn_answer(foreteller, lessons.others) if lessons.others else None
    if answered is not None:
        foreteller = foreteller.answering(answered.draw(_MEMBERS, rng))
    adviser = Adviser(
        foreteller,
        knobs_of(
            plan,
            bake_s=bake.bake_s,
            start_c=float(np.mean([c.start_c for c in bake.cores])),
            setpoint_k=limits.setpoint_k,
            bake_share=limits.bake_share,
            start_k=limits.start_k,
            spacing_share=limits.spacing_share,
        ),
        library,
        confidence=limits.confidence or plan.decision.confidence,
    )
    if not adviser.requirements:
        raise UsageError(
            "no requirement of the plan can be foretold: " + "; ".join(adviser.not_foretold),
            where=run.id,
        )
    advice = advise(adviser, seed=wanted.seed)
    goals, _ = goals_of(plan, library)
    rests = [
        *(f"{g.requirement.name}: {g.rests_on}" for g in goals if g.rests_on),
        *lessons.words,
        answer_words(answered, lessons),
        "cores by the half of the fitted bodies that come nearest to the readings by themselves",
        *record_words(record),
        f"the next piece in a place differs by {100 * NEXT_PIECE:g} % in time (one standard deviation; "
        "our choice), and each air or wall channel by "
        f"{PLACE_K:g} K for itself",
        "surfaces go on from their share of the way from start to surroundings",
        "requirements are worked out by the same measures as a judged run, on foretold readings",
        f"kind of body: {kind}" if kind != "any" else "kind of body not known",
        *(f"{n} is not foretold: {w}" for n, w in out.items()),
    ]
    if limits.spacing_gain_k is not None:
        rests.append(
            f"{limits.spacing_gain_k:g} K warmer surroundings with a tenth more room for each piece, as "
            "given, give or take three tenths of it (our choice)"
        )
    return Advised(run.id, advice, tuple(rests), _not_told(limits), (*doubts, *in_words(advice)))


def _not_told(limits: Limits) -> tuple[str, ...]:
    load = (
        "how the load on the belt, moisture of the air and proof of the dough change with it"
        if limits.spacing_gain_k is None
        else "how moisture of the air and proof of the dough change with it"
    )
    spacing = (
        "what more or less room between pieces would do: nobody gave its gain (--spacing-gain)"
        if limits.spacing_gain_k is None
        else "what another spacing does to the oven's own heat balance, and to pieces that touch"
    )
    return (
        "what a burner, fan or damper can do: limits of the oven's own",
        load,
        spacing,
        "taste, crumb and everything no requirement asks for",
        "what happens after load-out",
    )


def with_cores(
    run: Run,
    library: ReferenceLibrary,
    wanted: Wanted,
    bake: Bake,
    record: ProductRecord | None,
) -> tuple[Bake, dict[str, str], str, tuple[str, ...]]:
    """Fit the cores and put them in; also why channels are out, the kind of body, and what was flagged."""
    found, out = places(run, library, wanted)
    kind = kind_of(bake.plan, wanted.kind)
    prior = prior_of(kind, replace(wanted, members=_PRIOR), dry_only=False, record=record)
    cores = []
    for place in found:
        name = place.heating.cores[0].name
        if name not in bake.profile.names:
            continue
        fitted = whole_fit(
            place.heating, prior, seed=wanted.seed, origins=record.origins if record else ()
        )
        if name not in fitted.channels:
            out[name] = fitted.refused[name]
            continue
        first = float(bake.profile.temp_c[0, bake.profile.names.index(name)])
        cast = fitted.channels[name].ensemble
        cores.append(CorePlace(name, cast, felt_along(place, bake), first))
    if not cores:
        reasons = "; ".join(f"{n}: {w}" for n, w in out.items()) or "none is sound"
        raise TooLittleData(f"no core can be fitted ({reasons})", where=run.id)
    return (
        replace(bake, cores=tuple(cores), boiling_c=found[0].heating.boiling_c),
        out,
        kind,
        flagged(found),
    )


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
                "Not met as surely by any setting that was tried: "
                + ", ".join(a.beyond)
                + ". Allow more, or look for another cause than the settings."
            )
        else:
            words.append("Each can be met, but not all at once: what mends one breaks another.")
        if a.best_try is not None:
            words.append(
                f"Nearest to it: {_settings(a.best_try, a)}; all requirements met in "
                f"{100 * a.best_try.together:.0f} % of cases."
            )
        else:
            words.append("No setting that was tried comes clearly nearer than the present ones.")
    words += [f"Left out: {one}." for one in a.not_foretold]
    return tuple(words)


def _settings(c: Choice, a: Advice) -> str:
    changed = [
        f"{k.name} {v:g} {k.unit} (now {k.now:.4g} {k.unit})"
        for k, v in zip(a.knobs, c.values, strict=True)
        if abs(v - k.now) > 1e-9
    ]
    return ", ".join(changed) or "as now"
