"""Explain a run: fit its slowest place and the one it is held against, and say what parted them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan, TunnelOven
from ovenwright.domain.run import Role, Run
from ovenwright.errors import TooLittleData, UnknownName
from ovenwright.modelling.explaining import Explained, Held, explain, pair_up, passed_s
from ovenwright.modelling.heating import Heating
from ovenwright.modelling.product_record import heating_ends, whole_fit
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.laying_out import (
    Laid,
    Wanted,
    kind_of,
    lay_out,
    prior_of,
    record_for,
    record_words,
)

CAUTION = (
    "An explanation by a model, not a finding: it names what to look at first. Look at the oven "
    "before changing it, and leave burners and gas to those licensed for them."
)
_PARTS = 4
_REASONS = 2  # told of a channel
_WORTH_S = 3.0  # less of a delay is not worth a sentence


@dataclass(frozen=True, slots=True)
class Told:
    """What held the slowest place back, and on what that rests."""

    run_id: str
    explained: Explained
    around: dict[str, str]
    rests_on: tuple[str, ...]
    words: tuple[str, ...]

    def facts(self) -> dict[str, Any]:
        """Return plain data for machines."""
        e = self.explained
        return {
            "run": self.run_id,
            "slowest": e.slow,
            "against": e.other,
            "temp_c": e.temp_c,
            "slowest_s": round(e.slow_s, 1),
            "against_s": round(e.other_s, 1),
            "late_s": round(e.late_s, 1),
            "factors": [_held_facts(h) for h in (*e.held, e.rest)],
            "stretches": [
                {
                    "name": s.name,
                    "from_s": round(s.from_s, 1),
                    "to_s": round(s.to_s, 1),
                    "surroundings_cooler_k": round(s.around_k, 2),
                    "core_behind_k": round(s.gap_k, 2),
                    "heat_slowest_kj_m2": [round(v, 1) for v in s.slow_kj_m2],
                    "heat_against_kj_m2": [round(v, 1) for v in s.other_kj_m2],
                }
                for s in e.stretches
            ],
            "parting": e.part_at,
            "words": list(self.words),
            "surroundings": self.around,
            "rests_on": list(self.rests_on),
            "caution": CAUTION,
        }


def _held_facts(h: Held) -> dict[str, Any]:
    return {
        "factor": h.factor,
        "words": h.words,
        "median_s": round(h.median_s, 1),
        "interval_50": [round(v, 1) for v in h.interval_50],
        "interval_90": [round(v, 1) for v in h.interval_90],
        "clear": h.clear,
        "never_share": round(h.never, 3),
    }


def places(
    run: Run, library: ReferenceLibrary, wanted: Wanted
) -> tuple[list[Laid], dict[str, str]]:
    """Lay out every core of a run with the surroundings of its own lane, where there are any.

    Returns
    -------
    places, and why cores are out

    Raises
    ------
    UsageError, UnknownName, TooLittleData : as in `lay_out`
    """
    whole = lay_out(run, library, wanted)
    out = dict(whole.out)
    found = []
    for core in whole.heating.cores:
        own = wanted.surroundings or _of_lane(whole.plan, core.name)
        laid = lay_out(run, library, replace(wanted, cores=(core.name,), surroundings=own))
        heating = heating_ends(replace(laid.heating, start_s=whole.heating.start_s))
        if heating.cores:
            found.append(replace(laid, heating=heating))
        else:
            out[core.name] = "it has too few readings while it was being heated"
    return found, out


def flagged(found: Sequence[Laid]) -> tuple[str, ...]:
    """Say of each channel the model rests on what the checks said of it; nothing where none did.

    A probe that is read by the wrong curve, or sits elsewhere, explains a late core better than
    any oven does, and settings sought for its sake would be wrong.
    """
    seen: dict[str, list[str]] = {}
    for laid in found:
        for name, reasons in laid.remarks.items():
            seen.setdefault(name, [])
            seen[name] += [r for r in reasons if r not in seen[name]]
    return tuple(
        f"{name} was flagged ({'; '.join(reasons[:_REASONS])}): prove it before trusting what follows."
        for name, reasons in seen.items()
        if reasons
    )


def _of_lane(plan: Plan | None, core: str) -> tuple[str, ...]:
    if plan is None:
        return ()
    mine = plan.channel(core)
    for role in (Role.WALL, Role.AIR):
        same = tuple(
            c.name
            for c in plan.channels
            if c.role is role
            and mine is not None
            and c.place.lane
            and c.place.lane == mine.place.lane
        )
        if same:
            return same
    return ()


def explain_run(
    logbook: Logbook,
    library: ReferenceLibrary,
    run_ref: str,
    wanted: Wanted,
    *,
    against: str = "",
    product: str = "",
) -> Told:
    """Say what held the slowest place of a run back.

    Parameters
    ----------
    logbook, library : where runs and kinetics are
    run_ref : the run
    wanted : channels, kind of body, and at most one temperature to pass; where none is given, the
        highest multiple of 5 °C that every core was seen to pass
    against : the core to hold it against; the fastest where not given
    product : the file or the name of a product record; empty for none

    Raises
    ------
    UsageError, UnknownName : as in `lay_out`
    StorageTrouble : if the product record can't be read
    TooLittleData : if fewer than two cores can be held against each other
    """
    run = logbook.open(run_ref)
    found, out = places(run, library, wanted)
    if len(found) < 2:
        reasons = "; ".join(f"{n}: {w}" for n, w in out.items())
        raise TooLittleData(
            "two cores are needed, to hold one against the other"
            + (f" ({reasons})" if reasons else ""),
            where=run.id,
            remedy="name more with --core, or give more channels the role core",
        )
    temp_c = wanted.passes[0] if wanted.passes else _common_level([p.heating for p in found])
    at = {}
    for place in found:
        seen = passed_s(place.heating, temp_c)
        at[_core(place)] = np.inf if seen is None else seen
    slow = max(found, key=lambda p: (at[_core(p)], -float(p.heating.cores[0].temp_c.max())))
    other = min((p for p in found if p is not slow), key=lambda p: at[_core(p)])
    if against:
        named = [p for p in found if _core(p) == against]
        if not named:
            raise UnknownName("core", against, known=tuple(at), where="--against")
        if named[0] is slow:
            raise TooLittleData(
                f"{against} is the slowest place itself",
                where="--against",
                remedy="name another core, or leave it out",
            )
        other = named[0]
    kind = kind_of(found[0].plan, wanted.kind)
    record = record_for(logbook, product, run)
    dry = temp_c > slow.heating.boiling_c + 2.0
    fitted = whole_fit(
        slow.heating,
        prior_of(kind, wanted, dry_only=dry, record=record),
        seed=wanted.seed,
        origins=record.origins if record else (),
    )
    pair = pair_up(fitted, other.heating, seed=wanted.seed)
    end_s = min(slow.heating.elapsed_s, other.heating.elapsed_s)
    told = explain(pair, temp_c, zones=zones_of(found[0].plan, end_s))
    around = {_core(p): p.heating.around.name for p in (slow, other)}
    rests = [
        *slow.heating.notes,
        "pieces are alike but for a tenth of what is known of such bodies, exchange and sensor "
        "place but for seven tenths (our choice)",
        *record_words(record),
        f"kind of body: {kind}" if kind != "any" else "kind of body not known",
        *(f"{n} is out: {w}" for n, w in out.items()),
    ]
    if around[told.slow] == around[told.other]:
        rests.append(
            "no place has surroundings channels of its own: a difference in air or walls shows up "
            "as exchange"
        )
    words = (*flagged((slow, other)), *in_words(told))
    return Told(run.id, told, around, tuple(rests), words)


def _core(place: Laid) -> str:
    return place.heating.cores[0].name


def _common_level(heatings: list[Heating]) -> float:
    """Return the highest multiple of 5 °C that every core passed for good."""
    tops = [float(h.cores[0].temp_c.max()) for h in heatings]
    starts = [float(h.cores[0].temp_c[0]) for h in heatings]
    for level in np.arange(5.0 * np.floor(min(tops) / 5.0), max(starts) + 10.0, -5.0):
        if all(passed_s(h, float(level)) is not None for h in heatings):
            return float(level)
    raise TooLittleData(
        "the cores have no temperature in common that all of them passed",
        where=heatings[0].run_id,
        remedy="leave out channels that were not heated: --core",
    )


def zones_of(plan: Plan | None, end_s: float) -> list[tuple[str, float, float]]:
    """Return zones of a tunnel, or four parts of the heating: name, from, to, s since it began."""
    if plan is not None and isinstance(plan.oven, TunnelOven):
        edges = np.cumsum([0.0, *(z.length_m for z in plan.oven.zones)])
        edges = np.minimum(edges / edges[-1] * plan.oven.bake_time_s, end_s)
        return [
            (z.name, float(a), float(b))
            for z, a, b in zip(plan.oven.zones, edges[:-1], edges[1:], strict=True)
            if b > a
        ]
    edges = np.linspace(0.0, end_s, _PARTS + 1)
    return [
        (f"part {i + 1} of {_PARTS}", float(edges[i]), float(edges[i + 1])) for i in range(_PARTS)
    ]


def in_words(e: Explained) -> tuple[str, ...]:
    """Return the answer as sentences, the weightiest first."""
    words = [
        f"{e.slow} passed {e.temp_c:g} °C after {_min(e.slow_s)}, {e.other} after "
        f"{_min(e.other_s)}: {_min(e.late_s)} later."
    ]
    clear = [h for h in e.held if h.clear and abs(h.median_s) >= _WORTH_S]
    for h in clear:
        low, high = sorted(abs(v) for v in h.interval_90)
        way = "held it back by" if h.median_s > 0 else "sped it up by"
        words.append(
            f"Its {h.factor} {way} {_min(abs(h.median_s))} ({_min(low)} to {_min(high)} in nine of "
            "ten fitted bodies)."
        )
    if not clear and any(h.clear for h in e.held):
        words.append(
            f"What stands clear of its own doubt amounts to less than {_WORTH_S:g} s each."
        )
    elif not clear:
        words.append(
            "No single factor stands clear of its own doubt: the readings can't tell them apart."
        )
    if e.part_at:
        words.append(e.part_at[0].upper() + e.part_at[1:] + ".")
    if e.rest.clear and abs(e.rest.median_s) > 0.25 * max(abs(e.late_s), 1.0):
        words.append(
            f"{_min(abs(e.rest.median_s))} of it is none of these: the piece itself, or what the "
            "model can't follow."
        )
    return tuple(words)


def _min(seconds: float) -> str:
    return f"{seconds / 60.0:.1f} min" if seconds >= 60.0 else f"{seconds:.0f} s"
