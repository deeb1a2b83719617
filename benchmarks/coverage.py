"""How often the 95 % intervals hold the truth: seeded bakes in the virtual oven, judged as any run.

The virtual oven shares no code with the tool. Each bake draws belt speed, setpoints, weather, class
errors, noise, resolution and reference-junction error anew. Truth is what there was to feel where
each sensor sat.

Run: python benchmarks/coverage.py [--runs 200] [--workers 2]
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from importlib.resources import files

import numpy as np

from ovenwright.analysis.analyse import analyse
from ovenwright.conditioning.condition import condition
from ovenwright.domain.plan import Plan
from ovenwright.domain.results import MeasureResult
from ovenwright.domain.run import NS, Run, Series
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.virtual import scenarios
from ovenwright.virtual.recording import Recording
from ovenwright.virtual.running import record

ASKED = """
[[requirements]]
name = "time above 90"
measure = "time_above"
on = "core"
parameters = { level_c = 90.0 }
at_least = 1.0

[[requirements]]
name = "highest"
measure = "max_temperature"
on = "core"
at_least = 1.0

[[requirements]]
name = "lethal work"
measure = "log_reduction"
on = "core"
parameters = { kinetics = "bun_salm" }
at_least = 1.0

[[requirements]]
name = "mean air"
measure = "mean_temperature"
on = "air"
at_least = 1.0
"""


def plan_of(recording: Recording) -> Plan:
    """Return the demo's plan fitted to a random bake: what an engineer would know of it."""
    text = (files("ovenwright") / "data" / "demo" / "ostrel-tin-bread.toml").read_text("utf-8")
    head = text.split("[[requirements]]")[0]
    plan = parse_plan(head + ASKED)
    scenario = recording.scenario
    belt = float(scenario.oven.belt_speed_m_min)  # type: ignore[union-attr]  # a tunnel here
    taus = {s.name: s.time_constant_s for s in scenario.sensors}
    channels = tuple(c.model_copy(update={"time_constant_s": taus[c.name]}) for c in plan.channels)
    return plan.model_copy(
        update={
            "oven": plan.oven.model_copy(update={"belt_speed_m_min": belt}),
            "site": plan.site.model_copy(update={"pressure_kpa": scenario.pressure_kpa}),
            "channels": channels,
            "decision": plan.decision.model_copy(update={"seed": recording.seed, "draws": 4000}),
        }
    )


def one(seed: int) -> list[tuple[str, float, float, float, float]]:
    """Return (what, truth, low, high, estimate) for every value of one bake."""
    recording = record(scenarios.random_scenario(seed), seed=seed)
    plan = plan_of(recording)
    stamps = (recording.time_s * NS).astype(np.int64)
    series = {
        name: Series(
            stamps,
            recording.reading_c[:, j],
            np.where(np.isfinite(recording.reading_c[:, j]), 0, 1).astype(np.uint8),
        )
        for j, name in enumerate(recording.names)
    }
    profile = condition(Run(f"seed {seed}", series), plan)
    results = analyse(profile, plan, read_reference_library())
    start, end = recording.load_in_s, recording.load_out_s
    out = []
    for crossing in results.crossings:
        truth = recording.true_crossing(crossing.channel, crossing.level_c) - start
        low, high = crossing.interval_s
        out.append((f"crossing, {crossing.name}", truth, low, high, crossing.since_load_s))
    law = read_reference_library().kinetics["bun_salm"]
    reference_c, z_k, d_s = (
        float(v or np.nan) for v in (law.reference_c, law.z_k, law.d_reference_s)
    )
    for need, answers in zip(plan.requirements, results.by_requirement, strict=True):
        for answer in answers:
            name = str(answer.channel)
            truth = {
                "time above 90": lambda n=name: recording.true_time_above(n, 90.0, from_s=start, to_s=end),
                "highest": lambda n=name: recording.true_maximum(n, from_s=start, to_s=end),
                "mean air": lambda n=name: recording.true_mean(n, from_s=start, to_s=end),
                "lethal work": lambda n=name: recording.true_equivalent_time(
                    n, reference_c, z_k, from_s=start, to_s=end
                ) / d_s,
            }[need.name]()  # fmt: skip
            out.append((need.name, truth, *_interval(answer), answer.value))
    for name, event, true in (
        ("load-in", results.load_in, start),
        ("load-out", results.load_out, end),
    ):
        half = 1.96 * event.standard_s
        out.append((name, true, event.at_s - half, event.at_s + half, event.at_s))
    return out


def _interval(answer: MeasureResult) -> tuple[float, float]:
    low, high = np.quantile(answer.samples, [0.025, 0.975])
    return float(low), float(high)


def main() -> int:
    """Print the coverage of every quantity."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    began = time.perf_counter()
    held: dict[str, list[bool]] = defaultdict(list)
    off: dict[str, list[float]] = defaultdict(list)
    width: dict[str, list[float]] = defaultdict(list)
    with ProcessPoolExecutor(args.workers) as pool:
        for rows in pool.map(one, range(1, args.runs + 1), chunksize=4):
            for what, truth, low, high, estimate in rows:
                if np.isfinite(truth):
                    held[what].append(low <= truth <= high)
                    off[what].append(estimate - truth)
                    width[what].append(high - low)
    print(f"{args.runs} bakes in {time.perf_counter() - began:.0f} s")
    print(
        f"{'quantity':32} {'values':>6} {'coverage':>9} {'mean error':>11} {'rms error':>10} {'width':>8}"
    )
    for what, hits in held.items():
        errors = np.array(off[what])
        print(
            f"{what:32} {len(hits):6d} {np.mean(hits):9.3f} {errors.mean():11.3g} "
            f"{np.sqrt(np.mean(errors**2)):10.3g} {np.median(width[what]):8.3g}"
        )
    everything = [h for hits in held.values() for h in hits]
    print(f"{'all':32} {len(everything):6d} {np.mean(everything):9.3f}")
    return 0 if np.mean(everything) >= 0.95 else 1


if __name__ == "__main__":
    sys.exit(main())
