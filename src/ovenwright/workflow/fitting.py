"""Fit bodies to whole runs, and keep what they told in a product record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.modelling.curves import FittedCurve, fitted_curves
from ovenwright.modelling.identifying import (
    Identified,
    few_words,
    identified,
    kind_shares,
    misfit_words,
)
from ovenwright.modelling.product_record import ProductRecord, heating_ends, recorded, whole_fit
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.product_records import read_record, record_path, write_record
from ovenwright.workflow.explaining import flagged
from ovenwright.workflow.laying_out import Wanted, kind_of, lay_out, prior_of


@dataclass(frozen=True, slots=True)
class ChannelTold:
    """What a fit told of one channel."""

    name: str
    kinds: dict[str, float]
    parameters: tuple[Identified, ...]
    misfit: str
    effective: float


@dataclass(frozen=True, slots=True)
class RunTold:
    """What a fit told of one run."""

    run_id: str
    from_s: float
    until_s: float
    surroundings: str
    channels: tuple[ChannelTold, ...]
    refused: dict[str, str]
    notes: tuple[str, ...]
    curves: tuple[FittedCurve, ...] = ()


@dataclass(frozen=True, slots=True)
class FitTold:
    """What fitting runs told, and the product record it went into."""

    runs: tuple[RunTold, ...]
    record: Path | None
    recorded_runs: int

    def facts(self) -> dict[str, Any]:
        """Return plain data for machines."""
        return {
            "runs": [
                {
                    "run": r.run_id,
                    "from_s": r.from_s,
                    "until_s": r.until_s,
                    "surroundings": r.surroundings,
                    "channels": [
                        {
                            "name": c.name,
                            "kinds": c.kinds,
                            "parameters": [
                                {
                                    "name": p.parameter,
                                    "unit": p.unit,
                                    "median": p.median,
                                    "interval_90": list(p.interval_90),
                                    "prior_90": list(p.prior_90),
                                    "kept": p.kept,
                                    "told": p.told,
                                    "source": p.source,
                                }
                                for p in c.parameters
                            ],
                            "misfit": c.misfit,
                            "effective_members": c.effective,
                        }
                        for c in r.channels
                    ],
                    "refused": r.refused,
                    "notes": list(r.notes),
                }
                for r in self.runs
            ],
            "product_record": None if self.record is None else str(self.record),
            "recorded_runs": self.recorded_runs,
        }


def fit_runs(
    logbook: Logbook,
    library: ReferenceLibrary,
    run_refs: Sequence[str],
    wanted: Wanted,
    *,
    product: str = "",
) -> FitTold:
    """Fit bodies to whole runs, and keep what they told in a product record where one is named.

    Each run is fitted for itself from the general priors, so that the order in which runs come and
    the record they go into do not matter to it.

    Raises
    ------
    UsageError, UnknownName, TooLittleData : as in `lay_out`, and where no channel can be fitted
    StorageTrouble : if the record can't be read or written
    """
    target = record_path(logbook, product) if product else None
    record = read_record(target) if target is not None and target.exists() else None
    told = []
    for ref in run_refs:
        run = logbook.open(ref)
        laid = lay_out(run, library, wanted)
        heating = heating_ends(laid.heating)
        kind = kind_of(laid.plan, wanted.kind)
        top = max((float(c.temp_c.max()) for c in heating.cores), default=0.0)
        dry = top > heating.boiling_c + 3.0
        fitted = whole_fit(
            heating, prior_of(kind, wanted, dry_only=dry and kind == "any"), seed=wanted.seed
        )
        entry = recorded(fitted, digest=run.digest)
        if target is not None:
            held = record or ProductRecord(target.stem, kind, ())
            record = held.joined_by(entry)
        told.append(
            RunTold(
                run_id=run.id,
                from_s=heating.start_s,
                until_s=heating.until_s,
                surroundings=heating.around.name,
                channels=tuple(
                    ChannelTold(
                        name,
                        kind_shares(one),
                        identified(one),
                        misfit_words(fitted, name),
                        one.effective,
                    )
                    for name, one in fitted.channels.items()
                ),
                refused=fitted.refused | laid.out,
                notes=(
                    *heating.notes,
                    *flagged((laid,)),
                    *(f"{n}: {w}" for n, one in fitted.channels.items() if (w := few_words(one))),
                ),
                curves=fitted_curves(fitted),
            )
        )
    if target is not None and record is not None:
        write_record(target, record)
    return FitTold(tuple(told), target, len(record.runs) if record else 0)
