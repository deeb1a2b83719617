"""How checks, proofs and searches look on a page: words, shapes and numbers ready for a template."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from ovenwright.domain.plan import Plan
from ovenwright.reporting.words import DASH, Shown, clock, plain
from ovenwright.web.hearing import Search

READY = {
    "ready": ("✔", "good"),
    "ready with remarks": ("!", "open"),
    "not ready": ("✖", "poor"),
}
NEXT = {
    "ready": "Every channel is what it claims to be. Record.",
    "ready with remarks": "It may be recorded; the remarks go with the run. Better put them right first.",
    "not ready": "Put right what is marked ✖ below, then check again. Do not record like this.",
}
GRADES = {"fault": ("✖", "poor"), "remark": ("!", "open"), "note": ("·", "")}
CHECKS = {
    "ambient": "at rest",
    "touch": "touch check",
    "fixed point": "fixed point",
}
FULL_K = 8.0
"""A sensor this far from its rest fills its bar: about what a finger gives on a bench."""
BAR_W = 200.0


def number(value: Any, decimals: int) -> str:
    """Return a number of plain data, a dash where it is not known."""
    return plain(float(value), decimals) if isinstance(value, int | float) else DASH


def temperature(value: Any, shown: Shown, decimals: int = 1) -> str:
    """Return a temperature of plain data in the shown unit."""
    return number(shown.temperature(value) if isinstance(value, int | float) else None, decimals)


def step(value: Any, shown: Shown, decimals: int = 2, *, signed: bool = False) -> str:
    """Return a difference of plain data in the shown unit."""
    if not isinstance(value, int | float):
        return DASH
    words = number(shown.difference(value), decimals)
    return f"+{words}" if signed and value > 0 and float(words.strip("+") or 0) else words


# a check that runs ------------------------------------------------------------------------


def now_of(facts: Mapping[str, Any], shown: Shown) -> dict[str, Any]:
    """Return what the live picture of a running check shows."""
    turns: list[str] = facts["turns"]
    order: list[str] = facts["order"]
    tiles = [_tile(c, facts, shown) for c in facts["channels"]]
    leading = next((t["name"] for t in tiles if t["leading"]), "")
    headline, tone = _headline(facts, leading)
    elapsed, seconds = facts["elapsed_s"], facts["seconds"]
    return {
        "headline": headline,
        "tone": tone,
        "tiles": tiles,
        "turns": _slots(order, turns) if order else [],
        "reacted": turns,
        "touch": facts["touch"],
        "unit": shown.temperature_unit,
        "degree": shown.degree,
        "share": min(elapsed / seconds, 1.0) if seconds else 0.0,
        "left": clock(max(seconds - elapsed, 0.0)),
        "readings": facts["readings"],
        "notices": facts["notices"],
        "seen": [w for e in facts["events"] if (w := event_words(e))][-4:],
    }


def _headline(facts: Mapping[str, Any], leading: str) -> tuple[str, str]:
    if not facts["readings"]:
        return "Listening for the first reading", "open"
    if facts["fixed_point"]:
        bath = "ice" if facts["fixed_point"] == "ice" else "boiling water"
        return f"Hold still: the sensors come to rest in {bath}", "open"
    if not facts["touch"]:
        return "Hands off: the sensors are watched at rest", "open"
    if facts["restless"]:
        return f"Not at rest yet: {', '.join(facts['restless'])}. Let go and wait", "open"
    if not facts["learnt"]:
        return "Hands off: the sensors come to rest", "open"
    names = [c["channel"] for c in facts["channels"]]
    if leading:
        turns, order = facts["turns"], facts["order"]
        turn = turns.index(leading) if leading in turns else len(turns)
        if turn < len(order) and order[turn] != leading:
            return f"{leading} moves where {order[turn]} was to be warmed", "poor"
        return f"{leading} is being warmed", "good"
    if len(facts["turns"]) >= len(names):
        return "All were touched. Leave them alone: how fast they fall is being timed", "good"
    if facts["order"]:
        following = facts["order"][min(len(facts["turns"]), len(facts["order"]) - 1)]
        return f"Warm {following} between finger and thumb", "open"
    return "Warm one sensor between finger and thumb", "open"


def _tile(c: Mapping[str, Any], facts: Mapping[str, Any], shown: Shown) -> dict[str, Any]:
    away = c["away_k"]
    length = 0.0
    if isinstance(away, int | float) and math.isfinite(away):
        length = min(abs(away) / FULL_K, 1.0) * BAR_W / 2
    touched, leading = c["touched"], c["leading"]
    turn = facts["turns"].index(c["channel"]) + 1 if c["channel"] in facts["turns"] else 0
    there = c["value_c"] is not None
    if not there:
        shape, words = "○", "silent"
    elif leading:
        shape, words = "●", "this one"
    elif not facts["touch"]:
        shape, words = "●", "heard"
    elif touched:
        shape, words = "✔", f"reacted, number {turn}" if turn else "reacted"
    else:
        shape, words = "○", "to do"
    return {
        "name": c["channel"],
        "value": temperature(c["value_c"], shown, 1),
        "away": step(away, shown, 1, signed=True) if facts["touch"] else "",
        "bar": round(length, 1),
        "falls": isinstance(away, int | float) and away < 0,
        "leading": leading,
        "touched": touched,
        "there": there,
        "shape": shape,
        "words": words,
    }


def _slots(order: Sequence[str], turns: Sequence[str]) -> list[dict[str, Any]]:
    """Return the order of touching, each with the channel that reacted when its turn came."""
    out = []
    for i, wanted in enumerate(order):
        reacted = turns[i] if i < len(turns) else ""
        state = ("right" if reacted == wanted else "other") if reacted else "later"
        if not reacted and i == len(turns):
            state = "next"
        out.append({"number": i + 1, "wanted": wanted, "reacted": reacted, "state": state})
    return out


def event_words(event: Mapping[str, Any]) -> str:
    """Return one thing that a touch check saw, in words; nothing for what is no news."""
    name, others = event["channel"], ", ".join(event.get("others", ()))
    kind = str(event["kind"])
    if kind == "not at rest":
        return f"{name}: was moving already when the check began"
    if kind == "reversed":
        return f"{name} went the wrong way: its leads are reversed"
    if kind == "together":
        return f"{others} moved together: not counted"
    if kind == "module shift":
        return f"all of one module moved at once ({others}): not counted"
    constant = event.get("time_constant") or {}
    value, doubt = constant.get("value_s"), constant.get("standard_s")
    if kind == "time constant" and isinstance(value, float) and math.isfinite(value):
        spread = f" ± {2 * doubt:.2g}" if isinstance(doubt, float) else ""
        return f"{name}: time constant {value:.3g}{spread} s"
    return ""


# an answer --------------------------------------------------------------------------------


def answer_of(facts: Mapping[str, Any], shown: Shown) -> dict[str, Any]:
    """Return what a proof came to, for its page."""
    channels = facts["channels"]
    touch = any(c["touched"] is not None for c in channels)
    bath = any(c["fixed_point"] for c in channels)
    readiness = str(facts["readiness"])
    sign, tone = READY[readiness]
    identity: Mapping[str, str] = facts.get("identity") or {}
    remarks = remarks_of(facts["remarks"])
    return {
        "readiness": readiness,
        "sign": sign,
        "tone": tone,
        "next": NEXT[readiness],
        "checks": ", ".join(CHECKS.get(c, c) for c in facts["checks"]),
        "seconds": number(facts["seconds"], 0),
        "touch": touch,
        "bath": bath,
        "unit": shown.temperature_unit,
        "degree": shown.degree,
        "channels": [_channel(c, identity, shown) for c in channels],
        "modules": [_module(m, shown) for m in facts["modules"]],
        "remarks": [r for r in remarks if r["grade"] != "note"],
        "notes": [r for r in remarks if r["grade"] == "note"],
        "identity": [{"was": k, "proved": v} for k, v in identity.items()],
        "pairs": _pairs(identity),
        "remappings": facts.get("remappings") or [],
        "records": [
            {"channel": c["channel"], **_point(c["fixed_point"], shown)}
            for c in channels
            if c["fixed_point"] and c["channel"] in (facts.get("certificates") or {})
        ],
        "strangers": facts.get("strangers") or [],
    }


def remarks_of(remarks: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return remarks, the gravest first, the same of several channels told once."""
    groups: dict[tuple[str, str, str], list[str]] = {}
    for r in remarks:
        names = groups.setdefault((str(r["grade"]), r["what"], r["remedy"]), [])
        names += [r["channel"]] if r["channel"] else []
    rank = list(GRADES)
    return [
        {
            "sign": GRADES[grade][0],
            "tone": GRADES[grade][1],
            "grade": grade,
            "who": ", ".join(names),
            "what": what,
            "remedy": remedy,
        }
        for (grade, what, remedy), names in sorted(
            groups.items(), key=lambda g: rank.index(g[0][0])
        )
    ]


def _pairs(identity: Mapping[str, str]) -> list[tuple[str, str]]:
    return [(a, b) for a, b in identity.items() if identity.get(b) == a and a < b]


def _channel(c: Mapping[str, Any], identity: Mapping[str, str], shown: Shown) -> dict[str, Any]:
    constant = c["time_constant"] or {}
    value, doubt = constant.get("value_s"), constant.get("standard_s")
    timed = DASH
    if value is not None and doubt is not None:
        decimals = 2 if doubt < 0.05 else 1
        timed = f"{number(value, decimals)} ± {number(2 * doubt, decimals)}"
    offset, allowed = c["offset_k"], c["allowed_k"]
    apart = offset is not None and allowed is not None and abs(offset) > allowed
    return {
        "name": c["channel"],
        "value": temperature(c["value_c"], shown, 2),
        "noise": step(c["noise_k"], shown, 3),
        "interval": number(c["interval_s"], 2),
        "offset": step(offset, shown, 2, signed=True),
        "allowed": step(allowed, shown, 2),
        "apart": apart,
        "touched": c["touched"],
        "turn": c["turn"] or DASH,
        "rise": step(c["rise_k"], shown, 1, signed=True),
        "reversed": c["reversed_leads"],
        "proved": identity.get(c["channel"], ""),
        "constant": timed,
        "constant_reason": constant.get("reason", ""),
        "point": _point(c["fixed_point"], shown) if c["fixed_point"] else None,
    }


def _point(p: Mapping[str, Any], shown: Shown) -> dict[str, Any]:
    return {
        "point": p["name"],
        "true": temperature(p["true_c"], shown, 2),
        "indicated": temperature(p["indicated_c"], shown, 2),
        "correction": step(p["correction_k"], shown, 2, signed=True),
        "spread": step(p["expanded_uncertainty_k"], shown, 2),
        "coverage": number(p["coverage_factor"], 0),
        "allowed": step(p["allowed_k"], shown, 2),
        "within": p["within"],
        "reason": p["reason"],
    }


def _module(m: Mapping[str, Any], shown: Shown) -> dict[str, Any]:
    battery = m["battery"]
    return {
        "name": m["module"] or "instrument",
        "readings": m["readings"],
        "lost": m["lost"],
        "interval": number(m["interval_s"], 2),
        "clock": number(m["clock_offset_s"], 1),
        "battery": battery_words(battery),
        "low": isinstance(battery, int | float) and battery < 0.2,
        "signal": signal_words(m["signal"]),
        "reference": temperature(m["reference_c"], shown, 1),
    }


def battery_words(share: Any) -> str:
    """Return a battery's charge."""
    return f"{share * 100:.0f} %" if isinstance(share, int | float) else DASH


def signal_words(value: Any) -> str:
    """Return a radio's signal as the instrument gives it; decibels are below nought."""
    if not isinstance(value, int | float):
        return DASH
    return f"{plain(float(value), 0)} dBm" if value < 0 else f"{value:g}"


# calibration ------------------------------------------------------------------------------


def records_of(plan: Plan, shown: Shown) -> list[dict[str, Any]]:
    """Return the calibration records of a plan's channels."""
    return [
        {
            "channel": c.name,
            "sensor": c.sensor.value,
            "number": c.certificate.number or DASH,
            "date": c.certificate.date or DASH,
            "laboratory": c.certificate.laboratory or DASH,
            "points": [
                f"{temperature(p.at_c, shown, 1)} {shown.temperature_unit}: "
                f"{step(p.correction_k, shown, 2, signed=True)} ± "
                f"{step(p.expanded_uncertainty_k, shown, 2)} {shown.degree}"
                for p in c.certificate.points
            ],
        }
        for c in plan.channels
        if c.certificate is not None
    ]


# what was heard ---------------------------------------------------------------------------


def heard_of(search: Search, shown: Shown) -> dict[str, Any]:
    """Return what a search heard, module by module, held against the plan."""
    facts = search.facts()["found"]
    against = facts["against"]
    known = set(against["known"]) if against else set()
    modules = [
        {
            "name": m["module"] or "a module without a name",
            "serial": m["serial"] or DASH,
            "battery": battery_words(m["battery"]),
            "low": isinstance(m["battery"], float) and m["battery"] < 0.2,
            "signal": signal_words(m["signal"]),
            "detail": m["detail"],
            "remarks": m["remarks"],
            "readable": bool(m["proposal"]),
            "channels": [_input(c, against is not None, known, shown) for c in m["channels"]],
        }
        for m in facts["modules"]
    ]
    return {
        "modules": modules,
        "inputs": sum(len(m["channels"]) for m in modules),
        "unknown": list(against["new"]) if against else [],
        "silent": list(against["silent"]) if against else [],
        "readable": any(m["readable"] for m in modules),
        "against": against is not None,
    }


def _input(c: Mapping[str, Any], against: bool, known: set[str], shown: Shown) -> dict[str, Any]:
    celsius = c["unit"] in {"degC", "°C", "Cel", "C"}
    value = (
        f"{temperature(c['value'], shown, 2)} {shown.temperature_unit}"
        if celsius
        else f"{number(c['value'], 3)} {c['unit']}"
    )
    rate = c["rate_hz"]
    return {
        "key": c["key"],
        "detail": c["detail"],
        "value": value if isinstance(c["value"], int | float) else "open",
        "good": c["quality"] == 0 and isinstance(c["value"], int | float),
        "rate": f"{rate:.3g} a second"
        if isinstance(rate, float) and rate >= 1
        else (f"every {1 / rate:.3g} s" if isinstance(rate, float) and rate > 0 else "once"),
        "known": (c["key"] in known) if against else None,
    }
