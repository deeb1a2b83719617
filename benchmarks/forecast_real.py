"""Forecasts on real heating records, beside a plain two-time-constant fit, through the verb itself.

Each file of a folder is one test: a time column, one channel of what surrounds the bodies and several
inside. For each inside channel and each temperature, the forecast is asked at a share of the time
between the start of heating and the moment the channel really passed, and knows nothing later. Counted
are channels that stay below their surroundings until they pass.

The plain fit: two first-order lags in a row, fitted to the readings so far, the last surroundings
temperature held.

With --record each test is foreseen with a product record of other tests of the folder: of those whose
channels have the same names, at most three.

Run: python benchmarks/forecast_real.py FOLDER [--around Shroud] [--share 0.5] [--record]
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from ovenwright.domain.run import NS, Run
from ovenwright.modelling.heating import Line, begin
from ovenwright.storage.logbook import Logbook
from ovenwright.storage.readings import Choices
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.workflow.bringing_in import bring_in
from ovenwright.workflow.fitting import fit_runs
from ovenwright.workflow.forecasting import forecast_run
from ovenwright.workflow.laying_out import Wanted

Array = NDArray[np.float64]
LEVELS = (200.0, 150.0)


@dataclass(frozen=True)
class Case:
    run: Run
    channel: str
    level_c: float
    start_s: float
    passes_s: float


def line_of(run: Run, name: str) -> Line:
    series = run.series[name]
    sound = np.isfinite(series.value_c)
    return Line(name, (series.time_ns[sound] - run.start_ns) / NS, series.value_c[sound])


def cases_of(run: Run, around: str) -> list[Case]:
    shroud = line_of(run, around)
    start_s = begin(run.id, shroud, (), until_s=float(shroud.time_s[-1])).start_s
    out = []
    for name in run.series:
        if name == around:
            continue
        core = line_of(run, name)
        for level in LEVELS:
            above = np.flatnonzero(core.temp_c >= level)
            if not above.size or above[0] == 0:
                continue
            i = int(above[0])
            a, b = core.temp_c[i - 1], core.temp_c[i]
            at = core.time_s[i - 1] + (level - a) / (b - a) * (core.time_s[i] - core.time_s[i - 1])
            inside = (core.time_s > start_s + 20.0) & (core.time_s <= at)
            hot = np.interp(core.time_s[inside], shroud.time_s, shroud.temp_c)
            if bool(np.all(core.temp_c[inside] < hot + 5.0)):
                out.append(Case(run, name, level, start_s, float(at)))
    return out


def lagged(time_s: Array, around_c: Array, start_c: float, taus: Array) -> Array:
    first = second = start_c
    out = np.empty(time_s.size)
    out[0] = start_c
    keep = np.exp(-np.diff(time_s)[:, None] / taus)
    for i, (one, two) in enumerate(keep):
        first = around_c[i] + (first - around_c[i]) * one
        second = first + (second - first) * two
        out[i + 1] = second
    return out


def plain(case: Case, around: str, until_s: float) -> float:
    shroud = line_of(case.run, around)
    core = line_of(case.run, case.channel)
    time_s = np.arange(case.start_s, until_s, 1.0)
    hot = np.interp(time_s, shroud.time_s, shroud.temp_c)
    seen = np.interp(time_s, core.time_s, core.temp_c)
    start_c = float(np.median(core.temp_c[core.time_s <= case.start_s][-30:]))

    def misses(logs: Array) -> Array:
        shown = lagged(time_s, hot, start_c, np.exp(np.clip(logs, -1.0, 11.0)))
        return np.asarray(shown - seen, dtype=np.float64)

    fits = [
        least_squares(misses, np.log(first))
        for first in ((100.0, 100.0), (300.0, 50.0), (1000.0, 200.0))
    ]
    best = min(fits, key=lambda f: f.cost)
    whole = np.arange(case.start_s, case.start_s + 12.0 * (until_s - case.start_s), 1.0)
    held = np.interp(np.minimum(whole, until_s - 1.0), shroud.time_s, shroud.temp_c)
    course = lagged(whole, held, start_c, np.exp(np.clip(best.x, -1.0, 11.0)))
    above = np.flatnonzero(course >= case.level_c)
    return float(whole[above[0]]) if above.size else np.inf


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("folder", type=Path)
    ask.add_argument("--around", default="Shroud")
    ask.add_argument("--share", type=float, default=0.5)
    ask.add_argument("--record", action="store_true")
    ask.add_argument("--all-others", action="store_true", help="record of all other tests")
    ask.add_argument("--verbose", action="store_true")
    args = ask.parse_args()
    library = read_reference_library(None)
    with tempfile.TemporaryDirectory() as folder:
        logbook = Logbook(Path(folder))
        runs = [
            bring_in([path], Choices(), logbook=logbook, title=path.stem).run
            for path in sorted(args.folder.glob("*.csv"))
        ]
        rows = []
        began = time.perf_counter()
        for run in runs:
            product = ""
            if args.record or args.all_others:
                names = set(run.series)
                alike = [
                    r
                    for r in runs
                    if r is not run
                    and (args.all_others or len(set(r.series) & names) > 0.7 * len(names))
                ]
                alike = sorted(alike, key=lambda r: -_likeness(run, r, args.around))
                alike = alike if args.all_others else alike[:3]
                if not alike:
                    continue
                product = str(Path(folder) / f"{run.title}.json")
                for other in alike:
                    cores = tuple(n for n in other.series if n != args.around)
                    fit_runs(
                        logbook, library, [other.id],
                        Wanted(cores=cores, surroundings=(args.around,)), product=product,
                    )  # fmt: skip
            for case in cases_of(run, args.around):
                until = case.start_s + args.share * (case.passes_s - case.start_s)
                wanted = Wanted((case.channel,), (args.around,), (case.level_c,), until)
                told = forecast_run(logbook, library, run.id, wanted, product=product).channels[0]
                whole = case.passes_s - case.start_s
                simple = (plain(case, args.around, until) - case.passes_s) / whole
                if told.refused or not told.passes:
                    print(f"refused: {run.title} {case.channel} {case.level_c:g}: {told.refused}")
                    rows.append((case.level_c, np.nan, 0.0, 0.0, np.nan, simple))
                    continue
                one = told.passes[0]
                if one.passed:
                    continue
                low, high = one.interval_90
                near, far = one.interval_50
                rows.append(
                    (
                        case.level_c,
                        (one.median_s - case.passes_s) / whole,
                        float(low <= case.passes_s <= high),
                        float(near <= case.passes_s <= far),
                        (high - low) / whole,
                        simple,
                    )
                )
                if args.verbose:
                    print(
                        run.title,
                        case.channel,
                        case.level_c,
                        f"{rows[-1][1]:+.3f}",
                        rows[-1][2],
                        flush=True,
                    )
        table = np.array(rows)
        print(
            f"{len(rows)} forecasts in {time.perf_counter() - began:.0f} s, asked at {args.share:g} of the way"
        )
        for level in LEVELS:
            mine = table[table[:, 0] == level]
            error = np.where(np.isnan(mine[:, 1]), 9.0, np.abs(mine[:, 1]))
            base = np.minimum(np.abs(mine[:, 5]), 9.0)
            print(
                f"{level:g} °C, {len(mine)} channels: median |error| {np.median(error):.3f} "
                f"(plain {np.median(base):.3f}, ratio {np.median(error) / np.median(base):.2f}), "
                f"90th percentile {np.quantile(error, 0.9):.3f} (plain {np.quantile(base, 0.9):.3f}, "
                f"ratio {np.quantile(error, 0.9) / np.quantile(base, 0.9):.2f}), "
                f"in the 90 % interval {mine[:, 2].mean():.3f}, in the 50 % {mine[:, 3].mean():.2f}, "
                f"width {np.nanmedian(mine[:, 4]):.2f}"
            )


def _likeness(one: Run, other: Run, around: str) -> float:
    """How alike two tests are, by their surroundings' highest lasting temperature."""
    a, b = (float(np.nanquantile(r.series[around].value_c, 0.9)) for r in (one, other))
    return -abs(a - b)


if __name__ == "__main__":
    main()
