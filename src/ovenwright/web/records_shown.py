"""Product records of the model as pages and their twins show them; runs fitted into one by a job."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from ovenwright.errors import UsageError
from ovenwright.modelling.identifying import Identified
from ovenwright.reporting.words import plain, sentence
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.product_records import kept_record_path
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.web.apart import apart
from ovenwright.web.jobs import Job
from ovenwright.web.site import Site
from ovenwright.workflow.fitting import fit_runs
from ovenwright.workflow.laying_out import Wanted
from ovenwright.workflow.records_kept import RecordKept

MOST_RUNS = 12
"""Fitted in one job; each takes a core for half a minute or so."""
_SHOWN: Mapping[str, tuple[float, str]] = {
    "m": (1e3, "mm"),
    "J/m³/K": (1e-6, "MJ/m³/K"),
    "J/m²/K": (1e-3, "kJ/m²/K"),
    "1": (1.0, ""),
}
"""Factor and unit in which people read a parameter."""


@dataclass(frozen=True, slots=True)
class ParameterShown:
    """One parameter in words: its median, what holds it nine times in ten, and the same before."""

    words: str
    median: str
    between: str
    before: str
    told: bool
    source: str


def parameters_shown(record: RecordKept) -> list[ParameterShown]:
    """Return what a record says of its product, what its runs told first."""
    found = [_parameter(p) for p in record.parameters]
    return sorted(found, key=lambda p: not p.told)


def _parameter(one: Identified) -> ParameterShown:
    factor, unit = _SHOWN.get(one.unit, (1.0, one.unit))

    def words(low: float, high: float) -> str:
        return f"{_digits(low * factor)} to {_digits(high * factor)}"

    return ParameterShown(
        one.words,
        f"{_digits(one.median * factor)} {unit}".strip(),
        words(*one.interval_90),
        words(*one.prior_90),
        one.told,
        one.source,
    )


def _digits(value: float) -> str:
    """Return three digits that count, as a fit is no surer."""
    size = abs(value)
    return plain(value, 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3)


def said(record: RecordKept) -> str:
    """Return a record in one sentence."""
    if record.trouble is not None:
        return sentence(str(record.trouble.get("what", "it can't be read")))
    told = [p for p in parameters_shown(record) if p.told][:2]
    kind = next(iter(record.kinds), "")
    parts = [f"likeliest {kind}"] if kind else []
    parts += [f"{p.words} {p.median} ({p.between})" for p in told]
    if record.kinds and not told:
        parts.append("its runs narrowed no parameter worth speaking of")
    return sentence("; ".join(parts))


def fit_into(site: Site, name: str, runs: Sequence[str], *, who: str) -> Job:
    """Start to fit runs into a product record of the logbook, as a process of its own.

    Raises
    ------
    UsageError : for a name that can't be one, no run, or too many
    """
    kept_record_path(site.tools.logbook, name)
    chosen = tuple(dict.fromkeys(runs))
    if not 1 <= len(chosen) <= MOST_RUNS:
        raise UsageError(
            "no run was chosen" if not chosen else f"{len(chosen)} runs are too many at once",
            where=name,
            remedy=f"choose one to {MOST_RUNS} runs of the product",
        )
    settings = site.tools.settings

    def work(job: Job) -> Mapping[str, Any]:
        for done, run in enumerate(chosen):

            def tell(ran_s: float, done: int = done) -> None:
                job.tell(
                    done / len(chosen),
                    f"fitting run {done + 1} of {len(chosen)}, {ran_s:.0f} s so far",
                )

            tell(0.0)
            apart(_fit_one, settings.logbook, settings.kinetics, run, name, tell=tell)
        return {"product_record": name, "runs": list(chosen)}

    job = site.jobs.start(f"fitting {len(chosen)} run(s) into {name}", work, who=who)
    job.link = f"/product-records/{quote(name)}"
    return job


def _fit_one(book: Path, kinetics: Path | None, run: str, name: str) -> int:
    logbook = Logbook(book)
    library = read_reference_library(kinetics)
    return fit_runs(logbook, library, [run], Wanted(), product=name).recorded_runs
