"""From a journal's rows to a run: put in order, repeats dropped, turned into °C, holes marked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ovenwright.domain.arrays import FloatArray, IntArray, QualityArray
from ovenwright.domain.live import Reading
from ovenwright.domain.plan import Channel, Plan
from ovenwright.domain.run import JUNCTION, NS, Instrument, Mark, MarkKind, Quality, Run, Series
from ovenwright.errors import PlanFaults, TooLittleData
from ovenwright.physics.units import to_celsius
from ovenwright.recording.bursts import spread_bursts
from ovenwright.recording.gaps import gap_marks
from ovenwright.storage.journal_frames import UNITS
from ovenwright.storage.journal_reading import Recovered
from ovenwright.storage.plan_file import parse_plan
from ovenwright.wire.celsius import BEYOND_C, COLDEST_C, celsius_of_all

_TEMPERATURES = ("degC", "degF", "K")
_MISSING, _OVERFLOW = np.uint8(Quality.MISSING), np.uint8(Quality.OVERFLOW)
_RESTAMPED = np.uint8(Quality.RESTAMPED)
_REORDERED, _REPEATED = np.uint8(Quality.REORDERED), np.uint8(Quality.REPEATED)
_CHUNK = 50_000
_PLACED_NS = NS  # of one delivery no more than so much can come of setting readings a bit apart


@dataclass(frozen=True, slots=True)
class _Ordered:
    """One channel's rows, rising in time, each time once."""

    rows: npt.NDArray[np.void]
    quality: QualityArray


def run_from(recovered: Recovered, *, interrupted: bool = False) -> Run:
    """Return the run that a journal holds.

    Parameters
    ----------
    recovered : what was read of the journal
    interrupted : whether the recorder died, so that the end is where it died, not where it was told

    Raises
    ------
    TooLittleData : if there is no reading in it
    """
    head = recovered.head
    plan = _plan(head.plan_toml)
    series: dict[str, Series] = {}
    references: dict[str, Series] = {}
    notes = [f"journal damaged: {words}" for words in recovered.damage]
    together = 0
    for number, name in enumerate(head.channels):
        mine = recovered.rows[recovered.rows["channel"] == number]
        if not len(mine):
            notes.append(f"{name} delivered nothing")
            continue
        ordered = _in_order(mine)
        together = max(together, _spread(ordered, head.interval_s))
        series[name] = _series(ordered, plan.channel(name) if plan else None)
        reference = _reference(ordered)
        if reference is not None:
            references[JUNCTION.format(name)] = reference
    if not series:
        raise TooLittleData("no reading came", where=head.id, remedy="check the instrument's link")
    if together:
        notes.append(
            f"up to {together} readings of a channel came together without a time of their own; "
            "they were set apart backwards from their receipt"
        )
    events = (*recovered.events, *recovered.notices)
    times = {name: s.time_ns for name, s in series.items()}
    gaps, unmarked = gap_marks(times, interval_s=head.interval_s, events=events)
    if unmarked:
        notes.append(f"{unmarked} further gaps have no mark")
    marks = _marks(recovered.marks)
    if interrupted:
        end = max(int(t[-1]) for t in times.values())
        text = "the recorder was cut off here; what it had made durable was sealed later"
        marks.append(Mark(MarkKind.GAP, end, text))
    notes += _said(recovered)
    return Run(
        id=head.id,
        series=series | references,
        marks=tuple(sorted([*marks, *gaps], key=lambda m: m.time_ns)),
        instrument=_instrument(head.instrument, recovered.notices),
        plan_toml=head.plan_toml,
        title=head.title,
        notes=tuple(notes),
        time_zone=head.time_zone,
    )


def mark_facts(mark: Mark) -> dict[str, Any]:
    """Return a mark as the journal keeps it."""
    return {
        "kind": mark.kind.value,
        "time_ns": mark.time_ns,
        "text": mark.text,
        "by": mark.by,
        "channel": mark.channel,
        "until_ns": mark.until_ns,
    }


def mark_from(facts: Mapping[str, Any]) -> Mark | None:
    """Return the mark that :func:`mark_facts` wrote, None where it is none."""
    try:
        return Mark(
            MarkKind(facts["kind"]),
            int(facts["time_ns"]),
            str(facts["text"]),
            str(facts["by"]),
            facts["channel"],
            facts["until_ns"],
        )
    except (KeyError, ValueError, TypeError):
        return None


def _marks(kept: Sequence[Mapping[str, Any]]) -> list[Mark]:
    # a mark given by command stands twice: as it was asked for, and as the recorder placed it
    by_token: dict[str, Mark] = {}
    for i, facts in enumerate(kept):
        mark = mark_from(facts)
        if mark is not None:
            by_token[str(facts.get("token") or i)] = mark
    return list(by_token.values())


def _plan(text: str) -> Plan | None:
    try:
        return parse_plan(text) if text else None
    except PlanFaults:  # of a newer form, or damaged: the readings are worth more than it
        return None


def _in_order(rows: npt.NDArray[np.void]) -> _Ordered:
    times = rows["time_ns"]
    quality = rows["quality"].copy()
    highest = np.maximum.accumulate(times)
    quality[1:][times[1:] < highest[:-1]] |= _REORDERED
    order = np.argsort(times, kind="stable")  # stable: of repeats the first to come stays first
    times, quality, rows = times[order], quality[order], rows[order]
    first = np.ones(len(times), dtype=bool)
    first[1:] = times[1:] != times[:-1]
    place = np.cumsum(first) - 1
    kept = quality[first] & ~_REPEATED
    # a repeat of the same number says nothing new; another number at the same time is worth a flag
    other = ~first & ~_same(rows["value"], rows["value"][first][place])
    kept[place[other]] |= _REPEATED
    return _Ordered(rows[first], kept)


def _spread(ordered: _Ordered, interval_s: float) -> int:
    """Set readings apart, in place, that were received together; return how many were moved."""
    rows, quality = ordered.rows, ordered.quality
    # such a reading stands at its receipt and a little, as far as others came with it
    since = rows["time_ns"] - rows["received_ns"]
    placed = ((quality & _RESTAMPED) != 0) & (since > 0) & (since < _PLACED_NS)
    times, moved = spread_bursts(rows["time_ns"].copy(), placed, interval_s=interval_s)
    rows["time_ns"] = times
    quality[moved] |= _RESTAMPED
    return int(moved.sum())


def _same(one: FloatArray, other: FloatArray) -> npt.NDArray[np.bool_]:
    alike: npt.NDArray[np.bool_] = (one == other) | (np.isnan(one) & np.isnan(other))
    return alike


def _series(ordered: _Ordered, channel: Channel | None) -> Series:
    rows, quality = ordered.rows, ordered.quality
    time_ns: IntArray = rows["time_ns"].astype(np.int64)
    value = rows["value"].astype(np.float64)
    numbers = rows["unit"]
    value_c = np.full(len(rows), np.nan)
    counts = np.bincount(numbers, minlength=len(UNITS))
    for number in np.flatnonzero(counts):
        at = np.flatnonzero(numbers == number)
        unit = UNITS[int(number)]
        if unit in _TEMPERATURES:
            value_c[at], quality[at] = _plain(value[at], quality[at], unit)
        elif channel is not None:
            value_c[at], quality[at] = _through_sensor(rows[at], quality[at], unit, channel)
        else:
            quality[at] |= _MISSING
    main = UNITS[int(np.argmax(counts))]
    if main == "degC" and counts[0] == len(rows):
        return Series(time_ns, value_c, quality)
    raw = np.where(numbers == UNITS.index(main), value, np.nan)
    # millivolts were turned into °C as the wire that the plan names: there is nothing to restate
    right_already = channel is not None and channel.recorded_as and main not in _TEMPERATURES
    restated_from = channel.recorded_as.value if channel and channel.recorded_as else ""
    return Series(
        time_ns,
        value_c,
        quality,
        raw=raw,
        raw_unit=main,
        restated_from=restated_from if right_already else "",
    )


def _plain(value: FloatArray, quality: QualityArray, unit: str) -> tuple[FloatArray, QualityArray]:
    found = to_celsius(value, unit)
    absent = (quality & (_MISSING | _OVERFLOW)) != 0
    silent = np.isnan(value) & ~absent
    beyond = ~np.isnan(value) & ~absent & ~((found >= COLDEST_C) & (found <= BEYOND_C))
    quality = quality.copy()
    quality[silent] |= _MISSING
    quality[beyond] |= _OVERFLOW
    found[absent | beyond] = np.nan
    return found, quality


def _through_sensor(
    rows: npt.NDArray[np.void], quality: QualityArray, unit: str, channel: Channel
) -> tuple[FloatArray, QualityArray]:
    values, bits = [], []
    for start in range(0, len(rows), _CHUNK):
        part = rows[start : start + _CHUNK].tolist()
        readings = [
            Reading(channel.name, r[0], r[1], r[2], unit, Quality(int(q)), reference_c=r[3])
            for r, q in zip(part, quality[start : start + _CHUNK], strict=True)
        ]
        value_c, bit = celsius_of_all(readings, [channel] * len(readings))
        values.append(value_c)
        bits.append(bit)
    return np.concatenate(values), np.concatenate(bits)


def _reference(ordered: _Ordered) -> Series | None:
    value: FloatArray = ordered.rows["reference_c"].astype(np.float64)
    if bool(np.all(np.isnan(value))):
        return None
    quality = np.where(np.isnan(value), _MISSING, np.uint8(0))
    return Series(ordered.rows["time_ns"].astype(np.int64), value, quality)


def _instrument(name: str, notices: Sequence[Mapping[str, Any]]) -> Instrument:
    """Return what instruments told of themselves, the latest of each module."""
    told = {str(n.get("module", "")): n for n in notices if n.get("kind") == "identity"}

    def all_of(key: str) -> str:
        by_module = {m: str(n.get(key) or "") for m, n in sorted(told.items())}
        by_module = {m: words for m, words in by_module.items() if words}
        if len(told) == 1:
            return next(iter(by_module.values()), "")
        return ", ".join(f"{m}: {words}" if m else words for m, words in by_module.items())

    return Instrument(
        name=name or all_of("text"), serial=all_of("serial"), firmware=all_of("firmware")
    )


def _said(recovered: Recovered) -> list[str]:
    notes = []
    if recovered.unfinished:
        notes.append(
            f"{recovered.unfinished} readings of a write that was cut short are among them"
        )
    lost: dict[str, float] = {}
    seen: set[str] = set()
    for notice in recovered.notices:
        kind, module = str(notice.get("kind", "")), str(notice.get("module", ""))
        value = notice.get("value")
        if kind == "loss" and isinstance(value, (int, float)):
            lost[module] = lost.get(module, 0.0) + value
        if kind in {"refused", "clock", "rebooted"} and len(notes) < 40:
            words = _words(notice)
            if words not in seen:
                seen.add(words)
                notes.append(words)
    for module, count in lost.items():
        notes.append(f"{module or 'the instrument'} tells of {count:.0f} readings lost on the way")
    aside: Sequence[Mapping[str, Any]] = [e for e in recovered.events if e.get("event") == "aside"]
    notes += [str(e.get("text", "")) for e in aside]
    return notes


def _words(notice: Mapping[str, Any]) -> str:
    text = str(notice.get("text") or notice.get("kind"))
    module = str(notice.get("module", ""))
    return f"{module}: {text}" if module and module not in text else text
