"""Forecasts on the virtual oven, whose two-dimensional physics the model shares no code with.

Each seed is another day: belt speed, setpoints, start, weather, sensors drawn. Asked at half of the bake
is when each core passes 95 °C, from the mean of the two air channels; and, over the whole bake, whether
the true surface coefficient and diffusivity lie in the fit's 90 % interval where they are comparable.

With --record three other seeds are fitted first and handed on as a product record.

Run: python benchmarks/forecast_virtual.py [--seeds 40] [--first 0] [--record] [--kind moist]
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import draw_prior
from ovenwright.modelling.fitting import fit
from ovenwright.modelling.forecasting import Passing, look_ahead, passing
from ovenwright.modelling.heating import Heating, Line, begin, mean_line
from ovenwright.modelling.product_record import (
    ProductRecord,
    draw_recorded,
    heating_ends,
    recorded,
    whole_fit,
)
from ovenwright.virtual.recording import Recording
from ovenwright.virtual.running import record as play
from ovenwright.virtual.scenarios import random_scenario

LEVEL_C = 95.0
_TOLD_EACH = 20  # seeds


def lines_of(recording: Recording) -> tuple[Line, tuple[Line, ...]]:
    lines = {}
    for i, channel in enumerate(recording.channels):
        sound = np.isfinite(recording.reading_c[:, i])
        lines[channel.name] = Line(
            channel.name,
            recording.time_s[sound],
            recording.reading_c[sound, i],
            lag_s=channel.time_constant_s,
            noise_k=channel.noise_k,
            position=0.0 if channel.name.startswith("core") else None,
        )
    cores = tuple(line for name, line in lines.items() if name.startswith("core"))
    return mean_line((lines["air left"], lines["air right"])), cores


def laid(recording: Recording, until_s: float) -> Heating:
    air, cores = lines_of(recording)
    return begin(
        str(recording.seed), air, cores, until_s=until_s, load_in_s=recording.load_in_s,
        boiling_c=recording.boiling_c,
    )  # fmt: skip


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--seeds", type=int, default=40)
    ask.add_argument("--first", type=int, default=0)
    ask.add_argument("--record", action="store_true")
    ask.add_argument("--kind", default="moist")
    ask.add_argument("--members", type=int, default=2500)
    args = ask.parse_args()
    rows: list[tuple[float, ...]] = []
    refused, spent = 0, []
    record = ProductRecord("tin bread", args.kind, ())
    if args.record:
        for seed in (9001, 9002, 9003):
            one = play(random_scenario(seed), seed=seed)
            began = time.process_time()
            heating = heating_ends(laid(one, float(one.time_s[-1])))
            fitted = whole_fit(
                heating, draw_prior(args.members, seed=1, knots=KNOTS.size, kinds=args.kind)
            )
            record = record.joined_by(recorded(fitted))
            print(f"record of seed {seed}: {time.process_time() - began:.1f} s CPU", flush=True)
    for seed in range(args.first, args.first + args.seeds):
        one = play(random_scenario(seed), seed=seed)
        half = 0.5 * (one.load_in_s + one.load_out_s)
        heating = laid(one, half)
        began = time.process_time()
        if args.record:
            ensemble = draw_recorded(record, args.members, seed=1)
        else:
            ensemble = draw_prior(args.members, seed=1, knots=KNOTS.size, kinds=args.kind)
        fitted = fit(heating, ensemble, origins=record.origins)
        outlook = look_ahead(fitted, earlier=record.courses)
        spent.append(time.process_time() - began)
        for core in lines_of(one)[1]:
            above = np.flatnonzero(core.temp_c >= LEVEL_C)
            if not above.size:
                continue
            i = int(above[0])
            a, b = core.temp_c[i - 1], core.temp_c[i]
            at = core.time_s[i - 1] + (LEVEL_C - a) / (b - a) * (
                core.time_s[i] - core.time_s[i - 1]
            )
            told = passing(outlook, core.name, LEVEL_C)
            if not isinstance(told, Passing):
                refused += 1
                continue
            whole = at - one.load_in_s
            rows.append(
                (
                    (told.median_s - at) / whole,
                    told.interval_90[0] <= at <= told.interval_90[1],
                    told.interval_50[0] <= at <= told.interval_50[1],
                    np.ptp(told.interval_90) / whole,
                    np.ptp(told.interval_50) / whole,
                )
            )
        done = seed - args.first + 1
        if done % _TOLD_EACH == 0 or done == args.seeds:
            print(summary(rows, done, refused, spent), flush=True)


def summary(rows: list[tuple[float, ...]], seeds: int, refused: int, spent: list[float]) -> str:
    """Figures so far, in a line."""
    table = np.array(rows, dtype=np.float64)
    error = np.abs(table[:, 0])
    return (
        f"{len(rows)} cores of {seeds} seeds, {refused} refused: median |error| "
        f"{np.median(error):.4f}, 90th percentile {np.quantile(error, 0.9):.4f}, bias "
        f"{np.median(table[:, 0]):+.4f}, in the 90 % interval {table[:, 1].mean():.3f}, in the 50 % "
        f"{table[:, 2].mean():.3f}, widths {np.median(table[:, 3]):.3f} and {np.median(table[:, 4]):.3f}; "
        f"{np.median(spent):.1f} s CPU each"
    )


if __name__ == "__main__":
    main()
