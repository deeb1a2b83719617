"""Do all channels, at rest in the same air, agree as well as they should."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.conditioning.error_terms import COMMON_MODULE, error_terms
from ovenwright.conditioning.proof.windows import Window
from ovenwright.domain.plan import Channel
from ovenwright.domain.profile import Scope
from ovenwright.domain.proof import Grade, Remark

ROOM_K = 0.3
"""Half-width for air that is not everywhere the same, sensors side by side (common practice, no
source)."""
JUNCTION_K = 5.0
"""How far a reference junction may be from the room: instruments warm themselves (common practice,
no source)."""
ROOM_C = (-5.0, 45.0)
MOVING_K_MIN = 1.0
"""Drift from which on a sensor is not at rest (our choice)."""
_GROSS = 3.0  # times what is allowed
_COVERAGE = 2.0
_PASSED_OVER = frozenset({"place", "restatement"})  # not felt by a bare sensor at rest


@dataclass(frozen=True, slots=True)
class Agreement:
    """One channel's distance from the others, and what is allowed; NaN where not known."""

    channel: str
    offset_k: float
    allowed_k: float


def standard_k(channel: Channel, at_c: float, reference_c: float) -> tuple[float, float]:
    """Return what class or certificate leaves open, and what the reference junction does, K."""
    terms = error_terms(
        channel,
        np.array([at_c]),
        resolution_k=0.0,
        reference_c=reference_c if math.isfinite(reference_c) else at_c,
        reference_known=math.isfinite(reference_c),
        note=lambda _words: None,
    )
    own = [
        float(t.standard_k[0])
        for t in terms
        if t.scope is Scope.CHANNEL and t.source not in _PASSED_OVER
    ]
    shared = [float(t.standard_k[0]) for t in terms if t.source == "reference junction"]
    return math.hypot(*own) if own else 0.0, math.hypot(*shared) if shared else 0.0


def check_ambient(
    windows: Sequence[Window], *, room_k: float = ROOM_K, junction_k: float = JUNCTION_K
) -> tuple[tuple[Agreement, ...], list[Remark]]:
    """Hold channels at rest in one room against each other and against the reference junction.

    A channel is held against the median of all. What is allowed is twice the standard uncertainty
    of the difference (class or certificate of both sides, noise of the means, the modules'
    reference junctions where they differ) and ``room_k`` for the air.

    Parameters
    ----------
    windows : one for each channel
    room_k : how uneven the air may be
    junction_k : how far a reference junction may be from the channels

    Returns
    -------
    one agreement for each window, and the remarks
    """
    known = [w for w in windows if w.known_c.size >= 3]
    nothing = tuple(Agreement(w.channel.name, math.nan, math.nan) for w in windows)
    if len(known) < 2:
        return nothing, []
    centre = float(np.median([w.middle_c for w in known]))
    if not ROOM_C[0] <= centre <= ROOM_C[1]:
        return nothing, [
            Remark(
                Grade.REMARK,
                "ambient",
                f"the channels rest around {centre:.1f} °C: that is no room, so agreement was not "
                "checked",
                "lay all sensors side by side in still air before they go in",
            )
        ]
    remarks = _moving(known)
    found = {}
    for w in known:
        offset, allowed, words = _held_against(w, known, centre, room_k)
        found[w.channel.name] = Agreement(w.channel.name, offset, allowed)
        if abs(offset) > allowed:
            remarks.append(_outlier(w, offset, allowed, words, pair=len(known) == 2))
    outliers = [r for r in remarks if "allow" in r.what]
    if len(known) >= 4 and len(outliers) > 0.4 * len(known):
        remarks = [r for r in remarks if r not in outliers]
        remarks.append(_scattered(known, [o.channel for o in outliers]))
    remarks += _junctions(known, centre, junction_k)
    return tuple(found.get(w.channel.name, n) for w, n in zip(windows, nothing, strict=True)), (
        remarks
    )


def _held_against(
    w: Window, known: Sequence[Window], centre: float, room_k: float
) -> tuple[float, float, str]:
    others = [o for o in known if o is not w]
    own, junction = standard_k(w.channel, w.middle_c, w.junction_c)
    apart = any(_module(o) != _module(w) for o in others)
    theirs = [standard_k(o.channel, o.middle_c, o.junction_c)[0] for o in others]
    # the median of k spreads as the mean of k does, times the root of pi / 2
    share = math.pi / 2.0 / len(others) if len(others) > 1 else 1.0
    of_centre = math.sqrt(share * float(np.mean(np.square(theirs))))
    noise = w.noise_k / math.sqrt(w.known_c.size) if math.isfinite(w.noise_k) else 0.0
    step = w.resolution_k / math.sqrt(12.0)
    parts = [own, of_centre, noise, step, junction * math.sqrt(2.0) if apart else 0.0]
    allowed = _COVERAGE * math.hypot(*parts) + room_k
    against = others[0].middle_c if len(others) == 1 else centre
    basis = w.channel.certificate.number or "certificate" if w.channel.certificate else ""
    return w.middle_c - against, allowed, basis or w.channel.tolerance or "a usual class"


def _module(w: Window) -> str:
    return w.module or w.channel.module or COMMON_MODULE


def _outlier(w: Window, offset: float, allowed: float, basis: str, *, pair: bool) -> Remark:
    gross = abs(offset) > _GROSS * allowed
    side = "warmer" if offset > 0 else "colder"
    against = "the other channel" if pair else "the middle of all channels"
    which = "one of the two is off; " if pair else ""
    return Remark(
        Grade.FAULT if gross else Grade.REMARK,
        "ambient",
        f"{abs(offset):.2f} K {side} than {against} at {w.middle_c - offset:.1f} °C; "
        f"{basis} and noise allow {allowed:.2f} K",
        f"{which}check that it lies beside the others and has rested, then plug, extension lead "
        "and sensor type; if it stays, calibrate or replace it",
        w.channel.name,
    )


def _scattered(known: Sequence[Window], off: Sequence[str]) -> Remark:
    """Say it once where so many disagree that the middle itself means nothing."""
    lowest = min(known, key=lambda w: w.middle_c)
    highest = max(known, key=lambda w: w.middle_c)
    return Remark(
        Grade.REMARK,
        "ambient",
        f"{len(off)} of {len(known)} channels are further from the middle than they should be, "
        f"from {lowest.channel.name} {lowest.middle_c:.1f} °C to {highest.channel.name} "
        f"{highest.middle_c:.1f} °C",
        "lay all sensors side by side in still air, wait, and check again; where they are in "
        "place already, leave this out with --apart",
    )


def _moving(known: Sequence[Window]) -> list[Remark]:
    out = []
    for w in known:
        slope, doubt = w.slope_k_min()
        if math.isfinite(slope) and abs(slope) > MOVING_K_MIN + 2.0 * doubt:
            out.append(
                Remark(
                    Grade.REMARK,
                    "ambient",
                    f"not at rest: {'rises' if slope > 0 else 'falls'} by {abs(slope):.1f} K/min",
                    "wait some minutes and check again",
                    w.channel.name,
                )
            )
    return out


def _junctions(known: Sequence[Window], centre: float, junction_k: float) -> list[Remark]:
    out = []
    for module in dict.fromkeys(_module(w) for w in known):
        given = [w.junction_c for w in known if _module(w) == module]
        given = [g for g in given if math.isfinite(g)]
        if not given:
            continue
        junction = float(np.median(given))
        if abs(junction - centre) > junction_k:
            out.append(
                Remark(
                    Grade.REMARK,
                    "ambient",
                    f"{module}: its reference junction is at {junction:.1f} °C, the sensors at "
                    f"{centre:.1f} °C",
                    "let the instrument rest in the room for half an hour, away from the oven; its "
                    "reference junction is wrong while it warms or cools",
                )
            )
    return out
