"""From what was gathered to the answer: ready, ready with remarks, not ready."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from ovenwright.conditioning.proof.ambient import Agreement, check_ambient
from ovenwright.conditioning.proof.fixed_point import TruePoint, check_fixed_point
from ovenwright.conditioning.proof.gathering import Gathering
from ovenwright.conditioning.proof.modules import PowerNeed, check_modules
from ovenwright.conditioning.proof.touched import (
    Touched,
    restless_channels,
    weigh_touches,
)
from ovenwright.conditioning.proof.touching import TouchEvent, TouchKind
from ovenwright.conditioning.proof.windows import Window, check_readings
from ovenwright.domain.proof import (
    ChannelProof,
    FixedPoint,
    Grade,
    Proof,
    Remark,
    TimeConstant,
    readiness_of,
)

_GRADES = {Grade.FAULT: 0, Grade.REMARK: 1, Grade.NOTE: 2}


def weigh(
    gathering: Gathering,
    *,
    seconds: float,
    ambient: bool = True,
    touches: Sequence[TouchEvent] | None = None,
    order: Sequence[str] = (),
    bath: TruePoint | None = None,
    in_bath: Sequence[str] = (),
    power: PowerNeed | None = None,
    more: Iterable[Remark] = (),
) -> Proof:
    """Weigh all that a check gathered.

    Parameters
    ----------
    gathering : readings and notices
    seconds : how long was watched
    ambient : whether the sensors lie in one room
    touches : what a touch watch told, None where none was made
    order : the order of touching, where it was meant to tell identity
    bath : the fixed point, None where none was made
    in_bath : the sensors in it; those that come near it when left out
    power : what the plan says of power
    more : remarks found elsewhere, such as of the disk
    """
    plan = gathering.plan
    whole = gathering.windows()
    quiet = gathering.windows(until_s=_first_touch_s(touches)) if touches else whole
    remarks = list(more)
    remarks += check_readings(quiet, interval_s=plan.recording.interval_s)
    remarks += check_modules(gathering.modules(), power or PowerNeed())
    checks = ["readings", "modules"]
    agreement: Mapping[str, Agreement] = {}
    if ambient and bath is None:
        moving = restless_channels(touches) if touches else frozenset()
        found, said = check_ambient([w for w in quiet if w.channel.name not in moving])
        agreement = {a.channel: a for a in found}
        remarks += said
        checks.append("ambient")
    touched: Touched | None = None
    if touches is not None:
        silent = [w.channel.name for w in whole if not w.known_c.size]
        touched = weigh_touches(
            [c.name for c in plan.channels],
            touches,
            order=order,
            planned_s={
                c.name: c.time_constant_s for c in plan.channels if c.time_constant_s is not None
            },
            silent=silent,
        )
        remarks = [r for r in remarks if not _refuted(r, touched)]
        remarks += touched.remarks
        checks.append("touch in order" if order else "touch")
    points: dict[str, FixedPoint] = {}
    if bath is not None:
        results, said = check_fixed_point(whole, bath, only=in_bath)
        points = {p.channel: p for p in results}
        remarks += said
        checks.append(f"fixed point {bath.point.value}")
    remarks += _strangers(gathering.strangers)
    ordered = tuple(sorted(remarks, key=lambda r: _GRADES[r.grade]))
    return Proof(
        readiness=readiness_of(ordered),
        channels=tuple(
            _channel(w, all_of, agreement.get(w.channel.name), touched, points)
            for w, all_of in zip(quiet, whole, strict=True)
        ),
        modules=tuple(t.proof() for t in gathering.modules() if t.readings or t.module),
        remarks=ordered,
        checks=tuple(checks),
        seconds=seconds,
        identity=dict(touched.identity) if touched else {},
        strangers=gathering.strangers,
    )


def _first_touch_s(touches: Sequence[TouchEvent]) -> float:
    """Time before which nobody touched anything; all of it where nobody did."""
    passing = {TouchKind.TIME_CONSTANT, TouchKind.RESTLESS}
    starts = [e.at_s for e in touches if e.kind not in passing]
    return min(starts) - 0.5 if starts else math.inf


def _refuted(remark: Remark, touched: Touched) -> bool:
    """Whether a touch has shown a value to be alive that looked frozen at rest."""
    return (
        remark.check == "readings" and "in a row" in remark.what and remark.channel in touched.turns
    )


def _channel(
    quiet: Window,
    whole: Window,
    agreement: Agreement | None,
    touched: Touched | None,
    points: Mapping[str, FixedPoint],
) -> ChannelProof:
    name = quiet.channel.name
    turn: int | None = None
    constant: TimeConstant | None = None
    if touched is not None:
        turn = touched.turns.index(name) + 1 if name in touched.turns else None
        constant = touched.time_constants.get(name)
    return ChannelProof(
        channel=name,
        module=whole.module,
        readings=int(whole.value_c.size),
        missing=int(whole.value_c.size - whole.known_c.size),
        value_c=quiet.middle_c,
        noise_k=quiet.noise_k,
        resolution_k=whole.resolution_k,
        interval_s=whole.interval_s,
        offset_k=agreement.offset_k if agreement else math.nan,
        allowed_k=agreement.allowed_k if agreement else math.nan,
        touched=None if touched is None else turn is not None,
        turn=turn,
        rise_k=touched.rise_k.get(name, math.nan) if touched else math.nan,
        reversed_leads=bool(touched and name in touched.reversed_leads),
        time_constant=constant,
        fixed_point=points.get(name),
    )


def _strangers(strangers: Sequence[str]) -> list[Remark]:
    if not strangers:
        return []
    listed = ", ".join(strangers[:6]) + (" …" if len(strangers) > 6 else "")
    return [
        Remark(
            Grade.NOTE,
            "readings",
            f"heard, but no channel of the plan: {listed}",
            "they are not recorded; ovenwright find --write PLAN adds them",
        )
    ]
