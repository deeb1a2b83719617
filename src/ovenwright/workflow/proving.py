"""Prove before recording that every channel is the sensor and place it claims to be."""

from __future__ import annotations

import math
import queue
import shutil
import threading
import time
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
from ovenwright.conditioning.proof.gathering import CommonAxis, Gathering
from ovenwright.conditioning.proof.modules import PowerNeed
from ovenwright.conditioning.proof.touching import Moving, TouchEvent, TouchKind, TouchWatch
from ovenwright.conditioning.proof.weighing import weigh
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.live import Batch, Clock, Notice, NoticeKind, Reading, Source, Stopping
from ovenwright.domain.plan import Plan
from ovenwright.domain.proof import FixedPoint, Grade, Proof, Remark
from ovenwright.domain.run import NS
from ovenwright.errors import InstrumentTrouble, OvenwrightError, UnknownName, UsageError
from ovenwright.physics import sampling
from ovenwright.recording.steady_clock import SteadyClock, SystemClock
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.plan_checks import boiling_of
from ovenwright.storage.proofs import keep_proof, read_proofs
from ovenwright.wire.celsius import celsius_of
from ovenwright.workflow.advice import Aims, advise
from ovenwright.workflow.planning import checked_text

OpenSources = Callable[[Plan, Clock, Path], Sequence[Source]]
"""Makes the sources of a plan, given the clock they take receipt times from and the plan's folder."""

LEAST_FREE_BYTES = 200_000_000
JOURNAL_BYTES = 24.0
"""Bytes a reading takes while it is recorded and sealed: the journal and the sealed file beside it."""
UNKNOWN_LENGTH_S = 8 * 3600.0
AFTER_LAST_TOUCH_S = 45.0
SAME_DAY_S = 24 * 3600.0
_QUEUE = 4_096
_LOOK_S = 0.1


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be proved.

    ``seconds`` is how long is watched, a fitting time where it is None. ``order`` names the sensors
    in the order of touching; ``("plan",)`` stands for the plan's own. ``in_bath`` names the sensors
    in the fixed point; those that come near it when left out.
    """

    seconds: float | None = None
    touch: bool = False
    order: tuple[str, ...] = ()
    fixed_point: Point | None = None
    in_bath: tuple[str, ...] = ()
    pressure_kpa: float | None = None
    ambient: bool = True


@dataclass(frozen=True, slots=True)
class Look:
    """What a live view shows."""

    elapsed_s: float
    of_s: float
    readings: int
    moving: tuple[Moving, ...]
    events: tuple[TouchEvent, ...]  # new since the last look
    learnt: bool
    touch: bool
    notices: tuple[Notice, ...]


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
    session = _Session(plan, wanted, open_sources(plan, steady, plan_file.parent))
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
    if plan.site.pressure_kpa is None and plan.site.altitude_m is None:
        raise UsageError(
            "boiling water proves nothing while the air pressure is unknown",
            where="--fixed-point boiling",
            remedy="give --pressure-kpa from a barometer on the spot (not a forecast's sea-level "
            "value), or site.pressure_kpa or site.altitude_m in the plan",
        )
    _, pressure, _ = boiling_of(None, plan.site)
    return boiling_point(pressure_kpa=pressure, measured=plan.site.pressure_kpa is not None)


def usual_seconds(plan: Plan, wanted: Wanted) -> float:
    """Return how long a check watches when nobody says."""
    scans = 12 * plan.recording.interval_s
    if wanted.touch or wanted.order:
        return max(20.0, scans) + 25.0 * len(plan.channels) + AFTER_LAST_TOUCH_S
    if wanted.fixed_point is not None:
        return max(40.0, scans)
    return min(max(10.0, scans), 300.0)


class _Session:
    """The sources, each in its thread, and what they deliver."""

    def __init__(self, plan: Plan, wanted: Wanted, sources: Sequence[Source]) -> None:
        self.plan = plan
        self.wanted = wanted
        self.sources = tuple(sources)
        self.axis = CommonAxis()
        self.gathering = Gathering(plan, self.axis)
        self.touching: TouchWatch | None = None
        if wanted.touch or wanted.order:
            self.touching = TouchWatch(
                [c.name for c in plan.channels],
                modules={c.name: c.module for c in plan.channels},
                axis=self.axis,
            )
        self.events: list[TouchEvent] = []
        self._channels = {c.name: c for c in plan.channels}
        self._queue: queue.Queue[Batch] = queue.Queue(_QUEUE)
        self._stop = threading.Event()
        self._failed: dict[str, OvenwrightError] = {}
        self._notices: list[Notice] = []
        self._last_touch_s = math.nan

    def run(self, stopping: Stopping, watch: Callable[[Look], None] | None) -> float:
        """Watch until the time is over, all is proved or it is told to stop; return how long."""
        seconds = self.wanted.seconds or usual_seconds(self.plan, self.wanted)
        threads = [
            threading.Thread(target=self._one, args=(s,), name=f"check {s.name}", daemon=True)
            for s in self.sources
        ]
        began = time.monotonic()
        for thread in threads:
            thread.start()
        shown = 0.0
        told = 0
        try:
            while not stopping.is_set():
                elapsed = time.monotonic() - began
                if elapsed >= seconds or self._complete(elapsed):
                    break
                if len(self._failed) == len(threads):
                    break
                self._take(until=began + elapsed + _LOOK_S)
                if watch is not None and elapsed - shown >= _LOOK_S:
                    watch(self._look(elapsed, seconds, told))
                    shown, told = elapsed, len(self.events)
        finally:
            lasted = time.monotonic() - began
            self._stop.set()
            self._drain(threads)
        if self.touching is not None:
            self.events += self.touching.finish()
        if watch is not None:
            watch(self._look(lasted, seconds, told))
        self._nothing_at_all(lasted)
        return lasted

    def _one(self, source: Source) -> None:
        try:
            source.run(self._deliver, self._stop)
        except OvenwrightError as trouble:
            self._failed[source.name] = trouble
        except Exception as trouble:  # noqa: BLE001 - one broken link must not end the others
            self._failed[source.name] = InstrumentTrouble(
                f"the link broke down: {type(trouble).__name__}: {trouble}", where=source.name
            )

    def _deliver(self, batch: Batch) -> None:
        while not self._stop.is_set():
            try:
                self._queue.put(batch, timeout=0.2)
            except queue.Full:
                continue
            return

    def _take(self, *, until: float) -> None:
        while True:
            left = until - time.monotonic()
            if left <= 0:
                return
            try:
                batch = self._queue.get(timeout=left)
            except queue.Empty:
                return
            self._one_batch(batch)

    def _drain(self, threads: Sequence[threading.Thread]) -> None:
        end = time.monotonic() + 5.0
        while any(t.is_alive() for t in threads) and time.monotonic() < end:
            self._take(until=time.monotonic() + 0.05)
        for thread in threads:
            thread.join(0.1)
        while True:
            try:
                self._one_batch(self._queue.get_nowait())
            except queue.Empty:
                return

    def _one_batch(self, batch: Batch) -> None:
        self.gathering.note(batch.notices)
        self._notices = [*self._notices, *batch.notices][-20:]
        counted: list[Reading] = []
        for reading in batch.readings:
            channel = self._channels.get(reading.channel)
            if channel is None or not reading.known:
                self.gathering.take(reading, math.nan, reading.quality)
                continue
            value, quality = celsius_of(reading, channel)
            if self.gathering.take(reading, value, quality) is not None:
                counted.append(
                    Reading(
                        reading.channel,
                        reading.time_ns,
                        reading.received_ns,
                        value,
                        quality=quality,
                        module=reading.module,
                    )
                )
        if self.touching is not None and counted:
            events = self.touching.feed(counted)
            self.events += events
            if any(e.kind is not TouchKind.TIME_CONSTANT for e in events):
                self._last_touch_s = time.monotonic()
        batch.acknowledge()

    def _complete(self, elapsed: float) -> bool:
        """Whether all were touched and have fallen back far enough to be timed."""
        if self.touching is None or self.wanted.seconds is not None or self.touching.missing:
            return False
        timed = set(self.touching.time_constants)
        waited = time.monotonic() - self._last_touch_s
        return elapsed > 0 and (timed >= set(self._channels) or waited > AFTER_LAST_TOUCH_S)

    def _look(self, elapsed: float, seconds: float, told: int) -> Look:
        if self.touching is not None:
            moving, learnt = self.touching.moving(), self.touching.learnt
        else:
            learnt = True
            moving = tuple(
                Moving(name, self.gathering.latest_c(name), 0.0, False, False, True)
                for name in self._channels
            )
        return Look(
            elapsed_s=elapsed,
            of_s=seconds,
            readings=self.gathering.readings,
            moving=moving,
            events=tuple(self.events[told:]),
            learnt=learnt,
            touch=self.touching is not None,
            notices=tuple(self._notices[-3:]),
        )

    def troubles(self) -> list[Remark]:
        """Return remarks on instruments that could not be read at all."""
        return [
            Remark(Grade.FAULT, "link", f"{name}: {trouble.what}", trouble.remedy)
            for name, trouble in self._failed.items()
        ]

    def _nothing_at_all(self, lasted: float) -> None:
        if self.gathering.readings or self.gathering.strangers:
            return
        for trouble in self._failed.values():
            raise trouble
        words = [
            n.text
            for n in self._notices
            if n.kind in {NoticeKind.WAITING, NoticeKind.LOST, NoticeKind.REFUSED} and n.text
        ]
        raise InstrumentTrouble(
            f"nothing came in {lasted:.0f} s" + (f": {words[-1]}" if words else ""),
            where=", ".join(s.name for s in self.sources),
            remedy="check power, cable and address; ovenwright find shows what can be heard",
        )


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


def _too_slow(plan: Plan, library: ReferenceLibrary, session: _Session) -> list[Remark]:
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
