"""Run to profile: align, check, correct, and say how far each channel may be off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ovenwright import __version__
from ovenwright.conditioning.align import Aligned, align
from ovenwright.conditioning.correct import certificate_at, knots_c, restate_channel
from ovenwright.conditioning.error_terms import error_terms
from ovenwright.conditioning.health import (
    HEALTH_TABLE,
    SEA_LEVEL_KPA,
    Examination,
    Subject,
    examine,
    make_bench,
    pressure_kpa,
)
from ovenwright.conditioning.traces import match_columns
from ovenwright.domain.arrays import FlagArray, FloatArray
from ovenwright.domain.plan import Channel, Plan
from ovenwright.domain.profile import FlagSpan, Profile, Severity, Step
from ovenwright.domain.run import Run
from ovenwright.errors import TooLittleData
from ovenwright.physics import water

_BITS = {c.name: c for c in HEALTH_TABLE}


def _junctions_of(names: Sequence[str]) -> str:
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    return f"reference-junction temperatures of {', '.join(names[:6])}{more}"


class _Notes:
    """Things worth saying, each once, in the order they came."""

    def __init__(self) -> None:
        self._said: dict[str, None] = {}

    def __call__(self, words: str) -> None:
        self._said.setdefault(words)

    def all(self) -> tuple[str, ...]:
        return tuple(self._said)


def condition(run: Run, plan: Plan) -> Profile:
    """Turn a run into a profile: aligned, corrected, flagged, with uncertainty.

    The plan's channels only, in its order. Readings logged under the wrong thermocouple type are
    restated, certificate corrections added, and readings that a health check found bad taken out;
    the raw readings stay beside them untouched.

    Parameters
    ----------
    run : the readings as they came
    plan : what the channels are

    Returns
    -------
    the profile; a planned channel without readings is all NaN with a flag

    Raises
    ------
    TooLittleData : if the run has none of the plan's channels
    """
    note = _Notes()
    columns = match_columns(run, plan)
    if not columns:
        raise TooLittleData(
            "the run has none of the plan's channels",
            where=f"run {run.id}" if run.id else "the run",
            remedy="give each channel of the plan its column, one of: "
            + ", ".join(list(run.series)[:12]),
        )
    beside = run.junctions
    unused = [n for n in run.series if n not in columns.values() and n not in beside]
    if unused:
        note(f"not in the plan and left out: {', '.join(unused)}")
    if beside:
        note(f"{_junctions_of(tuple(beside.values()))}, kept beside the readings: no sensors")

    subjects: dict[str, Subject] = {}
    steps = []
    bench = make_bench(run, plan)
    reference_c, reference_known = bench.reference_c, bench.reference_known
    restated: list[str] = []
    for channel in plan.channels:
        if channel.recorded_as is None or channel.name not in columns:
            continue
        series = run.series[columns[channel.name]]
        if series.restated_from:
            # a run restated once already reads as the wire that it is
            note(f"{channel.name}: restated before it was sealed, so not a second time")
            continue
        right_c, lost = restate_channel(series.value_c, channel, reference_c)
        subjects[channel.name] = Subject(replace(series, value_c=right_c), lost)
        restated.append(
            f"{channel.name}: {channel.recorded_as.value} read as {channel.sensor.value}"
        )
        if not reference_known:
            note(
                f"the instrument gave no reference-junction temperature: {reference_c:g} °C taken "
                "for the restatement, with a larger uncertainty"
            )
    if subjects:
        bench = make_bench(run, plan, subjects=subjects)
    found = examine(bench)
    bits = dict(zip((t.name for t in bench.traces), found.bits, strict=True))

    raw = align(
        [run.series[columns[c.name]] if c.name in columns else None for c in plan.channels],
        [bits.get(c.name) for c in plan.channels],
        start_ns=run.start_ns,
    )
    steps.append(Step("align", __version__, note=raw.how))
    steps.append(
        Step(
            "check",
            __version__,
            settings=(("checks", ", ".join(c.name for c in HEALTH_TABLE)),),
            note=f"{len(found.spans)} stretches flagged",
        )
    )
    right = (
        align(
            [
                (subjects[c.name].series if c.name in subjects else run.series[columns[c.name]])
                if c.name in columns
                else None
                for c in plan.channels
            ],
            [None] * len(plan.channels),
            start_ns=run.start_ns,
        ).value_c
        if subjects
        else raw.value_c
    )
    if restated:
        steps.append(
            Step(
                "restate",
                __version__,
                settings=(("reference_c", f"{reference_c:g}"),),
                note="; ".join(restated),
            )
        )
    return _finish(run, plan, raw=raw, right_c=right, found=found, note=note, steps=steps)


def _finish(
    run: Run,
    plan: Plan,
    *,
    raw: Aligned,
    right_c: FloatArray,
    found: Examination,
    note: _Notes,
    steps: list[Step],
) -> Profile:
    bench = found.bench
    traces = {t.name: t for t in bench.traces}
    channels = plan.channels
    spans = list(found.spans)
    flags = raw.bits
    temp_c = np.empty((len(channels), raw.time_s.size)).T
    noise_k = np.full(len(channels), np.nan)
    resolution_k = np.zeros(len(channels))
    terms = []
    corrected = []
    for i, channel in enumerate(channels):
        temp_c[:, i] = right_c[:, i]
        if channel.name not in traces:
            spans.append(_absent(channel, run, raw))
            flags[:, i] |= np.uint32(_BITS["gap"].bit)
            note(f"{channel.name} is in the plan, but the run has no readings of it")
        _take_out(temp_c[:, i], raw.time_s, channel.name, spans, flags[:, i])
        knots = knots_c(temp_c[:, i])
        if channel.certificate is not None:
            correction_k, _ = certificate_at(temp_c[:, i], channel.certificate)
            temp_c[:, i] += correction_k
            corrected.append(channel.name)
        if channel.name in traces:
            trace = traces[channel.name]
            resolution_k[i] = trace.resolution_k
            # what the rounding itself puts into the differences is the resolution's share
            noise_k[i] = np.sqrt(max(trace.noise_k**2 - trace.resolution_k**2 / 12.0, 0.0))
        elif channel.resolution_k is not None:
            resolution_k[i] = channel.resolution_k
        terms.append(
            error_terms(
                channel,
                knots,
                resolution_k=float(resolution_k[i]),
                reference_c=bench.reference_c,
                reference_known=bench.reference_known,
                note=note,
            )
        )
    if corrected:
        steps.append(Step("correct", __version__, note="certificates of " + ", ".join(corrected)))
    taken = int(np.count_nonzero(np.isfinite(raw.value_c) & ~np.isfinite(temp_c)))
    steps.append(Step("take out", __version__, note=f"{taken} readings taken out"))
    pressure, known = pressure_kpa(plan)
    if not known:
        note(
            f"no pressure or altitude given: {SEA_LEVEL_KPA:g} kPa taken, water boils at "
            f"{float(water.boiling_point_c(SEA_LEVEL_KPA)):.2f} °C there"
        )
    order = {c.name: i for i, c in enumerate(channels)}
    spans.sort(key=lambda s: (order[s.channel], s.from_s, s.bit))
    return Profile(
        run_id=run.id,
        digest=run.digest,
        start_ns=run.start_ns,
        absolute=run.absolute,
        time_zone=run.time_zone,
        time_s=raw.time_s,
        channels=channels,
        temp_c=temp_c,
        raw_c=raw.value_c,
        flags=flags,
        spans=tuple(spans),
        errors=tuple(terms),
        noise_k=noise_k,
        resolution_k=resolution_k,
        lag_s=np.array(
            [np.nan if c.time_constant_s is None else c.time_constant_s for c in channels]
        ),
        interval_s=raw.interval_s,
        boiling_c=float(water.boiling_point_c(pressure)),
        pressure_kpa=pressure,
        marks=run.marks,
        steps=tuple(steps),
        notes=note.all(),
    )


def _absent(channel: Channel, run: Run, raw: Aligned) -> FlagSpan:
    row = _BITS["gap"]
    end_s = float(raw.time_s[-1]) if raw.time_s.size else run.elapsed_s(run.end_ns)
    return FlagSpan(
        check=row.name,
        channel=channel.name,
        from_s=0.0,
        to_s=end_s,
        severity=Severity.BAD,
        reason="in the plan, but the run has no column for it",
        remedy="give the channel its column in the plan, or take it out of the plan",
        bit=row.bit,
    )


def _take_out(
    temp_c: FloatArray,
    time_s: FloatArray,
    name: str,
    spans: list[FlagSpan],
    flags: FlagArray,
) -> None:
    """Blank the bad stretches, and the readings whose check takes them out one by one."""
    for span in spans:
        if span.channel != name or span.severity is not Severity.BAD:
            continue
        a = int(np.searchsorted(time_s, span.from_s, "left"))
        b = int(np.searchsorted(time_s, span.to_s, "right"))
        temp_c[a:b] = np.nan
    one_by_one = sum(c.bit for c in HEALTH_TABLE if c.takes_out)
    if any(span.channel == name and span.bit & one_by_one for span in spans):
        temp_c[(flags & np.uint32(one_by_one)) != 0] = np.nan
