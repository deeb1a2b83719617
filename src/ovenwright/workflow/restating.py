"""Put a wrong thermocouple type right, as a new sealed run that cites the old one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ovenwright.domain.arrays import BoolArray, FloatArray
from ovenwright.domain.run import NS, Quality, Run, Series
from ovenwright.errors import OutOfRange, TooLittleData, UnknownName, UsageError
from ovenwright.physics import thermocouple
from ovenwright.reporting.restated_facts import BeforeAfter
from ovenwright.storage.logbook import Logbook

ASSUMED_REFERENCE_C = 25.0
ASSUMED_STANDARD_K = 5.0 / np.sqrt(3.0)
"""± 5 K about a room's temperature where nobody stated the junction (common practice, no source)."""
BELIEVED_STANDARD_K = 1.0
"""For a stated junction without an uncertainty (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Reference:
    """The reference-junction temperature the instrument worked with, and how it is known."""

    at_c: float | FloatArray
    standard_k: float
    words: str


@dataclass(frozen=True, slots=True)
class RestatedChannel:
    """One channel before and after; temperatures in °C, differences in K."""

    channel: str
    recorded_as: str
    actual: str
    reference_c: float
    reference_standard_k: float
    reference_words: str
    before_c: tuple[float, float, float]  # lowest, highest, last
    after_c: tuple[float, float, float]
    largest_change_k: float
    standard_k: float  # largest that the reference junction leaves
    readings: int
    lost: int


@dataclass(frozen=True, slots=True)
class Restated:
    """The new run and what changed in it."""

    run: Run
    parent: Run
    channels: tuple[RestatedChannel, ...]


def restate_run(
    logbook: Logbook,
    run_ref: str,
    *,
    channels: Sequence[str],
    recorded_as: str,
    actual: str,
    reference: float | str | None = None,
    reference_standard_k: float | None = None,
) -> Restated:
    """Seal a new run in which some channels are read as the thermocouple type they really are.

    The old run stays as it is; the new one cites its digest and keeps the numbers as they were
    recorded as the channel's raw numbers.

    Parameters
    ----------
    channels : the channels that were read as the wrong type
    recorded_as, actual : the type the instrument was set to, and the type of the wire
    reference : reference-junction temperature in °C, or the channel that recorded it; left out,
        the instrument's own if it gave one, else 25 °C is assumed and said so
    reference_standard_k : standard uncertainty of it, K

    Raises
    ------
    UnknownName : if there is no such run, channel or type
    UsageError : if a channel was restated already, or the two types are one
    OutOfRange : if the reference is no temperature a junction can have
    TooLittleData : if no reading of a channel could have come from that type
    StorageTrouble : if the disk refuses
    """
    parent = logbook.open(run_ref)
    prepared, told = prepare_restated(
        parent,
        channels=channels,
        recorded_as=recorded_as,
        actual=actual,
        reference=reference,
        reference_standard_k=reference_standard_k,
    )
    return Restated(logbook.seal(prepared), parent, told)


def prepare_restated(
    parent: Run,
    *,
    channels: Sequence[str],
    recorded_as: str,
    actual: str,
    reference: float | str | None = None,
    reference_standard_k: float | None = None,
) -> tuple[Run, tuple[RestatedChannel, ...]]:
    """Return the run as it would be sealed, and what changes, without keeping anything.

    Parameters and errors as :func:`restate_run`.
    """
    if recorded_as == actual:
        raise UsageError(
            f"recorded as {recorded_as} and really {actual} is no change",
            remedy="name the type the instrument was set to with --recorded-as",
        )
    for kind in (recorded_as, actual):
        thermocouple.temperature_range_c(kind)  # an unknown type is told before anything is done
    series = dict(parent.series)
    told: list[RestatedChannel] = []
    for name in dict.fromkeys(channels):
        if name not in series:
            raise UnknownName("channel", name, known=tuple(series), where=parent.id)
        one = series[name]
        if one.restated_from:
            raise UsageError(
                f"{name} was restated already, from type {one.restated_from}",
                where=parent.id,
                remedy="restate the run it was made from",
            )
        known = _reference(parent, one, reference, reference_standard_k)
        series[name], facts = _restated(name, one, known, recorded_as, actual)
        told.append(facts)
    if not told:
        raise UsageError("no channel was named", remedy="name one with --channel")
    prepared = replace(
        parent,
        id="",
        series=series,
        parent_digest=parent.digest,
        digest="",
        notes=(*parent.notes, *(_note(f, parent.id) for f in told)),
    )
    return prepared, tuple(told)


def _reference(
    run: Run, series: Series, given: float | str | None, standard_k: float | None
) -> Reference:
    if standard_k is not None and not 0 <= standard_k <= 50:
        raise OutOfRange("reference uncertainty", got=standard_k, expected="0 to 50 K")
    if isinstance(given, str):
        if given not in run.series:
            raise UnknownName("channel", given, known=tuple(run.series), where=run.id)
        source = run.series[given]
        there = np.isfinite(source.value_c)
        if not there.any():
            raise TooLittleData(f"the channel {given!r} has no reading", where=run.id)
        at_c = np.interp(series.time_ns, source.time_ns[there], source.value_c[there])
        words = f"as channel {given!r} recorded it"
        return Reference(_junction(at_c), 0.0 if standard_k is None else standard_k, words)
    if given is not None:
        standard = BELIEVED_STANDARD_K if standard_k is None else standard_k
        return Reference(_junction(given), standard, "as stated")
    logged = run.instrument.reference_junction_c
    if logged is not None:
        standard = 0.0 if standard_k is None else standard_k
        return Reference(_junction(logged), standard, "as the instrument gave it")
    standard = ASSUMED_STANDARD_K if standard_k is None else standard_k
    return Reference(ASSUMED_REFERENCE_C, standard, "assumed: neither stated nor recorded")


def _junction(at_c: float | FloatArray) -> float | FloatArray:
    low, high = float(np.min(at_c)), float(np.max(at_c))
    if not -55 <= low <= high <= 125:
        raise OutOfRange(
            "reference junction",
            got=f"{low if low < -55 else high:g} °C",
            expected="-55 to 125 °C, what an instrument's terminals can have",
        )
    return at_c


def _readable(
    temp_c: FloatArray, reference_c: float | FloatArray, recorded_as: str, actual: str
) -> BoolArray:
    """Tell which readings the recorded type can show and the actual type can have given."""
    low, high = thermocouple.temperature_range_c(recorded_as)
    fits: BoolArray = (temp_c >= low) & (temp_c <= high)
    inside = np.where(fits, temp_c, 20.0)
    junction = np.asarray(reference_c, np.float64)
    swap = thermocouple.emf(junction, actual) - thermocouple.emf(junction, recorded_as)
    emf_mv = thermocouple.emf(inside, recorded_as) + swap
    low_mv, high_mv = thermocouple.emf_range_mv(actual)
    return fits & (emf_mv >= low_mv) & (emf_mv <= high_mv)


def _restated(
    name: str, one: Series, reference: Reference, recorded_as: str, actual: str
) -> tuple[Series, RestatedChannel]:
    there = np.isfinite(one.value_c)
    fits = _readable(one.value_c, reference.at_c, recorded_as, actual)
    if not fits.any():
        raise TooLittleData(
            f"no reading of {name!r} can have come from type {actual} recorded as {recorded_as}",
            remedy="check the two types and the channel",
        )
    junction = np.broadcast_to(reference.at_c, fits.shape)[fits]
    before = one.value_c[fits]
    after = thermocouple.restate(
        before, recorded_as=recorded_as, actual=actual, reference_c=junction
    )
    doubt = thermocouple.restate_uncertainty(
        before,
        recorded_as=recorded_as,
        actual=actual,
        reference_c=junction,
        reference_standard_k=reference.standard_k,
    )
    value_c = np.full(one.value_c.shape, np.nan)
    value_c[fits] = after
    lost = there & ~fits
    quality = one.quality.copy()
    quality[lost] |= np.uint8(Quality.OVERFLOW)
    new = Series(
        time_ns=one.time_ns,
        value_c=value_c,
        quality=quality,
        raw=one.value_c if one.raw is None else one.raw,
        raw_unit="degC" if one.raw is None else one.raw_unit,
        restated_from=recorded_as,
    )
    return new, RestatedChannel(
        channel=name,
        recorded_as=recorded_as,
        actual=actual,
        reference_c=float(np.mean(reference.at_c)),
        reference_standard_k=float(reference.standard_k),
        reference_words=reference.words,
        before_c=(float(before.min()), float(before.max()), float(before[-1])),
        after_c=(float(after.min()), float(after.max()), float(after[-1])),
        largest_change_k=float((after - before)[np.argmax(np.abs(after - before))]),
        standard_k=float(np.max(doubt)),
        readings=int(fits.sum()),
        lost=int(lost.sum()),
    )


def _note(facts: RestatedChannel, parent_id: str) -> str:
    lost = f"; {facts.lost} readings beyond the types' range taken as missing" if facts.lost else ""
    return (
        f"{facts.channel}: recorded as type {facts.recorded_as}, restated as type {facts.actual} "
        f"from run {parent_id} with the reference junction at {facts.reference_c:.2f} °C "
        f"({facts.reference_words}, standard uncertainty {facts.reference_standard_k:.2g} K, which "
        f"leaves up to {facts.standard_k:.2g} K){lost}"
    )


def before_after(
    parent: Run, after: Run, facts: Sequence[RestatedChannel] = ()
) -> tuple[BeforeAfter, ...]:
    """Return each restated channel of a run beside what its parent recorded.

    Parameters
    ----------
    parent, after : the run as recorded, and the one that restates it, sealed or only prepared
    facts : what was told when it was restated, for the reference junction
    """
    known = {f.channel: f for f in facts}
    found = []
    for name, one in after.series.items():
        before = parent.series.get(name)
        if not one.restated_from or before is None or before.restated_from:
            continue
        if before.time_ns.shape != one.time_ns.shape:
            continue
        fact = known.get(name)
        found.append(
            BeforeAfter(
                name,
                one.restated_from,
                fact.actual if fact else _actual_in(after.notes, name),
                (one.time_ns - parent.start_ns) / NS,
                before.value_c,
                one.value_c,
                fact.standard_k if fact else float("nan"),
                fact.reference_words if fact else "",
                fact.reference_c if fact else float("nan"),
                int((np.isfinite(before.value_c) & np.isnan(one.value_c)).sum()),
            )
        )
    return tuple(found)


def _actual_in(notes: Sequence[str], channel: str) -> str:
    """Return the type a channel was restated to, as the run's own note says it."""
    for text in reversed(notes):
        if text.startswith(f"{channel}: recorded as type ") and " restated as type " in text:
            return text.split(" restated as type ", 1)[1].split(" ", 1)[0]
    return "?"
