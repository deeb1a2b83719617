"""Look at one run without judging it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ovenwright.conditioning.health import check_run
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.profile import FlagSpan
from ovenwright.domain.results import Crossing
from ovenwright.domain.run import Run
from ovenwright.reporting.answer import span_facts
from ovenwright.storage.logbook import Logbook
from ovenwright.workflow.judging import plan_for, results_of


@dataclass(frozen=True, slots=True)
class ChannelFacts:
    """One channel at a glance."""

    name: str
    role: str
    count: int
    missing: int
    first_c: float
    last_c: float
    min_c: float
    max_c: float
    junction_of: str = ""  # the channel whose reference junction this is: then it is no sensor


@dataclass(frozen=True, slots=True)
class Looked:
    """A run at a glance."""

    run: Run
    channels: tuple[ChannelFacts, ...]
    spans: tuple[FlagSpan, ...]
    crossings: tuple[Crossing, ...]

    def answer(self) -> dict[str, Any]:
        """Return it as plain data for machines."""
        run = self.run
        return {
            "run": run.id,
            "title": run.title,
            "start_ns": run.start_ns if run.absolute else None,
            "duration_s": (run.end_ns - run.start_ns) / 1e9,
            "samples": run.samples,
            "digest": run.digest,
            "parent_digest": run.parent_digest,
            "has_plan": bool(run.plan_toml),
            "channels": [
                {
                    "name": c.name,
                    "role": c.role,
                    "count": c.count,
                    "missing": c.missing,
                    "first_c": c.first_c,
                    "last_c": c.last_c,
                    "min_c": c.min_c,
                    "max_c": c.max_c,
                    "reference_junction_of": c.junction_of or None,
                }
                for c in self.channels
            ],
            "health": [span_facts(s) for s in self.spans],
            "crossings": [
                {"name": c.name, "channel": c.channel, "since_load_s": c.since_load_s}
                for c in self.crossings
            ],
            "notes": list(run.notes),
            "set_aside": list(run.set_aside),
        }


def look_at(
    logbook: Logbook, library: ReferenceLibrary, run_ref: str, *, plan_file: Path | None = None
) -> Looked:
    """Return a run at a glance; crossings only where there is a plan to say which."""
    run = logbook.open(run_ref)
    plan = plan_for(run, plan_file, library)[0] if plan_file is not None or run.plan_toml else None
    crossings: tuple[Crossing, ...] = ()
    spans: tuple[FlagSpan, ...]
    if plan is not None:
        results = results_of(run, plan, library)
        crossings, spans = results.crossings, results.profile.spans
    else:
        spans = check_run(run)
    channels = []
    for name, series in run.series.items():
        there = series.value_c[np.isfinite(series.value_c)]
        nothing = there.size == 0
        known = plan.channel(name) if plan else None
        channels.append(
            ChannelFacts(
                name,
                known.role.value if known else "–",
                int(series.value_c.size),
                int(series.value_c.size - there.size),
                np.nan if nothing else float(there[0]),
                np.nan if nothing else float(there[-1]),
                np.nan if nothing else float(there.min()),
                np.nan if nothing else float(there.max()),
                run.junctions.get(name, ""),
            )
        )
    return Looked(run, tuple(channels), spans, crossings)
