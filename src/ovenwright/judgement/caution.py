"""What has to be said beside a verdict: what it rests on, where that ends, what it can't tell."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import (
    Basis,
    DwellTable,
    Evidence,
    Kinetics,
    Model,
    ReferenceLibrary,
)
from ovenwright.domain.plan import Combine, Requirement
from ovenwright.domain.results import MeasureResult, Results, Unit
from ovenwright.domain.run import Role

SLOW_FROM_C, SLOW_TO_C = 40.0, 55.0
SLOW_S = 300.0
"""Time between 40 and 55 °C that counts as slow heating: 3 K/min on average.

Kinetics that know only the present temperature missed by up to 4.7 log10 on the dangerous side in
ground turkey heated at 0.4 to 7 K/min (J Food Prot 71(2), 2008). The 5 min are our choice within
that range: common practice, no source.
"""

BEYOND_LOG10 = 12.0
"""Past the 12 log10 of a low-acid canned process no count could tell one kill from another."""

_KNOWN: Mapping[Evidence, str] = {
    Evidence.SEEN: "figures read there",
    Evidence.SECONDARY: "figures as quoted elsewhere",
    Evidence.COMPUTED: "worked out from its figures",
    Evidence.MEMORY: "from memory, not checked",
    Evidence.PRACTICE: "common practice, no source",
}

COLDEST = (
    "Guidance: the coldest place decides, never the mean "
    "(FSIS Cooking Guideline, December 2021, lessons from recalls)."
)
SAFETY = (
    "Food safety rests on a validated process, local codes and licensed practice; this verdict "
    "speaks for the places measured in this run alone."
)


def law_of(result: MeasureResult, library: ReferenceLibrary | None) -> Kinetics | None:
    """Return the kinetics that a result's parameters name, if they are at hand."""
    name = result.parameters.get("kinetics")
    return library.kinetics.get(name) if library and isinstance(name, str) else None


def table_of(result: MeasureResult, library: ReferenceLibrary | None) -> DwellTable | None:
    """Return the time-temperature table that a result's parameters name, if it is at hand."""
    name = result.parameters.get("table")
    return library.tables.get(name) if library and isinstance(name, str) else None


def rests_on(result: MeasureResult | None, library: ReferenceLibrary | None) -> tuple[str, ...]:
    """Return what a result rests on: kinetics or table with figures, source and evidence."""
    if result is None:
        return ()
    law, table = law_of(result, library), table_of(result, library)
    found: list[str] = []
    if law is not None:
        found.append(f"kinetics {law.id}: {law.title()}, {law.figures()} ({_source_of(law)})")
    elif "kinetics" in result.parameters:
        found.append(f"kinetics {result.parameters['kinetics']}")
    elif "z_k" in result.parameters and "reference_c" in result.parameters:
        found.append(
            f"reference {result.parameters['reference_c']} °C and z {result.parameters['z_k']} K "
            "as the plan states them"
        )
    if table is not None:
        found.append(f"table {table.id}: {table.title} ({_source_of(table)})")
    elif "table" in result.parameters:
        found.append(f"table {result.parameters['table']}")
    known = " ".join(found)
    # analysis names the publication too; once is enough
    found += [s for s in result.sources if s.split(" (", 1)[0] not in known]
    return tuple(dict.fromkeys(found))


def _source_of(figures: Kinetics | DwellTable) -> str:
    """Return the source with how well its figures are known, each said once."""
    return "; ".join(dict.fromkeys(p for p in (figures.source, _KNOWN[figures.evidence]) if p))


def cautions_for(
    requirement: Requirement,
    result: MeasureResult | None,
    results: Results,
    library: ReferenceLibrary | None,
    *,
    joint: float = math.nan,
    confidence: float = 0.95,
) -> tuple[str, ...]:
    """Return everything to be said beside one requirement's verdict, once each.

    Parameters
    ----------
    requirement : what was asked
    result : the result that decides, None where there is none
    results : everything analysis found
    library : kinetics and tables at hand
    joint : probability that all channels conform at once, NaN if not known
    confidence : what was asked of each channel
    """
    said = [requirement.caution] if requirement.caution else []
    said += _about_combining(requirement, joint, confidence)
    if result is not None:
        law, table = law_of(result, library), table_of(result, library)
        if law is not None:
            said += _about_law(law, requirement, result, results)
        if table is not None:
            said += _about_table(table, requirement, result, results)
        if requirement.safety and law is None and table is None:
            name = result.parameters.get("kinetics") or result.parameters.get("table")
            basis = f"It rests on {name}, which" if name else "What it rests on"
            said.append(f"{basis} must be validated for the product.")
    return tuple(dict.fromkeys(said))


def notes_of(result: MeasureResult | None) -> tuple[str, ...]:
    """Return what a result says beside its number, as sentences, once each."""
    return tuple(dict.fromkeys(_sentence(n) for n in result.notes)) if result else ()


def _about_combining(requirement: Requirement, joint: float, confidence: float) -> Iterator[str]:
    if requirement.combine is Combine.MEAN:
        yield COLDEST
    if requirement.combine is Combine.BEST and requirement.safety:
        yield f"The best channel decides here, although this is about safety. {COLDEST}"
    if joint < confidence and requirement.combine in {Combine.WORST, Combine.EACH}:
        yield (
            "Each channel is sure enough for itself, but the probability that all of them meet "
            f"the limit at once is {100.0 * joint:.1f} %."
        )


def _about_law(
    law: Kinetics, requirement: Requirement, result: MeasureResult, results: Results
) -> Iterator[str]:
    if law.organism or requirement.safety:
        yield (
            f"Rests on the kinetics of {law.title()} ({law.figures()}; {_source_of(law)}), "
            "which must be validated for the product."
        )
    if law.organism and not requirement.safety:
        yield (
            f"The kinetics of {law.title()} are about food safety, though the plan does not mark "
            "this so."
        )
    if result.unit is Unit.LOG10 and result.value > BEYOND_LOG10:
        yield (
            f"More than {BEYOND_LOG10:g} log10 says only that the kill goes far beyond the target, "
            "not how far."
        )
    if law.surrogate:
        yield (
            f"{law.agent} is a surrogate: it speaks for the pathogen only where it is shown to "
            "stand as much heat in this product."
        )
    if law.caution:
        yield f"{law.title()}: {law.caution}"
    hottest = _hottest_c(result.channel, results)
    low, high = law.valid_c
    if hottest > high:
        measured = f"at {low:g} °C" if low == high else f"from {low:g} to {high:g} °C"
        yield (
            f"The kinetics of {law.title()} were measured {measured}; this run went to "
            f"{hottest:.1f} °C, so part of the result is an extrapolation."
        )
    if law.organism and law.model in {Model.BIGELOW, Model.WEIBULL}:
        slow = slow_heating_s(result.channel, results)
        if slow > SLOW_S:
            yield (
                f"{result.channel} spent {slow / 60.0:.0f} min between {SLOW_FROM_C:g} and "
                f"{SLOW_TO_C:g} °C on the way up: slow heating can harden cells, and kinetics that "
                "know only the present temperature then overstate the kill."
            )


def _about_table(
    table: DwellTable, requirement: Requirement, result: MeasureResult, results: Results
) -> Iterator[str]:
    if table.organism or requirement.safety:
        yield (
            f"Rests on table {table.id}, {table.title} ({_source_of(table)}), whose use must be "
            "validated for the product."
        )
    if table.caution:
        yield f"{table.id}: {table.caution}"
    channel = next((c for c in results.profile.channels if c.name == result.channel), None)
    product = {Role.CORE, Role.SURFACE}
    if channel is not None and (table.basis is Basis.PRODUCT) != (channel.role in product):
        yield (
            f"The rows of {table.id} speak of {table.basis} temperature, {channel.name} feels "
            f"{channel.role}."
        )


def slow_heating_s(name: str | None, results: Results) -> float:
    """Seconds that a channel spent between 40 and 55 °C on the way to its highest temperature."""
    column = _process_column(name, results)
    if column is None:
        return 0.0
    time_s, temp_c = column
    top = int(np.nanargmax(temp_c))
    t, temp = time_s[: top + 1], temp_c[: top + 1]
    middle = 0.5 * (temp[:-1] + temp[1:])  # NaN where a reading is missing: not counted
    within = (middle >= SLOW_FROM_C) & (middle <= SLOW_TO_C)
    return float(np.sum(np.diff(t)[within]))


def _hottest_c(name: str | None, results: Results) -> float:
    column = _process_column(name, results)
    return -math.inf if column is None else float(np.nanmax(column[1]))


def _process_column(name: str | None, results: Results) -> tuple[FloatArray, FloatArray] | None:
    profile = results.profile
    if name is None or name not in profile.names:
        return None
    first, last = np.searchsorted(
        profile.time_s, [results.load_in.at_s, results.load_out.at_s], side="left"
    )
    window = slice(int(first), int(last) + 1)
    temp_c = profile.temp_c[window, profile.index(name)]
    if not bool(np.any(np.isfinite(temp_c))):
        return None
    return profile.time_s[window], temp_c


def _sentence(text: str) -> str:
    head = text[:1].upper() + text[1:]
    return head if head.endswith((".", "!", "?")) else f"{head}."
