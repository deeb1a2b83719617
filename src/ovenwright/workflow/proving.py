"""Prove before recording that every channel is the sensor and place it claims to be."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ovenwright.conditioning.proof.fixed_point import (
    Point,
    TruePoint,
    boiling_point,
    certificate_toml,
    ice_point,
)
from ovenwright.conditioning.proof.modules import PowerNeed
from ovenwright.conditioning.proof.weighing import weigh
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.live import Clock, Source, Stopping
from ovenwright.domain.plan import Plan
from ovenwright.domain.proof import FixedPoint, Grade, Proof, Remark
from ovenwright.domain.run import NS
from ovenwright.errors import UnknownName, UsageError
from ovenwright.physics import sampling
from ovenwright.recording.steady_clock import SteadyClock, SystemClock
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_checks import boiling_of
from ovenwright.storage.proofs import keep_proof, read_proofs
from ovenwright.workflow.advice import Aims, advise
from ovenwright.workflow.planning import checked_text
from ovenwright.workflow.watching import Look, Wanted, Watching

OpenSources = Callable[[Plan, Clock, Path], Sequence[Source]]
"""Makes the sources of a plan, given the clock they take receipt times from and the plan's folder."""

LEAST_FREE_BYTES = 200_000_000
JOURNAL_BYTES = 24.0
"""Bytes a reading takes while it is recorded and sealed: the journal and the sealed file beside it."""
UNKNOWN_LENGTH_S = 8 * 3600.0
SAME_DAY_S = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class Remapping:
    """A key of an instrument that should feed another channel."""

    instrument: str
    key: str
    was: str
    proved: str


@dataclass(frozen=True, slots=True)
class Proved:
    """A proof, and what follows from it for the plan."""

    proof: Proof
    title: str
    remappings: tuple[Remapping, ...] = ()
    certificates: Mapping[str, str] = field(default_factory=dict)  # channel to TOML
    kept: str = ""

    def facts(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "readiness": self.proof.readiness.value,
            "title": self.title,
            **{k: v for k, v in asdict(self.proof).items() if k != "readiness"},
            "remappings": [asdict(r) for r in self.remappings],
            "certificates": dict(self.certificates),
            "kept": self.kept,
        }


def open_for_check(plan: Plan, clock: Clock, folder: Path) -> tuple[Source, ...]:
    """Return the sources of a plan's instruments, such that they leave nothing behind.

    Raises
    ------
    UsageError : if the plan names none
    """
    from ovenwright.sources.opening import open_source

    if not plan.instruments:
        raise UsageError(
            "the plan names no instrument to check",
            where=plan.title,
            remedy="look for one: ovenwright find mqtt://HOST --seconds 10 --write PLAN",
        )
    return tuple(open_source(one, clock, lasting=False, folder=folder) for one in plan.instruments)


def prove_plan(
    plan_file: Path,
    library: ReferenceLibrary,
    wanted: Wanted,
    *,
    stopping: Stopping,
    logbook: Logbook | None = None,
    watch: Callable[[Look], None] | None = None,
    open_sources: OpenSources = open_for_check,
    clock: Clock | None = None,
) -> Proved:
    """Watch a plan's instruments for a while and prove its channels.

    Parameters
    ----------
    plan_file : the plan
    library : kinetics at hand, for the advice on the interval
    wanted : what is to be proved
    stopping : set when it is enough: what came so far is weighed
    logbook : where the proof is kept; nowhere when left out. Its disk is looked at
    watch : is given looks for a live view; must not block
    open_sources : makes the sources; those of the plan's instruments when left out
    clock : the computer's own when left out

    Raises
    ------
    PlanFaults, UsageError : if the plan can't be checked like that
    InstrumentTrouble : if no instrument gave anything at all
    StorageTrouble : if the proof can't be kept
    """
    plan_toml = _text(plan_file, library)
    plan = checked_text(plan_toml, library, file=str(plan_file))
    steady = SteadyClock(clock or SystemClock())
    order = _order(plan, wanted)
    bath = _bath(plan, wanted)
    _known(plan, wanted.in_bath, "--channels")
    session = Watching(plan, wanted, open_sources(plan, steady, plan_file.parent))
    seconds = session.run(stopping, watch)
    more = [*session.troubles(), *_disk(plan, library, logbook)]
    touches = tuple(session.events) if session.touching is not None else None
    proof = weigh(
        session.gathering,
        seconds=seconds,
        ambient=wanted.ambient,
        touches=touches,
        order=order,
        bath=bath,
        in_bath=wanted.in_bath,
        power=_power(plan),
        more=[*more, *_too_slow(plan, library, session)],
    )
    points = tuple(c.fixed_point for c in proof.channels if c.fixed_point is not None)
    day = datetime.fromtimestamp(steady.now_ns() / NS, UTC).date().isoformat()
    earlier = _earlier_points(logbook, plan_toml, wanted, steady.now_ns()) if points else ()
    proved = Proved(
        proof=proof,
        title=plan.title,
        remappings=_remappings(plan, proof.identity),
        certificates=_certificates(points, earlier, day),
    )
    if logbook is None:
        return proved
    facts = proved.facts()
    kept = keep_proof(logbook, facts, plan_toml=plan_toml)
    return Proved(proof, plan.title, proved.remappings, proved.certificates, str(kept))


def _text(plan_file: Path, library: ReferenceLibrary) -> str:
    from ovenwright.workflow.planning import checked_plan

    checked_plan(plan_file, library)  # says what is wrong with the file, whatever it is
    return plan_file.read_text(encoding="utf-8-sig")


def _known(plan: Plan, names: Sequence[str], where: str) -> None:
    known = [c.name for c in plan.channels]
    for name in names:
        if name not in known:
            raise UnknownName("channel", name, known=known, where=where)


def _order(plan: Plan, wanted: Wanted) -> tuple[str, ...]:
    if wanted.order == ("plan",):
        return tuple(c.name for c in plan.channels)
    _known(plan, wanted.order, "--order")
    if len(set(wanted.order)) != len(wanted.order):
        raise UsageError(
            "a channel is named twice",
            where="--order",
            remedy="name each once, in the order in which you touch them",
        )
    return wanted.order


def _bath(plan: Plan, wanted: Wanted) -> TruePoint | None:
    if wanted.fixed_point is None:
        return None
    if wanted.fixed_point is Point.ICE:
        return ice_point()
    if wanted.pressure_kpa is not None:
        return boiling_point(pressure_kpa=wanted.pressure_kpa, measured=True)
    if wanted.altitude_m is not None:
        if not -500 <= wanted.altitude_m <= 6000:
            raise UsageError(
                f"{wanted.altitude_m:g} m is no height of a place",
                where="--altitude-m",
                remedy="give it above sea level, -500 to 6000 m",
            )
        there = plan.site.model_copy(update={"altitude_m": wanted.altitude_m, "pressure_kpa": None})
        _, pressure, _ = boiling_of(None, there)
        return boiling_point(pressure_kpa=pressure, measured=False)
    if plan.site.pressure_kpa is None and plan.site.altitude_m is None:
        raise UsageError(
            "boiling water proves nothing while the air pressure is unknown",
            where="--fixed-point boiling",
            remedy="give --pressure-kpa from a barometer on the spot (not a forecast's sea-level "
            "value) or --altitude-m, or site.pressure_kpa or site.altitude_m in the plan",
        )
    _, pressure, _ = boiling_of(None, plan.site)
    return boiling_point(pressure_kpa=pressure, measured=plan.site.pressure_kpa is not None)


# what follows ------------------------------------------------------------------------------


def _length_s(plan: Plan, library: ReferenceLibrary) -> float:
    size = advise(plan, library).size
    return size.duration_s if size is not None else math.nan


def _power(plan: Plan) -> PowerNeed:
    battery = plan.recording.battery
    length = plan.recording.duration_s or plan.recording.stop.after_s or math.nan
    if battery is None:
        return PowerNeed(length_s=length)
    return PowerNeed(
        length_s=length,
        full_life_s=sampling.battery_life_s(
            capacity_mah=battery.capacity_mah,
            draw_ma=battery.draw_ma,
            usable_share=battery.usable_share,
        ),
    )


def _disk(plan: Plan, library: ReferenceLibrary, logbook: Logbook | None) -> list[Remark]:
    if logbook is None:
        return []
    folder = logbook.folder.absolute()
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    try:
        free = shutil.disk_usage(folder).free
    except OSError as cause:
        return [Remark(Grade.REMARK, "disk", f"the disk can't be asked: {cause}", "check it")]
    length = _length_s(plan, library)
    known = math.isfinite(length)
    scans = (length if known else UNKNOWN_LENGTH_S) / plan.recording.interval_s
    need = scans * len(plan.channels) * JOURNAL_BYTES
    words = f"{free / 1e6:,.0f} MB free, the recording takes about {need / 1e6:,.3g} MB" + (
        "" if known else " in 8 h"
    )
    if free < need:
        return [Remark(Grade.FAULT, "disk", words, "free some space or use another --logbook")]
    if free < max(5.0 * need, LEAST_FREE_BYTES):
        return [Remark(Grade.REMARK, "disk", words, "free some space before long")]
    return []


def _too_slow(plan: Plan, library: ReferenceLibrary, session: Watching) -> list[Remark]:
    """Hold the plan's interval against the time constants that were found."""
    if session.touching is None:
        return []
    found = {
        name: many[-1].value_s
        for name, many in session.touching.time_constants.items()
        if math.isfinite(many[-1].value_s)
    }
    if not found:
        return []
    measured = plan.model_copy(
        update={
            "channels": tuple(
                c.model_copy(update={"time_constant_s": found.get(c.name, c.time_constant_s)})
                for c in plan.channels
            )
        }
    )
    advice = advise(measured, library, aims=Aims())
    if advice.planned_ok:
        return []
    return [
        Remark(
            Grade.REMARK,
            "interval",
            f"with these sensors a reading every {advice.interval_s:g} s is wanted, the plan asks "
            f"for {advice.planned_s:g} s: {advice.reason}; in moving oven air they are faster "
            "still",
            f"set recording.interval_s = {advice.interval_s:g}, or see: ovenwright plan advise",
            advice.channel,
        )
    ]


def _remappings(plan: Plan, identity: Mapping[str, str]) -> tuple[Remapping, ...]:
    out = []
    for i, instrument in enumerate(plan.instruments):
        for path, channel in instrument.fed():
            if channel in identity:
                out.append(
                    Remapping(
                        instrument=instrument.name or f"{instrument.kind} {i + 1}",
                        key=".".join(str(p) for p in path),
                        was=channel,
                        proved=identity[channel],
                    )
                )
    return tuple(out)


def _earlier_points(
    logbook: Logbook | None, plan_toml: str, wanted: Wanted, now_ns: int
) -> tuple[FixedPoint, ...]:
    """Return the other fixed point, where it was made for the same plan within a day."""
    if logbook is None or wanted.fixed_point is None:
        return ()
    newest: dict[str, FixedPoint] = {}
    for record in read_proofs(logbook, plan_toml):
        made = datetime.fromisoformat(record["proved"]).timestamp()
        if now_ns / NS - made > SAME_DAY_S:
            continue
        for channel in record["proof"].get("channels", ()):
            facts = channel.get("fixed_point")
            if facts and not facts["reason"] and facts["name"] != wanted.fixed_point.value:
                point = FixedPoint(**facts)
                newest[point.channel] = point
    return tuple(newest.values())


def _certificates(
    points: Sequence[FixedPoint], earlier: Sequence[FixedPoint], day: str
) -> dict[str, str]:
    out = {}
    for point in points:
        if point.reason or point.wire_guess:
            continue
        same = [e for e in earlier if e.channel == point.channel and not e.wire_guess]
        out[point.channel] = certificate_toml([point, *same], date=day)
    return out
