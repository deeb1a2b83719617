"""The machine's twin of a verdict: raw numbers, nothing rounded."""

from __future__ import annotations

from typing import Any

from ovenwright.domain.profile import FlagSpan
from ovenwright.domain.results import Crossing
from ovenwright.domain.verdict import Decided, RequirementVerdict, Verdict


def verdict_facts(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as plain data; temperatures in °C, times in seconds."""
    results = verdict.results
    return {
        "run": results.profile.run_id,
        "digest": results.profile.digest,
        "verdict": verdict.outcome.value,
        "reasons": list(verdict.reasons),
        "requirements": [_requirement(r) for r in verdict.requirements],
        "crossings": [_crossing(c) for c in results.crossings],
        "health": [span_facts(s) for s in results.profile.spans],
        "load_in": _event(results.load_in),
        "load_out": _event(results.load_out),
        "budget": [
            {
                "channel": b.channel,
                "at_c": b.at_c,
                "combined_k": b.combined_k,
                "effective_dof": b.effective_dof,
                "coverage_factor": b.coverage_factor,
                "expanded_k": b.expanded_k,
                "lines": [
                    {
                        "source": ln.source,
                        "shared_by": ln.shared_by,
                        "distribution": ln.distribution,
                        "half_width_k": ln.half_width_k,
                        "divisor": ln.divisor,
                        "standard_k": ln.standard_k,
                        "one_sided": ln.one_sided,
                        "note": ln.note,
                    }
                    for ln in b.lines
                ],
            }
            for b in verdict.budgets
        ],
        "zones": [
            {
                "zone": z.zone,
                "channel": z.channel,
                "from_s": z.from_s,
                "to_s": z.to_s,
                "mean_c": z.mean_c,
                "minimum_c": z.minimum_c,
                "maximum_c": z.maximum_c,
                "end_c": z.end_c,
                "rise_k": z.rise_k,
                "setpoint_c": z.setpoint_c,
            }
            for z in results.zones
        ],
        "balance": [
            {
                "zone": b.zone,
                "role": b.role,
                "difference_k": dict(b.difference_k),
                "spread_k": b.spread_k,
                "hottest": b.hottest,
                "coldest": b.coldest,
            }
            for b in results.balance
        ],
        "next": list(verdict.next_looks),
        "cautions": list(verdict.cautions),
        "notes": [*results.profile.notes, *results.notes],
    }


def span_facts(span: FlagSpan) -> dict[str, Any]:
    """Return one flagged stretch as plain data."""
    return {
        "name": span.check,
        "channel": span.channel,
        "from_s": span.from_s,
        "to_s": span.to_s,
        "severity": span.severity.value,
        "reason": span.reason,
        "remedy": span.remedy,
    }


def _event(event: Any) -> dict[str, Any]:
    return {
        "at_s": event.at_s,
        "found": event.found.value,
        "reason": event.reason,
        "standard_uncertainty_s": event.standard_s,
    }


def _decided(d: Decided) -> dict[str, Any]:
    return {
        "channel": d.channel,
        "value": d.value,
        "unit": d.unit.value,
        "standard_uncertainty": d.standard_uncertainty,
        "interval_95": list(d.interval_95),
        "probability": d.probability,
        "verdict": d.outcome.value,
        "reason": d.reason,
    }


def _requirement(r: RequirementVerdict) -> dict[str, Any]:
    need = r.requirement
    return {
        "name": need.name,
        "measure": need.measure,
        "parameters": dict(need.parameters),
        **_decided(r.deciding),
        "limit": _limit(need.at_least, need.at_most),
        "at_least": need.at_least,
        "at_most": need.at_most,
        "acceptance": {"at_least": r.acceptance[0], "at_most": r.acceptance[1]},
        "verdict": r.outcome.value,
        "reason": r.reason,
        "combine": r.combine.value,
        "confidence": r.decision.confidence,
        "channels": [_decided(d) for d in r.channels],
        "rests_on": list(r.rests_on),
        "cautions": list(r.cautions),
        "notes": list(r.notes),
    }


def _limit(at_least: float | None, at_most: float | None) -> float | list[float] | None:
    """Return the one limit as a number, or both as a pair."""
    if at_least is not None and at_most is not None:
        return [at_least, at_most]
    return at_least if at_least is not None else at_most


def _crossing(c: Crossing) -> dict[str, Any]:
    return {
        "name": c.name,
        "channel": c.channel,
        "level_c": c.level_c,
        "at_s": c.at_s,
        "since_load_s": c.since_load_s,
        "standard_uncertainty_s": c.standard_s,
        "interval_95_s": list(c.interval_s),
        "share_of_process": c.share_of_process,
        "rate_k_min": c.rate_k_min,
        "reason": c.reason,
    }
